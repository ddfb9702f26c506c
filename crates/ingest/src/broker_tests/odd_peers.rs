//! Peers that break rules or refuse: named, bounded, and no message ends the feed.

use std::time::Duration;

use notchwatch_model::Reason;

use super::peer::{Peer, Script, publish};
use super::{options, run, until};
use crate::health::HealthReason;
use crate::test_sink::{Mode, TestSink};

const TOPIC: &[u8] = b"units/northmoor/4023/senml";

fn script(packets: Vec<Vec<u8>>) -> Script {
    Script { suback: 1, packets, close: false }
}

/// Case: a topic that is not UTF-8. The client library hands it on, so it is refused like any message.
#[tokio::test(flavor = "multi_thread")]
async fn a_topic_that_is_not_utf8_is_refused_and_acknowledged() {
    let peer = Peer::start(|_| {
        script(vec![publish(1, b"units/\xff\xfe/1/senml", b"x"), publish(2, TOPIC, b"good")])
    });
    let peer = peer.await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(peer.port, "utf8"), &sink);
    ingest.holds(&["good".to_owned()]).await;
    until("both are acknowledged", || peer.acks() == [(0, 1), (0, 2)]).await;
    assert_eq!((sink.refused(Reason::Topic), peer.connects()), (vec!["x".to_owned()], 1));
    ingest.stopped().await;
}

/// Case: bytes that are not MQTT come after the first connect: health says why, one wait later the link is used again,
/// and what is right flows. How few connects there are when they keep coming is shown beside the ladder of waits.
#[tokio::test(flavor = "multi_thread")]
async fn unreadable_packets_do_not_make_a_storm() {
    let unreadable = vec![0x32, 2, 0xff, 0xff];
    let peer = Peer::start(move |n| {
        script(vec![if n == 0 { unreadable.clone() } else { publish(1, TOPIC, b"good") }])
    });
    let peer = peer.await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(peer.port, "storm"), &sink);
    until("it is named", || ingest.has(HealthReason::MalformedTraffic)).await;
    assert!(!ingest.ingest.health.borrow().ready());
    let named = std::time::Instant::now();
    ingest.holds(&["good".to_owned()]).await;
    assert_eq!(peer.connects(), 2);
    assert!(named.elapsed() > Duration::from_secs(8), "half of the first wait of 20 s at the least");
    ingest.stopped().await;
}

/// A broker that does not honour Maximum Packet Size sends the same large packet on every connection until it is
/// acknowledged: it is received once, refused, acknowledged, and gone.
#[tokio::test(flavor = "multi_thread")]
async fn a_packet_over_the_connections_limit_does_not_come_back_for_ever() {
    let large = publish(1, TOPIC, &vec![b'x'; 20 * 1024 * 1024]);
    let peer = Peer::start(move |_| script(vec![large.clone(), publish(2, TOPIC, b"small")])).await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(peer.port, "large"), &sink);
    ingest.holds(&["small".to_owned()]).await;
    until("both are acknowledged", || peer.acks() == [(1, 1), (1, 2)]).await;
    assert_eq!((peer.connects(), ingest.counts().oversize), (2, 1));
    assert_eq!(sink.rows()[0].decoded.refused[0].reason, Reason::TooLarge);
    ingest.stopped().await;
}

/// Packet identifiers are used again on the next connection for other messages: an acknowledgement of the first
/// connection must not confirm them.
#[tokio::test(flavor = "multi_thread")]
async fn acknowledgements_never_cross_connections() {
    let first = (1..=5).map(|id| publish(id, TOPIC, format!("first {id}").as_bytes())).collect();
    let second = (1..=5).map(|id| publish(id, TOPIC, format!("second {id}").as_bytes())).collect();
    let scripts: [Vec<Vec<u8>>; 2] = [first, second];
    let peer = Peer::start(move |n| Script { close: n == 0, ..script(scripts[n.min(1)].clone()) }).await;
    let sink = TestSink::new(Mode::Away);
    let ingest = run(options(peer.port, "cross"), &sink);
    until("the first five are held and the link is gone", || {
        ingest.counts().held == 5 && ingest.has(HealthReason::BrokerUnreachable)
    })
    .await;
    assert!(peer.acks().is_empty());
    sink.set(Mode::Fine);
    until("the second five are acknowledged, in order", || {
        peer.acks() == [(1, 1), (1, 2), (1, 3), (1, 4), (1, 5)]
    })
    .await;
    assert_eq!(sink.rows().len(), 10);
    let counts = ingest.stopped().await;
    assert_eq!((counts.acknowledged, counts.acknowledgements_stale), (5, 5));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_filter_is_named_and_asked_for_again() {
    let not_authorized = 0x87;
    let peer = Peer::start(move |_| Script { suback: not_authorized, ..script(vec![]) }).await;
    let sink = TestSink::new(Mode::Fine);
    let mut with = options(peer.port, "refused");
    with.refused_retry = Duration::from_secs(2);
    let ingest = run(with, &sink);
    until("it is named", || ingest.has(HealthReason::FilterRefused)).await;
    let detail = ingest.ingest.health.borrow().reasons[&HealthReason::FilterRefused].clone();
    assert_eq!(detail, "units/+/+/senml: NotAuthorized");
    ingest.ready().await;
    assert_eq!((peer.subscribes(), peer.connects(), ingest.counts().filters_refused), (2, 1, 1));
    ingest.stopped().await;
}

/// A broker that sends more than the receive maximum is not read any further until a commit is done.
#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_breaks_the_receive_maximum_has_to_wait() {
    let packets = (1..=50).map(|id| publish(id, TOPIC, b"x")).collect::<Vec<_>>();
    let peer = Peer::start(move |_| script(packets.clone())).await;
    let sink = TestSink::new(Mode::Away);
    let mut with = options(peer.port, "overrun");
    with.receive_maximum = 10;
    let ingest = run(with, &sink);
    until("every place is taken", || ingest.counts().held == 20).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(ingest.counts().held, 20);
    sink.set(Mode::Fine);
    let all: Vec<(usize, u16)> = (1..=50).map(|id| (0, id)).collect();
    until("all are acknowledged in order", || peer.acks() == all).await;
    assert_eq!((ingest.counts().held, peer.connects()), (0, 1));
    ingest.stopped().await;
}

/// A broker that says why it throws us out.
#[tokio::test(flavor = "multi_thread")]
async fn a_session_taken_over_is_a_conflict_at_once() {
    let session_taken_over = vec![0xe0, 2, 0x8e, 0];
    let peer = Peer::start(move |_| script(vec![session_taken_over.clone()])).await;
    let sink = TestSink::new(Mode::Fine);
    let ingest = run(options(peer.port, "taken"), &sink);
    until("it is named", || ingest.has(HealthReason::ClientIdConflict)).await;
    let detail = ingest.ingest.health.borrow().reasons[&HealthReason::ClientIdConflict].clone();
    assert!(detail.contains("\"taken\"") && detail.contains("SessionTakenOver"), "{detail}");
    assert_eq!(peer.connects(), 1);
    ingest.stopped().await;
}
