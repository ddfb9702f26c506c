//! Reading the event log, the decision log and a finding's history.

use notchwatch_model::{Decision, DecisionId, EventId, FindingId, MachinePart, RailwayFilter};

use super::rows::{decision, event, kind, version};
use super::{Event, HistoryEntry};
use crate::access::seen;
use crate::damage::Place;
use crate::db::{Row, Tx, values};
use crate::log::{Log, LogPart};
use crate::{Error, Result, Store};

pub(crate) const DECISIONS: Log<Decision> = Log {
    counter: "decision",
    rows: "SELECT id AS position, id, at, account, railway, unit, finding, act, seen, effective FROM decision \
           WHERE id > $1 AND id <= $2 ORDER BY id LIMIT $3",
    place: |id| Place::Decision { id },
    read: |_, row| decision(row),
};
pub(crate) const EVENTS: Log<Event> = Log {
    counter: "event",
    rows: "SELECT id AS position, id, at, kind, document FROM event \
           WHERE id > $1 AND id <= $2 AND ($4 OR railway IN TEXTS($5)) ORDER BY id LIMIT $3",
    place: |id| Place::Event { id },
    read: |_, row| event(row),
};

impl Store {
    /// History of a finding: decisions and machine changes, oldest first.
    pub async fn history(&self, id: &FindingId, filter: &RailwayFilter) -> Result<Vec<HistoryEntry>> {
        let (all, railways) = seen(filter);
        let mut tx = self.read().await?;
        let sql = "SELECT id, at, kind, version, document FROM event WHERE finding = $3 AND decision IS NULL \
                   AND ($1 OR railway IN TEXTS($2)) ORDER BY id";
        let said = tx.fetch(sql, values![all, railways, id.as_str()]).await?;
        let decided = decided(&mut tx, id, filter).await?;
        tx.end().await?;
        let mut entries = Vec::with_capacity(said.len() + decided.len());
        for row in &said {
            let (at, version, kind) = (row.time("at")?, version(row)?, kind(row)?);
            entries.push((at, HistoryEntry::Machine { at, kind, version, machine: told(row)? }));
        }
        entries.extend(decided.into_iter().map(|decision| (decision.at, HistoryEntry::Decision(decision))));
        entries.sort_by_key(|(at, _)| *at);
        Ok(entries.into_iter().map(|(_, entry)| entry).collect())
    }

    /// What was decided on a finding or with it, oldest first.
    pub async fn decisions_on(&self, id: &FindingId, filter: &RailwayFilter) -> Result<Vec<Decision>> {
        let mut tx = self.read().await?;
        let decided = decided(&mut tx, id, filter).await?;
        tx.end().await?;
        Ok(decided)
    }

    /// Decisions after a position, in order, whatever the railway: for evaluation.
    pub async fn decisions_after(
        &self,
        after: DecisionId,
        limit: usize,
    ) -> Result<LogPart<Decision, DecisionId>> {
        Ok(self.log_part(&DECISIONS, after.0, limit, vec![]).await?.at(DecisionId))
    }

    /// Events after a position whose railway the filter admits, in order; no reader ever sees a higher id before a lower one
    /// commits.
    pub async fn events_after(
        &self,
        after: EventId,
        filter: &RailwayFilter,
        limit: usize,
    ) -> Result<LogPart<Event, EventId>> {
        let (all, railways) = seen(filter);
        Ok(self.log_part(&EVENTS, after.0, limit, values![all, railways]).await?.at(EventId))
    }

    /// Oldest event id from which on the log is whole, and the newest; `None` when the log is empty.
    pub async fn event_range(&self) -> Result<Option<(EventId, EventId)>> {
        let sql = "SELECT MIN(id) AS oldest, MAX(id) AS newest, \
                   (SELECT value + 1 FROM counter WHERE name = 'event-dropped') AS whole FROM event";
        let rows = self.fetch(sql, values![]).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        let ends = (row.maybe_int("oldest")?, row.maybe_int("newest")?);
        Ok(if let (Some(oldest), Some(newest)) = ends {
            Some((
                EventId(oldest.max(row.maybe_int("whole")?.unwrap_or(oldest)).min(newest)),
                EventId(newest),
            ))
        } else {
            None
        })
    }
}

async fn decided(tx: &mut Tx, id: &FindingId, filter: &RailwayFilter) -> Result<Vec<Decision>> {
    let (all, railways) = seen(filter);
    let sql = "SELECT id, at, account, railway, unit, finding, act, seen, effective FROM decision \
               WHERE (finding = $3 OR other = $3) AND ($1 OR railway IN TEXTS($2)) ORDER BY id";
    tx.fetch(sql, values![all, railways, id.as_str()]).await?.iter().map(decision).collect()
}

/// What the machine told with an event. A document that is damaged costs its words, not the history.
fn told(row: &Row) -> Result<Option<Box<MachinePart>>> {
    match event(row) {
        Ok(event) => Ok(Some(Box::new(event.finding.machine))),
        Err(Error::Damaged { place, what }) => {
            tracing::error!(place, what, "an event of a finding's history cannot be read");
            Ok(None)
        }
        Err(other) => Err(other),
    }
}
