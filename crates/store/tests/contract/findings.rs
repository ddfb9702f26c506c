//! What evaluation commits: findings, events, snapshots, progress.

use std::collections::{BTreeMap, HashSet};

use notchwatch_model::{
    AccountName, ChannelName, Direction, EventId, FaultId, Finding, FindingId, FindingKind, MachinePart,
    OperatorPart, Outcome, Priority, RailwayFilter, RankedFault, Regime, Seq, Span, Symptom, SymptomKind,
    System, Time, TimeToLimit, UnitKey, Uom, Urgency,
};
use notchwatch_store::{
    Chances, Error, EvaluationCommit, EventKind, FindingQuery, FindingUpsert, HistoryEntry, ModelReport,
    NewDecision, Snapshot, Software, Store, UnitProgress, Verdict,
};

use crate::bed::{Bed, account, at, class, message, only, railway, sample, unit};

pub(crate) const ALL: RailwayFilter = RailwayFilter::All;

pub(crate) fn machine(id: &str, unit_name: &str) -> MachinePart {
    let symptom = Symptom {
        channel: ChannelName::new("oil_pressure").unwrap(),
        kind: SymptomKind::Drift,
        direction: Direction::Down,
        size: -0.1 - 0.2,
        uom: Uom::parse("Pa").unwrap(),
        spreads: -4.5,
        onset: at(-600),
        detected: at(0),
        probability: 0.97,
        states: vec![Regime::Notch(8), Regime::Notch(0)],
        model: "drift".into(),
        numbers: BTreeMap::from([("expected".to_owned(), 4.1e5), ("spread".to_owned(), 1.0 / 3.0)]),
    };
    MachinePart {
        id: FindingId::new(id).unwrap(),
        unit: unit(unit_name),
        engine: None,
        class: class().id,
        system: System::Lubrication,
        kind: FindingKind::Machine,
        title: "oil pressure \0 falls".into(),
        onset: at(-600),
        opened: at(0),
        changed: at(0),
        priority: Priority::High,
        active: true,
        occurrence: 1,
        unstable: false,
        lasting: vec![symptom.id()],
        symptoms: vec![symptom],
        faults: vec![RankedFault {
            id: FaultId::new("oil-pump-wear").unwrap(),
            name: "worn oil pump".into(),
            probability: 0.8,
            supports: Vec::new(),
            against: Vec::new(),
            decides: Vec::new(),
            checks: Vec::new(),
            urgency: Urgency::WithinAWeek,
            cautions: vec!["hot oil".into()],
            rationale: None,
        }],
        time_to_limit: Some(TimeToLimit {
            limit: "oil_pressure low".into(),
            at: 2e5,
            uom: Uom::parse("Pa").unwrap(),
            p10: 1e5,
            p50: 2e5,
            p90: 4e5,
            from: at(0),
            assumes: "the duty of the last week".into(),
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

pub(crate) fn commit(findings: Vec<MachinePart>) -> EvaluationCommit {
    let findings = findings.into_iter().map(|machine| FindingUpsert { machine, late: false }).collect();
    EvaluationCommit { findings, ..EvaluationCommit::default() }
}

pub(crate) fn id(text: &str) -> FindingId {
    FindingId::new(text).unwrap()
}

pub(crate) fn acknowledge(finding: &str, by: &str, seen: u32) -> NewDecision {
    NewDecision {
        finding: id(finding),
        seen,
        by: account(by),
        at: at(60),
        act: notchwatch_model::Act::Acknowledge,
    }
}

/// An operator half that says: acknowledged by.
pub(crate) fn acknowledged(finding: &Finding, by: &AccountName) -> OperatorPart {
    OperatorPart {
        acknowledged_occurrence: finding.machine.occurrence,
        acknowledged: Some((by.clone(), at(60))),
        ..finding.operator.clone()
    }
}

pub(crate) async fn only_changes_that_matter_are_told(bed: &Bed) {
    type Edit = fn(&mut MachinePart);
    let store = bed.open().await;
    let first = machine("f-1", "northmoor/NM-1");
    let steps: Vec<(&str, Edit, Option<EventKind>, u32)> = vec![
        ("first seen", |_| (), Some(EventKind::Opened), 1),
        ("the same again", |_| (), None, 1),
        ("a number", |m| m.symptoms[0].size = -7.5, None, 1),
        ("the time left, a little", |m| m.time_to_limit.as_mut().unwrap().p50 = 1.95e5, None, 1),
        ("the time left, much", |m| m.time_to_limit.as_mut().unwrap().p50 = 1e5, Some(EventKind::Revised), 1),
        ("the first fault", |m| m.faults.clear(), Some(EventKind::Revised), 1),
        ("priority", |m| m.priority = Priority::Critical, Some(EventKind::Changed), 2),
        ("a lower priority", |m| m.priority = Priority::Medium, Some(EventKind::Lowered), 3),
        ("kind", |m| m.kind = FindingKind::Sensor, Some(EventKind::Changed), 4),
        ("cleared", |m| m.active = false, Some(EventKind::Changed), 5),
        ("back", |m| (m.active, m.occurrence) = (true, 2), Some(EventKind::Changed), 6),
        ("ended", |m| m.ended = Some((at(900), Outcome::ReturnedToNormal)), Some(EventKind::Closed), 7),
    ];
    let mut now = first;
    let mut told = 0;
    for (name, edit, kind, version) in steps {
        edit(&mut now);
        let ids = store.commit_evaluation(commit(vec![now.clone()]), at(5)).await.unwrap();
        assert_eq!(ids.len(), usize::from(kind.is_some()), "{name}");
        let stored = store.finding(&id("f-1"), &ALL).await.unwrap().unwrap();
        assert_eq!((&stored.machine, stored.version), (&now, version), "{name}");
        assert_eq!((stored.recorded, stored.late), (at(5), false), "{name}");
        if let Some(kind) = kind {
            let events = store.events_after(EventId(told), &ALL, 10).await.unwrap().items;
            assert_eq!(events.len(), 1, "{name}");
            assert_eq!((events[0].kind, &events[0].finding), (kind, &stored), "{name}");
            told = events[0].id.0;
            assert_eq!(ids, [events[0].id], "{name}");
        }
    }
    assert_eq!(store.event_range().await.unwrap(), Some((EventId(1), EventId(told))));
    let mut moved = machine("f-1", "sarel/SC-1");
    moved.active = false;
    let error = store.commit_evaluation(commit(vec![moved]), at(6)).await.unwrap_err();
    assert!(matches!(error, Error::Refused(_)), "a finding stays with its unit: {error}");
    let mut both = machine("f-2", "northmoor/NM-1");
    both.ended = Some((at(1), Outcome::Withdrawn));
    assert_eq!(store.commit_evaluation(commit(vec![both]), at(6)).await.unwrap().len(), 2);
    store.close().await;
}

pub(crate) async fn the_machine_never_touches_the_operator_half(bed: &Bed) {
    let store = bed.open().await;
    let mut one = machine("f-1", "northmoor/NM-1");
    store.commit_evaluation(commit(vec![one.clone()]), at(1)).await.unwrap();
    let ada = account("ada");
    let judge =
        |finding: &Finding, _: Option<&Finding>| Verdict::Apply(acknowledged(finding, &account("ada")));
    let done = store.decide(&acknowledge("f-1", "ada", 1), &ALL, &judge).await.unwrap().unwrap();
    assert_eq!(done.finding.version, 2);
    one.active = false;
    one.title = "another".into();
    store.commit_evaluation(commit(vec![one.clone()]), at(100)).await.unwrap();
    let stored = store.finding(&id("f-1"), &ALL).await.unwrap().unwrap();
    assert_eq!(stored.operator, acknowledged(&done.finding, &ada));
    assert_eq!((stored.machine, stored.version, stored.recorded), (one, 3, at(1)));
    let history = store.history(&id("f-1"), &ALL).await.unwrap();
    assert!(
        matches!(
            history.as_slice(),
            [
                HistoryEntry::Machine { kind: EventKind::Opened, version: 1, .. },
                HistoryEntry::Decision(decision),
                HistoryEntry::Machine { kind: EventKind::Changed, version: 3, .. },
            ] if decision.by == ada
        ),
        "{history:?}"
    );
    store.close().await;
}

pub(crate) async fn a_commit_is_all_or_nothing(bed: &Bed) {
    let store = bed.open().await;
    let good = EvaluationCommit { position: Seq(7), ..commit(vec![machine("f-1", "northmoor/NM-1")]) };
    store.commit_evaluation(good, at(0)).await.unwrap();
    let mut bad = machine("f-3", "northmoor/NM-1");
    bad.symptoms[0].size = f64::NAN;
    let unknown = UnitProgress { unit: unit("sarel/SC-77"), ..progress() };
    for broken in [
        EvaluationCommit { position: Seq(8), ..commit(vec![machine("f-2", "northmoor/NM-1"), bad]) },
        EvaluationCommit {
            position: Seq(8),
            progress: vec![unknown],
            ..commit(vec![machine("f-2", "northmoor/NM-1")])
        },
    ] {
        let error = store.commit_evaluation(broken, at(1)).await.unwrap_err();
        assert!(matches!(error, Error::Refused(_)), "{error}");
    }
    assert_eq!(store.evaluated().await.unwrap(), Seq(7));
    assert_eq!(store.finding(&id("f-2"), &ALL).await.unwrap(), None);
    assert_eq!(store.events_after(EventId(0), &ALL, 10).await.unwrap().items.len(), 1);
    let back = EvaluationCommit { position: Seq(3), ..EvaluationCommit::default() };
    store.commit_evaluation(back, at(2)).await.unwrap();
    assert_eq!(store.evaluated().await.unwrap(), Seq(7), "the position never moves back");
    store.close().await;
}

pub(crate) async fn lists_are_filtered_ordered_and_paged(bed: &Bed) {
    let store = bed.open().await;
    let mut all = Vec::new();
    for i in 0..12_i64 {
        let unit = ["northmoor/NM-1", "northmoor/NM-2", "sarel/SC-1"][usize::try_from(i % 3).unwrap()];
        let mut one = machine(&format!("f-{i:02}"), unit);
        one.priority = [Priority::Low, Priority::Critical][usize::try_from(i % 2).unwrap()];
        one.onset = at(-i * 1000);
        one.opened = at(i);
        one.kind = if i < 6 { FindingKind::Machine } else { FindingKind::Sensor };
        one.system = if i == 4 { System::Cooling } else { System::Lubrication };
        one.ended = (i == 11).then_some((at(20), Outcome::ReturnedToNormal));
        all.push(one);
    }
    store.commit_evaluation(commit(all), at(30)).await.unwrap();
    let names = |query: FindingQuery, filter: RailwayFilter| {
        let store = store.clone();
        async move {
            let page = store.findings(&query, &filter, at(0)).await.unwrap();
            page.items.iter().map(|f| f.machine.id.to_string()).collect::<Vec<_>>()
        }
    };
    let whole = names(FindingQuery::default(), ALL).await;
    assert_eq!(
        whole,
        ["f-11", "f-09", "f-07", "f-05", "f-03", "f-01", "f-10", "f-08", "f-06", "f-04", "f-02", "f-00"]
    );
    let base = FindingQuery::default;
    for (query, count) in [
        (FindingQuery { railway: Some(railway("sarel")), ..base() }, 4),
        (FindingQuery { unit: Some(unit("northmoor/NM-2")), ..base() }, 4),
        (FindingQuery { unit: Some(unit("northmoor/NM-2")), railway: Some(railway("sarel")), ..base() }, 0),
        (FindingQuery { class: Some(class().id), ..base() }, 12),
        (FindingQuery { system: Some(System::Cooling), ..base() }, 1),
        (FindingQuery { kind: Some(FindingKind::Sensor), ..base() }, 6),
        (FindingQuery { priority: Some(Priority::Low), ..base() }, 6),
        (FindingQuery { priority: Some(Priority::Medium), ..base() }, 0),
        (FindingQuery { open: Some(true), ..base() }, 11),
        (FindingQuery { open: Some(false), ..base() }, 1),
        (FindingQuery { since: Some(at(10)), ..base() }, 2),
    ] {
        assert_eq!(names(query.clone(), ALL).await.len(), count, "{query:?}");
    }
    let mut paged = Vec::new();
    let mut query = FindingQuery { limit: 5, ..base() };
    loop {
        let page = store.findings(&query, &ALL, at(0)).await.unwrap();
        paged.extend(page.items.iter().map(|f| f.machine.id.to_string()));
        match page.next {
            Some(next) => query.after = Some(next),
            None => break,
        }
    }
    assert_eq!(paged, whole);
    what_one_railway_sees(&store).await;
    store.close().await;
}

async fn what_one_railway_sees(store: &Store) {
    let sarel = only("sarel");
    let names = async |query: FindingQuery, filter: &RailwayFilter| {
        let page = store.findings(&query, filter, at(0)).await.unwrap();
        page.items.iter().map(|f| f.machine.id.to_string()).collect::<Vec<_>>()
    };
    assert_eq!(names(FindingQuery::default(), &sarel).await, ["f-11", "f-05", "f-08", "f-02"]);
    let others = FindingQuery { railway: Some(railway("northmoor")), ..FindingQuery::default() };
    assert!(names(others, &sarel).await.is_empty());
    assert!(names(FindingQuery::default(), &RailwayFilter::Only([].into())).await.is_empty());
    assert_eq!(store.finding(&id("f-00"), &sarel).await.unwrap(), None);
    assert!(store.history(&id("f-00"), &sarel).await.unwrap().is_empty());
    assert_eq!(
        store.events_after(EventId(0), &sarel, 100).await.unwrap().items.len(),
        5,
        "one is opened and closed"
    );
    let of_unit = store.unit_findings(&unit("sarel/SC-1"), at(9)).await.unwrap();
    assert_eq!(of_unit.len(), 4, "three open ones, and the closed one since then");
    assert_eq!(store.unit_findings(&unit("sarel/SC-1"), at(12)).await.unwrap().len(), 3);
}

fn progress() -> UnitProgress {
    UnitProgress {
        unit: unit("northmoor/NM-1"),
        judged: Some(at(5)),
        received: None,
        samples: 3,
        repeats: 2,
        conflicts: 1,
        models: Some(ModelReport {
            learning: BTreeMap::from([(ChannelName::new("oil_temp").unwrap(), 1.0 / 3.0)]),
            seeded: BTreeMap::from([(ChannelName::new("oil_pressure").unwrap(), 0.25)]),
            chances: Some(Chances {
                unit: 0.02,
                channels: BTreeMap::from([(ChannelName::new("oil_pressure").unwrap(), 0.0125)]),
            }),
            software: Some(Software { version: "4.1".into(), since: at(2) }),
        }),
    }
}

pub(crate) async fn snapshots_and_progress_come_back(bed: &Bed) {
    let store = bed.open().await;
    let nm = unit("northmoor/NM-1");
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), None);
    let taken = |hours: i64, form| Snapshot {
        unit: nm.clone(),
        at: at(hours * 3600),
        seq: Seq(hours),
        form,
        state: format!("state {hours} {form}").into_bytes(),
    };
    for hours in 0..24 * 3 {
        let one = EvaluationCommit { snapshots: vec![taken(hours, 1)], ..EvaluationCommit::default() };
        store.commit_evaluation(one, at(0)).await.unwrap();
    }
    let newest = 24 * 3 - 1;
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), Some(taken(newest, 1)));
    assert_eq!(store.snapshot(&nm, Some(at(newest * 3600))).await.unwrap(), Some(taken(newest, 1)));
    // Noon is where hours count from: the last of the first day is the eleventh hour.
    assert_eq!(
        store.snapshot(&nm, Some(at(20 * 3600))).await.unwrap(),
        Some(taken(11, 1)),
        "one a day is kept"
    );
    let anew = EvaluationCommit {
        stale: vec![(nm.clone(), at(30 * 3600))],
        snapshots: vec![taken(40, 2), taken(40, 3)],
        ..EvaluationCommit::default()
    };
    store.commit_evaluation(anew, at(0)).await.unwrap();
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), Some(taken(40, 3)), "of one time the last counts");
    assert_eq!(store.snapshot(&nm, Some(at(39 * 3600))).await.unwrap(), Some(taken(11, 1)));

    let other = UnitProgress { unit: unit("sarel/SC-1"), received: Some(Time::EPOCH), ..progress() };
    let both = EvaluationCommit { progress: vec![progress(), other.clone()], ..EvaluationCommit::default() };
    store.commit_evaluation(both.clone(), at(0)).await.unwrap();
    store.commit_evaluation(both, at(0) + Span::from_secs(1)).await.unwrap();
    assert_eq!(store.progress(&ALL).await.unwrap(), [progress(), other.clone()]);
    assert_eq!(store.progress(&only("sarel")).await.unwrap(), std::slice::from_ref(&other));
    let mut untold =
        EvaluationCommit { progress: vec![progress(), other.clone()], ..EvaluationCommit::default() };
    untold.progress.iter_mut().for_each(|progress| progress.models = None);
    store.commit_evaluation(untold, at(0)).await.unwrap();
    assert_eq!(store.progress(&ALL).await.unwrap(), [progress(), other.clone()], "what was told last stays");
    let some = [other.unit.clone(), unit("sarel/SC-77")];
    assert_eq!(store.progress_of(&some).await.unwrap(), [other], "those asked for and known");
    assert_eq!(store.progress_of(&[]).await.unwrap(), []);
    assert_eq!(store.comms_of(&some).await.unwrap(), store.comms(&only("sarel")).await.unwrap());
    store.close().await;
}

/// Whoever sent before a position, or has a state, has a history; nobody else, and nobody else's snapshots are pruned.
pub(crate) async fn units_with_a_history_are_told_from_new_ones(bed: &Bed) {
    let store = bed.open().await;
    let (nm, sc) = (unit("northmoor/NM-1"), unit("sarel/SC-1"));
    let both = [nm.clone(), sc.clone(), unit("nobody/NO-1")];
    let with = async |up_to| store.with_history(&both, Seq(up_to)).await.unwrap();
    assert!(with(0).await.is_empty());
    store.append(&[message("northmoor/NM-1", 10, vec![sample(5, 1, 1.0)])]).await.unwrap();
    assert!(with(0).await.is_empty(), "what comes after the position is no history");
    assert_eq!(with(1).await, HashSet::from([nm.clone()]));
    let taken = |unit: &UnitKey, hours: i64| Snapshot {
        unit: unit.clone(),
        at: at(hours * 3600),
        seq: Seq(1),
        form: 1,
        state: vec![1],
    };
    let first = EvaluationCommit { snapshots: vec![taken(&sc, 0)], ..EvaluationCommit::default() };
    store.commit_evaluation(first, at(0)).await.unwrap();
    assert_eq!(with(0).await, HashSet::from([sc.clone()]));
    for hours in 1..6 {
        let round = vec![taken(&nm, hours - 1), taken(&sc, hours)];
        let one = EvaluationCommit { snapshots: round, ..EvaluationCommit::default() };
        store.commit_evaluation(one, at(0)).await.unwrap();
    }
    // Hours 0 to 4 of one unit and 0 to 5 of the other, of one day: the newest three of each stay.
    for (unit, oldest) in [(&nm, 2), (&sc, 3)] {
        assert_eq!(store.snapshot(unit, Some(at(oldest * 3600))).await.unwrap(), Some(taken(unit, oldest)));
        assert_eq!(store.snapshot(unit, Some(at(oldest * 3600 - 1))).await.unwrap(), None);
    }
    store.close().await;
}

/// Several committers and deciders at once; a reader that goes on from the newest id it saw never misses one.
pub(crate) async fn events_become_visible_in_order(bed: &Bed) {
    const WRITERS: usize = 6;
    const ROUNDS: usize = 15;
    let store = bed.open().await;
    let mut writers = tokio::task::JoinSet::new();
    for writer in 0..WRITERS {
        let store = store.clone();
        writers.spawn(async move {
            for round in 0..ROUNDS {
                let name = format!("f-{writer}-{round}");
                let batch = commit(vec![
                    machine(&name, "northmoor/NM-1"),
                    machine(&format!("{name}-b"), "sarel/SC-1"),
                ]);
                store.commit_evaluation(batch, at(0)).await.unwrap();
                let judge = |finding: &Finding, _: Option<&Finding>| {
                    Verdict::Apply(acknowledged(finding, &account("ada")))
                };
                store.decide(&acknowledge(&name, "ada", 1), &ALL, &judge).await.unwrap();
            }
        });
    }
    let total = WRITERS * ROUNDS * 3;
    let mut seen: Vec<i64> = Vec::new();
    let deadline = tokio::time::Instant::now() + std::time::Duration::from_mins(2);
    while seen.len() < total {
        let after = EventId(seen.last().copied().unwrap_or(0));
        seen.extend(store.events_after(after, &ALL, 5).await.unwrap().items.iter().map(|e| e.id.0));
        assert!(tokio::time::Instant::now() < deadline, "only {} of {total} events were seen", seen.len());
    }
    while let Some(done) = writers.join_next().await {
        done.unwrap();
    }
    let expected: Vec<i64> = (1..=i64::try_from(total).unwrap()).collect();
    assert_eq!(seen, expected, "each id once, in order, without a gap");
    store.close().await;
}
