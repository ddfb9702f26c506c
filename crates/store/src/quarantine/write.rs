//! Writing refused things, within a stated size.

use std::collections::BTreeMap;

use notchwatch_model::{RailwayId, Reason, Refusal, Time};

use crate::clean::clean;
use crate::db::{Column, Row, Tx, values};
use crate::pack::bytes;
use crate::register::give;
use crate::{Error, NewMessage, Result, int};

/// How much is kept. The oldest go first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuarantineBounds {
    /// Most rows.
    pub rows: u32,
    /// Most bytes: of messages as they are kept, and of what stands in their rows.
    pub bytes: u64,
}

impl Default for QuarantineBounds {
    /// Some weeks of a fleet with one bad sender, some hours of a flood.
    fn default() -> Self {
        Self { rows: 200_000, bytes: 512 << 20 }
    }
}

/// Most bytes kept of a topic, a content type or a detail. MQTT allows 65,535 of each of the first two, and every row
/// holds its own.
const TEXT_BYTES: usize = 1024;
/// What stands at the end of a text that was cut. No identity holds it, so that a cut topic is not taken for a whole one.
const CUT: char = '…';
/// Share of the bytes left after a cut, so that it is not made for every message.
const AFTER_CUT: (i64, i64) = (9, 10);

/// Refused parts of one message: one row a reason.
pub(crate) struct Refused {
    received: i64,
    topic: String,
    content_type: Option<String>,
    retained: bool,
    railway: Option<String>,
    unit: Option<String>,
    size: usize,
    raw: Vec<u8>,
    reasons: Vec<ReasonRow>,
}

struct ReasonRow {
    reason: Reason,
    record: Option<u32>,
    count: u32,
    detail: String,
}

/// Refusals of a message by reason, in the order of their first record.
pub(crate) fn refused_rows(
    message: &NewMessage,
    railway: Option<&RailwayId>,
    refusals: &[Refusal],
) -> Refused {
    let mut reasons: BTreeMap<Reason, ReasonRow> = BTreeMap::new();
    for refusal in refusals {
        let row = reasons.entry(refusal.reason).or_insert_with(|| ReasonRow {
            reason: refusal.reason,
            record: refusal.record,
            count: 0,
            detail: kept(&refusal.detail),
        });
        row.count = row.count.saturating_add(refusal.count);
    }
    let envelope = &message.envelope;
    Refused {
        received: envelope.received.micros(),
        topic: kept(&envelope.topic),
        content_type: envelope.content_type.as_deref().map(kept),
        retained: envelope.retained,
        railway: railway.map(ToString::to_string),
        unit: message.decoded.unit.as_ref().map(|u| u.unit.to_string()),
        size: envelope.payload.len(),
        raw: bytes::keep_raw(&envelope.payload),
        reasons: reasons.into_values().collect(),
    }
}

/// A text as it is kept.
fn kept(text: &str) -> String {
    let mut text = clean(text);
    if text.len() > TEXT_BYTES {
        text.truncate(text.floor_char_boundary(TEXT_BYTES - CUT.len_utf8()));
        text.push(CUT);
    }
    text
}

impl Refused {
    /// Bytes that it takes: those of the message, and the texts of each of its rows.
    fn held(&self) -> usize {
        let optional = [&self.content_type, &self.railway, &self.unit];
        let alike = self.topic.len() + optional.into_iter().flatten().map(String::len).sum::<usize>();
        let own = |row: &ReasonRow| alike + row.reason.code().len() + row.detail.len();
        self.raw.len() + self.reasons.iter().map(own).sum::<usize>()
    }
}

/// Writes refusals and drops the oldest beyond the stated size. Returns how many rows were written.
pub(crate) async fn put_refused(tx: &mut Tx, refused: &[&Refused], bounds: QuarantineBounds) -> Result<u64> {
    let rows: usize = refused.iter().map(|r| r.reasons.len()).sum();
    if rows == 0 {
        return Ok(0);
    }
    let first = give(tx, "quarantine", rows).await?;
    let mut next = first;
    let mut numbered = Vec::with_capacity(rows);
    let mut kept = Vec::with_capacity(refused.len());
    for message in refused {
        kept.push((next, *message));
        for reason in &message.reasons {
            numbered.push((next, kept.last().map_or(next, |r| r.0), *message, reason));
            next += 1;
        }
    }
    let raw_columns = vec![
        ("raw_id", Column::ints(kept.iter().map(|r| r.0))),
        ("size", Column::ints(kept.iter().map(|r| int(r.1.held())))),
        ("raw", Column::blobs(kept.iter().map(|r| r.1.raw.clone()))),
    ];
    tx.insert("quarantine_raw", raw_columns, "").await?;
    put_numbered(tx, &numbered).await?;
    let bytes: usize = kept.iter().map(|r| r.1.held()).sum();
    bound(tx, next - 1, int(bytes), bounds).await?;
    Ok(rows as u64)
}

async fn put_numbered(tx: &mut Tx, rows: &[(i64, i64, &Refused, &ReasonRow)]) -> Result<()> {
    let columns = vec![
        ("id", Column::ints(rows.iter().map(|r| r.0))),
        ("raw_id", Column::ints(rows.iter().map(|r| r.1))),
        ("received", Column::ints(rows.iter().map(|r| r.2.received))),
        ("topic", Column::texts(rows.iter().map(|r| r.2.topic.clone()))),
        ("content_type", Column::Texts(rows.iter().map(|r| r.2.content_type.clone()).collect())),
        ("retained", Column::Bools(rows.iter().map(|r| r.2.retained).collect())),
        ("railway", Column::Texts(rows.iter().map(|r| r.2.railway.clone()).collect())),
        ("unit", Column::Texts(rows.iter().map(|r| r.2.unit.clone()).collect())),
        ("reason", Column::texts(rows.iter().map(|r| r.3.reason.code().to_owned()))),
        ("record", Column::Ints(rows.iter().map(|r| r.3.record.map(i64::from)).collect())),
        ("records", Column::ints(rows.iter().map(|r| i64::from(r.3.count)))),
        ("detail", Column::texts(rows.iter().map(|r| r.3.detail.clone()))),
        ("size", Column::ints(rows.iter().map(|r| int(r.2.size)))),
    ];
    tx.insert("quarantine", columns, "").await.map(drop)
}

/// Drops the oldest rows beyond the most kept, by rows and by bytes.
async fn bound(tx: &mut Tx, newest: i64, added: i64, bounds: QuarantineBounds) -> Result<()> {
    let held = give(tx, "quarantine-bytes", usize::try_from(added).unwrap_or_default()).await? + added - 1;
    let most = int(bounds.bytes);
    let mut keep_from = newest - i64::from(bounds.rows) + 1;
    if held > most {
        let sql = "SELECT MIN(raw_id) AS oldest FROM (SELECT raw_id, SUM(size) OVER (ORDER BY raw_id DESC) AS sum \
                   FROM quarantine_raw) AS running WHERE sum <= $1";
        let row = tx.fetch_one(sql, values![most / AFTER_CUT.1 * AFTER_CUT.0]).await?;
        let oldest = row.map_or(Ok(None), |row| row.maybe_int("oldest"))?;
        keep_from = keep_from.max(oldest.unwrap_or(newest));
    }
    if keep_from > 1 {
        cut(tx, keep_from).await?;
    }
    Ok(())
}

/// Drops rows below a number, and messages that no row is left of. Once quarantine is full this runs in every commit with
/// a refusal, so nothing in it reads more than it drops.
async fn cut(tx: &mut Tx, keep_from: i64) -> Result<()> {
    let rows = tx.execute("DELETE FROM quarantine WHERE id < $1", values![keep_from]).await?;
    if rows == 0 {
        return Ok(());
    }
    // Messages are numbered in the order of their rows, so the first row left is of the first message left.
    let sql = "DELETE FROM quarantine_raw WHERE raw_id < \
               COALESCE((SELECT raw_id FROM quarantine WHERE id >= $1 ORDER BY id LIMIT 1), $1) RETURNING size";
    let messages = tx.fetch(sql, values![keep_from]).await?;
    count_dropped(tx, rows, &messages).await
}

/// Drops what was received before a time. Returns how many rows. Rows stand in the order in which they were written, which
/// need not be that of their receive times: an import keeps those of old, and a clock may have been wrong.
pub(crate) async fn drop_received_before(tx: &mut Tx, before: Time) -> Result<u64> {
    let sql = "DELETE FROM quarantine_raw \
               WHERE raw_id IN (SELECT raw_id FROM quarantine WHERE received < $1) RETURNING size";
    let messages = tx.fetch(sql, values![before]).await?;
    let rows = tx.execute("DELETE FROM quarantine WHERE received < $1", values![before]).await?;
    if rows > 0 {
        count_dropped(tx, rows, &messages).await?;
    }
    Ok(rows)
}

/// Counts rows as dropped, and what was held of messages as free.
async fn count_dropped(tx: &mut Tx, rows: u64, messages: &[Row]) -> Result<()> {
    give(tx, "quarantine-dropped", usize::try_from(rows).unwrap_or_default()).await?;
    let bytes = messages.iter().try_fold(0, |sum, message| Ok::<i64, Error>(sum + message.int("size")?))?;
    let sql = "UPDATE counter SET value = value - $1 WHERE name = 'quarantine-bytes'";
    tx.execute(sql, values![bytes]).await.map(drop)
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{AccountName, Decoded, Envelope, RailwayFilter, Register};

    use super::*;
    use crate::{Options, QuarantineQuery, Store};

    fn refused(number: u8, size: usize) -> Refused {
        let envelope = Envelope {
            received: Time::EPOCH,
            topic: format!("t/{number}"),
            content_type: None,
            retained: false,
            payload: vec![number; size],
        };
        let refusals = [Reason::Uom, Reason::Name].map(|reason| Refusal::of_record(reason, 0, String::new()));
        refused_rows(&NewMessage { envelope, decoded: Decoded::default() }, None, &refusals)
    }

    #[tokio::test]
    async fn the_oldest_go_first() {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("q.db").display());
        let store = Store::open(&Options { url, readers: 1 }).await.unwrap();
        let by = AccountName::new("setup").unwrap();
        store.put_register(&Register::default(), &by, Time::EPOCH).await.unwrap();
        let put = async |number, bounds: QuarantineBounds| {
            let mut tx = store.shared.db.write().await.unwrap();
            put_refused(&mut tx, &[&refused(number, 200)], bounds).await.unwrap();
            tx.commit().await.unwrap();
            let page = store.quarantine(&QuarantineQuery::default(), &RailwayFilter::All).await.unwrap();
            page.items.iter().map(|row| row.id).collect::<Vec<_>>()
        };
        let wide = QuarantineBounds { rows: 100, bytes: 1 << 20 };
        for number in 0..4 {
            put(number, wide).await;
        }
        let by_rows = put(4, QuarantineBounds { rows: 6, ..wide }).await;
        assert_eq!(by_rows, [10, 9, 8, 7, 6, 5]);
        let by_bytes = put(5, QuarantineBounds { bytes: 500, ..wide }).await;
        assert_eq!(by_bytes, [12, 11, 10, 9], "two messages of 201 bytes and two rows each are left");
        assert_eq!(store.quarantine_dropped().await.unwrap(), 8, "ids 1 to 8");
        for id in by_bytes {
            assert!(store.quarantine_row(id, &RailwayFilter::All).await.unwrap().is_some());
        }
        let held =
            store.shared.db.fetch("SELECT value FROM counter WHERE name = 'quarantine-bytes'", values![]);
        let texts = 2 * "t/0".len() + "uom".len() + "name".len();
        assert_eq!(held.await.unwrap()[0].int("value").unwrap(), 2 * (201 + int(texts)));
        store.close().await;
    }
}
