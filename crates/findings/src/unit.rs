//! The findings of one unit: a state that symptoms, decisions and time change.
//!
//! Owns the life of a finding on the machine side. Refuses to judge samples and to know a clock.

use std::collections::BTreeSet;

use notchwatch_model::{ChannelName, Decision, MachinePart, Span, SymptomChange, Time};
use serde::{Deserialize, Serialize};

use crate::{Accepted, Context};

/// Quiet time after which a finding that nobody took ends as returned to normal, in event time (common practice:
/// one full day of duty).
pub const CALM_TO_END: Span = Span::from_hours(24);

/// The findings of one unit as they stand. Equal symptoms and decisions give equal states.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct UnitFindings {}

#[expect(
    clippy::todo,
    clippy::unused_self,
    unused_variables,
    reason = "interface first; bodies follow within the hour"
)]
impl UnitFindings {
    /// Takes changes of symptoms in order of time. Returns the findings that they changed, each once.
    pub fn apply(&mut self, context: &Context<'_>, changes: &[SymptomChange]) -> Vec<MachinePart> {
        todo!()
    }

    /// Lets time pass up to `to`. Returns the findings that it changed.
    pub fn tick(&mut self, context: &Context<'_>, to: Time) -> Vec<MachinePart> {
        todo!()
    }

    /// Takes a decision that took effect.
    pub fn decide(&mut self, context: &Context<'_>, decision: &Decision) -> Accepted {
        todo!()
    }

    /// Channels whose data stay out of the baselines.
    pub fn held(&self) -> BTreeSet<ChannelName> {
        todo!()
    }

    /// The findings that are open on the machine side, the oldest first.
    pub fn open(&self) -> impl Iterator<Item = &MachinePart> {
        std::iter::empty()
    }
}
