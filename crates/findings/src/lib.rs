//! Symptoms and decisions to findings: the fault library, the ranking of faults, priority, states and the rules
//! of what a person may decide.
//!
//! Owns which symptoms make one finding and how a finding lives. Pure: values in, values out. Refuses I/O, a
//! clock, async, and to compute symptoms.

mod background;
mod cause;
mod comms;
mod group;
mod health;
mod library;
mod limit;
mod load;
mod matter;
mod oil;
mod past;
mod priority;
mod rank;
mod rule;
#[cfg(test)]
mod testing;
mod title;
mod unit;

pub use background::Background;
pub use cause::{
    CAUSE_MEMORY, CAUSE_WINDOW, COMMON_ID, Candidate, Cause, Population, Shared, Sign, causes, sign,
};
pub use comms::{CommsFleet, CommsPolicy, Receipt, TickResult};
pub use health::{ENGINE_SYSTEMS, Health, HealthBasis, HealthReason, UnitHealth, unit_health};
pub use library::{
    Check, Confusion, Course, Expected, Expects, Fault, Library, LibraryError, Named, NamedWhat, Often,
    Profile, Rarity, Share,
};
pub use load::{FLOOD_BEGINS_ABOVE, FLOOD_ENDS_BELOW, Frequent, LOAD_DAYS, Load, PERIOD, STALE_AFTER};
use notchwatch_model::{ChannelName, Class, MachinePart, Unit};
pub use priority::priority_of;
pub use rule::{
    MAX_NOTE_CHARS, MAX_OUT_OF_SERVICE, MAX_REASON_CHARS, MAX_SHELF, MAX_SHELF_CRITICAL, MAX_WAIT,
    REOPEN_WITHIN, Ruling, clean_text, rule,
};
pub use unit::{CALM_TO_END, UnitFindings, renewed};

/// What judging the symptoms of one unit needs to know besides them.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The unit as registered.
    pub unit: &'a Unit,
    /// Its class.
    pub class: &'a Class,
    /// The fault library.
    pub library: &'a Library,
    /// Version of the settings that judge.
    pub settings_version: u32,
    /// What its timeline says.
    pub background: &'a Background,
}

/// What a decision did to the findings of a unit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Accepted {
    /// Channels whose new level a person accepted: their models learn anew from now on.
    pub channels: Vec<ChannelName>,
    /// Findings that the decision changed on the machine side.
    pub changed: Vec<MachinePart>,
}

impl Accepted {
    fn changed(parts: impl IntoIterator<Item = MachinePart>) -> Self {
        Self { channels: Vec::new(), changed: parts.into_iter().collect() }
    }
}
