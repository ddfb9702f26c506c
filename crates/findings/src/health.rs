//! Health grades: how much of a system, an engine and a unit is left, from 0 (failed) to 1 (as good as new).
//!
//! The term and the scale are those of ISO 13374 and OSA-CBM; formula and parameters are ours, see `doc/health.md`. Owns
//! both, with a reason for each thing that counts. Pure. Refuses to call anything good that nobody can see.

mod grade;
#[cfg(test)]
mod tests;
mod weigh;

use std::collections::BTreeMap;

use notchwatch_model::{ChannelName, Class, CommsState, Finding, FindingId, System, Time, Unit};

pub use grade::unit_health;

/// Systems of an engine; they go with its serial number. The others belong to the unit it is in.
pub const ENGINE_SYSTEMS: &[System] = &[
    System::Lubrication,
    System::Cooling,
    System::Air,
    System::Fuel,
    System::Cylinders,
    System::Crankcase,
    System::Machine,
];

/// What a grade follows from.
#[derive(Debug, Clone, Copy)]
pub struct HealthBasis<'a> {
    /// The unit as registered.
    pub unit: &'a Unit,
    /// Its class.
    pub class: &'a Class,
    /// Its findings. Closed ones do not count.
    pub findings: &'a [Finding],
    /// Channels that are not judged yet, with their progress from 0 to 1.
    pub learning: &'a BTreeMap<ChannelName, f64>,
    /// Newest event time judged.
    pub judged: Option<Time>,
    /// State of its link; absent before the first judgement of it.
    pub comms: Option<CommsState>,
    /// When it is asked for.
    pub now: Time,
}

/// One thing that counts, in words.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthReason {
    /// What counts, as a lowercase fragment or the title of a finding.
    pub what: String,
    /// The finding, when it is one.
    pub finding: Option<FindingId>,
    /// Share of health that it takes, 0 to 1.
    pub takes: f64,
    /// Share of confidence that it takes, 0 to 1.
    pub doubts: f64,
}

/// Grade of one thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Health {
    /// From 0 (failed) to 1 (as good as new); absent when it is not known.
    pub grade: Option<f64>,
    /// Why it is not known.
    pub unknown: Option<String>,
    /// The grade is an upper bound: something that counts is not known.
    pub at_most: bool,
    /// How far to trust it, 0 to 1.
    pub confidence: f64,
    /// What counts, the heaviest first.
    pub reasons: Vec<HealthReason>,
}

/// Grades of a unit, of the engine in it and of each system that its class has judged channels in.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitHealth {
    /// The unit: its weakest system.
    pub unit: Health,
    /// The engine: the weakest of its own systems. Absent when the class has none of them.
    pub engine: Option<Health>,
    /// Systems.
    pub systems: BTreeMap<System, Health>,
}
