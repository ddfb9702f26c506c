//! Alarm states (IEC 62682 / ISA-18.2): two memories, active and acknowledged, and overlays over them.
//!
//! Owns the state that follows from the memories. Refuses time: an overlay that has ended is not passed in.

use serde::{Deserialize, Serialize};

/// Alarm state of a finding.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// Not active, nothing to acknowledge.
    Normal,
    /// Active, nobody has acknowledged it.
    Unacknowledged,
    /// Active and acknowledged.
    Acknowledged,
    /// No longer active, and nobody has acknowledged that it was.
    ReturnedUnacknowledged,
    /// Hidden by a person, for a stated time and reason.
    Shelved,
    /// Hidden by design in this operating state.
    SuppressedByDesign,
    /// Taken out while the instrument is worked on.
    OutOfService,
}

/// What lies over the two memories.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are those of AlarmState")]
pub enum Overlay {
    Shelved,
    SuppressedByDesign,
    OutOfService,
}

impl AlarmState {
    /// State that follows from the memories and the overlay.
    pub const fn of(active: bool, acknowledged: bool, overlay: Option<Overlay>) -> Self {
        match (overlay, active, acknowledged) {
            (Some(Overlay::Shelved), ..) => AlarmState::Shelved,
            (Some(Overlay::SuppressedByDesign), ..) => AlarmState::SuppressedByDesign,
            (Some(Overlay::OutOfService), ..) => AlarmState::OutOfService,
            (None, true, false) => AlarmState::Unacknowledged,
            (None, true, true) => AlarmState::Acknowledged,
            (None, false, false) => AlarmState::ReturnedUnacknowledged,
            (None, false, true) => AlarmState::Normal,
        }
    }

    /// The word as it is written in the API and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned-unacknowledged",
            AlarmState::Shelved => "shelved",
            AlarmState::SuppressedByDesign => "suppressed-by-design",
            AlarmState::OutOfService => "out-of-service",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sequences from public summaries of IEC 62682 / ISA-18.2 (the standards' text is not public).
    #[test]
    fn sequences_of_condition_acknowledge_clear() {
        use AlarmState as A;
        let walk = |steps: &[&str]| {
            let (mut active, mut acknowledged) = (false, true);
            steps
                .iter()
                .map(|step| {
                    match *step {
                        "condition" => (active, acknowledged) = (true, false),
                        "ack" => acknowledged = true,
                        _ => active = false,
                    }
                    AlarmState::of(active, acknowledged, None)
                })
                .collect::<Vec<_>>()
        };
        assert_eq!(walk(&["condition", "ack", "clear"]), [A::Unacknowledged, A::Acknowledged, A::Normal]);
        assert_eq!(
            walk(&["condition", "clear", "ack"]),
            [A::Unacknowledged, A::ReturnedUnacknowledged, A::Normal]
        );
        assert_eq!(
            walk(&["condition", "clear", "condition", "ack", "clear"]),
            [A::Unacknowledged, A::ReturnedUnacknowledged, A::Unacknowledged, A::Acknowledged, A::Normal]
        );
    }

    #[test]
    fn an_overlay_hides_but_the_memories_go_on() {
        assert_eq!(AlarmState::of(true, false, Some(Overlay::Shelved)), AlarmState::Shelved);
        assert_eq!(AlarmState::of(true, false, None), AlarmState::Unacknowledged);
    }
}
