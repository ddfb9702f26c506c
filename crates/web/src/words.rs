//! Words that the API and the console share: what a decision said, what the machine said anew, and bytes in hexadecimal.
//!
//! Owns one sentence for one fact, so that a history reads the same in both.

mod told;

use notchwatch_model::{AccountName, Act};
use notchwatch_store::Shown;

pub(crate) use told::{Told, told};

/// What was said with an act: a date, a reason, an outcome, a remark.
pub(crate) fn said(act: &Act) -> Option<String> {
    match act {
        Act::Acknowledge | Act::Take | Act::GiveBack | Act::Unshelve | Act::BackInService => None,
        Act::Hand { to } => Some(format!("to {to}")),
        Act::Wait { until, reason } | Act::Shelve { until, reason } | Act::OutOfService { until, reason } => {
            Some(format!("until {until}: {reason}"))
        }
        Act::Merge { into } => Some(format!("into {into}")),
        Act::Split { symptoms } => {
            let names: Vec<String> =
                symptoms.iter().map(|s| format!("{} on {}", s.kind.word(), s.channel)).collect();
            Some(names.join(", "))
        }
        Act::Reopen { reason } => Some(reason.clone()),
        Act::Close { outcome, note: None } => Some(outcome.word().to_owned()),
        Act::Close { outcome, note: Some(note) } => Some(format!("{outcome}: {note}")),
        Act::Note { text } => Some(text.clone()),
    }
}

/// The state of a list by its word; `None` for a word that is none.
pub(crate) fn shown(word: &str, me: &AccountName) -> Option<Shown> {
    Some(match word {
        "open" => Shown::NotHidden,
        "unacknowledged" => Shown::Unacknowledged,
        "mine" => Shown::Mine(me.clone()),
        "new" => Shown::New,
        "taken" => Shown::Taken,
        "waiting" => Shown::Waiting,
        "shelved" => Shown::Shelved,
        "out-of-service" => Shown::OutOfService,
        _ => return None,
    })
}

/// Bytes as hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    let digit = |half: u8| char::from_digit(u32::from(half), 16).unwrap_or('0');
    bytes.iter().flat_map(|b| [digit(b >> 4), digit(b & 15)]).collect()
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Outcome;

    use super::*;

    #[test]
    fn a_decision_says_what_was_said_with_it() {
        let close =
            |note: Option<&str>| Act::Close { outcome: Outcome::NoFaultFound, note: note.map(str::to_owned) };
        assert_eq!(said(&close(None)).as_deref(), Some("no-fault-found"));
        assert_eq!(said(&close(Some("gauge agrees"))).as_deref(), Some("no-fault-found: gauge agrees"));
        assert_eq!(said(&Act::Take), None);
    }

    #[test]
    fn bytes_in_hexadecimal() {
        assert_eq!(hex(&[0x00, 0x9f, 0xf0]), "009ff0");
    }
}
