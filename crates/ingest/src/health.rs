//! Health of ingest: a set of reasons from a fixed list, each with a detail for a person.
//!
//! Owns which reasons make ingest not ready and which only warn.

use std::collections::BTreeMap;

use tokio::sync::watch;

/// Why ingest is not well. A fixed list: reasons label metrics.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum HealthReason {
    /// There is no connection to the broker.
    BrokerUnreachable,
    /// The broker answered and refused us (credentials, rights, identifier).
    BrokerRefused,
    /// Connected; the broker has not yet answered every subscription.
    NotSubscribed,
    /// The broker refused a topic filter, or did not answer for it.
    FilterRefused,
    /// The broker grants a filter at QoS 0 only: what is lost there, nobody notices. A warning.
    QosReduced,
    /// Another process uses our client identifier.
    ClientIdConflict,
    /// What the connection carries cannot be read as MQTT, or is over its packet limit.
    MalformedTraffic,
    /// The connection made no progress within twice the keep-alive and was given up.
    SessionStalled,
    /// Connected and subscribed, and nothing comes.
    Quiet,
    /// The database does not answer: messages are held, not acknowledged.
    DatabaseUnreachable,
    /// No space is left for the database: messages are held, not acknowledged.
    NoSpace,
    /// The store fails in a way that waiting may not cure: messages are held, not acknowledged.
    StoreFailing,
    /// Ingest has been told to stop, or has ended.
    Stopped,
}

impl HealthReason {
    /// Every reason, in a fixed order.
    pub const ALL: [HealthReason; 13] = [
        HealthReason::BrokerUnreachable,
        HealthReason::BrokerRefused,
        HealthReason::NotSubscribed,
        HealthReason::FilterRefused,
        HealthReason::QosReduced,
        HealthReason::ClientIdConflict,
        HealthReason::MalformedTraffic,
        HealthReason::SessionStalled,
        HealthReason::Quiet,
        HealthReason::DatabaseUnreachable,
        HealthReason::NoSpace,
        HealthReason::StoreFailing,
        HealthReason::Stopped,
    ];

    /// The reason as it is shown and as a metric's label.
    pub const fn code(self) -> &'static str {
        match self {
            HealthReason::BrokerUnreachable => "broker-unreachable",
            HealthReason::BrokerRefused => "broker-refused",
            HealthReason::NotSubscribed => "not-subscribed",
            HealthReason::FilterRefused => "filter-refused",
            HealthReason::QosReduced => "qos-reduced",
            HealthReason::ClientIdConflict => "client-id-conflict",
            HealthReason::MalformedTraffic => "malformed-traffic",
            HealthReason::SessionStalled => "session-stalled",
            HealthReason::Quiet => "quiet",
            HealthReason::DatabaseUnreachable => "database-unreachable",
            HealthReason::NoSpace => "no-space",
            HealthReason::StoreFailing => "store-failing",
            HealthReason::Stopped => "stopped",
        }
    }

    /// Whether it only warns: ingest still takes in everything it is sent.
    pub const fn is_warning(self) -> bool {
        matches!(self, HealthReason::QosReduced)
    }
}

/// What is wrong now, if anything.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Health {
    /// Reasons, each with a detail for a person.
    pub reasons: BTreeMap<HealthReason, String>,
}

impl Health {
    /// Whether nothing but warnings is there.
    pub fn ready(&self) -> bool {
        self.reasons.keys().all(|r| r.is_warning())
    }
}

/// Where the tasks of ingest write their part of health. Clones share it.
#[derive(Debug, Clone)]
pub(crate) struct HealthCell(watch::Sender<Health>);

impl HealthCell {
    pub(crate) fn new() -> (Self, watch::Receiver<Health>) {
        let (sender, receiver) = watch::channel(Health::default());
        (Self(sender), receiver)
    }

    /// States a reason. Readers are woken only when it is new or its detail changed.
    pub(crate) fn set(&self, reason: HealthReason, detail: impl Into<String>) {
        let detail = detail.into();
        self.0.send_if_modified(|health| {
            let before = health.reasons.insert(reason, detail.clone());
            before.as_ref() != Some(&detail)
        });
    }

    /// Takes reasons back.
    pub(crate) fn clear(&self, reasons: &[HealthReason]) {
        self.0.send_if_modified(|health| {
            reasons.iter().filter(|r| health.reasons.remove(r).is_some()).count() > 0
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_differ_and_only_warnings_leave_it_ready() {
        let codes: std::collections::BTreeSet<_> = HealthReason::ALL.iter().map(|r| r.code()).collect();
        assert_eq!(codes.len(), HealthReason::ALL.len());
        for reason in HealthReason::ALL {
            let health = Health { reasons: [(reason, String::new())].into() };
            assert_eq!(health.ready(), reason == HealthReason::QosReduced, "{reason:?}");
        }
    }

    #[test]
    fn readers_wake_only_for_a_change() {
        let (cell, mut reader) = HealthCell::new();
        cell.set(HealthReason::Quiet, "60 s");
        assert!(reader.has_changed().unwrap());
        reader.mark_unchanged();
        cell.set(HealthReason::Quiet, "60 s");
        cell.clear(&[HealthReason::NoSpace]);
        assert!(!reader.has_changed().unwrap());
        cell.clear(&[HealthReason::NoSpace, HealthReason::Quiet]);
        assert!(reader.has_changed().unwrap() && reader.borrow().ready());
    }
}
