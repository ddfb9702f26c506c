//! Records beside samples and findings: values not judged, health grades, audit.

use std::collections::BTreeSet;

use notchwatch_model::Time;

use super::samples::Needed;
use crate::damage::Place;
use crate::db::{Row, values};
use crate::{Result, Store, int};

/// Units whose rows go in one transaction.
const UNITS_AT_ONCE: usize = 64;
/// Rows of audit that do.
const ROWS_AT_ONCE: usize = 5_000;

impl Store {
    /// Drops what was found too late to be judged and whose samples are dropped: of days before one, or before the first that
    /// is needed of the unit.
    pub(super) async fn drop_unjudged(&self, before: i64, needed: &Needed) -> Result<u64> {
        let start = |day: i64| Time::from_micros(day.saturating_mul(86_400_000_000)).ok();
        let Some(end) = start(before) else { return Ok(0) };
        let sql = "SELECT DISTINCT unit_no FROM unjudged WHERE last_at < $1";
        let mut dropped = 0;
        for row in self.shared.db.fetch_for_work(sql, values![end]).await? {
            let unit_no = row.int("unit_no")?;
            let first = needed.get(&unit_no).copied().unwrap_or(i64::MAX).min(before);
            let Some(end) = start(first) else { continue };
            let mut tx = self.shared.db.write().await?;
            let sql = "DELETE FROM unjudged WHERE unit_no = $1 AND last_at < $2 RETURNING seq";
            let gone = tx.fetch(sql, values![unit_no, end]).await?;
            tx.commit().await?;
            let place = |row: &Row| Ok(Place::Unjudged { unit_no, seq: row.int("seq")? });
            let gone: BTreeSet<Place> = gone.iter().map(place).collect::<Result<_>>()?;
            self.shared.known.forget(|place| gone.contains(place));
            dropped += gone.len() as u64;
        }
        Ok(dropped)
    }

    /// Drops rows of the history of health grades from before a time, but not the newest of a unit.
    pub(super) async fn drop_health(&self, before: Time) -> Result<u64> {
        let units = self.shared.db.fetch_for_work("SELECT unit_no FROM health_now", values![]).await?;
        let units = units.iter().map(|row| row.int("unit_no")).collect::<Result<Vec<_>>>()?;
        let mut dropped = 0;
        for some in units.chunks(UNITS_AT_ONCE) {
            let mut tx = self.shared.db.write().await?;
            let sql = "DELETE FROM health WHERE unit_no IN INTS($1) AND at < $2 AND at < \
                       (SELECT n.recorded FROM health_now n WHERE n.unit_no = health.unit_no)";
            dropped += tx.execute(sql, values![some.to_vec(), before]).await?;
            tx.commit().await?;
        }
        Ok(dropped)
    }

    /// Drops rows of audit from before a time.
    pub(super) async fn drop_audit(&self, before: Time) -> Result<u64> {
        let mut dropped = 0;
        loop {
            let mut tx = self.shared.db.write().await?;
            let sql =
                "DELETE FROM audit WHERE id IN (SELECT id FROM audit WHERE at < $1 ORDER BY id LIMIT $2)";
            let some = tx.execute(sql, values![before, int(ROWS_AT_ONCE)]).await?;
            tx.commit().await?;
            dropped += some;
            if some < ROWS_AT_ONCE as u64 {
                return Ok(dropped);
            }
        }
    }
}
