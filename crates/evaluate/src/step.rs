//! What a unit's timeline and its text channels say, on its way into the fold.
//!
//! Owns which of it units may share, so that common causes are looked for anew. Refuses order: the line has it.

use notchwatch_model::{Fact, Purpose, TextSample, Time, TimelineEntry};

use crate::fold::{Fold, FoldContext};
use crate::line::Folded;

/// Something beside rows and decisions that takes effect.
pub(crate) enum Step {
    /// An entry of the unit's timeline.
    Entry(TimelineEntry),
    /// A text of one of its channels.
    Text(TextSample),
}

impl Step {
    /// When it does.
    pub(crate) fn at(&self) -> Time {
        match self {
            Step::Entry(entry) => entry.effective(),
            Step::Text(text) => text.time,
        }
    }

    /// Folds it.
    pub(crate) fn fold(&self, fold: &mut Fold, context: &FoldContext, folded: &mut Folded) {
        match self {
            Step::Entry(entry) => {
                enter(fold, context, (entry.at, entry.effective(), entry.received), &entry.fact, folded);
            }
            Step::Text(text) => {
                for fact in fold.told(context, text) {
                    enter(fold, context, (text.time, text.time, None), &fact, folded);
                }
            }
        }
    }
}

/// Folds a fact that holds from `at` on, takes effect and was received.
fn enter(
    fold: &mut Fold,
    context: &FoldContext,
    (at, effective, received): (Time, Time, Option<Time>),
    fact: &Fact,
    folded: &mut Folded,
) {
    if matches!(fact, Fact::Software { .. } | Fact::Visit { purpose: Purpose::Fuelling, .. }) {
        folded.shares = folded.shares.max(Some(effective));
    }
    let changed = fold.fact(context, at, effective, fact);
    folded.findings.extend(changed.into_iter().map(|machine| (machine, received)));
}
