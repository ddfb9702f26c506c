//! Retention: what is old goes by its kind, what somebody needs stays, and a file stops growing.

use notchwatch_model::{
    ChannelIx, DecisionId, EventId, Finding, MachinePart, OperatorPart, Outcome, Reason, Refusal, Seq, Span,
    Time, Unit, UnitId,
};
use notchwatch_store::{
    AuditEntry, CommsSnapshot, Error, EvaluationCommit, QuarantineBounds, QuarantineQuery, Retained,
    Retention, Snapshot, Store, Unjudged, Verdict,
};

use crate::bed::{Bed, Engine, account, at, fleet, message, sample, unit};
use crate::findings::{ALL, acknowledge, commit, id, machine};
use crate::health::graded;
use crate::spared::break_chain;

const DAY: i64 = 86_400;

async fn judge_all(store: &Store) {
    let position = store.journal_end().await.unwrap();
    store
        .commit_evaluation(EvaluationCommit { position, ..EvaluationCommit::default() }, at(0))
        .await
        .unwrap();
}

/// Which of some days a unit has samples of.
async fn days(store: &Store, name: &str, of: &[i64]) -> Vec<i64> {
    let mut found = Vec::new();
    for day in of {
        let (from, to) = (at(day * DAY - 60), at(day * DAY + 60));
        if !store.unit_samples(&unit(name), from, to, None).await.unwrap().is_empty() {
            found.push(*day);
        }
    }
    found
}

fn since(name: &str, of_unit: &str, onset: Time) -> MachinePart {
    let mut machine = machine(name, of_unit);
    (machine.onset, machine.opened) = (onset, onset);
    machine
}

pub(crate) async fn samples_go_but_for_those_that_are_needed(bed: &Bed) {
    const DAYS: [i64; 4] = [-300, -160, -100, -1];
    let store = bed.open().await;
    for name in ["northmoor/NM-1", "northmoor/NM-2"] {
        for day in DAYS {
            store.append(&[message(name, day * DAY + 60, vec![sample(day * DAY, 0, 1.0)])]).await.unwrap();
        }
    }
    store.seal(at(DAY), Span::ZERO).await.unwrap();
    let keep = Retention { samples: Some(Span::from_days(60)), ..Retention::default() };
    store.retain(&keep, at(DAY)).await.unwrap();
    assert_eq!(days(&store, "northmoor/NM-2", &DAYS).await, DAYS, "nothing is judged yet");

    let open = commit(vec![since("f-1", "northmoor/NM-1", at(-150 * DAY))]);
    store.commit_evaluation(open, at(0)).await.unwrap();
    judge_all(&store).await;
    store.retain(&keep, at(DAY)).await.unwrap();
    assert_eq!(days(&store, "northmoor/NM-1", &DAYS).await, DAYS[1..], "an open finding shows them");
    assert_eq!(days(&store, "northmoor/NM-2", &DAYS).await, DAYS[3..]);
    let (nm, hour) = (unit("northmoor/NM-2"), Span::from_hours(1));
    let buckets = async || store.rollup(&nm, ChannelIx(0), at(-400 * DAY), at(0), hour).await.unwrap().len();
    assert_eq!(buckets().await, DAYS.len(), "rollups stay");

    close(&store, "f-1").await;
    store.retain(&keep, at(DAY)).await.unwrap();
    assert_eq!(days(&store, "northmoor/NM-1", &DAYS).await, DAYS[3..]);
    let all = Retention { rollups: Some(Span::from_days(60)), ..keep };
    store.retain(&all, at(DAY)).await.unwrap();
    assert_eq!(buckets().await, 1);
    store.close().await;
}

async fn close(store: &Store, name: &str) {
    let judge = |finding: &Finding, _: Option<&Finding>| {
        let closed = Some((account("ada"), at(60), Outcome::NoFaultFound));
        Verdict::Apply(OperatorPart { closed, ..finding.operator.clone() })
    };
    store.decide(&acknowledge(name, "ada", 1), &ALL, &judge).await.unwrap().unwrap();
}

pub(crate) async fn closed_findings_go_with_their_logs(bed: &Bed) {
    let store = bed.open().await;
    let quiet =
        |name: &str| MachinePart { active: false, lasting: Vec::new(), ..machine(name, "northmoor/NM-1") };
    let lasting = machine("f-lasting", "northmoor/NM-1");
    store.commit_evaluation(commit(vec![quiet("f-open"), quiet("f-closed"), lasting]), at(0)).await.unwrap();
    close(&store, "f-closed").await;
    close(&store, "f-lasting").await;
    assert_eq!(store.event_range().await.unwrap(), Some((EventId(1), EventId(5))));
    let keep = Retention { findings: Some(Span::from_days(90)), ..Retention::default() };
    assert_eq!(store.retain(&keep, at(89 * DAY)).await.unwrap().findings, 0, "not yet");
    assert_eq!(store.retain(&keep, at(91 * DAY)).await.unwrap().findings, 1);
    assert_eq!(store.finding(&id("f-closed"), &ALL).await.unwrap(), None);
    for left in ["f-open", "f-lasting"] {
        assert!(store.finding(&id(left), &ALL).await.unwrap().is_some(), "{left}");
    }
    let events = store.events_after(EventId(0), &ALL, 10).await.unwrap().items;
    assert!(events.iter().all(|e| e.finding.machine.id != id("f-closed")) && events.len() == 3);
    assert_eq!(store.decisions_after(DecisionId(0), 10).await.unwrap().items.len(), 1);
    assert_eq!(
        store.event_range().await.unwrap(),
        Some((EventId(5), EventId(5))),
        "the log is whole after the newest event dropped: who resumes before it is told"
    );
    store.close().await;
}

/// A finding whose pages cannot be read cannot be dropped either, and fills nothing up with that.
pub(crate) async fn what_cannot_be_dropped_keeps_nothing_else(bed: &Bed) {
    let store = bed.open().await;
    // No part of it comes twice.
    let title = (0..6_000).map(|n| ["t", &n.to_string()].join(" ")).collect::<Vec<_>>().concat();
    let machine = machine("f-closed", "northmoor/NM-1");
    let quiet = MachinePart { active: false, lasting: Vec::new(), title: title.clone(), ..machine };
    store.commit_evaluation(commit(vec![quiet]), at(0)).await.unwrap();
    close(&store, "f-closed").await;
    let mut bad = message("northmoor/NM-1", 0, vec![]);
    bad.decoded.refused = vec![Refusal::whole(Reason::Malformed, String::new())];
    store.append(&[bad]).await.unwrap();
    store.close().await;
    match bed.engine {
        Engine::Sqlite => break_chain(bed, title.as_bytes()).await,
        Engine::Postgres => {
            bed.sql(
                "CREATE FUNCTION lost() RETURNS TRIGGER LANGUAGE plpgsql AS $$ BEGIN \
                 RAISE EXCEPTION 'invalid page in block 0 of relation finding' USING ERRCODE = 'XX001'; END $$; \
                 CREATE TRIGGER lost BEFORE DELETE ON finding FOR EACH ROW EXECUTE FUNCTION lost()",
            )
            .await;
        }
    }
    let store = bed.reopen().await;
    let year = Some(Span::from_days(365));
    let keep = Retention { findings: year, refused: year, ..Retention::default() };
    let dropped = store.retain(&keep, at(400 * DAY)).await;
    // SQLite frees a chain of pages without reading it.
    let failed = matches!(dropped, Err(Error::Damaged { .. }));
    assert_eq!(failed, bed.engine == Engine::Postgres, "{dropped:?}");
    assert_eq!(store.quarantine(&QuarantineQuery::default(), &ALL).await.unwrap().items, []);
    store.close().await;
}

pub(crate) async fn refusals_ticks_and_snapshots_go_by_age(bed: &Bed) {
    let store = bed.open().await;
    for day in 0..4 {
        let mut bad = message("northmoor/NM-1", day * DAY, vec![]);
        bad.decoded.refused = vec![Refusal::whole(Reason::Malformed, String::new())];
        store.append(&[bad]).await.unwrap();
        store.put_tick(at(day * DAY), &[]).await.unwrap();
    }
    let snapshot = |day: i64| Snapshot {
        unit: unit("northmoor/NM-1"),
        at: at(day * DAY),
        seq: Seq(0),
        form: 1,
        state: vec![1],
    };
    let held = CommsSnapshot { seq: Seq(0), tick: 3, form: 1, state: vec![1] };
    let evaluated = EvaluationCommit {
        snapshots: (0..6).map(snapshot).collect(),
        ticked: 4,
        comms_snapshot: Some(held),
        ..EvaluationCommit::default()
    };
    store.commit_evaluation(evaluated, at(0)).await.unwrap();
    let span = Some(Span::from_days(1));
    let keep = Retention { refused: span, ticks: span, snapshots: span, ..Retention::default() };
    let done = store.retain(&keep, at(3 * DAY + 60)).await.unwrap();
    let expected = Retained { refused: 3, ticks: 2, snapshots: 3, ..Retained::default() };
    assert_eq!(done, expected, "a tick that the snapshot needs and the newest three snapshots stay");
    assert_eq!(store.quarantine(&QuarantineQuery::default(), &ALL).await.unwrap().items.len(), 1);
    assert_eq!(store.ticks_after(0, 10).await.unwrap().items.len(), 2);

    store.bound_quarantine(QuarantineBounds { rows: 2, ..QuarantineBounds::default() });
    for late in 0..5 {
        let mut bad = message("northmoor/NM-1", 3 * DAY + late, vec![]);
        bad.decoded.refused = vec![Refusal::whole(Reason::Malformed, String::new())];
        store.append(&[bad]).await.unwrap();
    }
    assert_eq!(store.quarantine(&QuarantineQuery::default(), &ALL).await.unwrap().items.len(), 2);
    store.close().await;
}

pub(crate) async fn grades_audit_and_what_was_not_judged_go_by_age(bed: &Bed) {
    let store = bed.open().await;
    let name = "northmoor/NM-1";
    // One unit's samples stay for an open finding: what was not judged of them stays with them.
    store.commit_evaluation(commit(vec![machine("f-shown", "sarel/SC-1")]), at(0)).await.unwrap();
    for day in [-20, -2] {
        let late = Unjudged { time: at(day * DAY), channel: ChannelIx(0), instead: None };
        for (unit_name, seq) in [(name, 70 + day), ("sarel/SC-1", 70 + day)] {
            let commit = EvaluationCommit {
                position: Seq(seq),
                unjudged: vec![(unit(unit_name), vec![late])],
                ..EvaluationCommit::default()
            };
            store.commit_evaluation(commit, at(0)).await.unwrap();
        }
        store.put_health(&[graded(name, day * DAY, "E-1", Some(900))]).await.unwrap();
        let act =
            AuditEntry { at: at(day * DAY), by: "setup".into(), what: "signed-in".into(), on: String::new() };
        store.audit(&act).await.unwrap();
    }
    let (span, acts) = (Some(Span::from_days(10)), store.audit_log(100).await.unwrap().len());
    let keep = Retention { samples: span, health: span, audit: span, ..Retention::default() };
    let done = store.retain(&keep, at(0)).await.unwrap();
    assert_eq!(done, Retained { unjudged: 1, health: 1, audit: 1, ..Retained::default() });
    let left = async |name: &str| store.unjudged(&unit(name), at(-90 * DAY), at(0)).await.unwrap().len();
    assert_eq!((left(name).await, left("sarel/SC-1").await), (1, 2));
    assert_eq!(store.audit_log(100).await.unwrap().len(), acts - 1);
    // The newest grade of a unit stays, however old.
    let done = store.retain(&keep, at(300 * DAY)).await.unwrap();
    assert_eq!((done.health, store.health_now(&ALL).await.unwrap().len()), (0, 1));
    let history = store.health_of_unit(&unit(name), at(-90 * DAY), at(0)).await.unwrap();
    assert_eq!(history.iter().map(|grade| grade.at).collect::<Vec<_>>(), [at(-2 * DAY)]);
    store.close().await;
}

/// What is dropped stays dropped when a later piece fails: each is a transaction of its own.
pub(crate) async fn snapshots_go_some_units_at_a_time(bed: &Bed) {
    const UNITS: u64 = 40;
    let store = bed.reopen().await;
    let mut register = fleet();
    let pattern = register.units[0].clone();
    let of = |n: u64| Unit { id: UnitId::new(&format!("NM-{n}")).unwrap(), ..pattern.clone() };
    register.units = (0..UNITS).map(of).collect();
    store.put_register(&register, &account("setup"), at(0)).await.unwrap();
    let snapshots = (0..UNITS).flat_map(|n| (0..6).map(move |day| (n, day))).map(|(n, day)| Snapshot {
        unit: of(n).key(),
        at: at(day * DAY),
        seq: Seq(0),
        form: 1,
        state: vec![1],
    });
    let snapshots = snapshots.collect();
    let evaluated = EvaluationCommit { snapshots, ..EvaluationCommit::default() };
    store.commit_evaluation(evaluated, at(0)).await.unwrap();

    let held = match bed.engine {
        Engine::Sqlite => {
            "CREATE TRIGGER held BEFORE DELETE ON snapshot WHEN OLD.unit_no = (SELECT MAX(unit_no) FROM unit) \
             BEGIN SELECT RAISE(ABORT, 'held'); END"
        }
        Engine::Postgres => {
            "CREATE FUNCTION held() RETURNS TRIGGER LANGUAGE plpgsql AS $$ BEGIN \
             IF OLD.unit_no = (SELECT MAX(unit_no) FROM unit) THEN RAISE EXCEPTION 'held'; END IF; \
             RETURN OLD; END $$; \
             CREATE TRIGGER held BEFORE DELETE ON snapshot FOR EACH ROW EXECUTE FUNCTION held()"
        }
    };
    bed.sql(held).await;
    let keep = Retention { snapshots: Some(Span::from_days(1)), ..Retention::default() };
    let now = at(3 * DAY + 60);
    store.retain(&keep, now).await.unwrap_err();
    match bed.engine {
        Engine::Sqlite => bed.sql("DROP TRIGGER held").await,
        Engine::Postgres => bed.sql("DROP TRIGGER held ON snapshot").await,
    }
    let rest = store.retain(&keep, now).await.unwrap().snapshots;
    assert!(rest > 0 && rest < 3 * UNITS / 2, "{rest} were left");
    for n in 0..UNITS {
        assert_eq!(store.snapshot(&of(n).key(), Some(at(2 * DAY))).await.unwrap(), None, "unit {n}");
        assert!(store.snapshot(&of(n).key(), Some(at(3 * DAY))).await.unwrap().is_some(), "unit {n}");
    }
    assert_eq!(store.retain(&keep, now).await.unwrap(), Retained::default());
    store.close().await;
}

/// Days come and go: after the first full span no page is added to the file, and nobody vacuumed it.
pub(crate) async fn a_file_stops_growing(bed: &Bed) {
    let store = bed.open().await;
    let path = bed.url.trim_start_matches("sqlite:");
    let days = Some(Span::from_days(8));
    let keep = Retention { samples: days, rollups: days, ..Retention::default() };
    let mut sizes = Vec::new();
    for day in 0..40 {
        for name in ["northmoor/NM-1", "northmoor/NM-2", "sarel/SC-1"] {
            let batch: Vec<_> = (0..20)
                .map(|part| {
                    let begin = day * DAY + part * 600;
                    let one = |i| sample(begin + i, 0, f64::from(i32::try_from(i * i % 977).unwrap()).sqrt());
                    message(name, begin + 600, (0..60).map(one).collect())
                })
                .collect();
            store.append(&batch).await.unwrap();
        }
        judge_all(&store).await;
        let now = at((day + 1) * DAY);
        store.seal(now, Span::from_days(1)).await.unwrap();
        store.retain(&keep, now).await.unwrap();
        // Pages, whether in the file or still in the log beside it.
        sizes.push(bed.number("PRAGMA page_count").await);
    }
    assert!(std::path::Path::new(path).exists());
    let (first, last) = (sizes[14], sizes[39]);
    assert!(last <= first, "{first} pages after two weeks, {last} after forty days: {sizes:?}");
    assert!(bed.number("SELECT COUNT(*) FROM block").await <= 3 * 9);
    store.close().await;
}
