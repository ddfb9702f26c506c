//! The timeline of a unit: what other sources than its channels say of it, each entry with its event time.
//!
//! Owns the kinds of entry and what each may hold. The fold reads the log of entries beside the journal and the
//! decisions. Refuses to judge: what an oil sample or a fault code means is the `findings` crate's.

mod check;
mod fact;
mod texts;
mod written;

use serde::{Deserialize, Serialize};

pub use check::{MAX_LEVELS, MAX_PARTS, MAX_TEXT_CHARS, MAX_WORD_CHARS};
pub use fact::{Activity, AsBuilt, Fact, FactKind, OilResult, Origin, Purpose, Verdict};
pub use texts::TextState;
pub use written::{Written, WrittenError};

use crate::{AccountName, EngineSerial, Span, Time, UnitKey};

/// An entry takes effect at its event time, but never earlier than this before it was received. Both times are recorded,
/// so the bound moves nothing when the past is folded again; it bounds how far back one entry can send the fold.
pub const REACHES_BACK: Span = Span::from_days(30);
/// How far ahead of receipt an event time may lie: a clock that is a little off.
pub const MAX_AHEAD: Span = Span::from_mins(5);
/// Position in the log of timelines. Additions and withdrawals share it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
pub struct TimelineId(pub i64);

impl std::fmt::Display for TimelineId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// An entry to record.
#[derive(Clone, PartialEq, Debug)]
pub struct NewEntry {
    /// The unit.
    pub unit: UnitKey,
    /// The engine it concerns: as given, or the one fitted at the event time.
    pub engine: Option<EngineSerial>,
    /// Event time.
    pub at: Time,
    /// What it says.
    pub fact: Fact,
}

/// Who took an entry back, when and why. The entry stays and is shown as withdrawn.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Withdrawal {
    /// When, on our clock.
    pub at: Time,
    /// Who.
    pub by: AccountName,
    /// Why.
    pub reason: String,
}

/// An entry as recorded. Append only: it is withdrawn, never changed.
#[derive(Clone, PartialEq, Debug)]
pub struct TimelineEntry {
    /// Position in the log; absent for what stands in the unit's own messages.
    pub id: Option<TimelineId>,
    /// The unit.
    pub unit: UnitKey,
    /// The engine it concerns.
    pub engine: Option<EngineSerial>,
    /// Event time.
    pub at: Time,
    /// Receive time; absent for what stands in the unit's own messages.
    pub received: Option<Time>,
    /// Who recorded it.
    pub by: Option<AccountName>,
    /// By which way it came.
    pub origin: Origin,
    /// What it says.
    pub fact: Fact,
    /// Taken back.
    pub withdrawn: Option<Withdrawal>,
}

impl TimelineEntry {
    /// Event time at which it takes effect in the fold.
    pub fn effective(&self) -> Time {
        effective(self.at, self.received)
    }
}

/// Event time at which an entry takes effect: see [`REACHES_BACK`].
pub fn effective(at: Time, received: Option<Time>) -> Time {
    received.map_or(at, |received| at.max(received - REACHES_BACK))
}

/// Name of the text channel whose values are fault codes.
pub const FAULT_CODE_CHANNEL: &str = "fault_code";
/// Name of the text channel whose values are versions of the controller's software.
pub const SOFTWARE_CHANNEL: &str = "software_version";

/// Codes of one value of the fault code channel: separated by commas, semicolons or blanks. Empty, `0`, `-`, `ok` and
/// `none` mean that there is none (common practice).
pub fn codes(text: &str) -> std::collections::BTreeSet<&str> {
    text.split([',', ';', ' ', '\t'])
        .map(str::trim)
        .filter(|code| !code.is_empty() && code.chars().count() <= MAX_WORD_CHARS)
        .filter(|code| !["0", "-", "ok", "none"].iter().any(|nothing| code.eq_ignore_ascii_case(nothing)))
        .take(MAX_PARTS)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_reaches_back_so_far_and_no_further() {
        let received: Time = "2026-05-01T00:00:00Z".parse().unwrap();
        assert_eq!(effective(received - Span::from_days(3), Some(received)), received - Span::from_days(3));
        assert_eq!(effective(received - Span::from_days(300), Some(received)), received - REACHES_BACK);
        assert_eq!(effective(received, None), received);
    }

    #[test]
    fn codes_are_told_apart_from_their_absence() {
        assert_eq!(codes("E12, E7;E12").into_iter().collect::<Vec<_>>(), ["E12", "E7"]);
        for nothing in ["", " ", "0", "-", "OK", "None"] {
            assert!(codes(nothing).is_empty(), "{nothing:?}");
        }
    }
}
