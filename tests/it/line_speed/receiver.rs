//! What is compared with: a client that only receives and acknowledges, with the program's client library and its
//! session options.

use std::io::Write;
use std::time::{Duration, Instant};

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectProperties, Packet};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};

/// As the program has it by default.
const RECEIVE_MAXIMUM: u16 = 8000;
const MAX_PACKET: u32 = 16 * 1024 * 1024;
const REQUESTS: usize = 66_000;
const SESSION_S: u32 = 3600;

/// Receives and acknowledges until `number` acknowledgements have been sent. Tells on standard output when it is
/// subscribed, and how long it took from the first message to the last acknowledgement.
pub(crate) fn run(port: u16, client_id: &str, number: usize) -> Result<(), Box<dyn std::error::Error>> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(receive(port, client_id, number))
}

async fn receive(port: u16, client_id: &str, number: usize) -> Result<(), Box<dyn std::error::Error>> {
    let mut options = MqttOptions::new(client_id, "127.0.0.1", port);
    let mut properties = ConnectProperties::new();
    properties.receive_maximum = Some(RECEIVE_MAXIMUM);
    properties.max_packet_size = Some(MAX_PACKET);
    properties.session_expiry_interval = Some(SESSION_S);
    options
        .set_clean_start(false)
        .set_manual_acks(true)
        .set_keep_alive(Duration::from_secs(30))
        .set_connect_properties(properties);
    let (client, mut eventloop) = AsyncClient::new(options, REQUESTS);
    let (mut acknowledged, mut first) = (0, None);
    while acknowledged < number {
        match eventloop.poll().await? {
            Event::Incoming(Packet::ConnAck(_)) => {
                client.try_subscribe("units/+/+/senml", QoS::AtLeastOnce)?;
            }
            Event::Incoming(Packet::SubAck(_)) => tell("subscribed")?,
            Event::Incoming(Packet::Publish(publish)) => {
                first.get_or_insert_with(Instant::now);
                client.try_ack(&publish)?;
            }
            Event::Outgoing(Outgoing::PubAck(_)) => acknowledged += 1,
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }
    let took = first.map_or(0.0, |first| first.elapsed().as_secs_f64());
    tell(&format!("took {took}"))?;
    // One more turn lets the last acknowledgements leave the socket.
    drop(tokio::time::timeout(Duration::from_millis(100), eventloop.poll()).await);
    Ok(())
}

fn tell(line: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout();
    writeln!(out, "{line}")?;
    out.flush()
}
