//! Readiness: one set of reasons out of what ingest, the store and evaluation say.
//!
//! Owns which reasons there are beside ingest's. Empty means ready.

use std::collections::BTreeSet;
use std::time::Duration;

use notchwatch_evaluate::Lag;
use notchwatch_ingest::{Health, HealthReason};
use notchwatch_store::Store;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Lines are being loaded after the start.
pub(crate) const STARTING: &str = "starting";
/// The process has been told to stop.
const STOPPING: &str = "stopping";
/// The database does not answer.
const DATABASE_UNREACHABLE: &str = "database-unreachable";
/// How often the store is asked whether it answers.
const PING_EVERY: Duration = Duration::from_secs(2);
/// How long it may take to say so.
const PING_WITHIN: Duration = Duration::from_secs(2);

/// Reasons that do not keep messages from us: nobody is silent because of us then.
const HEARING: [HealthReason; 2] = [HealthReason::Quiet, HealthReason::QosReduced];

/// Who is told.
pub(crate) struct Told {
    /// All reasons for not being ready.
    pub(crate) reasons: watch::Sender<BTreeSet<&'static str>>,
    /// Those for which nobody can be heard.
    pub(crate) deaf: watch::Sender<BTreeSet<&'static str>>,
}

/// Keeps the set of reasons until `stop`.
pub(crate) async fn keep(
    store: Store,
    mut ingest: watch::Receiver<Health>,
    mut lag: watch::Receiver<Lag>,
    told: Told,
    stop: CancellationToken,
) {
    let mut answers = true;
    let mut ping = tokio::time::interval(PING_EVERY);
    ping.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        let Told { reasons, deaf } = &told;
        let state = ingest.borrow_and_update().clone();
        let mut now: BTreeSet<&'static str> =
            state.reasons.keys().filter(|r| !r.is_warning()).map(|r| r.code()).collect();
        let mut unheard: BTreeSet<&'static str> =
            state.reasons.keys().filter(|r| !HEARING.contains(r)).map(|r| r.code()).collect();
        if !lag.borrow_and_update().ready {
            now.insert(STARTING);
        }
        if !answers {
            now.insert(DATABASE_UNREACHABLE);
            unheard.insert(DATABASE_UNREACHABLE);
        }
        if stop.is_cancelled() {
            now.insert(STOPPING);
            unheard.insert(STOPPING);
        }
        deaf.send_if_modified(|old| std::mem::replace(old, unheard.clone()) != unheard);
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
