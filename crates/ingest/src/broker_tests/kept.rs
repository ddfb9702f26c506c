//! Messages that a broker keeps (retained): thousands at one connect, with the store away, stop neither loop nor link.

use std::collections::BTreeMap;
use std::time::Duration;

use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, MqttOptions as ClientOptions};

use super::broker::{Broker, free_port};
use super::{PATIENCE, options, run, until};
use crate::health::HealthReason;
use crate::test_sink::{Mode, TestSink};

/// Kept messages, each on a topic of its own.
const KEPT: usize = 5000;

/// Publishes a kept message on each of many topics.
async fn keep(port: u16, payload: &str) {
    let with = ClientOptions::new(format!("keeper-{}", free_port()), "127.0.0.1", port);
    let (client, mut eventloop) = AsyncClient::new(with, KEPT + 1);
    for unit in 0..KEPT {
        let topic = format!("units/northmoor/{unit}/senml");
        client.try_publish(topic, QoS::AtLeastOnce, true, payload.to_owned()).unwrap();
    }
    let sent = tokio::time::timeout(PATIENCE, async {
        let mut confirmed = 0;
        while confirmed < KEPT {
            let acknowledged = matches!(eventloop.poll().await.unwrap(), Event::Incoming(Packet::PubAck(_)));
            confirmed += usize::from(acknowledged);
        }
    });
    assert!(sent.await.is_ok(), "the broker did not take every kept message");
}

/// While the store is away, longer than two keep-alives, the window is full and the broker would send more: the link
/// lives on, and with the store back everything comes through the same connection, each message once.
#[tokio::test(flavor = "multi_thread")]
async fn thousands_at_one_connect_stall_nothing() {
    let broker = Broker::start("").await;
    keep(broker.port, "kept").await;
    let sink = TestSink::new(Mode::Away);
    let mut with = options(broker.port, "kept");
    with.receive_maximum = 100;
    with.keep_alive = Duration::from_secs(5);
    let ingest = run(with.clone(), &sink);
    until("the window is full", || ingest.counts().held >= 100).await;
    tokio::time::sleep(with.keep_alive * 2 + Duration::from_secs(1)).await;
    let during = ingest.counts();
    assert_eq!((during.connects, during.disconnects, during.acknowledged), (1, 0, 0), "{during:?}");
    assert!(during.held <= 200 && !ingest.has(HealthReason::SessionStalled), "{during:?}");
    sink.set(Mode::Fine);
    until("every kept message is committed", || ingest.counts().committed >= KEPT as u64).await;
    let counts = ingest.stopped().await;
    assert_eq!((counts.connects, counts.retained, counts.acknowledged), (1, KEPT as u64, KEPT as u64));
    let mut topics: BTreeMap<String, usize> = BTreeMap::new();
    sink.rows().iter().for_each(|row| *topics.entry(row.envelope.topic.clone()).or_default() += 1);
    assert!(topics.len() == KEPT && topics.values().all(|times| *times == 1));
    assert!(sink.rows().iter().all(|row| row.envelope.retained), "each is known as kept");

    // The session is kept, so they are not sent anew at the next connect. A busy broker may not have read the last
    // acknowledgements when the next connection takes over; those it repeats, and marks as repeats.
    let again = run(with, &sink);
    again.ready().await;
    broker.publish("units/northmoor/1/senml", &["live"]).await;
    again.holds(&["live".to_owned()]).await;
    let after = again.stopped().await;
    assert_eq!(after.retained, after.redelivered, "{after:?}");
}
