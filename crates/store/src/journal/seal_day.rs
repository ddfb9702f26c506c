//! One unit and UTC day on its way from the journal into a block.

use std::collections::{BTreeMap, HashSet};

use notchwatch_model::{Sample, Seq, Time};

use super::read::{Newest, block_day, last_before, latest_samples, row_samples, settled, texts_and_uoms};
use crate::damage::{Known, Place};
use crate::db::{Column, Tx, values};
use crate::pack::block::{self, Day};
use crate::pack::{bytes, message, rollup};
use crate::{Error, Result, int};

/// What is written for one unit and day.
pub(crate) struct Sealed {
    unit_no: i64,
    day: i64,
    /// Journal positions of the rows read: others of the day that came since stay open.
    read: Vec<i64>,
    /// Absent when the rows hold nothing of the day that was not in its block.
    pub(crate) block: Option<NewBlock>,
    /// The day may have more open rows than were read.
    pub(crate) more: bool,
}

/// A block to write.
pub(crate) struct NewBlock {
    revision: i64,
    last_seq: i64,
    pub(crate) samples: usize,
    pub(crate) packed: Vec<u8>,
    rollup: Vec<u8>,
    newest: Vec<Sample>,
}

impl Sealed {
    /// Journal rows that it closes.
    pub(crate) fn rows(&self) -> usize {
        self.read.len()
    }

    /// Its unit and day.
    pub(crate) fn day(&self) -> (i64, i64) {
        (self.unit_no, self.day)
    }
}

/// Reads the first `most` open rows of a day and packs them with what its block holds. `None` when there are none.
pub(crate) async fn pack_day(tx: &mut Tx, unit_no: i64, day: i64, most: usize) -> Result<Option<Sealed>> {
    let sql = "SELECT seq, received, retained, approximate, packed, extras, crc FROM journal \
               WHERE unit_no = $1 AND open_day = $2 ORDER BY seq LIMIT $3";
    let rows = tx.fetch(sql, values![unit_no, day, int(most)]).await?;
    if rows.is_empty() {
        return Ok(None);
    }
    let read = rows.iter().map(|row| row.int("seq")).collect::<Result<Vec<_>>>()?;
    let (revision, mut whole) = old_block(tx, unit_no, day).await?;
    let held: HashSet<Seq> = whole.messages.iter().map(|m| m.seq).collect();
    let before = whole.messages.len();
    for row in &rows {
        let seq = Seq(row.int("seq")?);
        if held.contains(&seq) {
            continue;
        }
        let (texts, uoms) = texts_and_uoms(row)?;
        let samples: Vec<Sample> = row_samples(row)?.into_iter().filter(|s| s.time.day() == day).collect();
        let texts: Vec<_> = texts.into_iter().filter(|t| t.time.day() == day).collect();
        if samples.is_empty() && texts.is_empty() {
            continue;
        }
        let position = whole.messages.len();
        whole.messages.push(block::Message {
            seq,
            received: row.time("received")?,
            retained: row.flag("retained")?,
            approximate: row.flag("approximate")?,
            uoms,
        });
        whole.samples.extend(samples.into_iter().map(|s| (s, position)));
        whole.texts.extend(texts.into_iter().map(|t| (t, position)));
    }
    let more = rows.len() >= most;
    let grew = whole.messages.len() > before;
    let block = if grew { apart(whole, before, revision, unit_no, day).await? } else { None };
    Ok(Some(Sealed { unit_no, day, read, block, more }))
}

/// Writes blocks, rollups and newest samples, and closes the day for the rows that are in them.
pub(crate) async fn put_sealed(tx: &mut Tx, known: &Known, sealed: &[Sealed]) -> Result<()> {
    let blocks: Vec<(&Sealed, &NewBlock)> =
        sealed.iter().filter_map(|s| s.block.as_ref().map(|b| (s, b))).collect();
    put_blocks(tx, &blocks).await?;
    let columns = vec![
        ("unit_no", Column::ints(blocks.iter().map(|b| b.0.unit_no))),
        ("day", Column::ints(blocks.iter().map(|b| b.0.day))),
        ("packed", Column::blobs(blocks.iter().map(|b| b.1.rollup.clone()))),
    ];
    let merge = "ON CONFLICT (unit_no, day) DO UPDATE SET packed = excluded.packed";
    tx.insert("rollup", columns, merge).await?;
    put_newest(tx, known, &blocks).await?;
    for day in sealed.chunk_by(|a, b| a.day == b.day) {
        let Some(first) = day.first() else { continue };
        let sql = "UPDATE journal SET open_day = CASE WHEN last_event >= $3 THEN open_day + 1 ELSE NULL END \
                   WHERE open_day = $1 AND seq IN INTS($2)";
        let next_day = (first.day + 1).saturating_mul(86_400_000_000);
        let read: Vec<i64> = day.iter().flat_map(|part| part.read.iter().copied()).collect();
        tx.execute(sql, values![first.day, read, next_day]).await?;
    }
    Ok(())
}

/// A block is replaced only by the one that was made from it: of two sealers at once one starts anew.
async fn put_blocks(tx: &mut Tx, blocks: &[(&Sealed, &NewBlock)]) -> Result<()> {
    let columns = vec![
        ("unit_no", Column::ints(blocks.iter().map(|b| b.0.unit_no))),
        ("day", Column::ints(blocks.iter().map(|b| b.0.day))),
        ("revision", Column::ints(blocks.iter().map(|b| b.1.revision))),
        ("last_seq", Column::ints(blocks.iter().map(|b| b.1.last_seq))),
        ("samples", Column::ints(blocks.iter().map(|b| int(b.1.samples)))),
        ("packed", Column::blobs(blocks.iter().map(|b| b.1.packed.clone()))),
    ];
    let merge = "ON CONFLICT (unit_no, day) DO UPDATE SET revision = excluded.revision, \
                 last_seq = excluded.last_seq, samples = excluded.samples, packed = excluded.packed \
                 WHERE block.revision = excluded.revision - 1";
    let written = tx.insert("block", columns, merge).await?;
    if written == blocks.len() as u64 {
        Ok(())
    } else {
        Err(Error::Unreachable("another process seals the same days: try again".into()))
    }
}

async fn put_newest(tx: &mut Tx, known: &Known, blocks: &[(&Sealed, &NewBlock)]) -> Result<()> {
    let units: Vec<i64> = blocks.iter().map(|b| b.0.unit_no).collect();
    let mut newest: BTreeMap<i64, Newest> = BTreeMap::new();
    let sql = "SELECT unit_no, packed, crc FROM latest WHERE unit_no IN INTS($1)";
    for row in tx.fetch(sql, values![units]).await? {
        let unit_no = row.int("unit_no")?;
        let samples = match known.spare(Place::Latest { unit_no }, latest_samples(&row).map(Some))? {
            Some(samples) => samples,
            None => last_before(tx, known, unit_no, Time::LATEST).await?,
        };
        newest.entry(unit_no).or_default().extend(samples);
    }
    for (sealed, block) in blocks {
        newest.entry(sealed.unit_no).or_default().extend(block.newest.iter().copied());
    }
    let (units, packed): (Vec<i64>, Vec<Vec<u8>>) =
        newest.into_iter().map(|(unit, n)| (unit, message::pack(&n.into_samples()))).unzip();
    let columns = vec![
        ("unit_no", Column::ints(units)),
        ("crc", Column::ints(packed.iter().map(|packed| bytes::crc(&[packed])))),
        ("packed", Column::blobs(packed)),
    ];
    let merge = "ON CONFLICT (unit_no) DO UPDATE SET packed = excluded.packed, crc = excluded.crc";
    tx.insert("latest", columns, merge).await.map(drop)
}

/// Revision that comes next, and what the present one holds.
async fn old_block(tx: &mut Tx, unit_no: i64, day: i64) -> Result<(i64, Day)> {
    let sql = "SELECT revision, packed FROM block WHERE unit_no = $1 AND day = $2";
    let Some(row) = tx.fetch_one(sql, values![unit_no, day]).await? else { return Ok((1, Day::default())) };
    Ok((row.int("revision")? + 1, block_day(&row)?))
}

/// Packs on a thread for such work, unless everything that came after the first `before` messages repeats what was there.
/// A defect there costs this day of this unit, which stays as it is, and no other.
async fn apart(
    mut whole: Day,
    before: usize,
    revision: i64,
    unit_no: i64,
    day: i64,
) -> Result<Option<NewBlock>> {
    let packing = tokio::task::spawn_blocking(move || {
        let news = block::leave_repeats_out(&mut whole, before);
        news.then(|| new_block(&whole, revision, unit_no, day)).transpose()
    });
    packing.await.unwrap_or_else(|ended| {
        let place = format!("unit {unit_no}, day {day}, to be sealed");
        Err(Error::Damaged { place, what: format!("packing ended by a defect: {ended}") })
    })
}

fn new_block(whole: &Day, revision: i64, unit_no: i64, day: i64) -> Result<NewBlock> {
    let packed = block::pack(whole).map_err(|b| b.at(format!("unit {unit_no}, day {day}, to be sealed")))?;
    let settled = settled(whole.samples.iter().map(|(sample, _)| *sample).collect());
    let mut newest = Newest::default();
    newest.extend(settled.iter().copied());
    let last_seq = whole.messages.iter().map(|m| m.seq.0).max().unwrap_or_default();
    Ok(NewBlock {
        revision,
        last_seq,
        samples: whole.samples.len(),
        packed,
        rollup: rollup::pack(&settled),
        newest: newest.into_samples(),
    })
}
