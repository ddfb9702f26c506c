//! Commits: batches of decoded messages into the store, acknowledged in order once durable.
//!
//! Owns what happens when the store says no. Away or full: the batch is held and tried again, nothing is
//! acknowledged. A message refused for its own sake: the batch is split until it stands alone, and it goes to
//! quarantine; the others are not delayed by it and nothing is lost without a count.

mod attempt;
mod gather;

use std::sync::Arc;
use std::sync::atomic::Ordering;

use notchwatch_model::{Decoded, Reason};
use notchwatch_store::{Batch, Error, NewMessage};
use tokio::sync::{Notify, mpsc};

pub(crate) use attempt::{Committer, Patience};
pub(crate) use gather::{Gathered, gather};

use crate::ack::Acker;
use crate::counters::{Counters, add, micros};
use crate::health::HealthReason;
use crate::intake::Place;
use attempt::Attempt;

/// Why a commit ended without being done.
#[derive(Debug, thiserror::Error)]
pub enum CommitError {
    /// Ingest was told to stop and the time for it is over.
    #[error("given up at the end of the time to stop")]
    Abandoned,
    /// The store failed, and nobody waits for it.
    #[error(transparent)]
    Store(#[from] Error),
}

/// Commits and acknowledges until gathering has ended, then asks for the end of the connection. `idle` hears when the
/// next batch is wanted.
pub(crate) async fn run(
    mut gathered: mpsc::Receiver<Gathered>,
    idle: Arc<Notify>,
    committer: Committer,
    acker: Acker,
    counters: Arc<Counters>,
) {
    idle.notify_one();
    while let Some(Gathered { batch, places }) = gathered.recv().await {
        let began = std::time::Instant::now();
        if let Err(error) = committer.commit(batch).await {
            tracing::warn!(%error, held = places.len(), "messages are left to the broker, which sends them again");
            break;
        }
        idle.notify_one();
        timed(&counters, &places, began);
        for Place { ticket, permit, .. } in places {
            // The place is free before the acknowledgement leaves: the broker may answer it with the next message
            // sooner than this task runs on.
            drop(permit);
            counters.held.fetch_sub(1, Ordering::Relaxed);
            acker.acknowledge(ticket);
        }
    }
    acker.disconnect();
}

/// Counts how long messages waited for their commit, and how long until its end.
fn timed(counters: &Counters, places: &[Place], began: std::time::Instant) {
    let now = std::time::Instant::now();
    let total = |to: std::time::Instant| places.iter().map(|p| micros(to - p.since)).sum::<u64>();
    add(&counters.wait_us, total(began));
    add(&counters.stored_us, total(now));
    let longest = places.iter().map(|p| micros(now - p.since)).max().unwrap_or(0);
    counters.stored_longest_us.fetch_max(longest, Ordering::Relaxed);
}

impl Committer {
    /// Makes every message durable: in the journal, in quarantine, or both. Keeps their order.
    pub(crate) async fn commit(&self, batch: Batch) -> Result<(), CommitError> {
        let mut parts = vec![batch];
        while let Some(part) = parts.pop() {
            if part.messages().is_empty() {
                continue;
            }
            match self.attempt(part).await? {
                Attempt::Done => {}
                Attempt::Refused(mut part, error) if part.len() > 1 => {
                    self.count_split();
                    tracing::warn!(%error, messages = part.len(), "the store refuses a batch: it is split");
                    let second = part.split_off(part.len() / 2);
                    parts.extend([second, part].map(Batch::from_iter));
                }
                Attempt::Refused(part, error) => self.set_aside(part, error).await?,
            }
        }
        Ok(())
    }

    /// Puts the one message that the store refuses into quarantine: with its bytes, or without them if those are what
    /// it refuses. If even that fails it is the store that is broken: the message is held and tried again as it was.
    async fn set_aside(&self, part: Vec<NewMessage>, error: Error) -> Result<(), CommitError> {
        let mut error = error;
        loop {
            let refused = part.iter().map(|m| refused_by_store(m, &error)).collect::<Batch>();
            let bare = refused.messages().iter().map(without_bytes).collect();
            for form in [refused, bare] {
                if let Attempt::Done = self.attempt(form).await? {
                    return Ok(());
                }
            }
            self.hold(HealthReason::StoreFailing, error).await?;
            match self.attempt(part.iter().cloned().collect()).await? {
                Attempt::Done => return Ok(()),
                Attempt::Refused(_, again) => error = again,
            }
        }
    }
}

fn refused_by_store(message: &NewMessage, error: &Error) -> NewMessage {
    let detail = error.to_string().replace(char::is_control, " ");
    let decoded = Decoded::refused(message.decoded.unit.clone(), Reason::Store, detail);
    NewMessage { envelope: message.envelope.clone(), decoded }
}

fn without_bytes(message: &NewMessage) -> NewMessage {
    let mut bare = message.clone();
    bare.envelope.payload.clear();
    bare.envelope.content_type = None;
    bare.envelope.topic = bare.envelope.topic.escape_default().to_string();
    bare
}

#[cfg(test)]
mod tests;
