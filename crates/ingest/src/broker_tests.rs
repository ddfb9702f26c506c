//! The session against a real broker, through a proxy that cuts the link, and against scripted peers that break rules.
//!
//! Each test starts its own Mosquitto on a free port; without the program `mosquitto` they fail and say so.

mod broker;
mod delivery;
mod kept;
mod odd_peers;
mod outages;
mod peer;
mod secure;
mod tap;

pub(crate) use broker::Broker;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use notchwatch_model::Time;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::counters::Snapshot;
use crate::health::HealthReason;
use crate::options::{Batching, MqttOptions};
use crate::start::{Ingest, start_with};
use crate::test_sink::{TestSink, decode};

/// Longest wait for something that must come. Generous: the machine may be busy, and nothing is asserted about speed.
const PATIENCE: Duration = Duration::from_mins(1);

/// Ingest under test.
struct Running {
    ingest: Ingest,
    sink: Arc<TestSink>,
    stop: CancellationToken,
    tracker: TaskTracker,
}

fn options(port: u16, client_id: &str) -> MqttOptions {
    MqttOptions {
        port,
        client_id: client_id.to_owned(),
        filters: vec!["units/+/+/senml".to_owned()],
        batching: Batching { messages: 64, linger: Duration::from_millis(5) },
        ..MqttOptions::default()
    }
}

fn run(options: MqttOptions, sink: &Arc<TestSink>) -> Running {
    let (stop, tracker) = (CancellationToken::new(), TaskTracker::new());
    let ingest = start_with(
        options,
        Arc::new(decode),
        Arc::new(Arc::clone(sink)),
        Arc::new(|| Time::EPOCH),
        tracker.clone(),
        stop.clone(),
    )
    .unwrap();
    Running { ingest, sink: Arc::clone(sink), stop, tracker }
}

impl Running {
    fn counts(&self) -> Snapshot {
        self.ingest.counters.snapshot()
    }

    fn has(&self, reason: HealthReason) -> bool {
        self.ingest.health.borrow().reasons.contains_key(&reason)
    }

    async fn ready(&self) {
        until("ingest is ready", || self.ingest.health.borrow().ready()).await;
    }

    /// Waits until the sink holds these payloads, each at least once.
    async fn holds(&self, wanted: &[String]) {
        let wanted: BTreeSet<&String> = wanted.iter().collect();
        until(&format!("{} messages are committed", wanted.len()), || {
            let held: BTreeSet<String> = self.sink.payloads().into_iter().collect();
            wanted.iter().all(|w| held.contains(*w))
        })
        .await;
    }

    async fn stopped(self) -> Snapshot {
        self.stop.cancel();
        self.tracker.close();
        tokio::time::timeout(PATIENCE, self.tracker.wait()).await.expect("ingest did not stop");
        self.ingest.counters.snapshot()
    }
}

pub(crate) async fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let waited = tokio::time::timeout(PATIENCE, async {
        while !holds() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "not within {PATIENCE:?}: {what}");
}

fn numbered(prefix: &str, count: usize) -> Vec<String> {
    (0..count).map(|n| format!("{prefix} {n}")).collect()
}
