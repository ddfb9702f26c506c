//! Words that the API and the console share: what a decision said.
//!
//! Owns one sentence for one fact, so that a history reads the same in both.

use notchwatch_model::Act;

/// What was said with an act: a date, a reason, an outcome, a remark.
pub(crate) fn said(act: &Act) -> Option<String> {
    match act {
        Act::Acknowledge | Act::Take | Act::Unshelve => None,
        Act::Wait { until, reason } => Some(format!("until {until}: {reason}")),
        Act::Shelve { until, reason } => Some(format!("until {until}: {reason}")),
        Act::Close { outcome, note: None } => Some(outcome.word().to_owned()),
        Act::Close { outcome, note: Some(note) } => Some(format!("{outcome}: {note}")),
        Act::Note { text } => Some(text.clone()),
    }
}
