//! Operator positions (IEC 62682), and findings as they come to them.
//!
//! Owns what a position covers. Refuses to count.

use crate::{ClassId, FaultId, FindingKind, PositionId, Priority, RailwayId, Time, UnitKey};

/// A seat that covers stated railways and classes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Position {
    /// Identity.
    pub id: PositionId,
    /// Name for people.
    pub title: String,
    /// Railways covered; empty: all.
    pub railways: Vec<RailwayId>,
    /// Classes covered; empty: all.
    pub classes: Vec<ClassId>,
}

impl Position {
    /// Whether findings on units of this railway and class come to it.
    pub fn covers(&self, railway: &RailwayId, class: &ClassId) -> bool {
        (self.railways.is_empty() || self.railways.contains(railway))
            && (self.classes.is_empty() || self.classes.contains(class))
    }
}

/// A finding as it came to the operators.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Arrival {
    /// When it was first recorded: receive side.
    pub at: Time,
    /// The unit.
    pub unit: UnitKey,
    /// Its class.
    pub class: ClassId,
    /// What it is about.
    pub kind: FindingKind,
    /// Its priority now.
    pub priority: Priority,
    /// The fault ranked first now.
    pub fault: Option<FaultId>,
    /// It has lasted longer than the stated time: open, active and not hidden.
    pub stale: bool,
}
