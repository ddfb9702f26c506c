//! What comes in over a sound link: everything once, in order, acknowledged after commit; bad messages delay nobody.

use std::time::Duration;

use notchwatch_model::Reason;

use super::broker::Broker;
use super::{numbered, options, run, until};
use crate::health::HealthReason;
use crate::test_sink::{Mode, TestSink};

const TOPIC: &str = "units/northmoor/4021/senml";

#[tokio::test(flavor = "multi_thread")]
async fn every_message_is_committed_once_in_order_and_acknowledged() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(broker.port, "once"), &sink);
    ingest.ready().await;
    let sent = numbered("m", 2000);
    broker.publish(TOPIC, &sent).await;
    ingest.holds(&sent).await;
    let counts = ingest.stopped().await;
    assert_eq!(sink.payloads(), sent);
    assert_eq!((counts.received, counts.committed, counts.acknowledged), (2000, 2000, 2000));
    assert_eq!((counts.acknowledgements_stale, counts.held, counts.connects), (0, 0, 1));

    // The kept session has nothing left: every acknowledgement arrived.
    let again = run(options(broker.port, "once"), &sink);
    again.ready().await;
    broker.publish(TOPIC, &["after"]).await;
    again.holds(&["after".to_owned()]).await;
    assert_eq!(again.stopped().await.received, 1);
}

/// More than the receive maximum wait at the broker while the store is slow: the loop must neither deadlock nor hold
/// more than agreed.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_held_stays_within_the_receive_maximum() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Away);
    let mut with = options(broker.port, "bounded");
    with.receive_maximum = 20;
    let ingest = run(with, &sink);
    until("a connection", || ingest.counts().connects == 1).await;
    let sent = numbered("m", 500);
    broker.publish(TOPIC, &sent).await;
    until("the window is full", || ingest.counts().held == 20).await;
    until("the store is named", || ingest.has(HealthReason::DatabaseUnreachable)).await;
    assert_eq!((ingest.counts().received, ingest.counts().acknowledged), (20, 0));
    sink.set(Mode::Slow(Duration::from_millis(2)));
    ingest.holds(&sent).await;
    assert_eq!(ingest.stopped().await.acknowledged, 500);
    assert_eq!(sink.payloads(), sent);
}

#[tokio::test(flavor = "multi_thread")]
async fn bad_messages_are_set_aside_and_delay_nobody() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::RefusesPoison);
    let ingest = run(options(broker.port, "bad"), &sink);
    ingest.ready().await;
    let mut sent = numbered("m", 1000);
    for (n, payload) in sent.iter_mut().enumerate() {
        match n % 100 {
            3 => *payload = format!("bad {n}"),
            50 => *payload = format!("poison {n}"),
            _ => {}
        }
    }
    broker.publish(TOPIC, &sent).await;
    ingest.holds(&sent).await;
    let counts = ingest.stopped().await;
    assert_eq!(sink.payloads(), sent);
    assert_eq!(sink.refused(Reason::Malformed).len(), 10);
    assert_eq!(sink.refused(Reason::Store).len(), 10);
    assert_eq!((counts.acknowledged, counts.journalled, counts.quarantined), (1000, 980, 20));
    let refused: Vec<_> = counts.refused.into_iter().filter(|(_, n)| *n > 0).collect();
    assert_eq!(refused, [(Reason::Malformed, 10), (Reason::Store, 10)]);
}

/// Case: one message over the limit, then ten small ones, to a session that is kept.
#[tokio::test(flavor = "multi_thread")]
async fn a_message_over_the_limit_is_counted_and_does_not_come_back() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(broker.port, "oversize");
    with.message_bytes = 64 * 1024;
    let ingest = run(with.clone(), &sink);
    ingest.ready().await;
    broker.publish(TOPIC, &[vec![b'x'; 216 * 1024]]).await;
    // Larger than the connection's packet limit: the broker honours Maximum Packet Size and discards it.
    broker.publish(TOPIC, &[vec![b'y'; 17 * 1024 * 1024]]).await;
    let small = numbered("small", 10);
    broker.publish(TOPIC, &small).await;
    ingest.holds(&small).await;
    let counts = ingest.stopped().await;
    assert_eq!((counts.oversize, counts.refused[5], counts.connects), (1, (Reason::TooLarge, 1), 1));
    assert_eq!(sink.rows()[0].decoded.refused[0].detail, "message of 221184 bytes; at most 65536 are read");
    assert!(sink.rows()[0].decoded.unit.is_some());

    let again = run(with, &sink);
    again.ready().await;
    broker.publish(TOPIC, &["after"]).await;
    again.holds(&["after".to_owned()]).await;
    assert_eq!(again.stopped().await.received, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_message_is_a_delete_and_stores_nothing() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(broker.port, "empty"), &sink);
    ingest.ready().await;
    broker.publish(TOPIC, &["", "one"]).await;
    ingest.holds(&["one".to_owned()]).await;
    let counts = ingest.stopped().await;
    assert_eq!((counts.deletes, counts.acknowledged, counts.committed), (1, 2, 1));
}

/// A clean stop in the middle of a stream: what was committed was acknowledged, the rest comes to the next process.
#[tokio::test(flavor = "multi_thread")]
async fn a_stop_commits_and_acknowledges_what_is_held_and_leaves_the_rest_to_the_broker() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Slow(Duration::from_millis(20)));
    let mut with = options(broker.port, "stop");
    with.receive_maximum = 100;
    let sent = numbered("m", 1000);
    let ingest = run(with.clone(), &sink);
    ingest.ready().await;
    broker.publish(TOPIC, &sent).await;
    until("some are committed", || sink.rows().len() > 150).await;
    let first = ingest.stopped().await;
    assert!(first.committed < 1000 && first.acknowledged == first.committed, "{first:?}");
    let again = run(with, &sink);
    again.holds(&sent).await;
    again.stopped().await;
    assert_eq!(sink.payloads(), sent);
}

/// The store never comes back: the stop still ends, and nothing is acknowledged.
#[tokio::test(flavor = "multi_thread")]
async fn a_stop_with_the_store_away_ends_at_its_deadline_without_acknowledging() {
    let broker = Broker::start("").await;
    let sink = TestSink::new(Mode::Hangs);
    let mut with = options(broker.port, "hang");
    with.stop_within = Duration::from_millis(300);
    let ingest = run(with.clone(), &sink);
    ingest.ready().await;
    let sent = numbered("m", 5);
    broker.publish(TOPIC, &sent).await;
    until("they are held", || ingest.counts().held == 5).await;
    assert_eq!(ingest.stopped().await.acknowledged, 0);
    sink.set(Mode::Fine);
    let again = run(with, &sink);
    again.holds(&sent).await;
    again.stopped().await;
}
