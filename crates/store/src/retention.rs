//! Retention: what is dropped when, by kind, a bounded piece at a time.
//!
//! Refuses to drop what an open finding shows, what is not judged yet, and what late data may still need.

mod findings;
mod records;
mod samples;

use std::collections::BTreeSet;

use notchwatch_model::{Span, Time};

use crate::damage::Place;
use crate::db::{Row, values};
use crate::quarantine::drop_received_before;
use crate::register::give;
use crate::{Error, Result, Store};
use samples::UNITS_AT_ONCE;

/// How long each kind is kept. `None` is for good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Retention {
    /// Blocks, after the end of their day. Longer than late data are taken.
    pub samples: Option<Span>,
    /// Rollups, after the end of their day.
    pub rollups: Option<Span>,
    /// Closed findings with their events and decisions, after their last event. Not shorter than samples, or folding
    /// again what is left would find them anew.
    pub findings: Option<Span>,
    /// Refused messages, after receipt.
    pub refused: Option<Span>,
    /// Clock ticks that a snapshot of comms holds.
    pub ticks: Option<Span>,
    /// Snapshots of units' folds beside the newest three of each.
    pub snapshots: Option<Span>,
    /// History of health grades, after they were given; the newest of a unit stays.
    pub health: Option<Span>,
    /// Audit, after the act.
    pub audit: Option<Span>,
}

/// What was dropped. Days are those of one unit each; whole parts of `PostgreSQL` are told in the log alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Retained {
    /// Blocks.
    pub blocks: u64,
    /// Rollups.
    pub rollups: u64,
    /// Findings.
    pub findings: u64,
    /// Quarantine rows.
    pub refused: u64,
    /// Clock ticks.
    pub ticks: u64,
    /// Snapshots.
    pub snapshots: u64,
    /// Groups of values that came too late to be judged, with their samples.
    pub unjudged: u64,
    /// Health grades.
    pub health: u64,
    /// Rows of audit.
    pub audit: u64,
}

/// The first damage that a step met. The steps after it are taken all the same: a disk fills up with what stays.
struct Damaged(Option<Error>);

impl Damaged {
    fn spare(&mut self, dropped: Result<u64>) -> Result<u64> {
        match dropped {
            Err(damaged @ Error::Damaged { .. }) => {
                self.0.get_or_insert(damaged);
                Ok(0)
            }
            dropped => dropped,
        }
    }
}

impl Store {
    /// Drops what is older than stated and needed by nobody. What damage keeps from being dropped stays, and is the error
    /// after all others are dropped. What is dropped is many short transactions: a stop in
    /// between leaves nothing half done, and ingest never waits for more than one.
    pub async fn retain(&self, keep: &Retention, now: Time) -> Result<Retained> {
        let (mut done, mut failed) = (Retained::default(), Damaged(None));
        if let Some(span) = keep.samples {
            let before = (now - span).day().min(self.unjudged_since().await?);
            let needed = self.shown_since(now).await?;
            done.blocks = failed.spare(self.drop_blocks(before, &needed).await)?;
            done.unjudged = failed.spare(self.drop_unjudged(before, &needed).await)?;
        }
        if let Some(span) = keep.rollups {
            done.rollups = failed.spare(self.drop_rollups((now - span).day()).await)?;
        }
        if let Some(span) = keep.findings {
            done.findings = failed.spare(self.drop_findings(now - span).await)?;
        }
        if let Some(span) = keep.refused {
            done.refused = failed.spare(self.drop_refused(now - span).await)?;
        }
        if let Some(span) = keep.ticks {
            done.ticks = failed.spare(self.drop_ticks(now - span).await)?;
        }
        if let Some(span) = keep.snapshots {
            done.snapshots = failed.spare(self.drop_snapshots(now - span).await)?;
        }
        if let Some(span) = keep.health {
            done.health = failed.spare(self.drop_health(now - span).await)?;
        }
        if let Some(span) = keep.audit {
            done.audit = failed.spare(self.drop_audit(now - span).await)?;
        }
        failed.0.map_or(Ok(done), Err)
    }

    async fn drop_refused(&self, before: Time) -> Result<u64> {
        let mut tx = self.shared.db.write().await?;
        // Taken as writers of refusals take them, so that none waits for the other.
        give(&mut tx, "quarantine", 0).await?;
        give(&mut tx, "quarantine-bytes", 0).await?;
        let dropped = drop_received_before(&mut tx, before).await?;
        tx.commit().await?;
        Ok(dropped)
    }

    /// Some units a transaction: their states are large, and a statement over the fleet would keep ingest waiting.
    async fn drop_snapshots(&self, before: Time) -> Result<u64> {
        let due = "SELECT unit_no FROM snapshot GROUP BY unit_no HAVING MIN(at) < $1 AND COUNT(*) > 3 ORDER BY unit_no";
        let rows = self.shared.db.fetch_for_work(due, values![before]).await?;
        let due: Vec<i64> = rows.iter().map(|row| row.int("unit_no")).collect::<Result<_>>()?;
        let sql = "DELETE FROM snapshot WHERE unit_no IN INTS($1) AND at < $2 AND at < (SELECT newer.at \
                   FROM snapshot newer WHERE newer.unit_no = snapshot.unit_no ORDER BY newer.at DESC \
                   LIMIT 1 OFFSET 2) RETURNING unit_no, at";
        let mut dropped = 0;
        for some in due.chunks(UNITS_AT_ONCE) {
            let mut tx = self.shared.db.write().await?;
            let gone = tx.fetch(sql, values![some.to_vec(), before]).await?;
            tx.commit().await?;
            let gone: BTreeSet<Place> = gone.iter().map(snapshot_place).collect::<Result<_>>()?;
            self.shared.known.forget(|place| gone.contains(place));
            dropped += gone.len() as u64;
        }
        Ok(dropped)
    }
}

fn snapshot_place(row: &Row) -> Result<Place> {
    Ok(Place::Snapshot { unit_no: row.int("unit_no")?, at: row.int("at")? })
}
