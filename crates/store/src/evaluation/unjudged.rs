//! Samples beyond the horizon of judgement: kept with the unit's others, and named here, so that every fold leaves them
//! out.
//!
//! Owns their form. Refuses to know what the horizon is: evaluation says which samples lie beyond it.

use std::collections::HashMap;

use notchwatch_model::{ChannelIx, Seq, Time, UnitKey};

use crate::damage::Place;
use crate::db::{Column, Row, Tx, values};
use crate::pack::bytes::{compress, decompress};
use crate::{Error, Result, Store};

/// One sample or text that is not judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unjudged {
    /// Event time.
    pub time: Time,
    /// Channel.
    pub channel: ChannelIx,
    /// Value judged in its place: the one that stood there before. `None` where nothing stood. For a text, whose value is
    /// no number, the journal position up to which texts of its time are judged.
    pub instead: Option<f64>,
}

impl Store {
    /// Samples of a unit with `from <= time < to` that are not judged, in the order in which they were found late. What of
    /// them cannot be read is noted as damage and left out.
    pub async fn unjudged(&self, unit: &UnitKey, from: Time, to: Time) -> Result<Vec<Unjudged>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let sql = "SELECT seq, packed FROM unjudged WHERE unit_no = $1 AND last_at >= $2 AND first_at < $3 ORDER BY seq";
        let rows = self.shared.db.fetch_for_work(sql, values![unit_no, from, to]).await?;
        let mut all = Vec::new();
        for row in &rows {
            let place = Place::Unjudged { unit_no, seq: row.int("seq")? };
            all.extend(self.shared.known.spare(place, unpack(row))?);
        }
        all.retain(|sample| from <= sample.time && sample.time < to);
        Ok(all)
    }
}

/// Writes what a commit found late.
pub(super) async fn put(
    tx: &mut Tx,
    units: &HashMap<UnitKey, i64>,
    position: Seq,
    late: Vec<(UnitKey, Vec<Unjudged>)>,
) -> Result<()> {
    let mut rows = Vec::new();
    for (unit, samples) in late {
        let times = || samples.iter().map(|sample| sample.time);
        let (Some(first), Some(last)) = (times().min(), times().max()) else { continue };
        let Some(unit_no) = units.get(&unit) else {
            return Err(Error::Refused(format!("unit {unit} is not registered")));
        };
        rows.push((*unit_no, first, last, pack(&samples)?));
    }
    if rows.is_empty() {
        return Ok(());
    }
    let columns = vec![
        ("unit_no", Column::ints(rows.iter().map(|r| r.0))),
        ("seq", Column::ints(rows.iter().map(|_| position.0))),
        ("first_at", Column::ints(rows.iter().map(|r| r.1.micros()))),
        ("last_at", Column::ints(rows.iter().map(|r| r.2.micros()))),
        ("packed", Column::blobs(rows.into_iter().map(|r| r.3))),
    ];
    tx.insert("unjudged", columns, "").await.map(drop)
}

/// Event time in microseconds, channel, bits of the value in its place: bits come back exactly from any JSON reader.
type Packed = (i64, u16, Option<u64>);

fn pack(samples: &[Unjudged]) -> Result<Vec<u8>> {
    let list: Vec<Packed> =
        samples.iter().map(|s| (s.time.micros(), s.channel.0, s.instead.map(f64::to_bits))).collect();
    let text = serde_json::to_vec(&list).map_err(|e| Error::Refused(format!("samples not judged: {e}")))?;
    Ok(compress(&text))
}

/// Samples of a row's list.
pub(crate) fn unpack(row: &Row) -> Result<Vec<Unjudged>> {
    let damaged = |what: String| Error::Damaged { place: "unjudged".into(), what };
    let text = decompress(&row.blob("packed")?).map_err(|broken| broken.at("unjudged"))?;
    let list: Vec<Packed> = serde_json::from_slice(&text).map_err(|e| damaged(e.to_string()))?;
    list.into_iter()
        .map(|(micros, channel, bits)| {
            let time = Time::from_micros(micros).map_err(|e| damaged(e.to_string()))?;
            Ok(Unjudged { time, channel: ChannelIx(channel), instead: bits.map(f64::from_bits) })
        })
        .collect()
}
