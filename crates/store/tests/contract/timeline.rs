//! Timelines: recorded once, withdrawn and never erased, seen by their railway, read by evaluation in order.

use notchwatch_model::{
    Activity, Fact, FactKind, NewEntry, OilResult, Origin, REACHES_BACK, Span, Time, TimelineId, Verdict,
    Withdrawal,
};
use notchwatch_store::{Error, EvaluationCommit, TimelineQuery};

use crate::bed::{Bed, account, at, only, unit};
use crate::findings::ALL;

fn oil(unit_name: &str, at: Time, iron: f64) -> NewEntry {
    let result =
        OilResult { quantity: "iron".into(), value: iron, uom: "mg/kg".into(), verdict: Some(Verdict::High) };
    let fact = Fact::OilSample { sample: "L-\u{e9}-1".into(), results: vec![result] };
    NewEntry { unit: unit(unit_name), engine: Some("E-100".parse().unwrap()), at, fact }
}

fn work(unit_name: &str, at: Time) -> NewEntry {
    let fact = Fact::Maintenance {
        activity: Activity::Replace,
        system: Some(notchwatch_model::System::Fuel),
        item: "injector 4".into(),
        channels: vec!["fuel_pressure".parse().unwrap()],
        text: String::new(),
    };
    NewEntry { unit: unit(unit_name), engine: None, at, fact }
}

fn everything() -> TimelineQuery {
    TimelineQuery { withdrawn: true, ..TimelineQuery::default() }
}

fn back(secs: i64) -> Withdrawal {
    Withdrawal { at: at(secs), by: account("ada"), reason: "wrong unit".into() }
}

pub(crate) async fn entries_come_back_once_each(bed: &Bed) {
    let store = bed.open().await;
    let entries = [oil("northmoor/NM-1", at(-3600), 0.1 + 0.2), work("northmoor/NM-1", at(-60))];
    let first = store.record_entries(&entries, &account("ada"), Origin::Api, at(0)).await.unwrap();
    assert_eq!(
        first.iter().map(|(e, new)| (e.id, *new)).collect::<Vec<_>>(),
        [(Some(TimelineId(1)), true), (Some(TimelineId(2)), true)]
    );
    let again = store.record_entries(&entries, &account("bob"), Origin::File, at(9)).await.unwrap();
    assert_eq!(
        again.iter().map(|(e, _)| e).collect::<Vec<_>>(),
        first.iter().map(|(e, _)| e).collect::<Vec<_>>()
    );
    assert!(again.iter().all(|(_, new)| !new), "a repeat records nothing");
    let read = store.timeline(&everything(), &ALL).await.unwrap();
    assert_eq!(read, [first[1].0.clone(), first[0].0.clone()], "newest first, bit for bit");
    assert_eq!(read[1].fact, entries[0].fact);
    assert_eq!((read[1].at, read[1].received, read[1].origin), (at(-3600), Some(at(0)), Origin::Api));
    let one = async |query: TimelineQuery| store.timeline(&query, &ALL).await.unwrap().len();
    assert_eq!(one(TimelineQuery { kind: Some(FactKind::OilSample), ..everything() }).await, 1);
    assert_eq!(one(TimelineQuery { engine: Some("E-100".parse().unwrap()), ..everything() }).await, 1);
    assert_eq!(one(TimelineQuery { unit: Some(unit("northmoor/NM-2")), ..everything() }).await, 0);
    assert_eq!(one(TimelineQuery { from: Some(at(-60)), to: Some(at(0)), ..everything() }).await, 1);
    assert_eq!(one(TimelineQuery { limit: 1, ..everything() }).await, 1);
    let stranger =
        store.record_entries(&[work("northmoor/X", at(0))], &account("ada"), Origin::Api, at(0)).await;
    assert!(matches!(stranger, Err(Error::Refused(_))), "{stranger:?}");
    store.close().await;
}

pub(crate) async fn a_railway_sees_its_own(bed: &Bed) {
    let store = bed.open().await;
    let entries = [work("northmoor/NM-1", at(0)), work("sarel/SC-1", at(0))];
    store.record_entries(&entries, &account("ada"), Origin::Api, at(0)).await.unwrap();
    let seen = store.timeline(&everything(), &only("sarel")).await.unwrap();
    assert_eq!(seen.iter().map(|e| e.unit.to_string()).collect::<Vec<_>>(), ["sarel/SC-1"]);
    assert_eq!(store.withdraw_entry(TimelineId(1), &only("sarel"), &back(1)).await.unwrap(), None);
    assert_eq!(store.withdraw_entry(TimelineId(9), &ALL, &back(1)).await.unwrap(), None);
    assert!(store.timeline(&everything(), &ALL).await.unwrap().iter().all(|e| e.withdrawn.is_none()));
    store.close().await;
}

pub(crate) async fn a_withdrawal_is_a_step_of_the_log(bed: &Bed) {
    let store = bed.open().await;
    let entry = work("northmoor/NM-1", at(-60));
    let ada = account("ada");
    let record = || store.record_entries(std::slice::from_ref(&entry), &ada, Origin::Api, at(0));
    record().await.unwrap();
    let gone = store.withdraw_entry(TimelineId(1), &only("northmoor"), &back(5)).await.unwrap().unwrap();
    assert_eq!(gone.withdrawn, Some(back(5)));
    let again = store.withdraw_entry(TimelineId(1), &ALL, &back(7)).await.unwrap().unwrap();
    assert_eq!(again.withdrawn, Some(back(5)), "the first stands");
    // Said again after it was taken back, it counts again.
    let anew = record().await.unwrap();
    assert_eq!((anew[0].0.id, anew[0].1), (Some(TimelineId(3)), true));
    let steps = store.timeline_after(TimelineId(0), 10).await.unwrap().items;
    let brief: Vec<_> = steps.iter().map(|s| (s.id.0, s.entry.id, s.entry.withdrawn.is_some())).collect();
    assert_eq!(
        brief,
        [(1, Some(TimelineId(1)), true), (2, Some(TimelineId(1)), true), (3, Some(TimelineId(3)), false)]
    );
    assert_eq!(store.timeline_after(TimelineId(2), 10).await.unwrap().items, steps[2..]);
    assert_eq!(store.timeline_after(TimelineId(0), 1).await.unwrap().items, steps[..1]);
    assert_eq!(store.timeline(&TimelineQuery::default(), &ALL).await.unwrap().len(), 1);
    store.close().await;
}

pub(crate) async fn evaluation_reads_what_takes_effect(bed: &Bed) {
    let store = bed.open().await;
    let long_ago = at(0) - REACHES_BACK - Span::from_days(10);
    let entries = [work("northmoor/NM-1", at(-60)), work("northmoor/NM-1", long_ago)];
    store.record_entries(&entries, &account("ada"), Origin::Api, at(0)).await.unwrap();
    let key = unit("northmoor/NM-1");
    let of = |after, up_to| store.timeline_of(&key, after, TimelineId(up_to));
    let all: Vec<Time> = of(None, 9).await.unwrap().iter().map(|e| e.at).collect();
    assert_eq!(all, [long_ago, at(-60)]);
    assert_eq!(of(None, 1).await.unwrap().len(), 1, "as the log had it at a position");
    // An old entry takes effect where it can still be folded.
    let after = Some(at(0) - REACHES_BACK - Span::from_secs(1));
    assert_eq!(of(after, 9).await.unwrap().len(), 2);
    assert_eq!(of(Some(at(0) - REACHES_BACK), 9).await.unwrap().len(), 1);
    assert_eq!(store.timeline_units().await.unwrap(), [unit("northmoor/NM-1")]);
    store.withdraw_entry(TimelineId(1), &ALL, &back(1)).await.unwrap();
    assert_eq!(of(None, 2).await.unwrap().len(), 2);
    assert_eq!(of(None, 3).await.unwrap().len(), 1);

    assert_eq!(store.timelined().await.unwrap(), TimelineId(0));
    let commit = |to| EvaluationCommit { timelined: TimelineId(to), ..EvaluationCommit::default() };
    store.commit_evaluation(commit(3), at(0)).await.unwrap();
    store.commit_evaluation(commit(2), at(0)).await.unwrap();
    assert_eq!(store.timelined().await.unwrap(), TimelineId(3), "it never moves back");
    store.close().await;
}
