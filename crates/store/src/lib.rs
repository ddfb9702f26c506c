//! The time-series store: the only place with SQL. `SQLite` and `PostgreSQL` behind one API and one contract suite.
//!
//! Owns the journal, samples in blocks and rollups, the register, findings with their event log and decisions,
//! quarantine, snapshots and access. Refuses to judge: what an act does to a finding is a function passed in.

mod access;
mod apart;
mod check;
mod clean;
mod comms;
mod damage;
mod db;
mod error;
mod evaluation;
mod findings;
mod health;
mod journal;
mod log;
mod migrate;
mod owner;
mod pack;
mod partition;
mod positions;
mod quarantine;
mod register;
mod retention;
mod timeline;
mod upkeep;

use std::collections::{HashMap, HashSet};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, RwLock};

use notchwatch_model::{EventId, RailwayId, UnitKey};
use tokio::sync::watch;
use tokio_util::sync::{CancellationToken, DropGuard};
use tokio_util::task::TaskTracker;

pub use access::{Account, AuditEntry, NewToken, TokenInfo};
pub use check::{Checked, Depth};
pub use comms::{CommsSnapshot, OwnOutage};
pub use damage::Damage;
pub use error::Error;
pub use evaluation::{
    Chances, EvaluationCommit, FindingUpsert, ModelReport, Snapshot, Software, UnitProgress, Unjudged,
};
pub use findings::{
    Cursor, Event, EventKind, FindingCount, FindingQuery, HistoryEntry, Judge, NewDecision, Page, Shown,
    Verdict, Verdicted,
};
pub use health::{HealthMark, HealthRecord, MAX_HEALTH_ROWS};
pub use journal::{Appended, Batch, JournalMessage, NewMessage, Rollup, SealReport, ToldSample};
pub use log::LogPart;
pub use positions::MAX_POSITIONS;
pub use quarantine::{QuarantineBounds, QuarantineQuery, QuarantineRow};
pub use retention::{Retained, Retention};
pub use timeline::{TimelineQuery, TimelineStep};

use db::{Db, Row, Tx, Value};
use journal::writer::Writer;

/// How to open a store.
#[derive(Debug, Clone)]
pub struct Options {
    /// `sqlite:PATH` (created when missing) or `postgres://…`.
    pub url: String,
    /// Most connections that read at one time.
    pub readers: u32,
}

/// An open store. Clones share it.
#[derive(Debug, Clone)]
pub struct Store {
    shared: Arc<Shared>,
    reads: Reads,
}

/// Whose reads they are: people's may fill up their connections, those of work have others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reads {
    OfPeople,
    OfWork,
}

/// Result of a store call.
pub type Result<T> = std::result::Result<T, Error>;

/// Items of a page when the query asks for none.
const USUAL_PAGE: usize = 100;
/// Most items of a page.
const MOST_PAGE: usize = 1000;

#[derive(Debug)]
struct Shared {
    db: Db,
    /// Compact numbers of units. They never change, so what is here is right; what is not is looked up.
    units: RwLock<HashMap<UnitKey, i64>>,
    /// Railways registered. Never removed.
    railways: RwLock<HashSet<RailwayId>>,
    /// Batches of this process whose commit result is not known.
    writer: Mutex<Writer>,
    /// What reads found damaged and left out.
    known: damage::Known,
    /// How much quarantine keeps.
    quarantine: Mutex<QuarantineBounds>,
    events: watch::Sender<EventId>,
    /// Somebody keeps `SQLite`'s write-ahead log from being cut back.
    log_held: Arc<AtomicBool>,
    tasks: TaskTracker,
    stop: CancellationToken,
    /// Ends the tasks when the store is dropped without a call of `close`.
    _stop_on_drop: DropGuard,
    /// Keeps a second process out of a `SQLite` file for as long as it is open; emptied on close.
    lock: Mutex<Option<std::fs::File>>,
}

impl Store {
    /// Opens the store and migrates it. Errors when it is newer than this program, locked by another one or damaged.
    pub async fn open(options: &Options) -> Result<Self> {
        Self::connect(options, true).await
    }

    /// Opens the store beside the process that runs on it: for accounts, tokens and imports, never for a second
    /// evaluation. Two processes on one `SQLite` file take turns to write.
    pub async fn open_beside(options: &Options) -> Result<Self> {
        Self::connect(options, false).await
    }

    async fn connect(options: &Options, alone: bool) -> Result<Self> {
        let (db, lock) = if options.url.starts_with("postgres:") || options.url.starts_with("postgresql:") {
            (Db::Postgres(db::postgres::open(&options.url, options.readers).await?), None)
        } else {
            let (pools, lock) = db::sqlite::open(&options.url, options.readers, alone).await?;
            (Db::Sqlite(pools), lock)
        };
        migrate::migrate(&db).await?;
        let lease = if alone { owner::take(&db).await? } else { None };
        let stop = CancellationToken::new();
        let newest = upkeep::newest_event(&db).await?;
        let shared = Shared {
            db,
            units: RwLock::default(),
            railways: RwLock::default(),
            writer: Mutex::new(Writer::new()?),
            known: damage::Known::default(),
            quarantine: Mutex::default(),
            events: watch::Sender::new(newest),
            log_held: Arc::default(),
            tasks: TaskTracker::new(),
            _stop_on_drop: stop.clone().drop_guard(),
            stop,
            lock: Mutex::new(lock),
        };
        let store = Self { shared: Arc::new(shared), reads: Reads::OfPeople };
        match store.make_ahead(None).await {
            // What is stored is served; a commit that lacks a part makes it, once there is room.
            Err(Error::Full(why)) => tracing::error!(why, "no space left: parts to come are not made yet"),
            made => made?,
        }
        store.start_upkeep();
        store.start_heartbeat(lease);
        Ok(store)
    }

    /// Writes what is pending and closes every connection.
    pub async fn close(&self) {
        self.shared.stop.cancel();
        self.shared.tasks.close();
        self.shared.tasks.wait().await;
        self.shared.db.close().await;
        drop(held(&self.shared.lock).take());
    }

    /// The same store for what must go on however many people read at the time (evaluation, housekeeping, grading): its
    /// reads take connections that people's reads cannot take.
    #[must_use]
    pub fn for_work(&self) -> Self {
        Self { shared: Arc::clone(&self.shared), reads: Reads::OfWork }
    }

    /// Whether the store answers.
    pub async fn ping(&self) -> Result<()> {
        self.shared.db.fetch_for_work("SELECT position FROM evaluation", vec![]).await.map(drop)
    }

    /// Sets how much quarantine keeps from now on; the oldest go when the next is refused.
    pub fn bound_quarantine(&self, bounds: QuarantineBounds) {
        *held(&self.shared.quarantine) = bounds;
    }

    /// Begins a transaction that only reads, on a connection of whom this store reads for.
    async fn read(&self) -> Result<Tx> {
        match self.reads {
            Reads::OfPeople => self.shared.db.read().await,
            Reads::OfWork => self.shared.db.look().await,
        }
    }

    /// Runs one read-only statement in a transaction of its own, on a connection of whom this store reads for.
    async fn fetch(&self, sql: &'static str, values: Vec<Value>) -> Result<Vec<Row>> {
        match self.reads {
            Reads::OfPeople => self.shared.db.fetch(sql, values).await,
            Reads::OfWork => self.shared.db.fetch_for_work(sql, values).await,
        }
    }

    /// Newest event id, updated after every commit of this process (and by polling for other processes' on `PostgreSQL`).
    pub fn watch_events(&self) -> watch::Receiver<EventId> {
        self.shared.events.subscribe()
    }
}

/// A lock whatever happened to a former holder: what it guards is only replaced whole.
fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// Items of a page, from what a query asks for.
fn page_size(asked: usize) -> usize {
    if asked == 0 { USUAL_PAGE } else { asked.min(MOST_PAGE) }
}

/// A length or position as SQL has it.
fn int(value: impl TryInto<i64>) -> i64 {
    value.try_into().unwrap_or(i64::MAX)
}
