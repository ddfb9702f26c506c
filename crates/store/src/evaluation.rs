//! What evaluation commits and reads back: shapes here, the work in the files below.

mod commit;
mod snapshots;
mod states;
mod told;
pub(crate) mod unjudged;

pub(crate) use told::Told;
pub use unjudged::Unjudged;

use std::collections::BTreeMap;

use notchwatch_model::{ChannelName, MachinePart, Seq, Time, TimelineId, UnitComms, UnitKey};
use serde::{Deserialize, Serialize};

use crate::CommsSnapshot;

/// A commit of evaluation: all of it, or nothing.
#[derive(Debug, Clone, Default)]
pub struct EvaluationCommit {
    /// Journal position up to which everything is judged, once this is committed.
    pub position: Seq,
    /// Findings as the fold now states them.
    pub findings: Vec<FindingUpsert>,
    /// Units whose snapshots at or after an event time no longer hold, since data came late: dropped before
    /// `snapshots` are written.
    pub stale: Vec<(UnitKey, Time)>,
    /// Snapshots taken.
    pub snapshots: Vec<Snapshot>,
    /// Progress of the units touched.
    pub progress: Vec<UnitProgress>,
    /// Samples found to lie beyond the horizon of judgement, in the order in which they were found.
    pub unjudged: Vec<(UnitKey, Vec<Unjudged>)>,
    /// Newest clock tick judged, once this is committed; never moves back.
    pub ticked: i64,
    /// States of links that changed.
    pub comms: Vec<UnitComms>,
    /// State of the comms fold, when it is time for one. It holds exactly `position` and `ticked`.
    pub comms_snapshot: Option<CommsSnapshot>,
    /// Position in the log of timelines that is judged, once this is committed; never moves back.
    pub timelined: TimelineId,
}

/// A finding as the fold states it.
#[derive(Debug, Clone)]
pub struct FindingUpsert {
    /// The machine half.
    pub machine: MachinePart,
    /// Its evidence arrived later than the stated lateness.
    pub late: bool,
}

/// State of a unit's fold at one event time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// The unit.
    pub unit: UnitKey,
    /// Every row up to and including this event time is in it.
    pub at: Time,
    /// Journal position whose samples it holds.
    pub seq: Seq,
    /// Form of `state`; a snapshot of another form is not read but folded anew.
    pub form: u32,
    /// Opaque to the store.
    pub state: Vec<u8>,
}

/// How far a unit is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitProgress {
    /// The unit.
    pub unit: UnitKey,
    /// Newest event time judged.
    pub judged: Option<Time>,
    /// Newest receive time seen.
    pub received: Option<Time>,
    /// Samples judged, each once.
    pub samples: u64,
    /// Samples that were repeats of stored ones.
    pub repeats: u64,
    /// Samples that contradicted a stored one.
    pub conflicts: u64,
    /// What its models say of themselves. In a commit `None` leaves what was told last.
    pub models: Option<ModelReport>,
}

impl UnitProgress {
    /// Judged channels that still learn, with their progress; empty while its models have said nothing.
    pub fn learning(&self) -> impl Iterator<Item = (&ChannelName, f64)> {
        self.models.iter().flat_map(|models| &models.learning).map(|(name, progress)| (name, *progress))
    }
}

/// What the models of a unit say of themselves.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ModelReport {
    /// Progress of learning by channel, 0 to 1 in steps of a hundredth; a channel that is done is left out.
    pub learning: BTreeMap<ChannelName, f64>,
    /// Channels judged by as-built levels alone, with the progress of their own learning.
    pub seeded: BTreeMap<ChannelName, f64>,
    /// How likely a lasting change is; `None` of what was written before it was told.
    pub chances: Option<Chances>,
    /// The software that the unit runs; `None` where nobody said.
    pub software: Option<Software>,
}

/// Software in force.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Software {
    /// Its version.
    pub version: String,
    /// Event time from which on it is.
    pub since: Time,
}

/// Calibrated probabilities that something is not what it was.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Chances {
    /// Of any channel of the unit.
    pub unit: f64,
    /// Of channels for which something speaks; of the others it is below the prior.
    pub channels: BTreeMap<ChannelName, f64>,
}
