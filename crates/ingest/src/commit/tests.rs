//! Commits against a sink that is away, full, broken or set against one message.

use std::time::Duration;

use notchwatch_model::Refusal;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::*;
use crate::health::{Health, HealthCell};
use crate::test_sink::{Mode, TestSink, message};

struct Rig {
    sink: Arc<TestSink>,
    committer: Committer,
    health: tokio::sync::watch::Receiver<Health>,
    abandon: CancellationToken,
}

fn rig(mode: Mode) -> Rig {
    let sink = TestSink::new(mode);
    let (cell, health) = HealthCell::new();
    let abandon = CancellationToken::new();
    let committer = Committer {
        sink: Arc::new(Arc::clone(&sink)),
        counters: Arc::default(),
        health: cell,
        tracker: TaskTracker::new(),
        patience: Patience::Until(abandon.clone()),
    };
    Rig { sink, committer, health, abandon }
}

fn batch(payloads: impl IntoIterator<Item = String>) -> Batch {
    payloads.into_iter().map(|p| message(&p)).collect()
}

fn numbered(count: usize) -> Vec<String> {
    (0..count).map(|n| n.to_string()).collect()
}

#[tokio::test(start_paused = true)]
async fn a_store_that_is_away_or_full_is_waited_for_and_named() {
    for (mode, reason) in
        [(Mode::Away, HealthReason::DatabaseUnreachable), (Mode::Full, HealthReason::NoSpace)]
    {
        let rig = rig(mode);
        let commit = rig.committer.commit(batch(numbered(10)));
        tokio::pin!(commit);
        assert!(tokio::time::timeout(Duration::from_mins(1), &mut commit).await.is_err());
        assert!(rig.health.borrow().reasons.contains_key(&reason) && rig.sink.rows().is_empty());
        let tries = rig.sink.calls();
        assert!((8..40).contains(&tries), "{tries} tries in a minute");
        rig.sink.set(Mode::Fine);
        commit.await.unwrap();
        assert_eq!(rig.sink.payloads(), numbered(10));
        assert!(rig.health.borrow().ready());
    }
}

#[tokio::test(start_paused = true)]
async fn one_bad_message_of_a_thousand_is_set_aside_and_the_rest_committed_in_order() {
    for mode in [Mode::RefusesPoison, Mode::PanicsOnPoison] {
        let rig = rig(mode);
        let mut payloads = numbered(1000);
        payloads[617] = "poison".to_owned();
        rig.committer.commit(batch(payloads.clone())).await.unwrap();
        assert_eq!(rig.sink.payloads(), payloads, "{mode:?}");
        assert_eq!(rig.sink.refused(Reason::Store), ["poison"]);
        let counts = rig.committer.counters.snapshot();
        assert_eq!((counts.committed, counts.journalled, counts.quarantined), (1000, 999, 1));
        // Halving a thousand: ten splits, no more.
        assert!(counts.commit_splits <= 10, "{}", counts.commit_splits);
    }
}

#[tokio::test]
async fn records_refused_and_taken_leniently_are_counted_one_by_one() {
    let rig = rig(Mode::Fine);
    let mut message = message("1");
    let mut refused = Refusal::of_record(Reason::Uom, 3, "no such unit of measure".to_owned());
    refused.count = 1000;
    (message.decoded.refused, message.decoded.lenient) = (vec![refused], 2);
    rig.committer.commit([message.clone(), message].into_iter().collect()).await.unwrap();
    let counters = &rig.committer.counters;
    assert_eq!((counters.refused(Reason::Uom), counters.snapshot().lenient), (2000, 4));
}

#[tokio::test(start_paused = true)]
async fn bytes_that_the_store_refuses_even_in_quarantine_are_left_out_of_it() {
    let rig = rig(Mode::RefusesPoisonBytes);
    rig.committer.commit(batch(["1", "poison", "2"].map(str::to_owned))).await.unwrap();
    assert_eq!(rig.sink.payloads(), ["1", "", "2"]);
    let rows = rig.sink.rows();
    assert_eq!(rows[1].decoded.refused[0].reason, Reason::Store);
    assert!(rows[1].decoded.unit.is_some());
}

#[tokio::test(start_paused = true)]
async fn a_store_that_refuses_everything_is_named_and_nothing_is_set_aside_once_it_heals() {
    let rig = rig(Mode::Broken);
    let commit = rig.committer.commit(batch(numbered(3)));
    tokio::pin!(commit);
    assert!(tokio::time::timeout(Duration::from_secs(55), &mut commit).await.is_err());
    assert!(rig.health.borrow().reasons.contains_key(&HealthReason::StoreFailing));
    rig.sink.set(Mode::Fine);
    commit.await.unwrap();
    assert_eq!(rig.sink.payloads(), numbered(3));
    assert!(rig.sink.refused(Reason::Store).is_empty());
}

#[tokio::test(start_paused = true)]
async fn a_commit_that_hangs_is_reported_while_it_is_waited_for() {
    let rig = rig(Mode::Hangs);
    let commit = rig.committer.commit(batch(numbered(1)));
    tokio::pin!(commit);
    assert!(tokio::time::timeout(Duration::from_secs(25), &mut commit).await.is_err());
    let detail = rig.health.borrow().reasons[&HealthReason::DatabaseUnreachable].clone();
    assert!(detail.contains("20 s"), "{detail}");
    rig.abandon.cancel();
    assert!(matches!(commit.await, Err(CommitError::Abandoned)));
}

#[tokio::test(start_paused = true)]
async fn the_end_of_the_time_to_stop_ends_a_wait() {
    let rig = rig(Mode::Away);
    let (done, ()) = tokio::join!(rig.committer.commit(batch(numbered(1))), async {
        tokio::time::sleep(Duration::from_secs(3)).await;
        rig.abandon.cancel();
    });
    assert!(matches!(done, Err(CommitError::Abandoned)));
}
