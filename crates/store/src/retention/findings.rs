//! Closed findings whose time is over, with their events and decisions.
//!
//! Owns the mark up to which events may be missing, so that a reader who resumes before it is told.

use std::collections::BTreeSet;

use notchwatch_model::Time;

use crate::damage::Place;
use crate::db::{Tx, values};
use crate::register::give;
use crate::{Result, Store, int};

/// Findings dropped in one transaction.
const AT_ONCE: usize = 100;

impl Store {
    /// Drops findings that are closed, show no symptom any more and had their last event before a time.
    pub(super) async fn drop_findings(&self, before: Time) -> Result<u64> {
        let mut dropped = 0;
        loop {
            let mut tx = self.shared.db.write().await?;
            // Taken first by every writer of findings, so that none waits for the other.
            give(&mut tx, "event", 0).await?;
            let (some, gone) = drop_some(&mut tx, before).await?;
            tx.commit().await?;
            self.shared.known.forget(|place| gone.contains(place));
            dropped += some;
            if some < AT_ONCE as u64 {
                return Ok(dropped);
            }
        }
    }
}

/// How many went, and every place that did.
async fn drop_some(tx: &mut Tx, before: Time) -> Result<(u64, BTreeSet<Place>)> {
    let sql = "SELECT f.id FROM finding f WHERE f.open = $1 AND f.active = $1 \
               AND (SELECT MAX(e.at) FROM event e WHERE e.finding = f.id) < $2 ORDER BY f.id LIMIT $3";
    let rows = tx.fetch(sql, values![false, before, int(AT_ONCE)]).await?;
    let ids = rows.iter().map(|row| row.text("id")).collect::<Result<Vec<_>>>()?;
    if ids.is_empty() {
        return Ok((0, BTreeSet::new()));
    }
    let sql = "UPDATE counter SET value = newest.id FROM \
               (SELECT MAX(id) AS id FROM event WHERE finding IN TEXTS($1)) AS newest \
               WHERE counter.name = 'event-dropped' AND counter.value < newest.id";
    tx.execute(sql, values![ids.clone()]).await?;
    let mut gone: BTreeSet<Place> = ids.iter().cloned().map(Place::Finding).collect();
    let sql = "DELETE FROM event WHERE finding IN TEXTS($1) RETURNING id";
    for row in tx.fetch(sql, values![ids.clone()]).await? {
        gone.insert(Place::Event { id: row.int("id")? });
    }
    let sql = "DELETE FROM decision WHERE finding IN TEXTS($1) RETURNING id";
    for row in tx.fetch(sql, values![ids.clone()]).await? {
        gone.insert(Place::Decision { id: row.int("id")? });
    }
    let dropped = tx.execute("DELETE FROM finding WHERE id IN TEXTS($1)", values![ids]).await?;
    Ok((dropped, gone))
}
