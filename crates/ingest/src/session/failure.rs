//! Why a connection failed, sorted by what to do about it.
//!
//! Owns the reading of the client library's errors. Refuses to wait or to report: it only names.

use rumqttc::v5::mqttbytes::Error as PacketError;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, DisconnectReasonCode};
use rumqttc::v5::{ConnectionError, StateError};

use crate::health::HealthReason;

/// What kind of failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// The broker is not there, or went away.
    Away,
    /// The broker does not want us.
    Refused,
    /// Another process uses our client identifier.
    Conflict,
    /// Bytes that are not MQTT, or that break the flow control.
    Malformed,
    /// A packet of this many bytes, over the connection's limit.
    TooLarge(usize),
    /// No answer to a ping, or no progress.
    Stalled,
}

/// A failed connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Failure {
    pub(super) kind: Kind,
    /// For a person.
    pub(super) detail: String,
}

impl Failure {
    pub(super) fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self { kind, detail: detail.into() }
    }

    pub(super) fn of(error: &ConnectionError) -> Self {
        let kind = match error {
            ConnectionError::MqttState(state) => of_state(state),
            ConnectionError::ConnectionRefused(code) => of_connack(*code),
            ConnectionError::Tls(_) => Kind::Refused,
            ConnectionError::NotConnAck(_) => Kind::Malformed,
            ConnectionError::Timeout(_) | ConnectionError::Io(_) | ConnectionError::RequestsDone => {
                Kind::Away
            }
        };
        Self { kind, detail: detail(error) }
    }

    /// The health reason that names it.
    pub(super) const fn reason(&self) -> HealthReason {
        match self.kind {
            Kind::Away => HealthReason::BrokerUnreachable,
            Kind::Refused => HealthReason::BrokerRefused,
            Kind::Conflict => HealthReason::ClientIdConflict,
            Kind::Malformed | Kind::TooLarge(_) => HealthReason::MalformedTraffic,
            Kind::Stalled => HealthReason::SessionStalled,
        }
    }
}

fn of_state(error: &StateError) -> Kind {
    match error {
        StateError::Io(_)
        | StateError::ConnectionAborted
        | StateError::Deserialization(PacketError::Io(_)) => Kind::Away,
        StateError::Deserialization(PacketError::PayloadSizeLimitExceeded { pkt_size, .. }) => {
            Kind::TooLarge(*pkt_size)
        }
        StateError::IncomingPacketTooLarge { pkt_size, .. } => Kind::TooLarge(*pkt_size),
        StateError::AwaitPingResp | StateError::CollisionTimeout => Kind::Stalled,
        StateError::ConnFail { reason } => of_connack(*reason),
        StateError::ServerDisconnect { reason_code, .. } => of_disconnect(*reason_code),
        _ => Kind::Malformed,
    }
}

const fn of_connack(code: ConnectReturnCode) -> Kind {
    match code {
        ConnectReturnCode::ServiceUnavailable
        | ConnectReturnCode::ServerUnavailable
        | ConnectReturnCode::ServerBusy
        | ConnectReturnCode::ConnectionRateExceeded => Kind::Away,
        _ => Kind::Refused,
    }
}

const fn of_disconnect(code: DisconnectReasonCode) -> Kind {
    match code {
        DisconnectReasonCode::SessionTakenOver => Kind::Conflict,
        DisconnectReasonCode::NotAuthorized => Kind::Refused,
        DisconnectReasonCode::KeepAliveTimeout => Kind::Stalled,
        DisconnectReasonCode::MalformedPacket
        | DisconnectReasonCode::ProtocolError
        | DisconnectReasonCode::ReceiveMaximumExceeded
        | DisconnectReasonCode::PacketTooLarge => Kind::Malformed,
        _ => Kind::Away,
    }
}

fn detail(error: &ConnectionError) -> String {
    match error {
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
            let said = reason_string.as_deref().unwrap_or_default();
            format!("the broker ended the connection: {reason_code:?} {said}").trim_end().to_owned()
        }
        ConnectionError::ConnectionRefused(code) => format!("the broker refused the connection: {code:?}"),
        ConnectionError::Timeout(_) => "no connection within the time for it".to_owned(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Error, ErrorKind};

    use super::*;

    fn state(error: StateError) -> ConnectionError {
        ConnectionError::MqttState(error)
    }

    fn ended(reason_code: DisconnectReasonCode) -> ConnectionError {
        state(StateError::ServerDisconnect { reason_code, reason_string: Some("why".to_owned()) })
    }

    #[test]
    fn errors_are_sorted_by_what_to_do_about_them() {
        use DisconnectReasonCode as D;
        let limit = PacketError::PayloadSizeLimitExceeded { pkt_size: 99, max: 10 };
        let cases = [
            (ConnectionError::Io(Error::from(ErrorKind::ConnectionRefused)), Kind::Away),
            (state(StateError::ConnectionAborted), Kind::Away),
            (state(StateError::Deserialization(PacketError::TopicNotUtf8)), Kind::Malformed),
            (state(StateError::Deserialization(limit)), Kind::TooLarge(99)),
            (state(StateError::AwaitPingResp), Kind::Stalled),
            (ended(D::SessionTakenOver), Kind::Conflict),
            (ended(D::ServerShuttingDown), Kind::Away),
            (ended(D::ReceiveMaximumExceeded), Kind::Malformed),
            (ConnectionError::ConnectionRefused(ConnectReturnCode::NotAuthorized), Kind::Refused),
            (ConnectionError::ConnectionRefused(ConnectReturnCode::ServerBusy), Kind::Away),
        ];
        for (error, kind) in cases {
            assert_eq!(Failure::of(&error).kind, kind, "{error}");
        }
    }

    #[test]
    fn what_the_broker_said_is_in_the_detail() {
        let failure = Failure::of(&ended(DisconnectReasonCode::SessionTakenOver));
        assert_eq!(failure.detail, "the broker ended the connection: SessionTakenOver why");
        assert_eq!(failure.reason(), HealthReason::ClientIdConflict);
    }
}
