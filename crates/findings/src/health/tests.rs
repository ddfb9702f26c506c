//! Grades against what a person would say.

use std::collections::BTreeMap;

use notchwatch_model::{
    EvidenceWeight, FaultId, FindingKind, MachinePart, OperatorPart, Outcome, Priority, RankedFault, Scope,
    Span, SymptomKind, Urgency,
};

use super::*;
use crate::testing::{class, symptom, time, unit};

const AT: &str = "2026-11-20T12:00:00Z";

fn fault(id: &str, probability: f64) -> RankedFault {
    let none: Vec<EvidenceWeight> = vec![];
    RankedFault {
        id: FaultId::new(id).unwrap(),
        name: id.to_owned(),
        probability,
        supports: none.clone(),
        against: none,
        decides: vec![],
        checks: vec![],
        urgency: Urgency::Watch,
        cautions: vec![],
        rationale: None,
    }
}

fn finding(system: System, kind: FindingKind, priority: Priority) -> Finding {
    let at = time("2026-11-18T12:00:00Z");
    let lead = symptom("oil_pressure", SymptomKind::LevelShift, -9.0, "2026-11-18T12:00:00Z");
    let machine = MachinePart {
        id: FindingId::new(&format!("f-{}-{}-{}", system.word(), kind.word(), priority.word())).unwrap(),
        unit: unit().key(),
        engine: None,
        class: class().id,
        system,
        kind,
        title: format!("something of {}", system.word()),
        onset: at,
        opened: at,
        changed: at,
        priority,
        active: true,
        occurrence: 1,
        unstable: false,
        lasting: vec![lead.id()],
        symptoms: vec![lead],
        faults: vec![fault("oil-pump-wear", 0.9), fault("sensor", 0.1)],
        time_to_limit: None,
        time_to_limit_reason: None,
        ended: None,
        settings_version: 1,
        scope: Scope::Unit,
        members: vec![],
        again: None,
        split_from: None,
        part_of: None,
    };
    Finding { machine, operator: OperatorPart::default(), version: 1, recorded: at, late: false }
}

fn grades(findings: &[Finding], learning: &[&str], judged: Option<Time>, comms: CommsState) -> UnitHealth {
    let learning: BTreeMap<ChannelName, f64> =
        learning.iter().map(|name| (ChannelName::new(name).unwrap(), 0.4)).collect();
    let (unit, class) = (unit(), class());
    let basis = HealthBasis {
        unit: &unit,
        class: &class,
        findings,
        learning: &learning,
        judged,
        comms: Some(comms),
        now: time(AT),
    };
    let first = unit_health(&basis);
    assert_eq!(first, unit_health(&basis), "the same basis gives the same grades");
    first
}

fn well(findings: &[Finding]) -> UnitHealth {
    grades(findings, &[], Some(time(AT)), CommsState::Reporting)
}

fn near(found: Option<f64>, expected: f64) {
    assert!(found.is_some_and(|f| (f - expected).abs() < 1e-9), "{found:?} is not {expected}");
}

#[test]
fn a_unit_is_as_good_as_its_weakest_system_and_the_engine_as_its_own() {
    let none = well(&[]);
    assert_eq!((none.unit.grade, none.engine.unwrap().grade), (Some(1.0), Some(1.0)));
    let pair = [
        finding(System::Lubrication, FindingKind::Machine, Priority::High),
        finding(System::Traction, FindingKind::Machine, Priority::Critical),
    ];
    let found = well(&pair);
    near(found.systems[&System::Lubrication].grade, 1.0 - 0.9 * 0.6);
    near(found.systems[&System::Traction].grade, 1.0 - 0.9 * 0.9);
    near(found.engine.as_ref().unwrap().grade, 1.0 - 0.9 * 0.6);
    near(found.unit.grade, 1.0 - 0.9 * 0.9);
    assert_eq!(found.unit.reasons[0].finding, Some(pair[1].machine.id.clone()), "the heaviest first");
    assert_eq!(found.systems[&System::Cooling].grade, Some(1.0));
}

#[test]
fn what_is_measured_in_doubt_takes_confidence_and_not_health() {
    for kind in [FindingKind::Sensor, FindingKind::Data] {
        let found = well(&[finding(System::Cooling, kind, Priority::Medium)]);
        let cooling = &found.systems[&System::Cooling];
        assert_eq!(cooling.grade, Some(1.0), "{kind}");
        assert!((cooling.confidence - 0.7).abs() < 1e-9, "{}", cooling.confidence);
    }
    let link = well(&[finding(System::Operation, FindingKind::Comms, Priority::Low)]);
    assert_eq!(link.unit.grade, Some(1.0));
    assert!(link.unit.confidence < 0.81 && link.unit.reasons.len() == 1);
}

#[test]
fn nearness_to_a_limit_costs_more_and_quiet_or_closed_ones_less() {
    let far = finding(System::Lubrication, FindingKind::Machine, Priority::Medium);
    let mut close = far.clone();
    close.machine.symptoms[0].numbers =
        [("expected", 380e3), ("measured", 250e3), ("limit", 240e3)].map(|(n, v)| (n.to_owned(), v)).into();
    let mut beyond = far.clone();
    beyond.machine.symptoms[0].kind = SymptomKind::Limit;
    let mut quiet = far.clone();
    quiet.machine.active = false;
    let mut closed = far.clone();
    closed.machine.ended = Some((time(AT), Outcome::ReturnedToNormal));
    let of = |f: &Finding| well(std::slice::from_ref(f)).systems[&System::Lubrication].grade.unwrap();
    let order = [of(&beyond), of(&close), of(&far), of(&quiet), of(&closed)];
    assert!(order.windows(2).all(|w| w[0] < w[1]), "{order:?}");
    assert!((order[4] - 1.0).abs() < 1e-9, "a closed one takes nothing");
    let mut doubted = far.clone();
    doubted.machine.faults = vec![fault("sensor", 0.85), fault("oil-pump-wear", 0.15)];
    assert!(of(&doubted) > of(&far), "what may be the sensor costs less");
}

#[test]
fn absence_of_data_is_never_good() {
    let silent = grades(&[], &[], Some(time(AT)), CommsState::Silent);
    assert_eq!((silent.unit.grade, silent.unit.unknown.as_deref()), (None, Some("the unit is silent")));
    let old = grades(&[], &[], Some(time(AT) - Span::from_days(2)), CommsState::NotExpected);
    assert!(old.unit.grade.is_none() && old.systems.values().all(|h| h.grade.is_none()));
    assert!(grades(&[], &[], None, CommsState::NeverHeard).unit.grade.is_none());
    let learning = grades(&[], &["oil_pressure", "oil_temp"], Some(time(AT)), CommsState::Reporting);
    assert!(learning.systems[&System::Lubrication].grade.is_none());
    assert_eq!(learning.systems[&System::Cooling].grade, Some(1.0));
    assert_eq!(learning.unit.unknown.as_deref(), Some("not known yet: lubrication"));
    let bad = finding(System::Cooling, FindingKind::Machine, Priority::High);
    let bounded = grades(&[bad], &["oil_pressure", "oil_temp"], Some(time(AT)), CommsState::Reporting);
    assert!(
        bounded.unit.grade.is_some_and(|g| g < 0.5) && bounded.unit.at_most,
        "bad holds whatever the rest is"
    );
}
