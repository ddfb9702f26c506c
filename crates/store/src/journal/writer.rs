//! Batches whose commit result was lost with the connection.
//!
//! Each batch is written with an id of its own. When the answer to a commit is lost, the id is remembered with a
//! digest of the batch; when the same batch comes again, its id is looked up before anything is written.

use std::collections::VecDeque;

use sha2::{Digest as _, Sha256};

use super::NewMessage;
use crate::{Error, Result};

/// Most batches remembered. The oldest is forgotten first: its repeat would be kept as a repeat, which reading settles.
const REMEMBERED: usize = 64;

/// Id of a batch: a random part of this process, and a running number.
pub(crate) type BatchId = [u8; 16];
/// Digest of a batch.
pub(crate) type BatchDigest = [u8; 32];

/// Gives ids and remembers the ones in doubt.
#[derive(Debug)]
pub(crate) struct Writer {
    instance: [u8; 8],
    count: u64,
    in_doubt: VecDeque<(BatchDigest, BatchId)>,
}

impl Writer {
    pub(crate) fn new() -> Result<Self> {
        let mut instance = [0; 8];
        getrandom::fill(&mut instance).map_err(|e| Error::Database(format!("no random numbers: {e}")))?;
        Ok(Self { instance, count: 0, in_doubt: VecDeque::new() })
    }

    pub(crate) fn next_id(&mut self) -> BatchId {
        self.count += 1;
        let mut id = [0; 16];
        let (first, second) = id.split_at_mut(8);
        first.copy_from_slice(&self.instance);
        second.copy_from_slice(&self.count.to_be_bytes());
        id
    }

    pub(crate) fn any_in_doubt(&self) -> bool {
        !self.in_doubt.is_empty()
    }

    pub(crate) fn doubt(&mut self, digest: BatchDigest, id: BatchId) {
        if self.in_doubt.len() == REMEMBERED {
            self.in_doubt.pop_front();
        }
        self.in_doubt.push_back((digest, id));
    }

    /// Ids under which a batch may have been committed.
    pub(crate) fn ids_of(&self, digest: &BatchDigest) -> Vec<BatchId> {
        self.in_doubt.iter().filter(|(d, _)| d == digest).map(|(_, id)| *id).collect()
    }

    pub(crate) fn settle(&mut self, digest: &BatchDigest) {
        self.in_doubt.retain(|(d, _)| d != digest);
    }
}

/// Digest of a batch as received.
pub(crate) fn digest(batch: &[NewMessage]) -> BatchDigest {
    let mut hash = Sha256::new();
    for message in batch {
        let envelope = &message.envelope;
        hash.update(envelope.received.micros().to_le_bytes());
        for part in [envelope.topic.as_bytes(), &envelope.payload] {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part);
        }
    }
    hash.finalize().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_differ_and_doubts_are_bounded() {
        let mut writer = Writer::new().unwrap();
        assert_ne!(writer.next_id(), writer.next_id());
        let first = writer.next_id();
        writer.doubt([0; 32], first);
        assert_eq!(writer.ids_of(&[0; 32]), [first]);
        for i in 1..=u8::try_from(REMEMBERED).unwrap() {
            let id = writer.next_id();
            writer.doubt([i; 32], id);
        }
        assert!(writer.ids_of(&[0; 32]).is_empty(), "the oldest is forgotten");
        assert_eq!(writer.in_doubt.len(), REMEMBERED);
        writer.settle(&[5; 32]);
        assert!(writer.ids_of(&[5; 32]).is_empty());
    }
}
