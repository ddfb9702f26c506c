//! Committing messages: one transaction a batch, packed rows, refusals into quarantine.
//!
//! Owns the sorting of errors: a database that is away holds the batch, a row that the database refuses goes to
//! quarantine alone and the rest is committed.

use std::collections::{HashMap, HashSet};

use notchwatch_model::{RailwayId, Reason, Refusal, Sample, Seq, Time, UnitKey};

use super::writer::{BatchDigest, BatchId, digest};
use super::{Appended, NewMessage};
use crate::clean::clean;
use crate::db::{Column, Tx, values};
use crate::pack::{bytes, extras, message};
use crate::quarantine::{Refused, put_refused, refused_rows};
use crate::register::give;
use crate::{Error, Result, Store, held, int};

/// A message made ready for the journal.
pub(crate) struct Ready<'a> {
    pub(crate) message: &'a NewMessage,
    pub(crate) unit_no: i64,
    pub(crate) first: Time,
    pub(crate) last: Time,
    pub(crate) samples: usize,
    pub(crate) packed: Vec<u8>,
    pub(crate) extras: Option<Vec<u8>>,
    pub(crate) raw: Vec<u8>,
}

/// A batch made ready.
struct Batch<'a> {
    messages: &'a [NewMessage],
    ready: Vec<Ready<'a>>,
    refused: Vec<Refused>,
    doubts: Vec<BatchId>,
}

impl Store {
    /// Commits a batch of messages: one transaction, journal rows in the order given, refusals into quarantine.
    /// When it returns, every message of the batch is durable. On [`Error::Unreachable`] and [`Error::Full`] try again
    /// with the same batch: if the answer to a commit was lost, the batch is found and not written twice.
    ///
    /// A row that the database refuses goes to quarantine as [`Reason::Store`] and the rest is committed. Values that
    /// are not finite are never stored.
    pub async fn append(&self, batch: &[NewMessage]) -> Result<Appended> {
        if batch.is_empty() {
            return Ok(Appended::default());
        }
        let (ready, refused) = self.prepare(batch).await?;
        let doubts = self.doubts(batch);
        let all = Batch { messages: batch, ready, refused, doubts };
        let mut first = self.write(&all, Mode::Whole).await;
        if let Err(Error::NoPart(_)) = first {
            self.make_journal_now(all.ready.len()).await?;
            first = self.write(&all, Mode::Whole).await;
        }
        let done = match first {
            Err(Error::Refused(what)) => {
                tracing::warn!(
                    what,
                    messages = batch.len(),
                    "a row was refused by the database: sorting it out"
                );
                self.write(&all, Mode::Sorting).await
            }
            done => done,
        }?;
        if !all.doubts.is_empty() {
            held(&self.shared.writer).settle(&digest(batch));
        }
        Ok(done)
    }

    /// Ids under which the batch may have been committed, since the answer was lost.
    fn doubts(&self, batch: &[NewMessage]) -> Vec<BatchId> {
        if held(&self.shared.writer).any_in_doubt() {
            let digest = digest(batch);
            held(&self.shared.writer).ids_of(&digest)
        } else {
            Vec::new()
        }
    }

    /// Packs what can be stored and lists what cannot.
    async fn prepare<'a>(&self, batch: &'a [NewMessage]) -> Result<(Vec<Ready<'a>>, Vec<Refused>)> {
        let holding = batch.iter().filter(|m| !m.decoded.samples.is_empty() || !m.decoded.texts.is_empty());
        let units = self.unit_numbers(holding.filter_map(|m| m.decoded.unit.as_ref())).await?;
        let railways =
            self.registered(batch.iter().filter_map(|m| Some(&m.decoded.unit.as_ref()?.railway))).await?;
        let mut ready = Vec::with_capacity(batch.len());
        let mut refused = Vec::new();
        for message in batch {
            let mut refusals = message.decoded.refused.clone();
            ready.extend(make_ready(message, &units, &mut refusals));
            if !refusals.is_empty() {
                let railway = message.decoded.unit.as_ref().filter(|u| railways.contains(&u.railway));
                refused.push(refused_rows(message, railway.map(|u| &u.railway), &refusals));
            }
        }
        Ok((ready, refused))
    }

    async fn write(&self, batch: &Batch<'_>, mode: Mode) -> Result<Appended> {
        let id = held(&self.shared.writer).next_id();
        let ready = &batch.ready;
        let mut tx = self.shared.db.write().await?;
        // The counter is locked until a transaction ends: a commit in doubt is in by now, or never will be.
        let first = give(&mut tx, "journal", ready.len()).await?;
        if let Some(done) = committed(&mut tx, &batch.doubts).await? {
            tx.end().await?;
            return Ok(done);
        }
        let mut rows: Vec<(i64, &Ready<'_>)> = (first..).zip(ready).collect();
        let mut late = Vec::new();
        match mode {
            Mode::Whole => put_rows(&mut tx, &rows).await?,
            Mode::Sorting => late = sort_out(&mut tx, &mut rows, &railways_of(ready)).await?,
        }
        let refused: Vec<&Refused> = batch.refused.iter().chain(&late).collect();
        let bounds = *held(&self.shared.quarantine);
        let quarantined = put_refused(&mut tx, &refused, bounds).await?;
        let done = Appended {
            last: rows.last().map(|(seq, _)| Seq(*seq)),
            messages: rows.len() as u64,
            samples: rows.iter().map(|(_, r)| r.samples as u64).sum(),
            quarantined,
        };
        put_batch(&mut tx, &id, &done).await?;
        self.commit_batch(tx, batch.messages, id).await?;
        Ok(done)
    }

    /// Commits; when the answer is lost, remembers the batch.
    async fn commit_batch(&self, tx: Tx, batch: &[NewMessage], id: BatchId) -> Result<()> {
        match tx.commit().await {
            Err(error) if error.passes() => {
                let digest: BatchDigest = digest(batch);
                held(&self.shared.writer).doubt(digest, id);
                Err(error)
            }
            other => other,
        }
    }
}

#[derive(Clone, Copy)]
enum Mode {
    /// All rows at once.
    Whole,
    /// The database refused one: in halves, until it is alone.
    Sorting,
}

fn railways_of(ready: &[Ready<'_>]) -> HashMap<i64, RailwayId> {
    ready.iter().filter_map(|r| Some((r.unit_no, r.message.decoded.unit.as_ref()?.railway.clone()))).collect()
}

/// Packs a message. What cannot be stored is added to the refusals.
fn make_ready<'a>(
    message: &'a NewMessage,
    units: &HashMap<UnitKey, i64>,
    refusals: &mut Vec<Refusal>,
) -> Option<Ready<'a>> {
    let decoded = &message.decoded;
    if decoded.samples.is_empty() && decoded.texts.is_empty() {
        return None;
    }
    let known = decoded.unit.as_ref().and_then(|unit| units.get(unit));
    let Some(unit_no) = known.copied() else {
        let unit = decoded.unit.as_ref().map_or_else(|| "no unit".to_owned(), ToString::to_string);
        let detail = format!("{unit} is not in the register of the store");
        refusals.push(Refusal { reason: Reason::UnknownUnit, record: None, detail });
        return None;
    };
    let finite: Vec<Sample>;
    let samples = if decoded.samples.iter().all(|s| s.value.is_finite()) {
        &decoded.samples
    } else {
        finite = decoded.samples.iter().copied().filter(|s| s.value.is_finite()).collect();
        for sample in decoded.samples.iter().filter(|s| !s.value.is_finite()) {
            let detail = format!("the value of channel {} is {}", sample.channel.0, sample.value);
            refusals.push(Refusal { reason: Reason::NotFinite, record: None, detail });
        }
        &finite
    };
    let times = || samples.iter().map(|s| s.time).chain(decoded.texts.iter().map(|t| t.time));
    let (first, last) = (times().min()?, times().max()?);
    Some(Ready {
        message,
        unit_no,
        first,
        last,
        samples: samples.len(),
        packed: message::pack(samples),
        extras: extras::pack(&decoded.texts, &decoded.uoms),
        raw: bytes::keep_raw(&message.envelope.payload),
    })
}

async fn put_rows(tx: &mut Tx, rows: &[(i64, &Ready<'_>)]) -> Result<()> {
    let content_type = |r: &Ready<'_>| r.message.envelope.content_type.as_deref().map(clean);
    let all = || rows.iter().map(|(_, r)| *r);
    let columns = vec![
        ("seq", Column::ints(rows.iter().map(|(seq, _)| *seq))),
        ("unit_no", Column::ints(all().map(|r| r.unit_no))),
        ("received", Column::ints(all().map(|r| r.message.envelope.received.micros()))),
        ("first_event", Column::ints(all().map(|r| r.first.micros()))),
        ("last_event", Column::ints(all().map(|r| r.last.micros()))),
        ("open_day", Column::ints(all().map(|r| r.first.day()))),
        ("retained", Column::Bools(all().map(|r| r.message.envelope.retained).collect())),
        ("approximate", Column::Bools(all().map(|r| r.message.decoded.approximate).collect())),
        ("samples", Column::ints(all().map(|r| int(r.samples)))),
        ("topic", Column::texts(all().map(|r| clean(&r.message.envelope.topic)))),
        ("content_type", Column::Texts(all().map(content_type).collect())),
        ("packed", Column::blobs(all().map(|r| r.packed.clone()))),
        ("extras", Column::Blobs(all().map(|r| r.extras.clone()).collect())),
        (
            "crc",
            Column::ints(all().map(|r| bytes::crc(&[&r.packed, r.extras.as_deref().unwrap_or_default()]))),
        ),
        ("raw", Column::blobs(all().map(|r| r.raw.clone()))),
    ];
    tx.insert("journal", columns, "").await.map(drop)
}

/// Writes rows in halves until each refused one is alone; those leave `rows` and become refusals.
async fn sort_out(
    tx: &mut Tx,
    rows: &mut Vec<(i64, &Ready<'_>)>,
    railways: &HashMap<i64, RailwayId>,
) -> Result<Vec<Refused>> {
    let mut refused = Vec::new();
    let mut bad: HashSet<i64> = HashSet::new();
    let mut parts = Vec::new();
    parts.push(0..rows.len());
    while let Some(part) = parts.pop() {
        let some = rows.get(part.clone()).unwrap_or_default();
        if some.is_empty() {
            continue;
        }
        tx.execute("SAVEPOINT part", values![]).await?;
        match put_rows(tx, some).await {
            Ok(()) => drop(tx.execute("RELEASE SAVEPOINT part", values![]).await?),
            Err(Error::Refused(what)) => {
                tx.execute("ROLLBACK TO SAVEPOINT part", values![]).await?;
                tx.execute("RELEASE SAVEPOINT part", values![]).await?;
                if let [(seq, ready)] = some {
                    let refusal = Refusal { reason: Reason::Store, record: None, detail: what };
                    refused.push(refused_rows(ready.message, railways.get(&ready.unit_no), &[refusal]));
                    bad.insert(*seq);
                } else {
                    let middle = part.start + part.len() / 2;
                    parts.push(middle..part.end);
                    parts.push(part.start..middle);
                }
            }
            Err(other) => return Err(other),
        }
    }
    rows.retain(|(seq, _)| !bad.contains(seq));
    Ok(refused)
}

/// What a batch in doubt did, when it is in.
async fn committed(tx: &mut Tx, doubts: &[BatchId]) -> Result<Option<Appended>> {
    for id in doubts {
        let sql = "SELECT last_seq, messages, samples, quarantined FROM batch WHERE id = $1";
        if let Some(row) = tx.fetch_one(sql, values![id.to_vec()]).await? {
            return Ok(Some(Appended {
                last: row.maybe_int("last_seq")?.map(Seq),
                messages: row.count("messages")?,
                samples: row.count("samples")?,
                quarantined: row.count("quarantined")?,
            }));
        }
    }
    Ok(None)
}

async fn put_batch(tx: &mut Tx, id: &BatchId, done: &Appended) -> Result<()> {
    let sql = "INSERT INTO batch (id, mark, last_seq, messages, samples, quarantined) \
               SELECT $1, CAST(SUM(value) AS BIGINT), $2, $3, $4, $5 FROM counter \
               WHERE name IN ('journal', 'quarantine')";
    let last = done.last.map(|seq| seq.0);
    let counts = [done.messages, done.samples, done.quarantined].map(int);
    let [messages, samples, quarantined] = counts;
    tx.execute(sql, values![id.to_vec(), last, messages, samples, quarantined]).await.map(drop)
}
