//! What a unit's timeline does to its open findings.
//!
//! Owns two rules: open findings are explained anew with what is known now, and channels whose sensor or level is new by the
//! work are let go, so that they can learn anew.

use std::collections::BTreeSet;

use notchwatch_model::{Change, ChannelName, Fact, MachinePart, OilResult, SymptomChange, Time};

use super::UnitFindings;
use crate::oil::Says;
use crate::{Context, oil};

impl UnitFindings {
    /// Takes a fact that `context.background` holds already: it holds from `held` on and takes effect at `at`. Returns the
    /// findings that it changed.
    pub fn learn(&mut self, context: &Context<'_>, held: Time, at: Time, fact: &Fact) -> Vec<MachinePart> {
        let mut changed = self.tick(context, at);
        self.release(&renewed(fact));
        if matches!(fact, Fact::Note { .. }) {
            return changed;
        }
        if let Fact::OilSample { results, .. } = fact {
            changed.extend(self.sampled(context, held, at, results));
        }
        for matter in &mut self.open {
            let before = matter.told();
            matter.refresh(context, at);
            let mut after = matter.told();
            after.changed = before.changed;
            if after == before {
                matter.part.changed = before.changed;
            } else {
                changed.push(matter.told());
            }
        }
        changed
    }

    /// Takes the results of an oil sample: those that a fault names make or join findings, normal ones end what an earlier
    /// sample said.
    fn sampled(
        &mut self,
        context: &Context<'_>,
        sampled: Time,
        at: Time,
        results: &[OilResult],
    ) -> Vec<MachinePart> {
        let said = results.iter().filter_map(|result| oil::says(context, sampled, at, result));
        let changes: Vec<SymptomChange> = said
            .map(|said| match said {
                Says::Raises(symptom) => SymptomChange { at, symptom, change: Change::Raised },
                Says::Clears(symptom) => SymptomChange { at, symptom, change: Change::Cleared },
            })
            .collect();
        self.apply(context, &changes)
    }

    /// Lets channels go whose level a person said to be new: no open finding holds them out of their baselines.
    fn release(&mut self, channels: &BTreeSet<ChannelName>) {
        self.spent.retain(|(channel, _)| !channels.contains(channel));
        self.released.extend(channels.iter().cloned());
    }
}

/// Channels that learn anew by a fact, or begin with a level that it tells.
pub fn renewed(fact: &Fact) -> BTreeSet<ChannelName> {
    match fact {
        Fact::Maintenance { activity, channels, .. } if activity.changes() => {
            channels.iter().cloned().collect()
        }
        Fact::AsBuilt { levels, .. } => levels.iter().map(|level| level.channel.clone()).collect(),
        _ => BTreeSet::new(),
    }
}
