//! Decisions: acts of a person or token that change findings, each with a name on it.
//!
//! Owns what can be decided. The fold reads the log of decisions beside the journal.

use serde::{Deserialize, Serialize};

use crate::{AccountName, ChannelName, DecisionId, FindingId, Outcome, SymptomKind, Time, UnitKey};

/// A symptom of a finding, as a person points to it: a finding has one of a channel and kind.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct SymptomName {
    /// The channel.
    pub channel: ChannelName,
    /// The kind.
    pub kind: SymptomKind,
}

/// What was decided about a finding.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// Seen: the present occurrence needs no more notice.
    Acknowledge,
    /// I work on it.
    Take,
    /// I work on it no more; nobody does.
    GiveBack,
    /// Somebody else works on it from now on.
    Hand {
        /// Who.
        to: AccountName,
    },
    /// Nothing to do until then.
    Wait {
        /// Until when.
        until: Time,
        /// For what.
        #[serde(rename = "for")]
        reason: String,
    },
    /// Hide it until then; visible to all as shelved.
    Shelve {
        /// Until when.
        until: Time,
        /// Why.
        reason: String,
    },
    /// Show it again before its time.
    Unshelve,
    /// Taken out while the instrument or the machine is worked on; visible to all as out of service.
    OutOfService {
        /// Until when at the latest.
        until: Time,
        /// Which work.
        reason: String,
    },
    /// The work is tested: it counts again before its time.
    BackInService,
    /// One matter with another finding of the unit: this one is closed, the other carries its symptoms on.
    Merge {
        /// The finding that stays.
        into: FindingId,
    },
    /// Some of its symptoms are a matter of their own.
    Split {
        /// Which.
        symptoms: Vec<SymptomName>,
    },
    /// Not done after all.
    Reopen {
        /// Why.
        reason: String,
    },
    /// Done.
    Close {
        /// How it ended.
        outcome: Outcome,
        /// Remark.
        note: Option<String>,
    },
    /// A remark.
    Note {
        /// The remark.
        text: String,
    },
}

impl Act {
    /// The word as it is written in the API, stored and shown on screens.
    pub const fn word(&self) -> &'static str {
        match self {
            Act::Acknowledge => "acknowledge",
            Act::Take => "take",
            Act::GiveBack => "give-back",
            Act::Hand { .. } => "hand",
            Act::Wait { .. } => "wait",
            Act::Shelve { .. } => "shelve",
            Act::Unshelve => "unshelve",
            Act::OutOfService { .. } => "out-of-service",
            Act::BackInService => "back-in-service",
            Act::Merge { .. } => "merge",
            Act::Split { .. } => "split",
            Act::Reopen { .. } => "reopen",
            Act::Close { .. } => "close",
            Act::Note { .. } => "note",
        }
    }

    /// The other finding that it changes, when there is one.
    pub const fn other(&self) -> Option<&FindingId> {
        match self {
            Act::Merge { into } => Some(into),
            _ => None,
        }
    }

    /// Whether it changes which findings the machine side has open. Such an act is folded without waiting for the
    /// unit's next message, which a silent unit would never send.
    pub const fn changes_matters(&self) -> bool {
        matches!(self, Act::Merge { .. } | Act::Split { .. } | Act::Reopen { .. })
    }
}

/// A decision as recorded. Append only.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Decision {
    /// Position in the decision log.
    pub id: DecisionId,
    /// When it was taken, on our clock.
    pub at: Time,
    /// Who took it.
    pub by: AccountName,
    /// The unit it concerns.
    pub unit: UnitKey,
    /// The finding it concerns.
    pub finding: FindingId,
    /// What was decided.
    pub act: Act,
    /// Version of the finding that the decider saw.
    pub seen: u32,
    /// Whether it took effect; a decision that lost a race is kept with `false`.
    pub effective: bool,
}
