//! A subscriber that reads the event stream through every interruption, resuming after the last event it saw.
//!
//! Owns the promise under test: each event once, in the order of its id, with no gap.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::support::http::{Client, Event};

/// Pause before it connects again.
const AGAIN: Duration = Duration::from_millis(100);
/// How soon after the last event a replay of the whole log is complete.
const QUIET: Duration = Duration::from_secs(3);

/// The subscriber at work.
#[derive(Debug)]
pub(crate) struct Follower {
    enough: Arc<AtomicBool>,
    reading: JoinHandle<Vec<Event>>,
}

impl Follower {
    /// Follows from the first event of all.
    pub(crate) fn begin(client: Client) -> Self {
        let enough = Arc::new(AtomicBool::new(false));
        let told = enough.clone();
        Self { enough, reading: std::thread::spawn(move || follow(&client, &told)) }
    }

    /// What came, once everything of the log has had time to come. Fails when an event was missed or came twice.
    pub(crate) fn end(self, client: &Client) -> Vec<Event> {
        let whole = from_the_first(client);
        std::thread::sleep(QUIET);
        self.enough.store(true, Ordering::Relaxed);
        let seen = self.reading.join().expect("the subscriber does not fail");
        let ids = |events: &[Event]| events.iter().map(number).collect::<Vec<u64>>();
        let (seen_ids, whole_ids) = (ids(&seen), ids(&whole));
        assert!(seen_ids.windows(2).all(|pair| pair[0] < pair[1]), "ids in order: {seen_ids:?}");
        assert_eq!(seen_ids, whole_ids, "every event of the log, once");
        seen
    }
}

fn follow(client: &Client, enough: &AtomicBool) -> Vec<Event> {
    let mut seen: Vec<Event> = Vec::new();
    while !enough.load(Ordering::Relaxed) {
        let after = seen.last().map_or("0", |event| event.id.as_str());
        if let Ok(stream) = client.try_events(Some(after)) {
            while let Ok(next) = stream.poll(AGAIN) {
                if let Some(event) = next {
                    assert_ne!(event.name, "resync", "the log resumes: {}", event.data);
                    seen.push(event);
                }
                if enough.load(Ordering::Relaxed) {
                    break;
                }
            }
        }
        std::thread::sleep(AGAIN);
    }
    seen
}

/// The whole log, read at one go.
fn from_the_first(client: &Client) -> Vec<Event> {
    let stream = client.events(Some("0"));
    let mut all = Vec::new();
    while let Ok(Some(event)) = stream.poll(QUIET) {
        all.push(event);
    }
    all
}

fn number(event: &Event) -> u64 {
    event.id.parse().expect("event ids are numbers")
}
