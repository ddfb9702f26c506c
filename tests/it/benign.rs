//! Changes of healthy units make no machine finding, and none hides a fault beside it.
//!
//! A bounded set of what `--example fleet_score -- --benign` plays, with seeds of its own.

use demo_feed::BenignKind;
use notchwatch_model::FindingKind;

use crate::fleet::benign::{Change, made};

/// Seed, change, and what may be told of it on a healthy unit beside nothing.
const PLAYED: [(u64, Change, Option<FindingKind>); 6] = [
    (4001, (BenignKind::HeatWave, None, None), None),
    (4002, (BenignKind::OilChange, None, None), Some(FindingKind::Data)),
    (4003, (BenignKind::Stands, None, None), None),
    (4004, (BenignKind::UomDeclared, Some("oil_temp"), None), None),
    (4005, (BenignKind::UomUndeclared, Some("oil_pressure"), None), Some(FindingKind::Data)),
    (4006, (BenignKind::ControllerRestart, None, None), Some(FindingKind::Data)),
];

#[test]
fn a_change_that_is_no_fault_makes_no_machine_finding_and_hides_none() {
    let start: jiff::Timestamp = "2026-06-15T00:00:00Z".parse().unwrap();
    for (seed, change, told) in PLAYED {
        let made = made(change, seed, start).unwrap();
        let kinds: Vec<FindingKind> = made.healthy.iter().map(|f| f.kind).collect();
        let name = &made.name;
        assert!(kinds.iter().all(|kind| Some(*kind) == told), "{name}, seed {seed}: {kinds:?}");
        assert_eq!(kinds.is_empty(), told.is_none(), "{name}, seed {seed}: it must be told");
        assert_eq!(made.before, 0, "{name}, seed {seed}: findings before anything changed");
        let after_h = made.fault_after_h.unwrap_or_else(|| panic!("{name}, seed {seed}: fault missed"));
        assert!(after_h < 12.0, "{name}, seed {seed}: the fault was found after {after_h:.1} h");
    }
}
