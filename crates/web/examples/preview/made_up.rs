//! Made-up railways, units, findings and evidence for looking at pages. Nothing here judges anything.

use std::collections::BTreeMap;
use std::error::Error;

use notchwatch_desk::Desk;
use notchwatch_model::{
    Act, ChannelName, ClassId, Consequence, Decoded, Direction, EngineSerial, Envelope, EvidenceWeight,
    FaultId, FindingId, FindingKind, MachinePart, Opening, Outcome, Principal, Priority, RailwayId,
    RankedFault, Rationale, Reason, Regime, Register, Seq, Span, Symptom, SymptomKind, System, Time,
    TimeToLimit, UnitId, UnitKey, Uom, Urgency,
};
use notchwatch_store::{EvaluationCommit, FindingUpsert, ModelReport, NewMessage, Store, UnitProgress};

/// Now.
#[expect(clippy::disallowed_methods, reason = "a preview is its own process and owns its clock")]
pub(crate) fn now() -> Time {
    Time::from_micros(jiff::Timestamp::now().as_microsecond()).unwrap_or_default()
}

/// Channels of the made-up class: name, label, system, unit of measure.
const CHANNELS: &str = r#"
[[railways]]
id = "northmoor"
name = "Northmoor Freight"
zone = "Europe/London"
[[railways]]
id = "sarel"
name = "Sarel Coast Line"
zone = "Australia/Perth"
[[classes]]
id = "demo-12"
name = "demo-12"
[classes.operation]
notch = "throttle_notch"
[[classes.channels]]
name = "throttle_notch"
label = "Throttle notch"
system = "operation"
judged = false
[[classes.channels]]
name = "oil_pressure"
label = "Oil pressure"
system = "lubrication"
uom = "Pa"
[[classes.channels.limits]]
name = "low-idle"
high = false
at = 240000.0
priority = "high"
states = { regimes = ["idle"] }
[[classes.channels]]
name = "coolant_temp"
label = "Coolant temperature"
system = "cooling"
uom = "Cel"
[[classes.channels]]
name = "cyl_exhaust_temp_07"
label = "Exhaust temperature, cylinder 7"
system = "cylinders"
uom = "Cel"
[[classes.channels]]
name = "crankcase_pressure"
label = "Crankcase pressure"
system = "crankcase"
uom = "Pa"
"#;

/// Two railways and a dozen units.
pub(crate) fn register() -> Result<Register, Box<dyn Error>> {
    let mut text = CHANNELS.to_owned();
    for number in 0..12 {
        let railway = if number % 3 == 2 { "sarel" } else { "northmoor" };
        let unit = format!(
            "[[units]]\nrailway = \"{railway}\"\nid = \"{}\"\nclass = \"demo-12\"\n\
             engines = [{{ serial = \"E-{}\", from = \"2024-01-01T00:00:00Z\" }}]\n",
            4021 + number,
            1200 + number
        );
        text.push_str(&unit);
    }
    Ok(toml::from_str(&text)?)
}

struct Case {
    unit: u32,
    channel: &'static str,
    uom: &'static str,
    system: System,
    kind: FindingKind,
    symptom: SymptomKind,
    priority: Priority,
    title: &'static str,
    size: f64,
    spreads: f64,
    days: i64,
    left_days: Option<f64>,
    faults: &'static [(&'static str, &'static str, f64, Urgency)],
}

const CASES: &[Case] = &[
    Case {
        unit: 4027,
        channel: "crankcase_pressure",
        uom: "Pa",
        system: System::Crankcase,
        kind: FindingKind::Machine,
        symptom: SymptomKind::Limit,
        priority: Priority::Critical,
        title: "Crankcase pressure 410 Pa above expected at notch 8 since 9 Nov",
        size: 410.0,
        spreads: 14.2,
        days: 1,
        left_days: Some(0.2),
        faults: &[
            ("piston-ring-wear", "Worn or broken piston rings", 0.71, Urgency::Now),
            (
                "crankcase-ventilation-blocked",
                "Crankcase ventilation blocked",
                0.18,
                Urgency::BeforeDeparture,
            ),
        ],
    },
    Case {
        unit: 4021,
        channel: "oil_pressure",
        uom: "Pa",
        system: System::Lubrication,
        kind: FindingKind::Machine,
        symptom: SymptomKind::Drift,
        priority: Priority::High,
        title: "Oil pressure 18 % below expected at idle since 3 Nov",
        size: -68_000.0,
        spreads: -7.2,
        days: 9,
        left_days: Some(9.0),
        faults: &[
            ("oil-pump-wear", "Oil pump worn", 0.62, Urgency::WithinAWeek),
            ("fuel-in-oil", "Fuel in the oil", 0.21, Urgency::WithinAWeek),
            ("unexplained", "Unexplained change", 0.08, Urgency::NextInspection),
        ],
    },
    Case {
        unit: 4024,
        channel: "coolant_temp",
        uom: "Cel",
        system: System::Cooling,
        kind: FindingKind::Machine,
        symptom: SymptomKind::LevelShift,
        priority: Priority::Medium,
        title: "Coolant 6.5 K above expected at notches 5 to 8 since 6 Nov",
        size: 6.5,
        spreads: 5.1,
        days: 6,
        left_days: None,
        faults: &[
            ("radiator-fouled", "Radiator core fouled", 0.55, Urgency::NextInspection),
            ("thermostat-stuck", "Thermostat does not open fully", 0.30, Urgency::NextInspection),
        ],
    },
    Case {
        unit: 4023,
        channel: "cyl_exhaust_temp_07",
        uom: "Cel",
        system: System::Cylinders,
        kind: FindingKind::Machine,
        symptom: SymptomKind::Peer,
        priority: Priority::Medium,
        title: "Cylinder 7 exhaust 61 K below its sisters at notch 8 since 8 Nov",
        size: -61.0,
        spreads: -9.3,
        days: 4,
        left_days: None,
        faults: &[("injector-weak", "Injector delivers too little", 0.66, Urgency::WithinAWeek)],
    },
    Case {
        unit: 4026,
        channel: "cyl_exhaust_temp_07",
        uom: "Cel",
        system: System::Cylinders,
        kind: FindingKind::Sensor,
        symptom: SymptomKind::Stuck,
        priority: Priority::Low,
        title: "Cylinder 7 exhaust thermocouple does not move since 7 Nov",
        size: 0.0,
        spreads: 0.0,
        days: 5,
        left_days: None,
        faults: &[("sensor", "Sensor or its wiring at fault", 0.93, Urgency::NextInspection)],
    },
    Case {
        unit: 4030,
        channel: "oil_pressure",
        uom: "Pa",
        system: System::Lubrication,
        kind: FindingKind::Machine,
        symptom: SymptomKind::Drift,
        priority: Priority::High,
        title: "Oil pressure 9 % below expected at idle since 24 Oct",
        size: -34_000.0,
        spreads: -4.4,
        days: 30,
        left_days: Some(40.0),
        faults: &[("oil-pump-wear", "Oil pump worn", 0.48, Urgency::NextInspection)],
    },
    Case {
        unit: 4022,
        channel: "coolant_temp",
        uom: "Cel",
        system: System::Cooling,
        kind: FindingKind::Machine,
        symptom: SymptomKind::Drift,
        priority: Priority::Low,
        title: "Coolant 2.1 K above expected at notch 8 since 1 Nov",
        size: 2.1,
        spreads: 3.4,
        days: 11,
        left_days: None,
        faults: &[],
    },
];

fn checks() -> Vec<String> {
    vec!["Compare with a hand gauge at idle, oil warm; stop if they differ by more than 20 kPa: then it is the sensor".into(), "Take an oil sample before anything is opened".into(), "Look at the relief valve for dirt on its seat".into()]
}

fn rationale() -> Rationale {
    Rationale {
        cause: "wear of the pump, a worn or dirty relief valve".into(),
        consequence: Consequence::Major,
        otherwise: "oil pressure reaches the shutdown line at hot idle".into(),
        response: "prove it with a gauge, then the relief valve, then the pump".into(),
        parts: vec!["relief valve kit".into(), "oil pump".into()],
        skills: vec!["diesel fitter".into()],
        hours: 8.0,
    }
}

fn ranked(
    id: &str,
    name: &str,
    probability: f64,
    urgency: Urgency,
) -> Result<RankedFault, notchwatch_model::IdError> {
    let weigh = |evidence: &str, weight| EvidenceWeight { evidence: evidence.into(), weight };
    Ok(RankedFault {
        id: FaultId::new(id)?,
        name: name.into(),
        probability,
        supports: vec![
            weigh("channel moves in the stated direction at idle and notch 8", 2.1),
            weigh("slow course over days", 0.7),
        ],
        against: vec![weigh("oil temperature unchanged", -0.4)],
        decides: vec!["oil sample: viscosity and fuel content".into()],
        checks: checks(),
        urgency,
        cautions: vec![
            "Hot oil under pressure: stop the engine and let it cool before a line is opened.".into(),
        ],
        rationale: Some(rationale()),
    })
}

fn part(number: usize, case: &Case, now: Time) -> Result<MachinePart, Box<dyn Error>> {
    let onset = now - Span::from_days(case.days) - Span::from_hours(5);
    let uom = Uom::parse(case.uom)?;
    let symptom = Symptom {
        channel: ChannelName::new(case.channel)?,
        kind: case.symptom,
        direction: Direction::of(case.size),
        size: case.size,
        uom,
        spreads: case.spreads,
        onset,
        detected: onset + Span::from_hours(14),
        probability: 0.997,
        states: vec![Regime::Notch(0), Regime::Notch(8)],
        model: "changepoint".into(),
        numbers: BTreeMap::from([
            ("expected".into(), 380_000.0 * f64::from(u8::from(case.uom == "Pa"))),
            ("spread".into(), 9_400.0),
        ]),
    };
    let faults =
        case.faults.iter().map(|(id, name, probability, urgency)| ranked(id, name, *probability, *urgency));
    let opening = Opening {
        id: FindingId::new(&format!("f-{number:016x}"))?,
        unit: key(case.unit)?,
        class: ClassId::new("demo-12")?,
        system: case.system,
        kind: case.kind,
        onset,
        opened: onset + Span::from_hours(14),
    };
    Ok(MachinePart {
        engine: Some(EngineSerial::new(&format!("E-{}", case.unit - 2821))?),
        title: case.title.into(),
        changed: now - Span::from_mins(7),
        priority: case.priority,
        unstable: case.unit == 4023,
        lasting: vec![symptom.id()],
        symptoms: vec![symptom],
        faults: faults.collect::<Result<_, notchwatch_model::IdError>>()?,
        time_to_limit: case.left_days.map(|d| TimeToLimit {
            limit: format!("{} low-idle", case.channel),
            at: 240_000.0,
            uom,
            p10: d * 0.6 * 86_400.0,
            p50: d * 86_400.0,
            p90: d * 1.9 * 86_400.0,
            from: now - Span::from_mins(7),
            assumes: "load as in the past two weeks".into(),
        }),
        time_to_limit_reason: case
            .left_days
            .is_none()
            .then(|| "no limit of the class lies in its way".into()),
        ..MachinePart::new(opening)
    })
}

fn key(number: u32) -> Result<UnitKey, Box<dyn Error>> {
    let railway = if (number - 4021) % 3 == 2 { "sarel" } else { "northmoor" };
    Ok(UnitKey { railway: RailwayId::new(railway)?, unit: UnitId::new(&number.to_string())? })
}

/// Fills a store.
pub(crate) async fn fill(store: &Store, now: Time) -> Result<(), Box<dyn Error>> {
    let mut commit = EvaluationCommit { position: Seq(0), ..EvaluationCommit::default() };
    for (number, case) in CASES.iter().enumerate() {
        commit.findings.push(FindingUpsert { machine: part(number, case, now)?, late: number == 5 });
    }
    let [.., like, _] = CASES else { return Err("no cases".into()) };
    let mut ended = part(90, like, now - Span::from_days(60))?;
    ended.unit = key(4028)?;
    ended.ended = Some((now - Span::from_days(41), Outcome::ReturnedToNormal));
    commit.findings.push(FindingUpsert { machine: ended, late: false });
    for number in 4021..4032 {
        commit.progress.push(UnitProgress {
            unit: key(number)?,
            judged: Some(now - Span::from_mins(3)),
            received: Some(now - Span::from_mins(i64::from(number - 4020) * 9)),
            samples: 648_210,
            repeats: 12,
            conflicts: u64::from(number == 4025),
            models: Some(ModelReport {
                learning: if number > 4029 {
                    BTreeMap::from([(ChannelName::new("coolant_temp")?, 0.4)])
                } else {
                    BTreeMap::new()
                },
                ..ModelReport::default()
            }),
        });
    }
    store.commit_evaluation(commit, now - Span::from_mins(5)).await?;
    let refused = [
        (
            "units/northmoor/4021/senml",
            Reason::Malformed,
            "not JSON: expected `,` or `]` at byte 41",
            &b"[{\"n\":\"oil_pressure\",\"v\":3.1e5,\"t\":1} {\"n\":"[..],
        ),
        (
            "units/northmoor/9999/senml",
            Reason::UnknownUnit,
            "unit northmoor/9999 is not in the register",
            &b"[{\"n\":\"oil_pressure\",\"u\":\"Pa\",\"v\":312000}]"[..],
        ),
        (
            "units/sarel/4023/senml",
            Reason::ClockAhead,
            "event time 2031-01-01T00:00:00Z lies 4 years ahead of receipt: set the unit's clock",
            &b"[{\"n\":\"oil_pressure\",\"u\":\"Pa\",\"v\":312000,\"t\":1924992000}]"[..],
        ),
    ];
    let batch: Vec<NewMessage> = refused
        .iter()
        .map(|(topic, reason, detail, payload)| NewMessage {
            envelope: Envelope {
                received: now - Span::from_mins(12),
                topic: (*topic).into(),
                content_type: None,
                retained: false,
                payload: payload.to_vec(),
            },
            decoded: Decoded::refused(None, *reason, (*detail).into()),
        })
        .collect();
    store.append(&batch).await?;
    Ok(())
}

/// Some decisions.
pub(crate) async fn decide(desk: &Desk, who: &Principal) -> Result<(), Box<dyn Error>> {
    let id = FindingId::new("f-0000000000000002")?;
    let seen = desk.finding(who, &id).await?.version;
    let after = desk.decide(who, &id, seen, Act::Acknowledge).await?;
    desk.decide(who, &id, after.version, Act::Take).await?;
    desk.decide(who, &id, 0, Act::Note { text: "Asked the shop for the last radiator wash.".into() }).await?;
    Ok(())
}
