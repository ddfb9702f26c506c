//! Matters of a unit that ended: kept for a while, so that a new one of the same cause is linked to the earlier one, and
//! a person can open one again.
//!
//! Owns for how long and how many are kept, and what the same cause is.

use notchwatch_model::{Direction, Earlier, FaultId, FindingId, MachinePart, Outcome, Span, Time};
use serde::{Deserialize, Serialize};

use crate::REOPEN_WITHIN;
use crate::matter::Matter;

/// A finding of the same cause within this time after an earlier one ended is told as the same matter again (common
/// practice: a month shows whether a repair held).
pub(crate) const RECURS_WITHIN: Span = Span::from_days(30);
/// Ended matters kept of a unit: what it remembers stays bounded.
const KEPT: usize = 16;

/// Matters that ended, the oldest first.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Past {
    ended: Vec<Ended>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Ended {
    matter: Matter,
    at: Time,
    outcome: Outcome,
    /// The fault ranked first when it ended; the list itself is not kept.
    fault: Option<FaultId>,
}

impl Past {
    /// Keeps a matter that ended. One whose evidence was taken away never was.
    pub(crate) fn keep(&mut self, mut matter: Matter, at: Time, outcome: Outcome) {
        if outcome == Outcome::Withdrawn {
            return;
        }
        let longest = RECURS_WITHIN.max(REOPEN_WITHIN);
        self.ended.retain(|ended| at - ended.at <= longest);
        let surplus = (self.ended.len() + 1).saturating_sub(KEPT);
        self.ended.drain(..surplus);
        let fault = std::mem::take(&mut matter.part.faults).into_iter().next().map(|fault| fault.id);
        self.ended.push(Ended { matter, at, outcome, fault });
    }

    /// Takes a matter out, to be opened again at `at`.
    pub(crate) fn take(&mut self, id: &FindingId, at: Time) -> Option<Matter> {
        let place = self.ended.iter().position(|e| e.matter.part.id == *id && at - e.at <= REOPEN_WITHIN)?;
        Some(self.ended.remove(place).matter)
    }

    /// The latest earlier matter of the same cause: one channel moved the same way, or one fault explains both best.
    pub(crate) fn same_cause(&self, part: &MachinePart) -> Option<Earlier> {
        let earlier = self.ended.iter().rev().find(|ended| {
            let since = part.opened - ended.at;
            since >= Span::ZERO && since <= RECURS_WITHIN && ended.is_cause_of(part)
        })?;
        Some(Earlier { finding: earlier.matter.part.id.clone(), outcome: earlier.outcome, ended: earlier.at })
    }
}

impl Ended {
    fn is_cause_of(&self, part: &MachinePart) -> bool {
        let before = &self.matter.part;
        let fault = part.faults.first().map(|fault| &fault.id);
        let moved = before.symptoms.iter().filter(|s| s.kind.about() == part.kind).any(|one| {
            part.symptoms.iter().any(|other| {
                one.channel == other.channel
                    && one.kind.about() == other.kind.about()
                    && (one.direction == other.direction || one.direction == Direction::None)
            })
        });
        before.kind == part.kind && (moved || (fault.is_some() && fault == self.fault.as_ref()))
    }
}
