//! Publishing to a broker: MQTT 5, QoS 1, one connection for all units.
//!
//! Owns pace and connection. Its one queue, [`QUEUE`] messages between fleet and connection, makes the fleet
//! wait when it is full: nothing is dropped. A broken connection is said and tried again.

use std::time::Duration;

use anyhow::Context as _;
use demo_feed::{Fleet, Message};
use jiff::Timestamp;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, Event, EventLoop, MqttOptions};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::Instant;

use crate::say;

/// Messages between fleet and connection. When it is full the fleet waits.
const QUEUE: usize = 256;
/// Messages published and not yet acknowledged.
const IN_FLIGHT: u16 = 200;
/// How often the fleet is moved on.
const TICK: Duration = Duration::from_millis(200);
/// How often progress is told.
const REPORT: Duration = Duration::from_secs(10);
/// Wait after a broken connection.
const RETRY: Duration = Duration::from_secs(2);
/// How long the end waits for acknowledgements.
const LAST_WAIT: Duration = Duration::from_secs(15);

/// What to play.
pub(crate) struct Plan {
    /// `mqtt://host:port`.
    pub(crate) url: String,
    /// Messages sent earlier are left out, in ms since 1970.
    pub(crate) from_ms: i64,
    /// Speed of history; as fast as it goes when absent.
    pub(crate) speed: Option<f64>,
    /// Whether to go on in real time after history.
    pub(crate) live: bool,
}

/// Plays the fleet until history ends or the person interrupts; returns the fleet for its truth.
pub(crate) async fn run(mut fleet: Fleet, plan: Plan, clock: fn() -> Timestamp) -> anyhow::Result<Fleet> {
    let (client, connection) = connect(&plan.url)?;
    let (acknowledged, seen) = watch::channel(0_u64);
    let mut tasks = JoinSet::new();
    tasks.spawn(keep_connected(connection, acknowledged));
    let mut sent = 0_u64;
    tokio::select! {
        played = play(&mut fleet, &plan, &client, clock, &mut sent) => played?,
        interrupted = tokio::signal::ctrl_c() => interrupted?,
    }
    let acknowledged = all_acknowledged(seen, sent).await;
    say(format_args!("{sent} messages published, {acknowledged} acknowledged"));
    tasks.shutdown().await;
    Ok(fleet)
}

fn connect(url: &str) -> anyhow::Result<(AsyncClient, EventLoop)> {
    let address = url.strip_prefix("mqtt://").context("--broker is mqtt://HOST:PORT")?;
    let (host, port) = address.rsplit_once(':').unwrap_or((address, "1883"));
    let port = port.trim_end_matches('/').parse().context("--broker ends in a port number")?;
    let mut options = MqttOptions::new(format!("demo-feed-{}", std::process::id()), host, port);
    options.set_keep_alive(Duration::from_secs(30)).set_clean_start(true);
    options.set_outgoing_inflight_upper_limit(IN_FLIGHT);
    Ok(AsyncClient::new(options, QUEUE))
}

async fn play(
    fleet: &mut Fleet,
    plan: &Plan,
    client: &AsyncClient,
    clock: fn() -> Timestamp,
    sent: &mut u64,
) -> anyhow::Result<()> {
    let began = Instant::now();
    let mut reported = Instant::now();
    loop {
        let now_ms = clock().as_millisecond();
        let until = reached(plan, began.elapsed(), now_ms);
        while let Some(message) = fleet.next_before(until) {
            if message.at_unix_ms >= plan.from_ms {
                publish(client, message).await?;
                *sent += 1;
            }
            if *sent > 0 && reported.elapsed() > REPORT {
                reported = Instant::now();
                say(format_args!("{sent} messages published"));
            }
        }
        if until >= now_ms && !plan.live {
            return Ok(());
        }
        tokio::time::sleep(TICK).await;
    }
}

/// How far the fleet has come, in ms since 1970: never beyond the present.
#[expect(clippy::cast_possible_truncation, reason = "`as` saturates, and the present bounds it")]
fn reached(plan: &Plan, elapsed: Duration, now_ms: i64) -> i64 {
    plan.speed.map_or(now_ms, |speed| {
        let played = (elapsed.as_secs_f64() * 1000.0 * speed.max(0.0)) as i64;
        plan.from_ms.saturating_add(played).min(now_ms)
    })
}

async fn publish(client: &AsyncClient, message: Message) -> anyhow::Result<()> {
    let properties = PublishProperties {
        content_type: Some(message.content_type.to_owned()),
        ..PublishProperties::default()
    };
    let topic = message.topic.to_string();
    client
        .publish_with_properties(topic, QoS::AtLeastOnce, false, message.payload, properties)
        .await
        .context("the connection's task has ended")
}

/// Polls the connection for ever and counts acknowledgements.
async fn keep_connected(mut connection: EventLoop, acknowledged: watch::Sender<u64>) {
    loop {
        match connection.poll().await {
            Ok(Event::Incoming(Packet::PubAck(_))) => acknowledged.send_modify(|n| *n += 1),
            Ok(_) => {}
            Err(error) => {
                say(format_args!("broker: {error}; trying again"));
                tokio::time::sleep(RETRY).await;
            }
        }
    }
}

async fn all_acknowledged(mut seen: watch::Receiver<u64>, sent: u64) -> u64 {
    let waited = tokio::time::timeout(LAST_WAIT, seen.wait_for(|n| *n >= sent)).await;
    drop(waited);
    *seen.borrow()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_present_bounds_the_pace() {
        let plan = |speed| Plan { url: String::new(), from_ms: 1_000, speed, live: true };
        let second = Duration::from_secs(1);
        assert_eq!(reached(&plan(None), second, 9_000), 9_000);
        assert_eq!(reached(&plan(Some(2.0)), second, 9_000), 3_000);
        assert_eq!(reached(&plan(Some(1e12)), second, 9_000), 9_000);
    }
}
