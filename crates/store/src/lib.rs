//! The time-series store: the only place with SQL. `SQLite` and `PostgreSQL` behind one API and one contract suite.
//!
//! Owns the journal, samples in blocks and rollups, the register, findings with their event log and decisions,
//! quarantine, snapshots and access. Refuses to judge: what an act does to a finding is a function passed in.

mod access;
mod error;
mod evaluation;
mod findings;
mod journal;
mod quarantine;

pub use access::{Account, AuditEntry, NewToken, TokenInfo};
pub use error::Error;
pub use evaluation::{EvaluationCommit, FindingUpsert, Snapshot, UnitProgress};
pub use findings::{
    Cursor, Event, EventKind, FindingQuery, HistoryEntry, NewDecision, Page, Verdict, Verdicted,
};
pub use journal::{Appended, JournalMessage, NewMessage, Rollup, SealReport};
pub use quarantine::{QuarantineQuery, QuarantineRow};

use notchwatch_model::{
    AccountName, ChannelIx, Decision, DecisionId, EventId, Finding, FindingId, Principal, RailwayFilter,
    Reason, Register, Sample, Seq, Span, TextSample, Time, UnitKey,
};

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
pub struct Store {}

/// Result of a store call.
pub type Result<T> = std::result::Result<T, Error>;

#[allow(clippy::todo, clippy::unused_async, unused_variables, reason = "skeleton")]
impl Store {
    /// Opens the store and migrates it. Errors when it is newer than this program, locked by another one or damaged.
    pub async fn open(options: &Options) -> Result<Self> {
        todo!()
    }
    /// Writes what is pending and closes every connection.
    pub async fn close(&self) {
        todo!()
    }
    /// Whether the store answers.
    pub async fn ping(&self) -> Result<()> {
        todo!()
    }

    // ---- register ----
    /// The register as it stands.
    pub async fn register(&self) -> Result<Register> {
        todo!()
    }
    /// Adds or replaces entries (audited). Units and channels keep the numbers they were first given.
    pub async fn put_register(&self, register: &Register, by: &AccountName, now: Time) -> Result<()> {
        todo!()
    }

    // ---- journal and samples ----
    /// Commits a batch of messages: one transaction, journal rows in the order given, refusals into quarantine.
    /// When it returns, every message of the batch is durable. `Error::Unreachable` and `Error::Full`: nothing was written, try again.
    pub async fn append(&self, batch: &[NewMessage]) -> Result<Appended> {
        todo!()
    }
    /// Journal messages after a position, in order, `limit` at most.
    pub async fn journal_after(&self, after: Seq, limit: usize) -> Result<Vec<JournalMessage>> {
        todo!()
    }
    /// Newest position in the journal.
    pub async fn journal_end(&self) -> Result<Seq> {
        todo!()
    }
    /// All samples of a unit with `from <= time < to`, settled (one a channel and time), by time and channel.
    /// With `up_to`, only messages up to that journal position count.
    pub async fn unit_samples(
        &self,
        unit: &UnitKey,
        from: Time,
        to: Time,
        up_to: Option<Seq>,
    ) -> Result<Vec<Sample>> {
        todo!()
    }
    /// Samples of one channel with `from <= time < to`, settled, by time; the caller bounds the span.
    pub async fn channel_samples(
        &self,
        unit: &UnitKey,
        channel: ChannelIx,
        from: Time,
        to: Time,
    ) -> Result<Vec<(Time, f64)>> {
        todo!()
    }
    /// Texts of a unit with `from <= time < to`, by time.
    pub async fn unit_texts(&self, unit: &UnitKey, from: Time, to: Time) -> Result<Vec<TextSample>> {
        todo!()
    }
    /// Buckets of one channel with `from <= time < to`, each `bucket` long and aligned to 1970, empty ones left out.
    pub async fn rollup(
        &self,
        unit: &UnitKey,
        channel: ChannelIx,
        from: Time,
        to: Time,
        bucket: Span,
    ) -> Result<Vec<Rollup>> {
        todo!()
    }
    /// Newest sample of each channel of a unit whose event time is not after `now`.
    pub async fn latest(&self, unit: &UnitKey, now: Time) -> Result<Vec<Sample>> {
        todo!()
    }
    /// Seals closed UTC days into blocks and rollups, and drops journal rows behind them that are older than `keep_raw`.
    pub async fn seal(&self, now: Time, keep_raw: Span) -> Result<SealReport> {
        todo!()
    }

    // ---- evaluation ----
    /// Journal position up to which findings are committed.
    pub async fn evaluated(&self) -> Result<Seq> {
        todo!()
    }
    /// Commits findings, snapshots, progress and the position reached in one transaction. `now` is the receive side.
    /// A finding whose machine part is as recorded changes nothing. Returns the ids of the events appended.
    pub async fn commit_evaluation(&self, commit: EvaluationCommit, now: Time) -> Result<Vec<EventId>> {
        todo!()
    }
    /// Newest snapshot of a unit taken at or before an event time (`None`: the newest of all).
    pub async fn snapshot(&self, unit: &UnitKey, at_or_before: Option<Time>) -> Result<Option<Snapshot>> {
        todo!()
    }
    /// Machine and operator parts of every finding of a unit that is open or was opened at or after `since`.
    pub async fn unit_findings(&self, unit: &UnitKey, since: Time) -> Result<Vec<Finding>> {
        todo!()
    }
    /// How far each unit is judged, and what it still has to learn.
    pub async fn progress(&self, filter: &RailwayFilter) -> Result<Vec<UnitProgress>> {
        todo!()
    }

    // ---- findings, decisions, events ----
    /// A page of findings, by priority then onset.
    pub async fn findings(
        &self,
        query: &FindingQuery,
        filter: &RailwayFilter,
        now: Time,
    ) -> Result<Page<Finding>> {
        todo!()
    }
    /// One finding, if the filter admits its railway.
    pub async fn finding(&self, id: &FindingId, filter: &RailwayFilter) -> Result<Option<Finding>> {
        todo!()
    }
    /// Takes a decision: reads the finding inside the write transaction, asks `judge`, and records what it says.
    pub async fn decide(
        &self,
        decision: &NewDecision,
        filter: &RailwayFilter,
        judge: &(dyn Fn(&Finding) -> Verdict + Send + Sync),
    ) -> Result<Option<Verdicted>> {
        todo!()
    }
    /// History of a finding: decisions and machine changes, oldest first.
    pub async fn history(&self, id: &FindingId, filter: &RailwayFilter) -> Result<Vec<HistoryEntry>> {
        todo!()
    }
    /// Decisions after a position, in order.
    pub async fn decisions_after(&self, after: DecisionId, limit: usize) -> Result<Vec<Decision>> {
        todo!()
    }
    /// Events after a position whose railway the filter admits, in order; no reader ever sees a higher id before a lower one commits.
    pub async fn events_after(
        &self,
        after: EventId,
        filter: &RailwayFilter,
        limit: usize,
    ) -> Result<Vec<Event>> {
        todo!()
    }
    /// Oldest and newest event id kept; `None` when the log is empty.
    pub async fn event_range(&self) -> Result<Option<(EventId, EventId)>> {
        todo!()
    }
    /// Newest event id, updated after every commit of this process (and by polling for other processes' on `PostgreSQL`).
    pub fn watch_events(&self) -> tokio::sync::watch::Receiver<EventId> {
        todo!()
    }

    // ---- quarantine ----
    /// A page of refused things, newest first. Rows of no known railway are shown only to [`RailwayFilter::All`].
    pub async fn quarantine(
        &self,
        query: &QuarantineQuery,
        filter: &RailwayFilter,
    ) -> Result<Page<QuarantineRow>> {
        todo!()
    }
    /// One row with its bytes.
    pub async fn quarantine_row(
        &self,
        id: i64,
        filter: &RailwayFilter,
    ) -> Result<Option<(QuarantineRow, Vec<u8>)>> {
        todo!()
    }
    /// Rows by reason.
    pub async fn quarantine_counts(&self, filter: &RailwayFilter) -> Result<Vec<(Reason, u64)>> {
        todo!()
    }

    // ---- access ----
    /// Every account.
    pub async fn accounts(&self) -> Result<Vec<Account>> {
        todo!()
    }
    /// One account.
    pub async fn account(&self, name: &AccountName) -> Result<Option<Account>> {
        todo!()
    }
    /// Creates or replaces an account (audited).
    pub async fn put_account(&self, account: &Account, by: &AccountName, now: Time) -> Result<()> {
        todo!()
    }
    /// Opens a session; `hash` is of the cookie's secret.
    pub async fn open_session(
        &self,
        hash: &[u8; 32],
        account: &AccountName,
        now: Time,
        until: Time,
    ) -> Result<()> {
        todo!()
    }
    /// Whose session it is, if it lasts and the account is enabled.
    pub async fn session(&self, hash: &[u8; 32], now: Time) -> Result<Option<Principal>> {
        todo!()
    }
    /// Ends a session.
    pub async fn end_session(&self, hash: &[u8; 32]) -> Result<()> {
        todo!()
    }
    /// Creates a token.
    pub async fn create_token(&self, token: &NewToken, by: &AccountName, now: Time) -> Result<i64> {
        todo!()
    }
    /// Whose token it is, if it lasts and is not revoked.
    pub async fn token(&self, hash: &[u8; 32], now: Time) -> Result<Option<Principal>> {
        todo!()
    }
    /// Every token, without its secret.
    pub async fn tokens(&self) -> Result<Vec<TokenInfo>> {
        todo!()
    }
    /// Revokes a token; `false` when there is none.
    pub async fn revoke_token(&self, id: i64, by: &AccountName, now: Time) -> Result<bool> {
        todo!()
    }
    /// Appends to the audit log.
    pub async fn audit(&self, entry: &AuditEntry) -> Result<()> {
        todo!()
    }
    /// Newest audit entries.
    pub async fn audit_log(&self, limit: usize) -> Result<Vec<AuditEntry>> {
        todo!()
    }
}
