//! Reading the journal from its end on, message by message, for evaluation.
//!
//! Owns that no message keeps its reader from those after it.

use notchwatch_model::Seq;

use super::JournalMessage;
use super::read::{journal_place, row_samples, texts_and_uoms};
use crate::damage::{Known, Place};
use crate::db::{Row, values};
use crate::register::unit_key;
use crate::{Error, Result, Store, int};

impl Store {
    /// Journal messages after a position, in order, `limit` at most. A damaged one comes without its samples, so that
    /// a reader gets past it.
    pub async fn journal_after(&self, after: Seq, limit: usize) -> Result<Vec<JournalMessage>> {
        match self.journal_between(after.0, i64::MAX, limit).await {
            Err(Error::Damaged { .. }) => self.journal_one_by_one(after.0, limit).await,
            read => read,
        }
    }

    async fn journal_between(&self, after: i64, to: i64, limit: usize) -> Result<Vec<JournalMessage>> {
        let sql = "SELECT j.seq, u.railway, u.unit, j.received, j.retained, j.approximate, j.packed, j.extras, j.crc \
                   FROM journal j JOIN unit u ON u.unit_no = j.unit_no WHERE j.seq > $1 AND j.seq <= $2 \
                   ORDER BY j.seq LIMIT $3";
        let rows = self.shared.db.fetch_for_work(sql, values![after, to, int(limit)]).await?;
        rows.iter().map(|row| journal_message(&self.shared.known, row)).collect()
    }

    /// The same where messages stand on a page that cannot be read: these are noted as damage and left out.
    async fn journal_one_by_one(&self, after: i64, limit: usize) -> Result<Vec<JournalMessage>> {
        let end = self.journal_end().await?.0;
        let mut found = Vec::new();
        for seq in after + 1..=end {
            match self.journal_between(seq - 1, seq, 1).await {
                Err(Error::Damaged { what, .. }) => {
                    self.shared.known.note(Place::Journal { seq }, what);
                }
                read => found.extend(read?),
            }
            if found.len() == limit {
                break;
            }
        }
        Ok(found)
    }

    /// Newest position in the journal.
    pub async fn journal_end(&self) -> Result<Seq> {
        let rows = self
            .shared
            .db
            .fetch_for_work("SELECT value FROM counter WHERE name = 'journal'", values![])
            .await?;
        rows.first().map_or(Ok(Seq(0)), |row| row.int("value").map(Seq))
    }
}

fn journal_message(known: &Known, row: &Row) -> Result<JournalMessage> {
    let read = row_samples(row).and_then(|samples| Ok((samples, texts_and_uoms(row)?)));
    let (samples, (texts, uoms)) = known.spare(journal_place(row)?, read)?;
    Ok(JournalMessage {
        seq: Seq(row.int("seq")?),
        unit: unit_key(row)?,
        received: row.time("received")?,
        retained: row.flag("retained")?,
        approximate: row.flag("approximate")?,
        samples,
        texts,
        uoms,
    })
}
