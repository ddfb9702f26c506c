//! Links cut and brokers killed: nothing acknowledged is lost, data flow again by themselves, health says so meanwhile.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::broker::Broker;
use super::tap::Tap;
use super::{Running, numbered, options, run, until};
use crate::health::HealthReason;
use crate::test_sink::{Mode, TestSink};

const TOPIC: &str = "units/northmoor/4022/senml";

#[tokio::test(flavor = "multi_thread")]
async fn a_link_cut_in_mid_flight_loses_nothing() {
    let broker = Broker::start("").await;
    let link = Tap::start(broker.port).await;
    let sink = TestSink::new(Mode::Slow(Duration::from_millis(15)));
    let mut with = options(link.port, "cut");
    with.receive_maximum = 200;
    let ingest = run(with.clone(), &sink);
    ingest.ready().await;
    let sent = numbered("m", 2000);
    broker.publish(TOPIC, &sent).await;
    for share in 1..=3 {
        until("a share is committed", || sink.rows().len() > share * 400).await;
        link.cut();
        until("another connection", || ingest.counts().connects > share as u64).await;
    }
    ingest.holds(&sent).await;
    until("everything is acknowledged", || ingest.counts().held == 0).await;
    let counts = ingest.stopped().await;
    assert!(counts.acknowledged <= counts.committed, "{counts:?}");
    // Repeats are rows with the same content, and nothing else came.
    assert!(
        link.acknowledged_in_order() as u64 <= counts.acknowledged,
        "an acknowledgement may die with its link"
    );
    let wanted: BTreeSet<&String> = sent.iter().collect();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    sink.payloads().into_iter().for_each(|p| *seen.entry(p).or_default() += 1);
    assert_eq!(seen.keys().collect::<BTreeSet<_>>(), wanted);

    let again = run(with, &sink);
    again.ready().await;
    broker.publish(TOPIC, &["after"]).await;
    again.holds(&["after".to_owned()]).await;
    assert_eq!(again.stopped().await.received, 1);
}

/// Case: the store is away with messages in flight, the link is cut, both come back.
#[tokio::test(flavor = "multi_thread")]
async fn the_store_away_and_the_link_cut_at_once_lose_nothing_and_hold_no_more() {
    let broker = Broker::start("").await;
    let link = Tap::start(broker.port).await;
    let sink = TestSink::new(Mode::Away);
    let ingest = run(options(link.port, "both"), &sink);
    until("a connection", || ingest.counts().connects == 1).await;
    let sent = numbered("m", 200);
    broker.publish(TOPIC, &sent).await;
    until("they are held", || ingest.counts().held == 200).await;
    link.cut();
    until("the broker is named too", || {
        ingest.has(HealthReason::BrokerUnreachable) && ingest.has(HealthReason::DatabaseUnreachable)
    })
    .await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!((ingest.counts().connects, ingest.counts().held), (1, 200));
    sink.set(Mode::Fine);
    ingest.holds(&sent).await;
    ingest.ready().await;
    broker.publish(TOPIC, &["after"]).await;
    ingest.holds(&["after".to_owned()]).await;
    until("everything is settled", || ingest.counts().held == 0).await;
    let counts = ingest.stopped().await;
    // Each was acknowledged on the connection that delivered it, so those of the first one were delivered again.
    assert_eq!((counts.acknowledgements_stale, counts.acknowledged, counts.redelivered), (200, 201, 200));
    // All of them on the second connection, each behind its message; what was written may still be under way.
    until("they have passed the link", || link.acknowledged_in_order() == 201).await;
}

/// Cuts at instants that nobody chose, with a store that is slow, away and back: whatever happened, what left on the
/// wire was in order and no more than what was committed.
#[tokio::test(flavor = "multi_thread")]
async fn acknowledgements_on_the_wire_follow_commits_whatever_is_cut() {
    let broker = Broker::start("").await;
    let link = Tap::start(broker.port).await;
    let sink = TestSink::new(Mode::Slow(Duration::from_millis(3)));
    let mut with = options(link.port, "wire");
    with.receive_maximum = 50;
    let ingest = run(with, &sink);
    ingest.ready().await;
    let sent = numbered("m", 1500);
    broker.publish(TOPIC, &sent).await;
    // A third in a row would pass for another process with our identifier, and cost its longer wait.
    for round in 1..=2_u64 {
        until("some more are committed", || ingest.counts().committed > round * 300).await;
        sink.set(Mode::Away);
        until("the window fills", || ingest.counts().held >= 50).await;
        link.cut();
        assert!(link.acknowledged_in_order() as u64 <= ingest.counts().committed);
        sink.set(Mode::Slow(Duration::from_millis(3)));
        until("another connection", || ingest.counts().connects > round).await;
    }
    ingest.holds(&sent).await;
    until("everything is settled", || ingest.counts().held == 0).await;
    assert!(link.acknowledged_in_order() as u64 <= ingest.stopped().await.committed);
}

/// Case: a broker without persistence is killed again and again: its sessions and subscriptions are gone each time.
#[tokio::test(flavor = "multi_thread")]
async fn data_flow_again_after_each_restart_of_the_broker() {
    let mut broker = Broker::start("persistence false").await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(broker.port, "restart"), &sink);
    for round in 0..3 {
        ingest.ready().await;
        let sent = numbered(&format!("round {round}"), 10);
        broker.publish(TOPIC, &sent).await;
        ingest.holds(&sent).await;
        broker.kill();
        until("health says so", || ingest.has(HealthReason::BrokerUnreachable)).await;
        broker.restart_after_kill().await;
    }
    ingest.ready().await;
    assert!(ingest.stopped().await.connects >= 4);
}

/// Case: two processes with one client identifier.
#[tokio::test(flavor = "multi_thread")]
async fn two_processes_with_one_identifier_are_named_and_do_not_storm() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Fine);
    let one = run(options(broker.port, "twin"), &sink);
    one.ready().await;
    let two = run(options(broker.port, "twin"), &sink);
    until("the conflict is named", || {
        one.has(HealthReason::ClientIdConflict) || two.has(HealthReason::ClientIdConflict)
    })
    .await;
    let detail =
        |of: &Running| of.ingest.health.borrow().reasons.get(&HealthReason::ClientIdConflict).cloned();
    let named = detail(&one).or_else(|| detail(&two));
    assert!(named.as_ref().is_some_and(|d| d.contains("\"twin\"")), "{named:?}");
    tokio::time::sleep(Duration::from_secs(2)).await;
    let connects = one.counts().connects + two.counts().connects;
    assert!(connects < 10, "{connects} connects");
    one.stopped().await;
    two.stopped().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_connection_is_named_when_a_limit_is_set() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(broker.port, "quiet");
    with.quiet_after = Some(Duration::from_secs(1));
    let ingest = run(with, &sink);
    until("the silence is named", || ingest.has(HealthReason::Quiet)).await;
    broker.publish(TOPIC, &["one"]).await;
    ingest.holds(&["one".to_owned()]).await;
    ingest.stopped().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reduced_qos_is_a_visible_warning() {
    let broker = Broker::start("max_qos 0").await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(broker.port, "reduced"), &sink);
    until("the warning", || ingest.has(HealthReason::QosReduced)).await;
    assert!(ingest.ingest.health.borrow().ready());
    ingest.stopped().await;
}
