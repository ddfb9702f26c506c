//! Subscriptions: asked for on every connection, each answer checked, refusals named and tried again slowly.
//!
//! Owns which filter an answer belongs to (one SUBSCRIBE a filter) and the health reasons of subscribing.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::v5::AsyncClient;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, RetainForwardRule, SubAck, SubscribeReasonCode};
use tokio::time::Instant;

use crate::counters::{Counters, add};
use crate::health::{HealthCell, HealthReason};

/// Time for a broker to answer a SUBSCRIBE. Common practice.
const ANSWER_WITHIN: Duration = Duration::from_secs(30);
/// Health reasons of subscribing.
const OURS: [HealthReason; 3] =
    [HealthReason::NotSubscribed, HealthReason::FilterRefused, HealthReason::QosReduced];

/// The filters and how they stand with the broker.
pub(super) struct Subscriptions {
    client: AsyncClient,
    filters: Vec<Subscription>,
    /// Filters asked for whose SUBSCRIBE has no packet identifier yet, in order.
    unsent: VecDeque<usize>,
    /// Filter by the packet identifier of its SUBSCRIBE.
    sent: HashMap<u16, usize>,
    health: HealthCell,
    counters: Arc<Counters>,
}

struct Subscription {
    path: String,
    standing: Standing,
    since: Instant,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Standing {
    /// Not asked for on this connection.
    Unknown,
    /// Asked for.
    Asked,
    /// Granted at QoS 1 or above.
    Granted,
    /// Granted at QoS 0 only.
    Reduced,
    /// Refused, with what the broker said, or not answered.
    Refused(String),
}

impl Subscriptions {
    pub(super) fn new(
        client: AsyncClient,
        filters: &[String],
        health: HealthCell,
        counters: Arc<Counters>,
    ) -> Self {
        let fresh = |path: &String| Subscription {
            path: path.clone(),
            standing: Standing::Unknown,
            since: Instant::now(),
        };
        let filters = filters.iter().map(fresh).collect();
        Self { client, filters, unsent: VecDeque::new(), sent: HashMap::new(), health, counters }
    }

    /// Asks for every filter.
    pub(super) fn ask_all(&mut self) {
        for at in 0..self.filters.len() {
            self.ask(at);
        }
        self.report();
    }

    /// A SUBSCRIBE was written with this packet identifier. They are written in the order asked.
    pub(super) fn sent(&mut self, packet: u16) {
        if let Some(at) = self.unsent.pop_front() {
            self.sent.insert(packet, at);
        }
    }

    /// The broker answered.
    pub(super) fn answered(&mut self, suback: &SubAck) {
        let subscription = self.sent.remove(&suback.pkid).and_then(|at| self.filters.get_mut(at));
        let (Some(subscription), Some(code)) = (subscription, suback.return_codes.first()) else { return };
        subscription.standing = standing(*code);
        subscription.since = Instant::now();
        match &subscription.standing {
            Standing::Refused(why) => {
                add(&self.counters.filters_refused, 1);
                tracing::error!(filter = %subscription.path, %why, "the broker refuses a topic filter");
            }
            Standing::Reduced => {
                tracing::warn!(filter = %subscription.path, "the broker grants QoS 0 only: losses cannot be noticed");
            }
            _ => tracing::info!(filter = %subscription.path, "subscribed"),
        }
        self.report();
    }

    /// Tries refused filters again after `retry`, and takes a missing answer for a refusal.
    pub(super) fn tick(&mut self, retry: Duration) {
        let mut changed = false;
        for at in 0..self.filters.len() {
            let Some(subscription) = self.filters.get_mut(at) else { continue };
            let age = subscription.since.elapsed();
            if subscription.standing == Standing::Asked && age >= ANSWER_WITHIN {
                subscription.standing = Standing::Refused("no answer".to_owned());
                subscription.since = Instant::now();
                changed = true;
            } else if matches!(subscription.standing, Standing::Refused(_)) && age >= retry {
                // It stays named as refused until the broker grants it.
                subscription.since = Instant::now();
                self.request(at);
            }
        }
        if changed {
            self.report();
        }
    }

    /// The connection ended: answers and standings with it.
    pub(super) fn forget(&mut self) {
        self.unsent.clear();
        self.sent.clear();
        for subscription in &mut self.filters {
            subscription.standing = Standing::Unknown;
        }
        self.health.clear(&OURS);
    }

    fn ask(&mut self, at: usize) {
        if let Some(subscription) = self.filters.get_mut(at) {
            subscription.standing = Standing::Asked;
            subscription.since = Instant::now();
            self.request(at);
        }
    }

    /// Puts a SUBSCRIBE into the client's channel, which keeps room for it beside the acknowledgements; never waits.
    fn request(&mut self, at: usize) {
        let Some(subscription) = self.filters.get(at) else { return };
        let mut filter = Filter::new(&subscription.path, QoS::AtLeastOnce);
        // Kept messages come once, with a new subscription, not again at every reconnect.
        filter.retain_forward_rule = RetainForwardRule::OnNewSubscribe;
        if self.client.try_subscribe_many([filter]).is_ok() {
            self.unsent.push_back(at);
        }
    }

    fn report(&self) {
        self.state(HealthReason::NotSubscribed, |s| {
            (*s == Standing::Asked).then(|| "no answer yet".to_owned())
        });
        self.state(HealthReason::QosReduced, |s| (*s == Standing::Reduced).then(|| "QoS 0 only".to_owned()));
        self.state(HealthReason::FilterRefused, |s| match s {
            Standing::Refused(why) => Some(why.clone()),
            _ => None,
        });
    }

    /// Sets or clears one reason, naming the filters it holds for.
    fn state(&self, reason: HealthReason, holds: impl Fn(&Standing) -> Option<String>) {
        let named: Vec<String> = self
            .filters
            .iter()
            .filter_map(|s| holds(&s.standing).map(|why| format!("{}: {why}", s.path)))
            .collect();
        if named.is_empty() {
            self.health.clear(&[reason]);
        } else {
            self.health.set(reason, named.join("; "));
        }
    }
}

fn standing(code: SubscribeReasonCode) -> Standing {
    match code {
        SubscribeReasonCode::Success(QoS::AtMostOnce) => Standing::Reduced,
        SubscribeReasonCode::Success(_) => Standing::Granted,
        refused => Standing::Refused(format!("{refused:?}")),
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::v5::{EventLoop, MqttOptions};

    use super::*;
    use crate::health::Health;

    fn subscriptions(filters: &[&str]) -> (Subscriptions, tokio::sync::watch::Receiver<Health>, EventLoop) {
        let (client, eventloop) = AsyncClient::new(MqttOptions::new("t", "127.0.0.1", 1), 16);
        let (health, reader) = HealthCell::new();
        let filters: Vec<String> = filters.iter().map(|f| (*f).to_owned()).collect();
        (Subscriptions::new(client, &filters, health, Arc::default()), reader, eventloop)
    }

    fn suback(pkid: u16, code: SubscribeReasonCode) -> SubAck {
        SubAck { pkid, return_codes: vec![code], properties: None }
    }

    #[test]
    fn each_answer_finds_its_filter_and_health_names_it() {
        let (mut subs, health, _eventloop) = subscriptions(&["a/+", "b/+", "c/+"]);
        subs.ask_all();
        assert!(health.borrow().reasons[&HealthReason::NotSubscribed].contains("b/+"));
        (1..=3).for_each(|packet| subs.sent(packet));
        subs.answered(&suback(2, SubscribeReasonCode::NotAuthorized));
        subs.answered(&suback(1, SubscribeReasonCode::Success(QoS::AtLeastOnce)));
        subs.answered(&suback(3, SubscribeReasonCode::Success(QoS::AtMostOnce)));
        let now = health.borrow().clone();
        assert_eq!(now.reasons[&HealthReason::FilterRefused], "b/+: NotAuthorized");
        assert_eq!(now.reasons[&HealthReason::QosReduced], "c/+: QoS 0 only");
        assert!(!now.reasons.contains_key(&HealthReason::NotSubscribed) && !now.ready());
    }

    #[tokio::test(start_paused = true)]
    async fn a_refused_filter_is_asked_again_slowly_and_recovers() {
        let (mut subs, health, _eventloop) = subscriptions(&["a/+"]);
        subs.ask_all();
        subs.sent(1);
        subs.answered(&suback(1, SubscribeReasonCode::NotAuthorized));
        let retry = Duration::from_mins(1);
        subs.tick(retry);
        assert!(subs.unsent.is_empty());
        tokio::time::advance(retry).await;
        subs.tick(retry);
        assert!(subs.unsent.len() == 1 && !health.borrow().ready());
        subs.sent(2);
        subs.answered(&suback(2, SubscribeReasonCode::Success(QoS::AtLeastOnce)));
        assert!(health.borrow().reasons.is_empty());
    }

    #[tokio::test(start_paused = true)]
    async fn a_missing_answer_is_a_refusal() {
        let (mut subs, health, _eventloop) = subscriptions(&["a/+"]);
        subs.ask_all();
        tokio::time::advance(ANSWER_WITHIN).await;
        subs.tick(Duration::from_mins(1));
        assert_eq!(health.borrow().reasons[&HealthReason::FilterRefused], "a/+: no answer");
    }

    #[test]
    fn answers_of_an_earlier_connection_are_forgotten() {
        let (mut subs, health, _eventloop) = subscriptions(&["a/+"]);
        subs.ask_all();
        subs.sent(1);
        subs.forget();
        subs.answered(&suback(1, SubscribeReasonCode::NotAuthorized));
        assert!(health.borrow().reasons.is_empty());
    }
}
