//! Reading the journal from its end on, message by message, for evaluation.
//!
//! Owns that no message keeps its reader from those after it. Nobody but work reads here, whoever's the store is.

use notchwatch_model::Seq;

use super::JournalMessage;
use super::read::{journal_place, row_samples, texts_and_uoms};
use crate::damage::{Known, Place};
use crate::db::Row;
use crate::log::{Log, LogPart};
use crate::register::unit_key;
use crate::{Result, Store};

const MESSAGES: Log<JournalMessage> = Log {
    counter: "journal",
    rows: "SELECT j.seq AS position, j.seq, u.railway, u.unit, j.received, j.retained, j.approximate, j.packed, j.extras, \
           j.crc FROM journal j JOIN unit u ON u.unit_no = j.unit_no WHERE j.seq > $1 AND j.seq <= $2 \
           ORDER BY j.seq LIMIT $3",
    place: |seq| Place::Message { seq },
    read: journal_message,
};

impl Store {
    /// Journal messages after a position, in order, `limit` at most. One whose samples are damaged comes without them.
    pub async fn journal_after(&self, after: Seq, limit: usize) -> Result<LogPart<JournalMessage, Seq>> {
        Ok(self.for_work().log_part(&MESSAGES, after.0, limit, vec![]).await?.at(Seq))
    }

    /// Newest position in the journal.
    pub async fn journal_end(&self) -> Result<Seq> {
        self.for_work().log_end(&MESSAGES).await.map(Seq)
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
