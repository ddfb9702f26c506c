//! Made-up findings for tests.

use std::collections::BTreeMap;

use notchwatch_model::{
    ChannelName, ClassId, Consequence, Direction, EngineSerial, EvidenceWeight, FaultId, Finding, FindingId,
    FindingKind, MachinePart, OperatorPart, Priority, RailwayId, RankedFault, Rationale, Regime, Span,
    Symptom, SymptomKind, System, Time, TimeToLimit, UnitId, UnitKey, Uom, Urgency,
};

/// The time at which tests take place.
pub(crate) fn noon() -> Time {
    "2026-11-10T12:00:00Z".parse().unwrap()
}

/// A unit's key.
pub(crate) fn key(railway: &str, unit: &str) -> UnitKey {
    UnitKey { railway: RailwayId::new(railway).unwrap(), unit: UnitId::new(unit).unwrap() }
}

/// A machine finding on a unit, version 1.
pub(crate) fn finding(railway: &str, unit: &str, number: u32) -> Finding {
    Finding {
        machine: machine(railway, unit, number),
        operator: OperatorPart::default(),
        version: 1,
        recorded: noon() - Span::from_hours(2),
        late: false,
    }
}

/// The machine half of it.
pub(crate) fn machine(railway: &str, unit: &str, number: u32) -> MachinePart {
    let onset = noon() - Span::from_days(7);
    let symptom = symptom(onset);
    MachinePart {
        id: FindingId::new(&format!("f-{number:016x}")).unwrap(),
        unit: key(railway, unit),
        engine: Some(EngineSerial::new("E-1203").unwrap()),
        class: ClassId::new("demo-12").unwrap(),
        system: System::Lubrication,
        kind: FindingKind::Machine,
        title: "Oil pressure 18 % below expected at idle".into(),
        onset,
        opened: onset + Span::from_days(2),
        changed: noon() - Span::from_hours(1),
        priority: Priority::High,
        active: true,
        occurrence: 1,
        unstable: false,
        lasting: vec![symptom.id()],
        symptoms: vec![symptom],
        faults: vec![
            fault("oil-pump-wear", "Oil pump worn", 0.62),
            fault("fuel-in-oil", "Fuel in the oil", 0.21),
        ],
        time_to_limit: Some(TimeToLimit {
            limit: "oil_pressure low-idle".into(),
            at: 250_000.0,
            uom: Uom::parse("Pa").unwrap(),
            p10: 5.0 * 86_400.0,
            p50: 9.0 * 86_400.0,
            p90: 16.0 * 86_400.0,
            from: noon() - Span::from_hours(1),
            assumes: "load as in the past two weeks".into(),
        }),
        time_to_limit_reason: None,
        ended: None,
        settings_version: 1,
        scope: notchwatch_model::Scope::Unit,
        members: vec![],
        again: None,
        split_from: None,
        part_of: None,
    }
}

fn symptom(onset: Time) -> Symptom {
    Symptom {
        channel: ChannelName::new("oil_pressure").unwrap(),
        kind: SymptomKind::LevelShift,
        direction: Direction::Down,
        size: -68_000.0,
        uom: Uom::parse("Pa").unwrap(),
        spreads: -7.2,
        onset,
        detected: onset + Span::from_days(2),
        probability: 0.998,
        states: vec![Regime::Notch(0), Regime::Notch(4)],
        model: "changepoint".into(),
        numbers: BTreeMap::from([("expected".into(), 380_000.0), ("measured".into(), 312_000.0)]),
    }
}

fn fault(id: &str, name: &str, probability: f64) -> RankedFault {
    let weigh = |evidence: &str, weight| EvidenceWeight { evidence: evidence.into(), weight };
    RankedFault {
        id: FaultId::new(id).unwrap(),
        name: name.into(),
        probability,
        supports: vec![weigh("oil_pressure down 18 % at idle", 2.1)],
        against: vec![weigh("oil_temp unchanged", -0.4)],
        decides: vec!["oil sample: viscosity and fuel content".into()],
        checks: vec!["Compare with a hand gauge at idle".into(), "Take an oil sample".into()],
        urgency: Urgency::WithinAWeek,
        cautions: vec!["Hot oil under pressure: let it cool before a line is opened".into()],
        rationale: Some(Rationale {
            cause: "wear of the pump, a worn or dirty relief valve".into(),
            consequence: Consequence::Major,
            otherwise: "oil pressure reaches the shutdown line at hot idle".into(),
            response: "prove it with a gauge, then the relief valve, then the pump".into(),
            parts: vec!["relief valve kit".into(), "oil pump".into()],
            skills: vec!["diesel fitter".into()],
            hours: 8.0,
        }),
    }
}
