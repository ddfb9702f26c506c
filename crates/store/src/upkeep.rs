//! What the store does by itself: tells watchers of new events, and keeps `SQLite`'s write-ahead log short.
//!
//! Owns the one task of an open store; it ends on close and when the store is dropped.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use notchwatch_model::EventId;
use tokio::time::{Instant, MissedTickBehavior};

use crate::db::{Db, sqlite, values};
use crate::{Result, Store};

/// How often other processes' events are looked for.
const POLL: Duration = Duration::from_millis(250);
/// On `SQLite` there are none; the look covers a commit whose caller went away before it told.
const POLL_ALONE: Duration = Duration::from_secs(1);
/// Time between two tries to cut a write-ahead log back that is too long: each holds the writer up for a moment.
const CHECKPOINT: Duration = Duration::from_secs(20);

impl Store {
    pub(crate) fn start_upkeep(&self) {
        let db = self.shared.db.clone();
        let events = self.shared.events.clone();
        let held = Arc::clone(&self.shared.log_held);
        let stop = self.shared.stop.clone();
        self.shared.tasks.spawn(stop.run_until_cancelled_owned(async move {
            let period = if matches!(db, Db::Sqlite(_)) { POLL_ALONE } else { POLL };
            let mut tick = tokio::time::interval(period);
            tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
            let mut tried: Option<Instant> = None;
            loop {
                tick.tick().await;
                if let Ok(newest) = newest_event(&db).await {
                    advance(&events, newest);
                }
                let Db::Sqlite(pools) = &db else { continue };
                if let Err(error) = sqlite::backfill(pools).await {
                    tracing::debug!(%error, "the write-ahead log was not written into the file");
                }
                let long = sqlite::log_bytes(pools) > sqlite::WAL_BYTES;
                if !long {
                    held.store(false, Ordering::Relaxed);
                } else if tried.is_none_or(|at| at.elapsed() >= CHECKPOINT) {
                    tried = Some(Instant::now());
                    let still = shorten_log(pools, held.load(Ordering::Relaxed)).await;
                    held.store(still, Ordering::Relaxed);
                }
            }
        }));
    }

    /// Bytes of the write-ahead log beside an `SQLite` file; `None` on `PostgreSQL`, which keeps its own.
    #[must_use]
    pub fn log_bytes(&self) -> Option<u64> {
        match &self.shared.db {
            Db::Sqlite(pools) => Some(sqlite::log_bytes(pools)),
            Db::Postgres(_) => None,
        }
    }

    /// Whether the write-ahead log is beyond its bound of 64 MiB and could not be cut back, since somebody outside holds a
    /// state of the database: it grows with all that is written until that ends.
    #[must_use]
    pub fn log_held(&self) -> bool {
        self.shared.log_held.load(Ordering::Relaxed)
    }

    /// Tells watchers of an event committed.
    pub(crate) fn tell(&self, newest: EventId) {
        advance(&self.shared.events, newest);
    }
}

/// Newest event committed; 0 when there is none.
pub(crate) async fn newest_event(db: &Db) -> Result<EventId> {
    let rows = db.fetch_for_work("SELECT value FROM counter WHERE name = 'event'", values![]).await?;
    rows.first().map_or(Ok(EventId(0)), |row| row.int("value").map(EventId))
}

fn advance(events: &tokio::sync::watch::Sender<EventId>, newest: EventId) {
    events.send_if_modified(|known| {
        let newer = newest > *known;
        if newer {
            *known = newest;
        }
        newer
    });
}

/// Returns whether the log is too long still: somebody outside holds a state of the database.
async fn shorten_log(pools: &sqlite::Pools, warned: bool) -> bool {
    match sqlite::checkpoint(pools).await {
        Ok(size) if size <= sqlite::WAL_BYTES => false,
        Ok(bytes) => {
            if !warned {
                tracing::warn!(bytes, "the write-ahead log cannot be cut back: something holds the database");
            }
            true
        }
        Err(error) => {
            if !warned {
                tracing::warn!(%error, "the write-ahead log was not cut back");
            }
            true
        }
    }
}
