//! Decisions: recorded with their verdict, and races with one winner.

use std::sync::Arc;

use notchwatch_model::{Act, DecisionId, EventId, Finding, OperatorPart, Outcome};
use notchwatch_store::{EventKind, HistoryEntry, NewDecision, Verdict};

use crate::bed::{Bed, account, at, only};
use crate::findings::{ALL, acknowledge, acknowledged, commit, id, machine};

pub(crate) async fn a_decision_is_recorded_with_its_verdict(bed: &Bed) {
    let store = bed.open().await;
    store.commit_evaluation(commit(vec![machine("f-1", "northmoor/NM-1")]), at(0)).await.unwrap();
    let decide = async |act: Act, verdict: Verdict| {
        let decision = NewDecision { act, ..acknowledge("f-1", "ada", 1) };
        store
            .decide(&decision, &ALL, &move |_: &Finding, _: Option<&Finding>| verdict.clone())
            .await
            .unwrap()
            .unwrap()
    };
    let noted = Act::Note { text: "a \0 remark".into() };
    let operator = OperatorPart { taken_by: Some(account("ada")), ..OperatorPart::default() };
    let done = decide(Act::Take, Verdict::Apply(operator.clone())).await;
    assert_eq!((done.finding.version, &done.finding.operator), (2, &operator));
    assert_eq!(done.decision, Some(DecisionId(1)));
    assert_eq!(decide(Act::Take, Verdict::Repeat).await.decision, None);
    assert_eq!(decide(Act::Take, Verdict::Stale).await.decision, Some(DecisionId(2)));
    let refused = decide(noted.clone(), Verdict::Refuse("no".into())).await;
    assert_eq!((refused.finding.version, refused.decision), (2, Some(DecisionId(3))));
    let outcome = Outcome::NoFaultFound;
    let closed =
        OperatorPart { closed: Some((account("ada"), at(60), outcome)), ..refused.finding.operator.clone() };
    decide(Act::Close { outcome, note: None }, Verdict::Apply(closed)).await;

    let stored = store.finding(&id("f-1"), &ALL).await.unwrap().unwrap();
    assert_eq!((stored.open(), stored.version, stored.outcome()), (false, 3, Some(outcome)));
    let decisions = store.decisions_after(DecisionId(0), 10).await.unwrap().items;
    let brief: Vec<_> = decisions.iter().map(|d| (d.id.0, d.act.clone(), d.effective)).collect();
    assert_eq!(
        brief,
        [
            (1, Act::Take, true),
            (2, Act::Take, false),
            (3, noted, false),
            (4, Act::Close { outcome, note: None }, true)
        ]
    );
    assert_eq!(store.decisions_after(DecisionId(3), 10).await.unwrap().items, decisions[3..]);
    let kinds: Vec<EventKind> =
        store.events_after(EventId(0), &ALL, 10).await.unwrap().items.iter().map(|e| e.kind).collect();
    assert_eq!(kinds, [EventKind::Opened, EventKind::Decided, EventKind::Closed]);
    let history = store.history(&id("f-1"), &ALL).await.unwrap();
    assert_eq!(history.len(), 5, "one of the machine and four decisions: {history:?}");
    store.close().await;
}

pub(crate) async fn other_railways_findings_cannot_be_decided(bed: &Bed) {
    let store = bed.open().await;
    store.commit_evaluation(commit(vec![machine("f-1", "northmoor/NM-1")]), at(0)).await.unwrap();
    let judge =
        |finding: &Finding, _: Option<&Finding>| Verdict::Apply(acknowledged(finding, &account("eve")));
    for (finding, filter) in [("f-1", only("sarel")), ("f-none", ALL)] {
        let done = store.decide(&acknowledge(finding, "eve", 1), &filter, &judge).await.unwrap();
        assert_eq!(done, None, "{finding}");
    }
    assert_eq!(store.finding(&id("f-1"), &ALL).await.unwrap().unwrap().version, 1);
    assert!(store.decisions_after(DecisionId(0), 10).await.unwrap().items.is_empty());
    store.close().await;
}

/// A hundred rounds of two at once, while evaluation commits changes of the same finding.
pub(crate) async fn of_two_that_race_one_wins(bed: &Bed) {
    let store = Arc::new(bed.open().await);
    for round in 0..100 {
        let name = format!("f-{round}");
        store.commit_evaluation(commit(vec![machine(&name, "northmoor/NM-1")]), at(0)).await.unwrap();
        let race = |by: &'static str| {
            let (store, name) = (Arc::clone(&store), name.clone());
            async move {
                let judge = move |finding: &Finding, _: Option<&Finding>| {
                    if finding.version == 1 {
                        Verdict::Apply(acknowledged(finding, &account(by)))
                    } else {
                        Verdict::Stale
                    }
                };
                store.decide(&acknowledge(&name, by, 1), &ALL, &judge).await.unwrap().unwrap()
            }
        };
        let mut numbers = machine(&name, "northmoor/NM-1");
        numbers.symptoms[0].size = -9.0;
        let revise = store.commit_evaluation(commit(vec![numbers.clone()]), at(1));
        let (ada, bob, revised) = tokio::join!(race("ada"), race("bob"), revise);
        revised.unwrap();
        let won = |v: &Verdict| matches!(v, Verdict::Apply(_));
        assert!(won(&ada.verdict) != won(&bob.verdict), "round {round}: {ada:?} {bob:?}");
        let winner = if won(&ada.verdict) { "ada" } else { "bob" };
        let stored = store.finding(&id(&name), &ALL).await.unwrap().unwrap();
        assert_eq!(stored.operator.acknowledged.as_ref().unwrap().0, account(winner), "round {round}");
        assert_eq!((stored.version, &stored.machine), (2, &numbers), "round {round}");
        for told in [&ada, &bob] {
            assert_eq!(told.finding.operator, stored.operator, "the loser is told what holds");
        }
        let history = store.history(&id(&name), &ALL).await.unwrap();
        let decisions = history.iter().filter(|e| matches!(e, HistoryEntry::Decision(_))).count();
        assert_eq!(decisions, 2, "round {round}: both are in the history");
    }
    store.close().await;
}
