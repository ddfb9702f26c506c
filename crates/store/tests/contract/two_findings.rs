//! Decisions that concern two findings, and what evaluation leaves alone.

use std::sync::Arc;

use notchwatch_model::{Act, EventId, Finding, MachinePart, OperatorPart, Outcome, Priority};
use notchwatch_store::{EventKind, HistoryEntry, NewDecision, Store, Verdict};

use crate::bed::{Bed, account, at, only};
use crate::findings::{ALL, acknowledge, acknowledged, commit, id, machine};

fn merge(finding: &str, into: &str, seen: u32) -> NewDecision {
    NewDecision { act: Act::Merge { into: id(into) }, ..acknowledge(finding, "ada", seen) }
}

/// Both halves of a merge on the version seen, as the rules of findings would say.
fn both(seen: u32) -> impl Fn(&Finding, Option<&Finding>) -> Verdict + Send + Sync {
    move |finding, other| {
        let Some(other) = other.filter(|other| other.open()) else { return Verdict::Refuse("no".into()) };
        if finding.version != seen || !finding.open() {
            return Verdict::Stale;
        }
        let gone = OperatorPart {
            closed: Some((account("ada"), at(60), Outcome::Merged)),
            merged_into: Some(other.machine.id.clone()),
            ..finding.operator.clone()
        };
        let mut stays = other.operator.clone();
        stays.merged.push(finding.machine.id.clone());
        Verdict::Both(Box::new((gone, stays)))
    }
}

async fn record(store: &Store, name: &str) -> Finding {
    store.finding(&id(name), &ALL).await.unwrap().unwrap()
}

pub(crate) async fn a_merge_changes_both_or_nothing(bed: &Bed) {
    let store = bed.open().await;
    let unit = "northmoor/NM-1";
    let foreign = machine("f-3", "sarel/SC-1");
    let parts = vec![machine("f-1", unit), machine("f-2", unit), foreign];
    store.commit_evaluation(commit(parts), at(0)).await.unwrap();
    let hidden = store.decide(&merge("f-1", "f-3", 1), &only("northmoor"), &both(1)).await.unwrap().unwrap();
    assert_eq!(hidden.verdict, Verdict::Refuse("no".into()), "what may not be seen is not there");
    let merged = store.decide(&merge("f-1", "f-2", 1), &ALL, &both(1)).await.unwrap().unwrap();
    assert_eq!(merged.finding, record(&store, "f-1").await);
    let (gone, stays) = (record(&store, "f-1").await, record(&store, "f-2").await);
    assert_eq!((gone.open(), gone.version, gone.outcome()), (false, 2, Some(Outcome::Merged)));
    assert_eq!((stays.open(), stays.version), (true, 2), "the other's version moves too");
    assert_eq!(stays.operator.merged, [id("f-1")]);
    for name in ["f-1", "f-2"] {
        let history = store.history(&id(name), &ALL).await.unwrap();
        let tells = |e: &&HistoryEntry| matches!(e, HistoryEntry::Decision(d) if d.effective && d.finding == id("f-1"));
        assert_eq!(history.iter().filter(tells).count(), 1, "{name} tells it");
    }
    let events = store.events_after(EventId(0), &ALL, 10).await.unwrap().items;
    let told: Vec<_> = events.iter().skip(3).map(|e| (e.kind, e.finding.machine.id.to_string())).collect();
    assert_eq!(told, [(EventKind::Closed, "f-1".to_owned()), (EventKind::Decided, "f-2".to_owned())]);
    store.close().await;
    let store = bed.reopen().await;
    assert_eq!((record(&store, "f-1").await, record(&store, "f-2").await), (gone, stays));
    store.close().await;
}

/// Each into the other, at once: one closes, the other stays.
pub(crate) async fn of_two_merges_that_cross_one_wins(bed: &Bed) {
    let store = Arc::new(bed.open().await);
    for round in 0..30 {
        let (one, two) = (format!("f-{round}a"), format!("f-{round}b"));
        let unit = "northmoor/NM-1";
        store.commit_evaluation(commit(vec![machine(&one, unit), machine(&two, unit)]), at(0)).await.unwrap();
        let cross = |from: &str, into: &str| {
            let (store, decision) = (Arc::clone(&store), merge(from, into, 1));
            async move { store.decide(&decision, &ALL, &both(1)).await.unwrap().unwrap() }
        };
        let (first, second) = tokio::join!(cross(&one, &two), cross(&two, &one));
        let won = |verdict: &Verdict| matches!(verdict, Verdict::Both(..));
        assert!(won(&first.verdict) != won(&second.verdict), "round {round}: {first:?} {second:?}");
        let (one, two) = (record(&store, &one).await, record(&store, &two).await);
        assert!(one.open() != two.open(), "round {round}");
        let (gone, stays) = if one.open() { (two, one) } else { (one, two) };
        assert_eq!(gone.operator.merged_into.as_ref(), Some(&stays.machine.id), "round {round}");
        assert_eq!(stays.operator.merged, [gone.machine.id], "round {round}");
    }
    store.close().await;
}

/// Random changes of the machine half and random decisions, mixed: the operator half is what decisions made of it.
pub(crate) async fn nothing_a_person_wrote_is_overwritten(bed: &Bed) {
    let store = bed.open().await;
    let mut part = machine("f-1", "northmoor/NM-1");
    store.commit_evaluation(commit(vec![part.clone()]), at(0)).await.unwrap();
    let mut written = OperatorPart::default();
    let mut random = 11_u64;
    for step in 0..200 {
        // Constants of Knuth's MMIX generator, from memory.
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let choice = (random >> 33) % 8;
        if choice < 4 {
            change(&mut part, choice, step);
            store.commit_evaluation(commit(vec![part.clone()]), at(step)).await.unwrap();
        } else {
            let before = record(&store, "f-1").await;
            written = decided(&before, choice, step);
            let verdict = Verdict::Apply(written.clone());
            let judge = move |_: &Finding, _: Option<&Finding>| verdict.clone();
            let decision = acknowledge("f-1", "ada", before.version);
            store.decide(&decision, &ALL, &judge).await.unwrap();
        }
        let now = record(&store, "f-1").await;
        assert_eq!((&now.operator, &now.machine), (&written, &part), "step {step}");
    }
    store.close().await;
}

fn change(part: &mut MachinePart, choice: u64, step: i64) {
    match choice {
        0 => part.priority = if step % 2 == 0 { Priority::Critical } else { Priority::Low },
        1 => (part.active, part.occurrence) = (!part.active, part.occurrence + 1),
        2 => part.symptoms[0].size -= 1.0,
        _ => part.ended = part.ended.is_none().then_some((at(step), Outcome::ReturnedToNormal)),
    }
}

fn decided(finding: &Finding, choice: u64, step: i64) -> OperatorPart {
    let mut operator = finding.operator.clone();
    match choice {
        4 => operator = acknowledged(finding, &account("ada")),
        5 => operator.taken_by = Some(account("bob")),
        6 => operator.shelved = Some((at(step + 90), format!("reason {step}"))),
        _ => operator.out_of_service = Some((at(step + 90), format!("work {step}"))),
    }
    operator
}
