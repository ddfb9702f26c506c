//! Readiness: one set of reasons out of what ingest, the store and evaluation say.
//!
//! Owns which reasons there are beside ingest's. Empty means ready.

use std::collections::BTreeSet;
use std::time::Duration;

use notchwatch_evaluate::Lag;
use notchwatch_ingest::Health;
use notchwatch_store::Store;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Lines are being loaded after the start.
const STARTING: &str = "starting";
/// The process has been told to stop.
const STOPPING: &str = "stopping";
/// The database does not answer.
const DATABASE_UNREACHABLE: &str = "database-unreachable";
/// How often the store is asked whether it answers.
const PING_EVERY: Duration = Duration::from_secs(2);
/// How long it may take to say so.
const PING_WITHIN: Duration = Duration::from_secs(2);

/// Keeps the set of reasons until `stop`.
pub(crate) async fn keep(
    store: Store,
    mut ingest: watch::Receiver<Health>,
    mut lag: watch::Receiver<Lag>,
    reasons: watch::Sender<BTreeSet<&'static str>>,
    stop: CancellationToken,
) {
    let mut answers = true;
    let mut ping = tokio::time::interval(PING_EVERY);
    ping.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        let mut now: BTreeSet<&'static str> =
            ingest.borrow_and_update().reasons.keys().filter(|r| !r.is_warning()).map(|r| r.code()).collect();
        if !lag.borrow_and_update().ready {
            now.insert(STARTING);
        }
        if !answers {
            now.insert(DATABASE_UNREACHABLE);
        }
        if stop.is_cancelled() {
            now.insert(STOPPING);
        }
        reasons.send_if_modified(|old| std::mem::replace(old, now.clone()) != now);
        tokio::select! {
            () = stop.cancelled() => {
                reasons.send_modify(|set| { set.insert(STOPPING); });
                return;
            }
            changed = ingest.changed() => if changed.is_err() { return },
            changed = lag.changed() => if changed.is_err() { return },
            _ = ping.tick() => {
                answers = matches!(tokio::time::timeout(PING_WITHIN, store.ping()).await, Ok(Ok(())));
            }
        }
    }
}
