//! Changes of healthy units make no machine finding, and none hides a fault beside it.
//!
//! A bounded set of what `--example fleet_score -- --benign` plays, with seeds of its own: every kind that a fleet's year
//! brings.

use demo_feed::BenignKind;
use notchwatch_model::FindingKind;

use crate::fleet::benign::{Change, made};

/// Seed, change, and what it must be told as; nothing else may be told.
const PLAYED: [(u64, Change, Option<FindingKind>); 12] = [
    (4001, (BenignKind::HeatWave, None, None), None),
    (4002, (BenignKind::OilChange, None, None), Some(FindingKind::Data)),
    (4003, (BenignKind::Stands, None, None), None),
    (4004, (BenignKind::UomDeclared, Some("oil_temp"), None), None),
    (4005, (BenignKind::UomUndeclared, Some("oil_pressure"), None), Some(FindingKind::Data)),
    (4006, (BenignKind::ControllerRestart, None, None), Some(FindingKind::Data)),
    (4007, (BenignKind::Altitude, None, None), None),
    (4008, (BenignKind::Duty, None, None), None),
    (4009, (BenignKind::SensorReplaced, Some("coolant_temp"), Some(3.0)), Some(FindingKind::Sensor)),
    (4010, (BenignKind::SensorReplaced, Some("cyl_exhaust_temp_05"), Some(14.0)), Some(FindingKind::Sensor)),
    (4011, (BenignKind::Backlog, None, None), None),
    (4012, (BenignKind::ColdStarts, None, None), None),
];

#[test]
fn a_change_that_is_no_fault_makes_no_machine_finding_and_hides_none() {
    let start: jiff::Timestamp = "2026-06-15T00:00:00Z".parse().unwrap();
    for (seed, change, told) in PLAYED {
        let made = made(change, seed, start).unwrap();
        let name = format!("{}, seed {seed} ({})", made.name, made.played);
        let told_of = |kind| made.count(kind) > 0;
        assert!(!told_of(FindingKind::Machine) && made.told_machine == 0, "{name}: told of the machine");
        for kind in [FindingKind::Data, FindingKind::Sensor] {
            assert_eq!(told_of(kind), told == Some(kind), "{name}: told of {kind}");
        }
        assert_eq!(made.before, 0, "{name}: findings before anything changed");
        let after_h = made.fault_after_h.unwrap_or_else(|| panic!("{name}: fault missed"));
        assert!(after_h < 12.0, "{name}: the fault was found after {after_h:.1} h");
    }
}
