//! Makings for the tests of the desk: a store in a temporary folder, two railways, a clock that stands, evidence
//! that is made up.

mod access;
mod decisions;
mod health;
mod isolation;
mod pictures;
mod sign_in;
mod timeline;

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};

use futures::future::BoxFuture;
use notchwatch_findings::Library;
use notchwatch_model::{
    AccountName, ChannelIx, ChannelName, ClassId, Direction, FindingId, FindingKind, MachinePart, Principal,
    Priority, RailwayFilter, RailwayId, Regime, Register, Role, Seq, Span, Symptom, SymptomKind, System,
    Time, UnitId, UnitKey, Uom,
};
use notchwatch_store::{EvaluationCommit, FindingUpsert, Options, Store};

use crate::{Clock, Desk, Evidence, EvidenceError, Level, TracePoint};

/// Two railways with one unit each, of two classes.
const REGISTER: &str = r#"
    railways = [{ id = "northmoor", name = "Northmoor Freight" }, { id = "sarel", name = "Sarel Coast Line" }]

    [[classes]]
    id = "small"
    name = "Small"
    channels = [
        { name = "oil_pressure", system = "lubrication", uom = "Pa" },
        { name = "oil_temp", system = "lubrication", uom = "Cel" },
    ]

    [[classes]]
    id = "other"
    name = "Other"
    channels = [{ name = "oil_temp", system = "lubrication", uom = "Cel" }]

    [[units]]
    railway = "northmoor"
    id = "1"
    class = "small"

    [[units]]
    railway = "sarel"
    id = "1"
    class = "other"
"#;

/// A clock that is set.
#[derive(Debug)]
pub(crate) struct SetClock(Mutex<Time>);

impl Clock for SetClock {
    fn now(&self) -> Time {
        *self.0.lock().unwrap()
    }
}

/// A row a minute, each with its minute of the hour as value. Remembers the spans asked for.
#[derive(Debug, Default)]
pub(crate) struct MadeUp(Mutex<Vec<(Time, Time)>>);

impl Evidence for MadeUp {
    fn trace(
        &self,
        _: UnitKey,
        channels: Vec<ChannelIx>,
        from: Time,
        to: Time,
    ) -> BoxFuture<'_, Result<Vec<TracePoint>, EvidenceError>> {
        self.0.lock().unwrap().push((from, to));
        let minutes = (to - from).micros() / Span::from_mins(1).micros();
        let point = move |minute: i64| TracePoint {
            time: from + Span::from_mins(minute),
            channel: channels[0],
            measured: f64::from(u8::try_from(minute % 60).unwrap()),
            expected: Some(30.0),
            spread: Some(1.0),
            regime: Regime::Running,
            judged: true,
        };
        Box::pin(async move { Ok((0..minutes).map(point).collect()) })
    }

    fn levels(
        &self,
        _: ClassId,
        units: Vec<UnitKey>,
        _: ChannelIx,
        span: (Time, Time),
    ) -> BoxFuture<'_, Result<Vec<Vec<Level>>, EvidenceError>> {
        self.0.lock().unwrap().push(span);
        let of = |unit: &UnitKey| {
            let number: f64 = unit.unit.as_str().parse().unwrap();
            vec![Level { regime: Regime::Notch(0), samples: 20, middle: number }]
        };
        let found = units.iter().map(of).collect();
        Box::pin(async move { Ok(found) })
    }
}

/// A desk over a fresh store.
pub(crate) struct Office {
    pub(crate) desk: Desk,
    pub(crate) store: Store,
    pub(crate) clock: Arc<SetClock>,
    pub(crate) evidence: Arc<MadeUp>,
    _folder: tempfile::TempDir,
}

pub(crate) fn time(text: &str) -> Time {
    text.parse().unwrap()
}

pub(crate) fn start() -> Time {
    time("2026-11-05T12:00:00Z")
}

pub(crate) fn name(text: &str) -> AccountName {
    AccountName::new(text).unwrap()
}

pub(crate) fn channel(text: &str) -> ChannelName {
    ChannelName::new(text).unwrap()
}

pub(crate) fn id(text: &str) -> FindingId {
    FindingId::new(text).unwrap()
}

pub(crate) fn unit(railway: &str) -> UnitKey {
    UnitKey { railway: RailwayId::new(railway).unwrap(), unit: UnitId::new("1").unwrap() }
}

pub(crate) fn person(who: &str, role: Role, railway: Option<&str>) -> Principal {
    let railways = railway.map_or(RailwayFilter::All, |railway| {
        RailwayFilter::Only(BTreeSet::from([RailwayId::new(railway).unwrap()]))
    });
    Principal { name: name(who), role, railways }
}

pub(crate) fn administrator() -> Principal {
    person("root", Role::Administrator, None)
}

impl Office {
    /// Both railways registered, one open finding on each: `f-northmoor` and `f-sarel`.
    pub(crate) async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("desk.db").display());
        let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
        let clock = Arc::new(SetClock(Mutex::new(start())));
        let evidence = Arc::new(MadeUp::default());
        let library = Arc::new(Library::builtin().unwrap());
        let desk = Desk::new(store.clone(), clock.clone(), evidence.clone(), library);
        let office = Self { desk, store, clock, evidence, _folder: folder };
        let register: Register = toml::from_str(REGISTER).unwrap();
        office.store.put_register(&register, &name("root"), start()).await.unwrap();
        for (seq, railway) in [(1, "northmoor"), (2, "sarel")] {
            office.record(seq, machine(railway)).await;
        }
        office
    }

    /// Commits what evaluation says of a finding.
    pub(crate) async fn record(&self, position: i64, machine: MachinePart) {
        let findings = vec![FindingUpsert { machine, late: false }];
        let commit = EvaluationCommit { position: Seq(position), findings, ..EvaluationCommit::default() };
        self.store.commit_evaluation(commit, self.clock.now()).await.unwrap();
    }

    pub(crate) fn set_time(&self, now: Time) {
        *self.clock.0.lock().unwrap() = now;
    }

    pub(crate) fn spans_asked(&self) -> Vec<(Time, Time)> {
        std::mem::take(&mut *self.evidence.0.lock().unwrap())
    }
}

pub(crate) fn machine(railway: &str) -> MachinePart {
    let onset = time("2026-11-03T00:00:00Z");
    let symptom = Symptom {
        channel: channel("oil_temp"),
        kind: SymptomKind::LevelShift,
        direction: Direction::Up,
        size: 9.0,
        uom: Uom::parse("Cel").unwrap(),
        spreads: 6.0,
        onset,
        detected: onset + Span::from_hours(2),
        probability: 0.99,
        states: vec![],
        model: "test".into(),
        numbers: std::collections::BTreeMap::new(),
    };
    MachinePart {
        id: id(&format!("f-{railway}")),
        unit: unit(railway),
        engine: None,
        class: ClassId::new(if railway == "sarel" { "other" } else { "small" }).unwrap(),
        system: System::Lubrication,
        kind: FindingKind::Machine,
        title: "Oil temperature 9 °C above expected since 3 Nov UTC".into(),
        onset,
        opened: symptom.detected,
        changed: symptom.detected,
        priority: Priority::Medium,
        active: true,
        occurrence: 1,
        unstable: false,
        lasting: vec![symptom.id()],
        symptoms: vec![symptom],
        faults: vec![],
        time_to_limit: None,
        time_to_limit_reason: Some("none".into()),
        ended: None,
        settings_version: 1,
        scope: notchwatch_model::Scope::Unit,
        members: vec![],
        again: None,
        split_from: None,
        part_of: None,
    }
}
