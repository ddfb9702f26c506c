//! Counters of ingest, for metrics.
//!
//! Owns what is counted and where. The set is fixed: nothing a sender writes makes a new counter.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use notchwatch_model::Reason;

/// Number of reasons.
const REASONS: usize = Reason::ALL.len();

macro_rules! counters {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {
        /// Counters, shared and only growing, but for the gauges.
        #[derive(Debug, Default)]
        pub struct Counters {
            $($(#[$doc])* pub $name: AtomicU64,)*
            refused: [AtomicU64; REASONS],
        }

        /// The counters at one instant (each by itself; they are not read together).
        #[derive(Debug, Clone, PartialEq, Eq, Default)]
        pub struct Snapshot {
            $($(#[$doc])* pub $name: u64,)*
            /// Messages and records refused, by reason, in the order of [`Reason::ALL`].
            pub refused: Vec<(Reason, u64)>,
        }

        impl Counters {
            /// The counters now.
            pub fn snapshot(&self) -> Snapshot {
                Snapshot {
                    $($name: self.$name.load(Ordering::Relaxed),)*
                    refused: Reason::ALL.into_iter().map(|r| (r, self.refused(r))).collect(),
                }
            }
        }
    };
}

counters! {
    /// Messages delivered by the broker, repeats included.
    received,
    /// Bytes of their payloads.
    bytes,
    /// Deliveries that the broker marked as a possible repeat.
    redelivered,
    /// Deliveries of messages that the broker had kept.
    retained,
    /// Empty messages: a kept message was deleted.
    deletes,
    /// Messages at QoS 0: a loss of these cannot be noticed by anybody.
    lossy,
    /// Messages at QoS 0 dropped since the queue for them was full.
    lossy_dropped,
    /// Messages longer than the message limit.
    oversize,
    /// Messages decoded or refused by the decoder.
    decoded,
    /// Time spent decoding, in microseconds.
    decode_us,
    /// Time from taking a message from the connection to the begin of its commit, in microseconds, all messages
    /// together.
    wait_us,
    /// Time from taking a message from the connection to the end of its commit, in microseconds, all messages together.
    stored_us,
    /// Longest such time of one message, in microseconds (a gauge; never falls).
    stored_longest_us,
    /// Messages committed: in the journal, in quarantine, or both.
    committed,
    /// Journal rows written.
    journalled,
    /// Samples in them.
    samples,
    /// Records in them accepted although a strict reader would not.
    lenient,
    /// Quarantine rows written.
    quarantined,
    /// Acknowledgements handed to the connection.
    acknowledged,
    /// Acknowledgements not sent since their connection had ended: the broker sends these messages again.
    acknowledgements_stale,
    /// Connections accepted by the broker.
    connects,
    /// Connections that failed or ended, but for our own stop.
    disconnects,
    /// Filters refused by the broker, each time.
    filters_refused,
    /// Commits.
    commits,
    /// Time spent in commits, in microseconds.
    commit_us,
    /// Time of the last commit, in microseconds.
    commit_last_us,
    /// Commits tried again since the store was away.
    commit_retries,
    /// Batches split to find the message that the store refuses.
    commit_splits,
    /// Messages received and not committed yet (a gauge).
    held,
    /// Those of them that wait to be decoded (a gauge).
    undecoded,
}

impl Counters {
    /// Messages and records refused for a reason.
    pub fn refused(&self, reason: Reason) -> u64 {
        self.slot(reason).map_or(0, |slot| slot.load(Ordering::Relaxed))
    }

    pub(crate) fn refuse(&self, reason: Reason, count: u32) {
        if let Some(slot) = self.slot(reason) {
            add(slot, u64::from(count));
        }
    }

    pub(crate) fn commit(&self, took: Duration) {
        let us = micros(took);
        add(&self.commits, 1);
        add(&self.commit_us, us);
        self.commit_last_us.store(us, Ordering::Relaxed);
    }

    fn slot(&self, reason: Reason) -> Option<&AtomicU64> {
        Reason::ALL.iter().position(|r| *r == reason).and_then(|at| self.refused.get(at))
    }
}

/// Whole microseconds.
pub(crate) fn micros(time: Duration) -> u64 {
    u64::try_from(time.as_micros()).unwrap_or(u64::MAX)
}

/// Adds to a counter.
pub(crate) fn add(counter: &AtomicU64, by: u64) {
    counter.fetch_add(by, Ordering::Relaxed);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_has_its_own_counter() {
        let counters = Counters::default();
        for (reason, count) in Reason::ALL.into_iter().zip(0..) {
            counters.refuse(reason, count);
            counters.refuse(reason, 1);
        }
        let counts: Vec<u64> = counters.snapshot().refused.into_iter().map(|(_, n)| n).collect();
        assert_eq!(counts, (1..=18).collect::<Vec<u64>>());
    }

    #[test]
    fn commit_times_add_up_and_the_last_is_kept() {
        let counters = Counters::default();
        counters.commit(Duration::from_millis(3));
        counters.commit(Duration::from_micros(20));
        let now = counters.snapshot();
        assert_eq!((now.commits, now.commit_us, now.commit_last_us), (2, 3020, 20));
    }
}
