//! Reading quarantine, by what a caller may see.

use notchwatch_model::{RailwayFilter, RailwayId, Reason, UnitId};

use crate::access::seen;
use crate::damage::Place;
use crate::db::{Row, values};
use crate::pack::bytes;
use crate::{Cursor, Error, Page, QuarantineQuery, QuarantineRow, Result, Store, int, page_size};

impl Store {
    /// A page of refused things, newest first. Rows of no known railway are shown only to [`RailwayFilter::All`].
    pub async fn quarantine(
        &self,
        query: &QuarantineQuery,
        filter: &RailwayFilter,
    ) -> Result<Page<QuarantineRow>> {
        let sql = "SELECT id, received, topic, content_type, retained, railway, unit, reason, record, records, detail, size \
                   FROM quarantine WHERE ($1 OR railway IN TEXTS($2)) AND ($3 IS NULL OR reason = $3) \
                   AND ($4 IS NULL OR railway = $4) AND ($5 IS NULL OR unit = $5) \
                   AND ($6 IS NULL OR received >= $6) AND ($7 IS NULL OR received < $7) \
                   AND ($8 IS NULL OR REPLACE(topic, $8, '') <> topic) \
                   AND ($9 IS NULL OR id < $9) ORDER BY id DESC LIMIT $10";
        if query.topic.as_ref().is_some_and(|text| text.contains('\0')) {
            return Err(Error::Refused("no topic holds a NUL".into()));
        }
        let (all, railways) = seen(filter);
        let limit = page_size(query.limit);
        let after = query.after.as_ref().map(place).transpose()?;
        let values = values![
            all,
            railways,
            query.reason.map(Reason::code),
            query.railway.as_ref().map(RailwayId::as_str),
            query.unit.as_ref().map(UnitId::as_str),
            query.since,
            query.until,
            query.topic.as_deref(),
            after,
            int(limit + 1),
        ];
        let mut rows = self.fetch(sql, values).await?;
        let more = rows.len() > limit;
        rows.truncate(limit);
        let last = rows.last().filter(|_| more).map(|last| last.int("id")).transpose()?;
        let place = |row: &Row| Ok(Place::Refused { id: row.int("id")? });
        let items = self.shared.known.spare_each(&rows, place, row)?;
        let left_out = items.len() < rows.len();
        Ok(Page { items, next: last.map(|id| Cursor(id.to_string())), left_out })
    }

    /// One row with its bytes.
    pub async fn quarantine_row(
        &self,
        id: i64,
        filter: &RailwayFilter,
    ) -> Result<Option<(QuarantineRow, Vec<u8>)>> {
        let sql = "SELECT q.id, q.received, q.topic, q.content_type, q.retained, q.railway, q.unit, q.reason, q.record, \
                   q.records, q.detail, q.size, r.raw FROM quarantine q JOIN quarantine_raw r ON r.raw_id = q.raw_id \
                   WHERE q.id = $3 AND ($1 OR q.railway IN TEXTS($2))";
        let (all, railways) = seen(filter);
        let rows = self.fetch(sql, values![all, railways, id]).await?;
        let Some(found) = rows.first() else { return Ok(None) };
        let raw = bytes::kept_raw(&found.blob("raw")?).map_err(|b| b.at(format!("quarantine {id}")))?;
        Ok(Some((row(found)?, raw)))
    }

    /// Rows that the bounds of quarantine have dropped, ever, of all railways: for age, number or bytes.
    pub async fn quarantine_dropped(&self) -> Result<u64> {
        let sql = "SELECT value FROM counter WHERE name = 'quarantine-dropped'";
        let rows = self.fetch(sql, values![]).await?;
        rows.first().map_or(Ok(0), |row| row.count("value"))
    }

    /// Rows by reason.
    pub async fn quarantine_counts(&self, filter: &RailwayFilter) -> Result<Vec<(Reason, u64)>> {
        let sql = "SELECT reason, COUNT(*) AS count FROM quarantine WHERE ($1 OR railway IN TEXTS($2)) \
                   GROUP BY reason ORDER BY reason";
        let (all, railways) = seen(filter);
        let rows = self.fetch(sql, values![all, railways]).await?;
        // A word that is none is told by who reads the rows.
        let counted = rows.iter().filter_map(|row| Some((reason(row).ok()?, row.count("count"))));
        counted.map(|(reason, count)| Ok((reason, count?))).collect()
    }
}

fn row(row: &Row) -> Result<QuarantineRow> {
    Ok(QuarantineRow {
        id: row.int("id")?,
        received: row.time("received")?,
        topic: row.text("topic")?,
        content_type: row.maybe_text("content_type")?,
        retained: row.flag("retained")?,
        railway: row.maybe_text("railway")?.map(|t| t.parse()).transpose().map_err(damaged)?,
        unit: row.maybe_text("unit")?.map(|t| t.parse()).transpose().map_err(damaged)?,
        reason: reason(row)?,
        record: row.maybe_int("record")?.map(u32::try_from).transpose().map_err(damaged)?,
        count: u32::try_from(row.int("records")?).map_err(damaged)?,
        detail: row.text("detail")?,
        size: row.count("size")?,
    })
}

fn reason(row: &Row) -> Result<Reason> {
    let code = row.text("reason")?;
    Reason::from_code(&code).ok_or_else(|| damaged(format!("{code:?} is not a reason")))
}

fn damaged(what: impl std::fmt::Display) -> Error {
    Error::Damaged { place: "quarantine".into(), what: what.to_string() }
}

fn place(cursor: &Cursor) -> Result<i64> {
    cursor.0.parse().map_err(|_| Error::Refused(format!("{:?} is not a place in this list", cursor.0)))
}
