//! Decisions: acts of a person or token that change findings, each with a name on it.
//!
//! Owns what can be decided. The fold reads the log of decisions beside the journal.

use serde::{Deserialize, Serialize};

use crate::{AccountName, DecisionId, FindingId, Outcome, Time, UnitKey};

/// What was decided about a finding.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// Seen: the present occurrence needs no more notice.
    Acknowledge,
    /// I work on it.
    Take,
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
            Act::Wait { .. } => "wait",
            Act::Shelve { .. } => "shelve",
            Act::Unshelve => "unshelve",
            Act::Close { .. } => "close",
            Act::Note { .. } => "note",
        }
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
