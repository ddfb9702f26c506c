//! Operator positions, and the findings that came to operators.

use notchwatch_model::{AccountName, Arrival, ClassId, Position, PositionId, RailwayFilter, Time};

use crate::access::{audited, seen};
use crate::clean::clean;
use crate::db::{Row, values};
use crate::findings::count::priority;
use crate::register::{json, unit_key};
use crate::{Error, Result, Store};

/// Most positions: metrics carry one label each.
pub const MAX_POSITIONS: usize = 32;
/// Most arrivals read at one time, the newest first: a flood of a hundred thousand is a flood whatever came before it.
const MAX_ARRIVALS: i64 = 100_000;

impl Store {
    /// Every position, by id.
    pub async fn positions(&self) -> Result<Vec<Position>> {
        let sql = "SELECT name, title, railways, classes FROM position ORDER BY name";
        self.fetch(sql, values![]).await?.iter().map(position).collect()
    }

    /// Creates or replaces a position (audited). Errors with [`Error::Refused`] when there would be too many.
    pub async fn put_position(&self, position: &Position, by: &AccountName, now: Time) -> Result<()> {
        let id = position.id.as_str();
        let mut tx = self.shared.db.write().await?;
        let others = tx.fetch("SELECT name FROM position WHERE name <> $1", values![id]).await?.len();
        if others >= MAX_POSITIONS {
            return Err(Error::Refused(format!("there are {others} positions, {MAX_POSITIONS} are allowed")));
        }
        let sql = "INSERT INTO position (name, title, railways, classes) VALUES ($1, $2, $3, $4) \
                   ON CONFLICT (name) DO UPDATE SET title = excluded.title, railways = excluded.railways, \
                   classes = excluded.classes";
        let values = values![id, clean(&position.title), json(&position.railways)?, json(&position.classes)?];
        tx.execute(sql, values).await?;
        audited(&mut tx, now, by.as_str(), "position", id).await?;
        tx.commit().await
    }

    /// Removes a position (audited); `false` when there is none.
    pub async fn remove_position(&self, id: &PositionId, by: &AccountName, now: Time) -> Result<bool> {
        let mut tx = self.shared.db.write().await?;
        let removed = tx.execute("DELETE FROM position WHERE name = $1", values![id.as_str()]).await? == 1;
        if removed {
            audited(&mut tx, now, by.as_str(), "position-removed", id.as_str()).await?;
        }
        tx.commit().await?;
        Ok(removed)
    }

    /// Findings first recorded at or after `from`, and those that are stale: open, active, not hidden at `now` and first
    /// recorded before `stale_before`. The newest first; findings about this service itself are among them.
    pub async fn arrivals(
        &self,
        from: Time,
        stale_before: Time,
        now: Time,
        filter: &RailwayFilter,
    ) -> Result<Vec<Arrival>> {
        let sql = "SELECT recorded, railway, unit, class, kind, priority, fault, \
             CASE WHEN open AND active AND recorded < $4 AND COALESCE(out_until, 0) <= $5 \
               AND COALESCE(shelved_until, 0) <= $5 THEN CAST(1 AS BIGINT) ELSE CAST(0 AS BIGINT) END AS stale \
             FROM finding WHERE ($1 OR railway IN TEXTS($2)) AND (recorded >= $3 OR (open AND active)) \
             ORDER BY recorded DESC, id LIMIT $6";
        let (all, railways) = seen(filter);
        let values = values![all, railways, from, stale_before, now, MAX_ARRIVALS];
        self.fetch(sql, values).await?.iter().map(arrival).collect()
    }
}

fn position(row: &Row) -> Result<Position> {
    Ok(Position {
        id: row.parsed::<PositionId>("name")?,
        title: row.text("title")?,
        railways: row.json("railways")?,
        classes: row.json("classes")?,
    })
}

fn arrival(row: &Row) -> Result<Arrival> {
    let fault = row.maybe_text("fault")?;
    Ok(Arrival {
        at: row.time("recorded")?,
        unit: unit_key(row)?,
        class: row.parsed::<ClassId>("class")?,
        kind: row.parsed("kind")?,
        priority: priority(row.int("priority")?)?,
        fault: fault.and_then(|fault| fault.parse().ok()),
        stale: row.int("stale")? == 1,
    })
}
