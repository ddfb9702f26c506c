//! Import of messages from files, and replay of quarantined ones.
//!
//! Owns the ways into the journal that do not come over MQTT. Refuses to wait for a store that is away: whoever
//! imports wants the error, and may run the import again, since repeats are settled by the fold.

use std::sync::Arc;

use notchwatch_model::{Envelope, RailwayFilter, Reason, Refusal, Seq};
use notchwatch_store::{Batch, Error, NewMessage, Store};
use notchwatch_wire::{Decoder, RegisterIndex};
use tokio_util::task::TaskTracker;

use crate::commit::{CommitError, Committer, Patience};
use crate::counters::Counters;
use crate::health::HealthCell;
use crate::intake::KEPT_OF_OVERSIZE;
use crate::sink::Sink;

/// Messages in one commit of an import.
const BATCH: usize = 4096;
/// Bytes of messages in one commit of an import: a batch ends at the first of the two.
const BATCH_BYTES: usize = 16 * 1024 * 1024;

/// What an import did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Imported {
    /// Messages read.
    pub messages: u64,
    /// Journal rows written.
    pub journalled: u64,
    /// Samples in them.
    pub samples: u64,
    /// Quarantine rows written.
    pub quarantined: u64,
}

/// What a replay of a quarantine row came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Replayed {
    /// It is in the journal now, at this position when the store names one.
    Stored(Option<Seq>),
    /// It is still refused.
    StillRefused(Vec<Refusal>),
    /// Its bytes were not kept whole, so it cannot be decoded again.
    Incomplete,
    /// There is no such row, or the filter does not admit it.
    Absent,
}

/// Imports messages in the order given, in large batches; `progress` is told the messages committed so far.
/// Errors when the store fails; what was committed before stays.
pub async fn import(
    store: &Store,
    decoder: &Decoder,
    register: &Arc<RegisterIndex>,
    envelopes: impl Iterator<Item = Envelope>,
    progress: impl FnMut(u64),
) -> Result<Imported, CommitError> {
    let sink: Arc<dyn Sink> = Arc::new(store.clone());
    let decode = |envelope: &Envelope| decoder.decode(envelope, register);
    import_into(sink, decode, envelopes, progress).await
}

/// Decodes a quarantine row again with the present register, once its cause is mended. What is accepted is committed
/// with the receive time of old; the row itself stays as the record of what happened.
pub async fn replay_quarantine(
    store: &Store,
    decoder: &Decoder,
    register: &Arc<RegisterIndex>,
    id: i64,
    filter: &RailwayFilter,
) -> Result<Replayed, Error> {
    let Some((row, payload)) = store.quarantine_row(id, filter).await? else { return Ok(Replayed::Absent) };
    if row.reason == Reason::TooLarge && payload.len() == KEPT_OF_OVERSIZE {
        return Ok(Replayed::Incomplete);
    }
    let envelope = Envelope {
        received: row.received,
        topic: row.topic,
        content_type: row.content_type,
        // A kept message without a time of its own was not measured when it was received.
        retained: row.retained,
        payload,
    };
    let mut again = decoder.decode(&envelope, register);
    let refused = std::mem::take(&mut again.refused);
    if again.unit.is_none() || (again.samples.is_empty() && again.texts.is_empty()) {
        return Ok(Replayed::StillRefused(refused));
    }
    let appended = store.append(&[NewMessage { envelope, decoded: again }]).await?;
    Ok(Replayed::Stored(appended.last))
}

async fn import_into(
    sink: Arc<dyn Sink>,
    decode: impl Fn(&Envelope) -> notchwatch_model::Decoded,
    envelopes: impl Iterator<Item = Envelope>,
    mut progress: impl FnMut(u64),
) -> Result<Imported, CommitError> {
    let counters = Arc::<Counters>::default();
    let committer = Committer {
        sink,
        counters: Arc::clone(&counters),
        health: HealthCell::new().0,
        tracker: TaskTracker::new(),
        patience: Patience::None,
    };
    let mut batch = Batch::default();
    let (mut messages, mut bytes) = (0, 0);
    for envelope in envelopes {
        messages += 1;
        bytes += envelope.bytes();
        let decoded = decode(&envelope);
        batch.push(NewMessage { envelope, decoded });
        if batch.messages().len() >= BATCH || bytes >= BATCH_BYTES {
            committer.commit(std::mem::take(&mut batch)).await?;
            bytes = 0;
            progress(messages);
        }
    }
    committer.commit(batch).await?;
    progress(messages);
    let done = counters.snapshot();
    let (journalled, samples, quarantined) = (done.journalled, done.samples, done.quarantined);
    Ok(Imported { messages, journalled, samples, quarantined })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_sink::{Mode, TestSink, decode, message};

    fn envelopes(count: usize) -> impl Iterator<Item = Envelope> {
        (0..count).map(|n| message(&if n % 100 == 7 { format!("bad {n}") } else { n.to_string() }).envelope)
    }

    #[tokio::test]
    async fn an_import_commits_in_large_batches_in_order_and_tells_its_progress() {
        let sink = TestSink::new(Mode::Fine);
        let mut told = Vec::new();
        let done = import_into(Arc::new(Arc::clone(&sink)), decode, envelopes(10_000), |n| told.push(n));
        let done = done.await.unwrap();
        assert_eq!((done.messages, done.journalled, done.quarantined), (10_000, 9_900, 100));
        assert_eq!(told, [4096, 8192, 10_000]);
        assert_eq!(sink.calls(), 3);
        assert!(sink.payloads().iter().enumerate().all(|(n, p)| p.ends_with(&n.to_string())));
    }

    #[tokio::test]
    async fn an_import_ends_with_the_error_of_a_store_that_is_away() {
        let sink = TestSink::new(Mode::Away);
        let error = import_into(Arc::new(sink), decode, envelopes(3), |_| ()).await.unwrap_err();
        assert!(matches!(error, CommitError::Store(Error::Unreachable(_))), "{error}");
    }
}
