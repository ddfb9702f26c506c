//! Lists by state: what the store selects is what each record says of itself, now and when its time has come.

use notchwatch_model::{
    AlarmState, Finding, FindingKind, OperatorPart, Outcome, Position, Span, SymptomKind, Time, WorkList,
    WorkState,
};
use notchwatch_store::{FindingQuery, Shown, Store, Verdict};

use crate::bed::{Bed, Engine, account, at, only, railway};
use crate::findings::{ALL, acknowledge, acknowledged, commit, machine};

/// Ten findings, each with what a person made of it; more than one can hold.
async fn ten(store: &Store) {
    let kinds = [FindingKind::Machine, FindingKind::Sensor, FindingKind::Data, FindingKind::Machine];
    let mut parts = Vec::new();
    for i in 0..10_usize {
        let mut part = machine(&format!("f-{i}"), "northmoor/NM-1");
        part.kind = kinds[i % kinds.len()];
        part.time_to_limit.as_mut().unwrap().p50 = 1e5 * f64::from(u8::try_from(20 - i).unwrap());
        part.time_to_limit = part.time_to_limit.filter(|_| i != 4 && i != 1);
        if i == 1 {
            part.symptoms[0].kind = SymptomKind::Limit;
            part.lasting = vec![part.symptoms[0].id()];
        }
        parts.push(part);
    }
    store.commit_evaluation(commit(parts), at(0)).await.unwrap();
    for i in 0..10 {
        let judge = move |finding: &Finding, _: Option<&Finding>| Verdict::Apply(made(finding, i));
        store.decide(&acknowledge(&format!("f-{i}"), "ada", 1), &ALL, &judge).await.unwrap();
    }
}

fn made(finding: &Finding, i: u8) -> OperatorPart {
    let mut operator = finding.operator.clone();
    let until = |secs| Some((at(secs), "because".to_owned()));
    match i {
        0 => {}
        1 => operator = acknowledged(finding, &account("ada")),
        2 => operator.taken_by = Some(account("ada")),
        3 => operator.taken_by = Some(account("bob")),
        4 => (operator.taken_by, operator.waiting_until) = (Some(account("ada")), Some(at(500))),
        5 => operator.shelved = until(300),
        6 => operator.out_of_service = until(400),
        7 => (operator.shelved, operator.out_of_service) = (until(600), until(200)),
        8 => (operator.taken_by, operator.shelved) = (Some(account("ada")), until(250)),
        _ => operator.closed = Some((account("ada"), at(60), Outcome::NoFaultFound)),
    }
    operator
}

fn fits(finding: &Finding, state: &Shown, now: Time) -> bool {
    let (alarm, work) = (finding.alarm_state(now), finding.work_state(now));
    let hidden = matches!(alarm, AlarmState::Shelved | AlarmState::OutOfService);
    match state {
        Shown::NotHidden => !hidden,
        Shown::Unacknowledged => !hidden && !finding.acknowledged(),
        Shown::Mine(me) => finding.operator.taken_by.as_ref() == Some(me),
        Shown::New => !hidden && work == WorkState::New,
        Shown::Taken => work == WorkState::Taken,
        Shown::Waiting => work == WorkState::Waiting,
        Shown::Shelved => alarm == AlarmState::Shelved,
        Shown::OutOfService => alarm == AlarmState::OutOfService,
    }
}

async fn names(store: &Store, query: &FindingQuery, now: Time) -> Vec<String> {
    let page = store.findings(query, &ALL, now).await.unwrap();
    page.items.iter().map(|f| f.machine.id.to_string()).collect()
}

pub(crate) async fn lists_and_states_agree_with_the_record_and_the_counts(bed: &Bed) {
    let store = bed.open().await;
    ten(&store).await;
    let open = FindingQuery { open: Some(true), ..FindingQuery::default() };
    let all = store.findings(&open, &ALL, at(100)).await.unwrap().items;
    let order: Vec<String> = all.iter().map(|f| f.machine.id.to_string()).collect();
    assert_eq!(
        order,
        ["f-1", "f-8", "f-7", "f-6", "f-5", "f-3", "f-2", "f-0", "f-4"],
        "reached, then soonest"
    );
    let states = [
        Shown::NotHidden,
        Shown::Unacknowledged,
        Shown::Mine(account("ada")),
        Shown::New,
        Shown::Taken,
        Shown::Waiting,
        Shown::Shelved,
        Shown::OutOfService,
    ];
    for secs in [100, 200, 250, 300, 400, 500, 600] {
        for state in &states {
            let query = FindingQuery { state: Some(state.clone()), ..open.clone() };
            let expected = all.iter().filter(|f| fits(f, state, at(secs)));
            let expected: Vec<String> = expected.map(|f| f.machine.id.to_string()).collect();
            assert_eq!(names(&store, &query, at(secs)).await, expected, "{state:?} at {secs}");
        }
        let counts = store.finding_counts(&open, &account("ada"), &ALL, at(secs)).await.unwrap();
        for list in WorkList::ALL {
            let of = counts.iter().filter(|c| WorkList::of(c.kind) == *list);
            let told = of.fold([0; 6], |sum, c| {
                let now = [c.all, c.shown, c.unacknowledged, c.mine, c.shelved, c.out_of_service];
                std::array::from_fn(|i| sum[i] + now[i])
            });
            let mine = all.iter().filter(|f| WorkList::of(f.machine.kind) == *list);
            let mine: Vec<&Finding> = mine.collect();
            let count = |state: Shown| mine.iter().filter(|f| fits(f, &state, at(secs))).count() as u64;
            let expected = [
                mine.len() as u64,
                count(Shown::NotHidden),
                count(Shown::Unacknowledged),
                count(Shown::Mine(account("ada"))),
                count(Shown::Shelved),
                count(Shown::OutOfService),
            ];
            assert_eq!(told, expected, "{list} at {secs}");
        }
    }
    let machines = FindingQuery { list: Some(WorkList::Machine), ..open.clone() };
    assert_eq!(names(&store, &machines, at(100)).await, ["f-8", "f-7", "f-3", "f-0", "f-4"]);
    let sensors = FindingQuery { list: Some(WorkList::Instruments), kind: Some(FindingKind::Sensor), ..open };
    assert_eq!(names(&store, &sensors, at(100)).await, ["f-1", "f-5"], "a limit that is reached comes first");
    store.close().await;
}

/// Arrivals by receive time, and stale ones, the same after the store was opened anew; positions come back.
pub(crate) async fn load_is_counted_from_what_is_stored(bed: &Bed) {
    let store = bed.open().await;
    ten(&store).await;
    let late = machine("f-late", "sarel/SC-1");
    store.commit_evaluation(commit(vec![late]), at(90_000)).await.unwrap();
    let position = Position {
        id: "north".parse().unwrap(),
        title: "The north".into(),
        railways: vec![railway("northmoor")],
        classes: vec![],
    };
    store.put_position(&position, &account("root"), at(0)).await.unwrap();
    store.close().await;
    let store = bed.reopen().await;
    assert_eq!(store.positions().await.unwrap(), std::slice::from_ref(&position));
    let read = async |from: i64, stale: i64, now: i64| {
        let all = store.arrivals(at(from), at(stale), at(now), &ALL).await.unwrap();
        let covered = all.iter().filter(|a| position.covers(&a.unit.railway, &a.class)).count();
        let new = all.iter().filter(|a| a.at >= at(from)).count();
        (new, all.iter().filter(|a| a.stale).count(), covered)
    };
    assert_eq!(read(0, -1, 100).await, (11, 0, 10));
    // At 100 four of the nine open ones are hidden: shelved, out of service, or both.
    assert_eq!(read(0, 1, 100).await, (11, 5, 10));
    assert_eq!(
        read(90_000, 1, 90_000).await,
        (1, 9, 9),
        "by now nothing is hidden, and the closed one is no load"
    );
    let fault = store.arrivals(at(0), at(0), at(0), &ALL).await.unwrap().remove(0).fault;
    assert_eq!(fault.unwrap().as_str(), "oil-pump-wear");
    let sarel = store.arrivals(at(0), at(0), at(0), &only("sarel")).await.unwrap();
    assert_eq!(sarel.len(), 1);
    assert!(store.remove_position(&position.id, &account("root"), at(0)).await.unwrap());
    assert!(!store.remove_position(&position.id, &account("root"), at(0)).await.unwrap());
    store.close().await;
}

/// The statement of the migration fills the columns as decisions do, to the microsecond.
pub(crate) async fn old_rows_are_brought_over(bed: &Bed) {
    let store = bed.open().await;
    ten(&store).await;
    let odd = at(700) + Span::from_micros(12_345);
    let judge = move |finding: &Finding, _: Option<&Finding>| {
        let shelved = Some((odd, "because".to_owned()));
        Verdict::Apply(OperatorPart { shelved, ..finding.operator.clone() })
    };
    store.decide(&acknowledge("f-0", "ada", 2), &ALL, &judge).await.unwrap();
    let states = [Shown::Shelved, Shown::Waiting, Shown::Mine(account("ada"))];
    let read = async || {
        let mut found = Vec::new();
        for state in states.clone() {
            for now in [at(100), odd - Span::from_micros(1), odd] {
                let query = FindingQuery { state: Some(state.clone()), ..FindingQuery::default() };
                found.push(names(&store, &query, now).await);
            }
        }
        found
    };
    let before = read().await;
    assert_eq!(before[1], ["f-0"]);
    let migration = match bed.engine {
        Engine::Sqlite => include_str!("../../../../migrations/sqlite/0009_work_lists.sql"),
        Engine::Postgres => include_str!("../../../../migrations/postgres/0009_work_lists.sql"),
    };
    let begin = migration.find("UPDATE finding").unwrap();
    let statement = &migration[begin..=begin + migration[begin..].find(';').unwrap()];
    bed.sql("UPDATE finding SET fault = NULL, taken_by = NULL, waiting_until = NULL, shelved_until = NULL")
        .await;
    assert_ne!(read().await, before);
    bed.sql(statement).await;
    assert_eq!(read().await, before);
    let arrivals = store.arrivals(at(0), at(0), at(0), &ALL).await.unwrap();
    assert!(arrivals.iter().all(|a| a.fault.as_ref().is_some_and(|f| f.as_str() == "oil-pump-wear")));
    store.close().await;
}
