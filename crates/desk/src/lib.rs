//! The desk: what a person or token may do and how. The one door for the console's pages and the API alike.
//!
//! Owns permissions, the railway filter, sign-in, tokens, decisions and what is read for a picture. Refuses HTTP,
//! SQL and evaluation: the clock and the evidence are handed in.

mod access;
mod bands;
mod channels;
mod decide;
mod error;
mod evidence;
mod export;
mod feed;
mod fleet;
mod health;
mod link;
mod load;
mod password;
mod peers;
mod register;
mod secret;
mod sign_in;
mod throttle;
mod timeline;
mod trace;

use std::sync::{Arc, OnceLock};

pub use access::{AccountChange, AccountView};
pub use bands::Band;
pub use channels::{Range, UnitChannel};
pub use error::{DeskError, Result};
pub use evidence::{Again, Clock, Evidence, EvidenceError, Level, Replay, TracePoint};
pub use export::Export;
pub use feed::{Feed, MAX_REPLAYS, Replays};
pub use fleet::{FleetOrder, FleetUnit};
pub use health::MAX_HEALTH_SPAN;
pub use load::Loads;
use notchwatch_findings::Library;
pub use notchwatch_findings::{FLOOD_BEGINS_ABOVE, Frequent, Health, HealthReason, Load, UnitHealth};
use notchwatch_model::{Principal, RailwayFilter, Time};
use notchwatch_store::Store;
pub use password::MIN_PASSWORD_CHARS;
pub use peers::{FEWEST_SAMPLES, MAX_PEERS, Peer, PeerQuery, Peers};
pub use register::RefusedUnit;
pub use secret::{SessionSecret, TOKEN_PREFIX, TokenSecret};
pub use sign_in::SESSION_LASTS;
pub use timeline::{MAX_ENTRIES, MAX_TIMELINE_SPAN, TimelineSpan};
use tokio::sync::{Semaphore, watch};
pub use trace::{
    MAX_ROLLUP_BUCKETS, MAX_SAMPLE_POINTS, MAX_SAMPLE_SPAN, MAX_TRACE_POINTS, MAX_TRACE_SPAN, Series, Trace,
};

use crate::throttle::Throttle;

/// The desk. Clones share it.
#[derive(Debug, Clone)]
pub struct Desk {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    store: Store,
    clock: Arc<dyn Clock>,
    evidence: Arc<dyn Evidence>,
    /// Who reads refused messages again; nobody in a process without ingest.
    replay: OnceLock<Arc<dyn Replay>>,
    library: Arc<Library>,
    throttle: Throttle,
    register: register::RegisterCopy,
    fleet: fleet::FleetCopy,
    /// Comparisons computed lately, bounded in number and age; whoever computes one holds the lock.
    peers: tokio::sync::Mutex<Vec<peers::Kept>>,
    /// Operator load counted a moment ago, bounded in number and age; whoever counts holds the lock.
    loads: tokio::sync::Mutex<Vec<load::Kept>>,
    /// Expected bands of units looked at lately, bounded in number and age.
    bands: tokio::sync::Mutex<Vec<bands::Kept>>,
    /// Moves whenever the register was changed through this desk.
    register_changes: watch::Sender<u64>,
    /// Password hashes at one time: each takes 19 MiB and tens of milliseconds. Others wait; the throttle bounds
    /// how many can.
    hashing: Semaphore,
    /// Traces at one time: each folds weeks of a unit again. Others wait, up to `trace::MAX_WAITING`.
    tracing: Semaphore,
    /// Places to wait for a trace; who finds none is told to come back.
    trace_places: Semaphore,
}

impl Desk {
    /// A desk over a store.
    pub fn new(
        store: Store,
        clock: Arc<dyn Clock>,
        evidence: Arc<dyn Evidence>,
        library: Arc<Library>,
    ) -> Self {
        Self {
            inner: Arc::new(Inner {
                store,
                clock,
                evidence,
                replay: OnceLock::new(),
                library,
                throttle: Throttle::default(),
                register: register::RegisterCopy::default(),
                fleet: fleet::FleetCopy::default(),
                peers: tokio::sync::Mutex::default(),
                loads: tokio::sync::Mutex::default(),
                bands: tokio::sync::Mutex::default(),
                register_changes: watch::Sender::new(0),
                hashing: Semaphore::new(password::AT_ONE_TIME),
                tracing: Semaphore::new(trace::AT_ONE_TIME),
                trace_places: Semaphore::new(trace::MAX_WAITING),
            }),
        }
    }

    /// Says who reads refused messages again. The first answer stays.
    #[must_use]
    pub fn replaying(self, replay: Arc<dyn Replay>) -> Self {
        if self.inner.replay.set(replay).is_err() {
            tracing::debug!("refused messages are read again by whom was said first");
        }
        self
    }

    /// Now, as the desk counts it: ends of shelves, waits and sessions are judged by it.
    pub fn now(&self) -> Time {
        self.inner.clock.now()
    }

    /// The fault library, to show parts and skills beside a ranked fault.
    pub fn library(&self) -> &Library {
        &self.inner.library
    }

    /// Whether the store answers.
    pub async fn ping(&self) -> Result<()> {
        Ok(self.inner.store.ping().await?)
    }

    fn store(&self) -> &Store {
        &self.inner.store
    }
}

/// Guards of what needs a role.
fn may_decide(who: &Principal) -> Result<()> {
    if who.role.decides() {
        Ok(())
    } else {
        Err(DeskError::Forbidden(format!("a {} sees findings and does not decide on them", who.role.word())))
    }
}

fn may_administer(who: &Principal) -> Result<()> {
    if who.role.administers() && who.railways == RailwayFilter::All {
        Ok(())
    } else {
        Err(DeskError::Forbidden("only an administrator of all railways may do this".to_owned()))
    }
}

#[cfg(test)]
mod tests;
