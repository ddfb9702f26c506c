//! The MQTT session: the poll loop, one connection after the other.
//!
//! Owns the rules that keep a session alive: the loop never waits on what waits for an acknowledgement, a new
//! connection begins only when nothing of an earlier one is held, and what belongs to an earlier connection never
//! touches a later one. Each rule stands in `doc/session.md` with the failure it prevents.

mod failure;
mod strikes;
mod subscriptions;

use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::Outgoing;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, Publish};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::time::{Instant, Interval};
use tokio_util::sync::CancellationToken;

use crate::ack::{Acker, Ticket};
use crate::counters::{Counters, add};
use crate::health::{HealthCell, HealthReason};
use crate::intake::{Delivery, Place, held_bytes};
use crate::options::{MqttOptions, PACKET_CEILING};
use crate::start::Clock;
use failure::{Failure, Kind};
use strikes::Strikes;
use subscriptions::Subscriptions;

/// Messages at QoS 0 held at most; beyond that they are dropped and counted.
pub(crate) const LOSSY_HELD: usize = 1000;
/// Messages at QoS 1 held at most, in units of the receive maximum. Brokers overshoot it: Mosquitto 2.0.11 was seen to
/// send some more than agreed once acknowledgements flow. Beyond this the loop stops reading until a commit is done.
pub(crate) const HELD_PER_RECEIVE_MAXIMUM: usize = 2;
/// Bytes that one place stands for: payload, topic and content type. A longer message takes several. What is held is
/// bounded in bytes by this times the places, whatever the senders send.
pub(crate) const BYTES_A_PLACE: usize = 16 * 1024;
/// Interval of the loop's own checks.
const TICK: Duration = Duration::from_secs(1);
/// Keep-alives without any progress of the poll after which the connection is given up. The client library itself
/// gives up after one unanswered ping; this catches a write that never ends.
const STALLED_KEEP_ALIVES: u32 = 2;
/// Time beside the keep-alives for a connect.
const STALLED_SLACK: Duration = Duration::from_secs(15);
/// Bytes above an oversize packet's size that the next connection takes.
const PACKET_HEADROOM: u32 = 1024;

/// The poll loop and what it knows.
pub(crate) struct Session {
    options: MqttOptions,
    acker: Acker,
    /// Way to decoding; dropped when told to stop, which lets the later tasks end.
    intake: Option<mpsc::Sender<Delivery>>,
    /// Places of QoS 1 messages held; all free means nothing of an earlier connection is left.
    slots: Arc<Semaphore>,
    /// Places of QoS 0 messages held.
    lossy: Arc<Semaphore>,
    subscriptions: Subscriptions,
    strikes: Strikes,
    counters: Arc<Counters>,
    health: HealthCell,
    clock: Clock,
    stop: CancellationToken,
    tick: Interval,
    epoch: u64,
    connected: Option<Instant>,
    /// When the last message came, or the connection began.
    heard: Instant,
}

/// What the loop meets. All causes on one screen.
#[expect(
    clippy::large_enum_variant,
    reason = "one lives at a time, and boxing would allocate for every message"
)]
enum Step {
    /// The client library reports something.
    Event(Event),
    /// The connection, or the attempt at one, failed.
    Failed(ConnectionError),
    /// The poll made no progress.
    Stalled,
    /// Told to stop while not connected, or the time to stop is over.
    Ended,
}

/// How a connection ended.
enum End {
    Stopped,
    Failed(Failure),
}

impl Session {
    #[expect(clippy::too_many_arguments, reason = "called once, by start, with the parts it has just made")]
    pub(crate) fn new(
        options: MqttOptions,
        client: AsyncClient,
        acker: Acker,
        intake: mpsc::Sender<Delivery>,
        counters: Arc<Counters>,
        health: HealthCell,
        clock: Clock,
        stop: CancellationToken,
    ) -> Self {
        health.set(HealthReason::BrokerUnreachable, "connecting");
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        Self {
            slots: Arc::new(Semaphore::new(held_at_most(&options))),
            lossy: Arc::new(Semaphore::new(LOSSY_HELD)),
            subscriptions: Subscriptions::new(
                client,
                &options.filters,
                health.clone(),
                Arc::clone(&counters),
            ),
            strikes: Strikes::default(),
            epoch: acker.epoch(),
            connected: None,
            heard: Instant::now(),
            intake: Some(intake),
            options,
            acker,
            counters,
            health,
            clock,
            stop,
            tick,
        }
    }

    /// Connects again and again until told to stop; then lets the last acknowledgements out and disconnects.
    pub(crate) async fn run(mut self, mut eventloop: EventLoop, abandon: CancellationToken) {
        while self.settled().await {
            let end = self.connection(&mut eventloop, &abandon).await;
            self.connection_ended(&mut eventloop);
            match end {
                End::Stopped => break,
                End::Failed(failure) => {
                    if !self.pause(failure, &mut eventloop).await {
                        break;
                    }
                }
            }
        }
        self.intake = None;
        let why = if self.stop.is_cancelled() { "told to stop" } else { "a task of ingest ended" };
        self.health.set(HealthReason::Stopped, why);
    }

    /// Waits until nothing of an earlier connection is held. The broker sends unacknowledged messages again on the
    /// next connection, so connecting sooner would hold them twice, and a store that stays away while the link flaps
    /// would fill the memory. Nothing waits for an acknowledgement meanwhile: there is no connection to send it on.
    async fn settled(&mut self) -> bool {
        let all = held_at_most(&self.options);
        if self.slots.available_permits() < all {
            let detail = "not connecting before the messages received earlier are committed";
            self.health.set(HealthReason::BrokerUnreachable, detail);
        }
        tokio::select! {
            () = self.stop.cancelled() => false,
            permits = self.slots.acquire_many(u32::try_from(all).unwrap_or(u32::MAX)) => permits.is_ok(),
        }
    }

    async fn connection(&mut self, eventloop: &mut EventLoop, abandon: &CancellationToken) -> End {
        loop {
            let ended = match self.step(eventloop, abandon).await {
                Step::Event(event) => self.on_event(event, eventloop).await,
                Step::Failed(error) => Some(End::Failed(Failure::of(&error))),
                Step::Stalled => {
                    Some(End::Failed(Failure::new(Kind::Stalled, "no progress on the connection")))
                }
                Step::Ended => Some(End::Stopped),
            };
            if let Some(end) = ended {
                return end;
            }
        }
    }

    /// Polls once. The poll is never dropped half-way while its connection lives: a write given up in the middle
    /// could lose an acknowledgement.
    async fn step(&mut self, eventloop: &mut EventLoop, abandon: &CancellationToken) -> Step {
        let patience = eventloop.options.keep_alive() * STALLED_KEEP_ALIVES + STALLED_SLACK;
        let began = Instant::now();
        let mut poll = pin!(eventloop.poll());
        loop {
            tokio::select! {
                polled = &mut poll => return polled.map_or_else(Step::Failed, Step::Event),
                _ = self.tick.tick() => {
                    if began.elapsed() > patience {
                        return Step::Stalled;
                    }
                    self.on_tick();
                }
                () = self.stop.cancelled(), if self.intake.is_some() => {
                    // What comes from here on is not taken in, so it is never acknowledged and the broker keeps it.
                    self.intake = None;
                    if self.connected.is_none() {
                        return Step::Ended;
                    }
                }
                () = abandon.cancelled() => return Step::Ended,
            }
        }
    }

    async fn on_event(&mut self, event: Event, eventloop: &mut EventLoop) -> Option<End> {
        match event {
            Event::Incoming(Packet::ConnAck(connack)) => {
                tracing::info!(session_present = connack.session_present, "connected to the broker");
                self.on_connected(eventloop);
            }
            Event::Incoming(Packet::Publish(publish)) => self.take_in(&publish).await,
            Event::Incoming(Packet::SubAck(suback)) => self.subscriptions.answered(&suback),
            Event::Outgoing(Outgoing::Subscribe(packet)) => self.subscriptions.sent(packet),
            Event::Outgoing(Outgoing::PubAck(_)) => add(&self.counters.acknowledged, 1),
            Event::Outgoing(Outgoing::Disconnect) => return Some(End::Stopped),
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
        None
    }

    /// Subscribes on every CONNACK, also when the broker says that the session is present: a session restored
    /// without its subscriptions looks healthy and receives nothing.
    fn on_connected(&mut self, eventloop: &mut EventLoop) {
        let now = Instant::now();
        self.connected = Some(now);
        self.heard = now;
        add(&self.counters.connects, 1);
        // A limit raised for one packet holds for this connection only.
        eventloop.options.set_max_packet_size(Some(self.options.packet_limit()));
        self.health.clear(&[
            HealthReason::BrokerUnreachable,
            HealthReason::BrokerRefused,
            HealthReason::SessionStalled,
        ]);
        self.subscriptions.ask_all();
    }

    /// Takes a message in. With every place taken it waits for a commit, which frees places without any help of this
    /// loop: acknowledgements go into a channel that has room for all of them.
    async fn take_in(&mut self, publish: &Publish) {
        self.count(publish);
        let permit = match self.place(publish) {
            None if publish.qos != QoS::AtMostOnce => tokio::select! {
                permit = Arc::clone(&self.slots).acquire_many_owned(self.places(publish)) => permit.ok(),
                () = self.stop.cancelled() => None,
            },
            permit => permit,
        };
        match permit {
            Some(permit) => self.forward(publish, permit),
            None if publish.qos == QoS::AtMostOnce => add(&self.counters.lossy_dropped, 1),
            // Told to stop: it is not acknowledged, so the broker keeps it.
            None => {}
        }
    }

    /// A place in the queue, if one is free. QoS 0 has its own, so that it cannot crowd out what is acknowledged.
    fn place(&self, publish: &Publish) -> Option<OwnedSemaphorePermit> {
        let slots = if publish.qos == QoS::AtMostOnce { &self.lossy } else { &self.slots };
        Arc::clone(slots).try_acquire_many_owned(self.places(publish)).ok()
    }

    /// How many places a message takes: by what is held of it, and never more than there are.
    fn places(&self, publish: &Publish) -> u32 {
        let most = if publish.qos == QoS::AtMostOnce { LOSSY_HELD } else { held_at_most(&self.options) };
        places(held_bytes(publish, self.options.message_bytes), most)
    }

    fn forward(&mut self, publish: &Publish, permit: OwnedSemaphorePermit) {
        let Some(intake) = &self.intake else { return };
        let packet = if publish.qos == QoS::AtMostOnce { 0 } else { publish.pkid };
        let ticket = Ticket { epoch: self.epoch, packet };
        let place = Place { ticket, since: self.heard.into_std(), permit };
        let delivery = Delivery::new(publish, (self.clock)(), self.options.message_bytes, place);
        if delivery.size > self.options.message_bytes {
            add(&self.counters.oversize, 1);
            tracing::warn!(topic = %delivery.envelope.topic, size_bytes = delivery.size, "message over the limit");
        }
        add(&self.counters.held, 1);
        add(&self.counters.undecoded, 1);
        // The queue has room for every place, so it is full at no time; it is closed when decoding has ended.
        if intake.try_send(delivery).is_err() {
            self.intake = None;
            self.acker.disconnect();
        }
    }

    fn count(&mut self, publish: &Publish) {
        add(&self.counters.received, 1);
        add(&self.counters.bytes, publish.payload.len() as u64);
        for (counter, counts) in [
            (&self.counters.redelivered, publish.dup),
            (&self.counters.retained, publish.retain),
            (&self.counters.deletes, publish.payload.is_empty()),
            (&self.counters.lossy, publish.qos == QoS::AtMostOnce),
        ] {
            add(counter, u64::from(counts));
        }
        // A kept message is no sign of life from a unit, but it is one from the broker.
        self.heard = Instant::now();
        self.health.clear(&[HealthReason::Quiet]);
    }

    fn on_tick(&mut self) {
        let Some(since) = self.connected else { return };
        if self.strikes.calm(since.elapsed()) {
            self.health.clear(&[HealthReason::ClientIdConflict, HealthReason::MalformedTraffic]);
        }
        self.subscriptions.tick(self.options.refused_retry);
        if let Some(limit) = self.options.quiet_after
            && self.heard.elapsed() >= limit
        {
            let detail = format!("connected, and no message for {} s", limit.as_secs());
            self.health.set(HealthReason::Quiet, detail);
        }
    }

    /// Cleans up after a connection, in an order that matters: messages read and not yet reported belong to the old
    /// epoch and are taken in as such; then the epoch moves on, so that no old acknowledgement enters the channel;
    /// then the channel is emptied of those that did.
    fn connection_ended(&mut self, eventloop: &mut EventLoop) {
        for event in std::mem::take(&mut eventloop.state.events) {
            if let Event::Incoming(Packet::Publish(publish)) = event {
                self.count(&publish);
                // Without a place it is left out: nobody acknowledges it, so it comes again.
                if let Some(permit) = self.place(&publish) {
                    self.forward(&publish, permit);
                }
            }
        }
        self.acker.next_epoch();
        self.epoch = self.acker.epoch();
        eventloop.clean();
        eventloop.pending.clear();
        self.subscriptions.forget();
    }

    /// Says what is wrong and waits before the next attempt. `false` when told to stop.
    async fn pause(&mut self, failure: Failure, eventloop: &mut EventLoop) -> bool {
        if self.stop.is_cancelled() {
            return false;
        }
        add(&self.counters.disconnects, 1);
        let lasted = self.connected.take().map(|since| since.elapsed());
        let failure = self.strikes.judge(failure, lasted, &self.options.client_id);
        let wait = self.strikes.wait(&failure);
        if let Kind::TooLarge(bytes) = failure.kind {
            self.admit_once(bytes, eventloop);
        }
        let (reason, detail) = (failure.reason(), failure.detail);
        tracing::warn!(reason = reason.code(), %detail, wait_ms = wait.as_millis(), "no connection to the broker");
        self.health.set(HealthReason::BrokerUnreachable, &*detail);
        self.health.set(reason, detail);
        self.health.clear(&[HealthReason::Quiet]);
        tokio::select! {
            () = tokio::time::sleep(wait) => true,
            () = self.stop.cancelled() => false,
        }
    }

    /// Lets the next connection take a packet of this size. A broker that honours Maximum Packet Size discards such a
    /// packet itself; for one that does not, receiving it once, refusing and acknowledging it is the only way to be
    /// rid of it.
    fn admit_once(&self, bytes: usize, eventloop: &mut EventLoop) {
        let wanted = u32::try_from(bytes).unwrap_or(PACKET_CEILING).saturating_add(PACKET_HEADROOM);
        let limit = wanted.clamp(self.options.packet_limit(), PACKET_CEILING);
        eventloop.options.set_max_packet_size(Some(limit));
    }
}

/// Places of a message of so many bytes, of `most` that there are.
fn places(bytes: usize, most: usize) -> u32 {
    u32::try_from((1 + bytes / BYTES_A_PLACE).min(most)).unwrap_or(u32::MAX)
}

/// Messages at QoS 1 held at most.
pub(crate) fn held_at_most(options: &MqttOptions) -> usize {
    usize::from(options.receive_maximum) * HELD_PER_RECEIVE_MAXIMUM
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_message_takes_several_places_and_never_more_than_there_are() {
        for (bytes, most, taken) in [
            (0, 10, 1),
            (1600, 10, 1),
            (16 * 1024, 10, 2),
            (1 << 20, 16_000, 65),
            (1 << 20, 20, 20),
            (1, 1, 1),
        ] {
            assert_eq!(places(bytes, most), taken, "{bytes} bytes of {most}");
        }
    }
}
