//! How a finding's history and the events of the stream look on the wire.

use notchwatch_model::Time;
use notchwatch_store::{Event, HistoryEntry};
use serde::Serialize;
use utoipa::ToSchema;

use super::FindingView;
use crate::words::{self, Told};

/// One line of a finding's history.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = HistoryEntry)]
pub(crate) struct HistoryView {
    at: String,
    /// A person's or token's name; null where the machine spoke.
    by: Option<String>,
    /// The act, or what the machine's event tells.
    what: &'static str,
    /// What was said with it: a reason, a note, an outcome, a date; or what the machine told that it had not told before.
    detail: Option<String>,
    /// Where the machine spoke: event time up to which it had judged.
    event_time: Option<String>,
    /// Version that the decider saw, or the version after a machine's event.
    version: u32,
    /// `false` for a decision that lost a race or was refused; it is kept, and changed nothing.
    effective: bool,
}

/// One event of the stream.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Event)]
pub(crate) struct EventView {
    /// Id of the event; grows for ever.
    pub(crate) id: String,
    at: String,
    /// `opened`, `changed`, `lowered`, `revised`, `decided` or `closed`.
    event: &'static str,
    /// The finding as it stood right after.
    finding: FindingView,
}

impl HistoryView {
    /// A whole history, oldest first.
    pub(crate) fn all(history: &[HistoryEntry]) -> Vec<Self> {
        history.iter().zip(words::told(history)).map(|(entry, told)| Self::new(entry, told)).collect()
    }

    fn new(entry: &HistoryEntry, told: Told) -> Self {
        match entry {
            HistoryEntry::Decision(decision) => Self {
                at: decision.at.to_string(),
                by: Some(decision.by.to_string()),
                what: decision.act.word(),
                detail: words::said(&decision.act),
                event_time: None,
                version: decision.seen,
                effective: decision.effective,
            },
            HistoryEntry::Machine { at, kind, version, .. } => Self {
                at: at.to_string(),
                by: None,
                what: kind.word(),
                detail: told.news,
                event_time: told.judged.map(|judged| judged.to_string()),
                version: *version,
                effective: true,
            },
        }
    }
}

impl EventView {
    pub(crate) fn new(event: &Event, now: Time) -> Self {
        Self {
            id: event.id.to_string(),
            at: event.at.to_string(),
            event: event.kind.word(),
            finding: FindingView::new(&event.finding, now),
        }
    }
}
