//! One batch against the store: waiting while it is away, and telling "away" from "refused".
//!
//! Owns the patience of a commit and the health reasons of the store's side.

use std::sync::Arc;
use std::time::Duration;

use notchwatch_store::{Appended, Batch, Error, NewMessage};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::CommitError;
use crate::backoff::{Backoff, Ladder};
use crate::counters::{Counters, add};
use crate::health::{HealthCell, HealthReason};
use crate::sink::Sink;

/// Waits while the store is away. Common practice: quick enough to heal within seconds, slow enough not to press.
const AWAY: Ladder = Ladder { first: Duration::from_millis(250), longest: Duration::from_secs(10) };
/// A commit that takes longer than this is reported, and waited for.
const SLOW: Duration = Duration::from_secs(10);
/// Health reasons of the store's side.
const OURS: [HealthReason; 3] =
    [HealthReason::DatabaseUnreachable, HealthReason::NoSpace, HealthReason::StoreFailing];

/// How long a commit waits for a store that is away.
#[derive(Debug, Clone)]
pub(crate) enum Patience {
    /// Until this token says that the time to stop is over.
    Until(CancellationToken),
    /// Not at all: the caller wants the error.
    None,
}

/// Commits batches.
pub(crate) struct Committer {
    pub(crate) sink: Arc<dyn Sink>,
    pub(crate) counters: Arc<Counters>,
    pub(crate) health: HealthCell,
    pub(crate) tracker: TaskTracker,
    pub(crate) patience: Patience,
}

/// What one batch came to.
pub(super) enum Attempt {
    /// Durable.
    Done,
    /// Given back: the store takes it at no time.
    Refused(Vec<NewMessage>, Error),
}

impl Committer {
    /// Appends a batch, holding it while the store is away.
    pub(super) async fn attempt(&self, batch: Batch) -> Result<Attempt, CommitError> {
        let mut backoff = Backoff::default();
        let batch = Arc::new(batch);
        loop {
            let error = match self.append(Arc::clone(&batch)).await? {
                Ok(appended) => {
                    self.count(batch.messages(), appended);
                    self.health.clear(&OURS);
                    return Ok(Attempt::Done);
                }
                Err(error) => error,
            };
            let Some(reason) = held_for(&error) else {
                return Ok(Attempt::Refused(messages(batch), error));
            };
            self.wait(reason, error, backoff.next(AWAY)).await?;
        }
    }

    /// Holds everything for one longest wait, with a reason.
    pub(super) async fn hold(&self, reason: HealthReason, error: Error) -> Result<(), CommitError> {
        self.wait(reason, error, AWAY.longest).await
    }

    pub(super) fn count_split(&self) {
        add(&self.counters.commit_splits, 1);
    }

    async fn wait(&self, reason: HealthReason, error: Error, wait: Duration) -> Result<(), CommitError> {
        let Patience::Until(abandon) = &self.patience else { return Err(error.into()) };
        tracing::warn!(%error, wait_ms = wait.as_millis(), reason = reason.code(), "messages are held");
        self.health.set(reason, error.to_string());
        add(&self.counters.commit_retries, 1);
        tokio::select! {
            () = tokio::time::sleep(wait) => Ok(()),
            () = abandon.cancelled() => Err(CommitError::Abandoned),
        }
    }

    /// One call of the store, in a task of its own: a panic there is a refusal like any other, and a call that hangs
    /// is reported while it is waited for.
    async fn append(&self, batch: Arc<Batch>) -> Result<Result<Appended, Error>, CommitError> {
        let began = Instant::now();
        let mut call = self.tracker.spawn(self.sink.append(batch));
        let joined = loop {
            tokio::select! {
                joined = &mut call => break joined,
                () = tokio::time::sleep(SLOW) => {
                    let detail = format!("a commit is under way for {} s", began.elapsed().as_secs());
                    self.health.set(HealthReason::DatabaseUnreachable, detail);
                }
                () = self.abandoned() => {
                    // Its transaction is rolled back; nothing of it was acknowledged.
                    call.abort();
                    return Err(CommitError::Abandoned);
                }
            }
        };
        self.counters.commit(began.elapsed());
        Ok(joined.unwrap_or_else(|e| Err(Error::Database(format!("the store's task ended: {e}")))))
    }

    async fn abandoned(&self) {
        match &self.patience {
            Patience::Until(abandon) => abandon.cancelled().await,
            Patience::None => std::future::pending().await,
        }
    }

    fn count(&self, batch: &[NewMessage], appended: Appended) {
        add(&self.counters.committed, batch.len() as u64);
        add(&self.counters.journalled, appended.messages);
        add(&self.counters.samples, appended.samples);
        add(&self.counters.quarantined, appended.quarantined);
        for refusal in batch.iter().flat_map(|m| &m.decoded.refused) {
            self.counters.refuse(refusal.reason, refusal.count);
        }
        add(&self.counters.lenient, batch.iter().map(|m| u64::from(m.decoded.lenient)).sum());
    }
}

/// The messages back, from a batch that nobody else holds any more or from a copy of it.
fn messages(batch: Arc<Batch>) -> Vec<NewMessage> {
    Arc::try_unwrap(batch).map_or_else(|shared| shared.messages().to_vec(), Batch::into_messages)
}

/// Why everything is held for this error; `None` when it speaks of the batch.
fn held_for(error: &Error) -> Option<HealthReason> {
    match error {
        Error::Full(_) => Some(HealthReason::NoSpace),
        Error::Newer { .. } | Error::InUse(_) | Error::Damaged { .. } => Some(HealthReason::StoreFailing),
        other if other.passes() => Some(HealthReason::DatabaseUnreachable),
        _ => None,
    }
}
