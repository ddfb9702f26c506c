//! Committing messages: one transaction a batch, packed rows, refusals into quarantine.
//!
//! Owns the sorting of errors: a database that is away holds the batch, a row that the database refuses goes to
//! quarantine alone and the rest is committed.

use std::collections::{HashMap, HashSet};

use notchwatch_model::{RailwayId, Reason, Refusal, Seq};

use super::batch::{Batch, Row};
use super::writer::{BatchDigest, BatchId, digest};
use super::{Appended, NewMessage};
use crate::clean::clean;
use crate::db::{Column, Tx, values};
use crate::pack::bytes;
use crate::quarantine::{Refused, put_refused, refused_rows};
use crate::register::give;
use crate::{Error, Result, Store, held, int};

/// A row that has what the journal wants.
#[derive(Clone, Copy)]
struct Numbered<'a> {
    message: &'a NewMessage,
    row: &'a Row,
    unit_no: i64,
}

/// A batch made ready.
struct Prepared<'a> {
    batch: &'a Batch,
    rows: Vec<Numbered<'a>>,
    /// By row, the group of payloads that it holds.
    payloads: Vec<(usize, Vec<u8>)>,
    refused: Vec<Refused>,
    doubts: Vec<BatchId>,
}

impl Store {
    /// As [`Store::commit`], for messages that are not packed yet.
    pub async fn append(&self, messages: &[NewMessage]) -> Result<Appended> {
        self.commit(&messages.iter().cloned().collect()).await
    }

    /// Commits a batch of messages: one transaction, journal rows in the order given, refusals into quarantine.
    /// When it returns, every message of the batch is durable. On [`Error::Unreachable`] and [`Error::Full`] try again
    /// with the same batch: if the answer to a commit was lost, the batch is found and not written twice.
    ///
    /// A row that the database refuses goes to quarantine as [`Reason::Store`] and the rest is committed.
    pub async fn commit(&self, batch: &Batch) -> Result<Appended> {
        let messages = batch.messages();
        if messages.is_empty() {
            return Ok(Appended::default());
        }
        let all = self.prepare(batch).await?;
        let done = self.write_all(&all).await?;
        if !all.doubts.is_empty() {
            held(&self.shared.writer).settle(&digest(messages));
        }
        Ok(done)
    }

    /// Writes a batch as it comes; what stands in its way is mended once each, in whatever order it is met: a bad row may
    /// stand before those for which there is no part.
    async fn write_all(&self, all: &Prepared<'_>) -> Result<Appended> {
        let (mut mode, mut parted) = (Mode::Whole, false);
        loop {
            match (self.write(all, mode).await, mode) {
                (Err(Error::NoPart(_)), _) if !parted => {
                    self.make_journal_now(all.rows.len()).await?;
                    parted = true;
                }
                (Err(Error::Refused(what)), Mode::Whole) => {
                    let messages = all.batch.messages().len();
                    tracing::warn!(what, messages, "a row was refused by the database: sorting it out");
                    mode = Mode::Sorting;
                }
                (done, _) => return done,
            }
        }
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

    /// Finds the numbers of the units and lists what cannot be stored.
    async fn prepare<'a>(&self, batch: &'a Batch) -> Result<Prepared<'a>> {
        let messages = batch.messages();
        let of_rows = batch.rows().iter().filter_map(|row| batch.of(row)?.decoded.unit.as_ref());
        let units = self.unit_numbers(of_rows).await?;
        let railways =
            self.registered(messages.iter().filter_map(|m| Some(&m.decoded.unit.as_ref()?.railway))).await?;
        let mut rows = Vec::with_capacity(batch.rows().len());
        let mut unknown = HashMap::new();
        for row in batch.rows() {
            let Some(message) = batch.of(row) else { continue };
            match message.decoded.unit.as_ref().and_then(|unit| units.get(unit)) {
                Some(unit_no) => rows.push(Numbered { message, row, unit_no: *unit_no }),
                None => drop(unknown.insert(row.message, not_registered(message))),
            }
        }
        let mut refused = Vec::new();
        for (ix, message) in messages.iter().enumerate() {
            let refusals: Vec<Refusal> =
                message.decoded.refused.iter().cloned().chain(unknown.remove(&ix)).collect();
            if !refusals.is_empty() {
                let railway = message.decoded.unit.as_ref().filter(|u| railways.contains(&u.railway));
                refused.push(refused_rows(message, railway.map(|u| &u.railway), &refusals));
            }
        }
        let whole = rows.len() == batch.rows().len();
        let payloads = if whole { batch.payloads() } else { payloads_of(batch, &rows) };
        Ok(Prepared { batch, rows, payloads, refused, doubts: self.doubts(messages) })
    }

    async fn write(&self, all: &Prepared<'_>, mode: Mode) -> Result<Appended> {
        let id = held(&self.shared.writer).next_id();
        let mut tx = self.shared.db.write().await?;
        // The counter is locked until a transaction ends: a commit in doubt is in by now, or never will be.
        let first = give(&mut tx, "journal", all.rows.len()).await?;
        if let Some(done) = committed(&mut tx, &all.doubts).await? {
            tx.end().await?;
            return Ok(done);
        }
        let mut rows: Vec<(i64, Numbered<'_>)> = (first..).zip(all.rows.iter().copied()).collect();
        let mut late = Vec::new();
        match mode {
            Mode::Whole => put_rows(&mut tx, &rows, &all.payloads).await?,
            Mode::Sorting => late = sort_out(&mut tx, all.batch, &mut rows).await?,
        }
        let refused: Vec<&Refused> = all.refused.iter().chain(&late).collect();
        let bounds = *held(&self.shared.quarantine);
        let quarantined = put_refused(&mut tx, &refused, bounds).await?;
        let done = Appended {
            last: rows.last().map(|(seq, _)| Seq(*seq)),
            messages: rows.len() as u64,
            samples: rows.iter().map(|(_, r)| r.row.samples as u64).sum(),
            quarantined,
        };
        put_batch(&mut tx, &id, &done).await?;
        self.commit_batch(tx, all.batch.messages(), id).await?;
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

fn not_registered(message: &NewMessage) -> Refusal {
    let unit = message.decoded.unit.as_ref().map_or_else(|| "no unit".to_owned(), ToString::to_string);
    let detail = format!("{unit} is not in the register of the store");
    Refusal::whole(Reason::UnknownUnit, detail)
}

fn payloads_of(batch: &Batch, rows: &[Numbered<'_>]) -> Vec<(usize, Vec<u8>)> {
    batch.payloads_of(&rows.iter().map(|r| r.row).collect::<Vec<_>>())
}

async fn put_rows(tx: &mut Tx, rows: &[(i64, Numbered<'_>)], payloads: &[(usize, Vec<u8>)]) -> Result<()> {
    let all = || rows.iter().map(|(_, numbered)| numbered);
    let packed = || all().map(|r| r.row);
    let envelopes = || all().map(|r| &r.message.envelope);
    let mut raw = vec![Vec::new(); rows.len()];
    for (row, group) in payloads {
        if let Some(raw) = raw.get_mut(*row) {
            raw.clone_from(group);
        }
    }
    let columns = vec![
        ("seq", Column::ints(rows.iter().map(|(seq, _)| *seq))),
        ("unit_no", Column::ints(all().map(|r| r.unit_no))),
        ("received", Column::ints(envelopes().map(|e| e.received.micros()))),
        ("first_event", Column::ints(packed().map(|r| r.first.micros()))),
        ("last_event", Column::ints(packed().map(|r| r.last.micros()))),
        ("open_day", Column::ints(packed().map(|r| r.first.day()))),
        ("retained", Column::Bools(envelopes().map(|e| e.retained).collect())),
        ("approximate", Column::Bools(all().map(|r| r.message.decoded.approximate).collect())),
        ("samples", Column::ints(packed().map(|r| int(r.samples)))),
        ("topic", Column::texts(envelopes().map(|e| clean(&e.topic)))),
        ("content_type", Column::Texts(envelopes().map(|e| e.content_type.as_deref().map(clean)).collect())),
        ("packed", Column::blobs(packed().map(|r| r.packed.clone()))),
        ("extras", Column::Blobs(packed().map(|r| r.extras.clone()).collect())),
        (
            "crc",
            Column::ints(packed().map(|r| bytes::crc(&[&r.packed, r.extras.as_deref().unwrap_or_default()]))),
        ),
        ("raw", Column::blobs(raw)),
    ];
    tx.insert("journal", columns, "").await.map(drop)
}

/// Writes rows in halves until each refused one is alone; those leave `rows` and become refusals.
async fn sort_out(tx: &mut Tx, batch: &Batch, rows: &mut Vec<(i64, Numbered<'_>)>) -> Result<Vec<Refused>> {
    let mut refused = Vec::new();
    let mut bad: HashSet<i64> = HashSet::new();
    let mut parts = Vec::new();
    parts.push(0..rows.len());
    while let Some(part) = parts.pop() {
        let some = rows.get(part.clone()).unwrap_or_default();
        if some.is_empty() {
            continue;
        }
        let numbered: Vec<Numbered<'_>> = some.iter().map(|(_, numbered)| *numbered).collect();
        tx.execute("SAVEPOINT part", values![]).await?;
        match put_rows(tx, some, &payloads_of(batch, &numbered)).await {
            Ok(()) => drop(tx.execute("RELEASE SAVEPOINT part", values![]).await?),
            Err(Error::Refused(what)) => {
                tx.execute("ROLLBACK TO SAVEPOINT part", values![]).await?;
                tx.execute("RELEASE SAVEPOINT part", values![]).await?;
                if let [(seq, Numbered { message, .. })] = some {
                    let refusal = Refusal::whole(Reason::Store, what);
                    refused.push(refused_rows(message, railway_of(message), &[refusal]));
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

/// The railway of a message whose unit is registered.
fn railway_of(message: &NewMessage) -> Option<&RailwayId> {
    message.decoded.unit.as_ref().map(|unit| &unit.railway)
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
