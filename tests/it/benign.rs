//! Changes of healthy units make no machine finding, and none hides a fault beside it.
//!
//! A bounded set of what `--example fleet_score -- --benign` plays, with seeds of its own.

use demo_feed::BenignKind;
use notchwatch_model::FindingKind;

use crate::fleet::benign::{Change, made};

/// Seed, change, and whether the data change with it, which must be told; nothing else may.
const PLAYED: [(u64, Change, bool); 6] = [
    (4001, (BenignKind::HeatWave, None, None), false),
    (4002, (BenignKind::OilChange, None, None), true),
    (4003, (BenignKind::Stands, None, None), false),
    (4004, (BenignKind::UomDeclared, Some("oil_temp"), None), false),
    (4005, (BenignKind::UomUndeclared, Some("oil_pressure"), None), true),
    (4006, (BenignKind::ControllerRestart, None, None), true),
];

#[test]
fn a_change_that_is_no_fault_makes_no_machine_finding_and_hides_none() {
    let start: jiff::Timestamp = "2026-06-15T00:00:00Z".parse().unwrap();
    for (seed, change, told) in PLAYED {
        let made = made(change, seed, start).unwrap();
        let name = format!("{}, seed {seed} ({})", made.name, made.played);
        let told_of = |kind| made.count(kind) > 0;
        assert!(!told_of(FindingKind::Machine) && made.told_machine == 0, "{name}: told of the machine");
        assert_eq!(told_of(FindingKind::Data), told, "{name}: told of the data");
        assert!(!told_of(FindingKind::Sensor), "{name}: told of a sensor");
        assert_eq!(made.before, 0, "{name}: findings before anything changed");
        let after_h = made.fault_after_h.unwrap_or_else(|| panic!("{name}: fault missed"));
        assert!(after_h < 12.0, "{name}: the fault was found after {after_h:.1} h");
    }
}
