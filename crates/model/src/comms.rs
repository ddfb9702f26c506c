//! Comms: the state of a unit's link as it is shown, and the clock ticks by which silence is judged.
//!
//! Owns the words. A tick is a recorded input: folding the journal and the ticks again gives the same comms findings.
//! Refuses to judge: the rules are in the `findings` crate.

use serde::{Deserialize, Serialize};

use crate::{DecisionId, RailwayId, Reason, Seq, Span, Time, UnitId, UnitKey};

/// Railway that findings about this service itself are filed under. No register may name it, so that only a caller who
/// sees all railways sees them.
pub const OWN_RAILWAY: &str = "this-service";
/// Stands where a unit's number would, in findings about more than one unit.
pub const NO_UNIT: &str = "all";

/// What a finding is about.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// One unit.
    #[default]
    Unit,
    /// Units of one region of one railway that share a cause.
    Region(String),
    /// Units of one railway and class with one version of software.
    Software(String),
    /// Units of one railway and class that took fuel at one place.
    Fuelled(String),
    /// This service itself.
    Service,
}

/// State of a unit's link.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CommsState {
    /// Nothing was ever received from it.
    #[default]
    NeverHeard,
    /// Fresh data come, as usual.
    Reporting,
    /// Data come, but old ones: a backlog.
    Late,
    /// Quiet for longer than its habit allows.
    Silent,
    /// Samples were refused lately because their time is implausible.
    ClockWrong,
    /// Quiet, as its service status lets one expect.
    NotExpected,
}

impl CommsState {
    /// Every state, in a fixed order.
    pub const ALL: [CommsState; 6] = [
        CommsState::NeverHeard,
        CommsState::Reporting,
        CommsState::Late,
        CommsState::Silent,
        CommsState::ClockWrong,
        CommsState::NotExpected,
    ];

    /// The state as it is written in the API and as a metric's label.
    pub const fn word(self) -> &'static str {
        match self {
            CommsState::NeverHeard => "never-heard",
            CommsState::Reporting => "reporting",
            CommsState::Late => "late",
            CommsState::Silent => "silent",
            CommsState::ClockWrong => "clock-wrong",
            CommsState::NotExpected => "not-expected",
        }
    }

    /// The state of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// State of one unit's link, with the habit it was judged by.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnitComms {
    /// The unit.
    pub unit: UnitKey,
    /// The state.
    pub state: CommsState,
    /// Since when: receive time.
    pub since: Time,
    /// Newest receipt of fresh data, when the state was last written.
    pub heard: Option<Time>,
    /// Usual time between receipts; absent while it is learned.
    pub usual: Option<Span>,
    /// Quiet for longer is silence.
    pub limit: Span,
    /// Claimed time less receive time of what was refused last for its time.
    pub clock_offset: Option<Span>,
}

/// What one tick saw refused of one unit for one reason since the tick before.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct RefusedOfUnit {
    /// The railway.
    pub railway: RailwayId,
    /// The unit.
    pub unit: UnitId,
    /// Why.
    pub reason: Reason,
    /// Messages that held such records.
    pub messages: u32,
    /// Receive time of the newest.
    pub received: Time,
    /// What was found in the newest, for a person.
    pub detail: String,
}

/// One reading of our own clock, recorded.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ClockTick {
    /// Position among ticks, from 1.
    pub id: i64,
    /// The time read.
    pub at: Time,
    /// Every journal row up to here was committed before it, none after.
    pub seq: Seq,
    /// Every decision up to here was taken before it.
    pub decided: DecisionId,
    /// Reasons for which we could not have heard anybody; empty when well.
    pub trouble: Vec<String>,
    /// Refused since the tick before, of registered units, for reasons that concern a link.
    pub refused: Vec<RefusedOfUnit>,
}
