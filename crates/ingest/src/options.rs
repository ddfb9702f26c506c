//! Options of the MQTT session, and their translation for the client library.
//!
//! Owns defaults and the relations between them that keep the session alive. Refuses values that could not work.

use std::time::Duration;

use rumqttc::Transport;
use rumqttc::v5::MqttOptions as ClientOptions;
use rumqttc::v5::mqttbytes::v5::ConnectProperties;

use crate::tls::{TlsError, TlsOptions};

/// Most bytes of an MQTT packet (MQTT 5.0, section 1.5.5: a remaining length of at most 268,435,455, and a header of 5).
pub(crate) const PACKET_CEILING: u32 = 268_435_460;
/// Smallest packet limit of the connection. Common practice: far above any honest message, small enough to hold once.
const PACKET_FLOOR: u32 = 16 * 1024 * 1024;
/// Packet limit of the connection in units of the message limit, so that a message over its limit is still received,
/// counted with topic and size, and acknowledged, instead of coming back for ever.
const PACKET_PER_MESSAGE: u32 = 4;
/// Shortest keep-alive the client library takes.
const SHORTEST_KEEP_ALIVE: Duration = Duration::from_secs(5);
/// Time for TCP, TLS and CONNACK together. Common practice.
const CONNECT_WITHIN_S: u64 = 10;
/// Room in the request channel beside acknowledgements: subscriptions and the disconnect.
const REQUEST_ROOM: usize = 64;

/// How to reach the broker, and how to work with it.
#[derive(Debug, Clone)]
pub struct MqttOptions {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Client identifier: the broker keeps our session under it, so it stays the same over restarts and no second
    /// process uses it.
    pub client_id: String,
    /// User name and password, where the broker asks for them.
    pub credentials: Option<Credentials>,
    /// TLS, or plain TCP when absent.
    pub tls: Option<TlsOptions>,
    /// Topic filters to subscribe to, each at QoS 1.
    pub filters: Vec<String>,
    /// QoS 1 messages in flight, not yet committed, as agreed with the broker. Twice as many are held at most, for
    /// brokers that overshoot, and fewer when they are long: the bound on memory is that times 16 KiB of payload, topic
    /// and content type.
    pub receive_maximum: u16,
    /// Longest message read; a longer one is refused, counted with topic and size, and acknowledged. [`crate::start()`]
    /// takes the decoder's limit instead.
    pub message_bytes: usize,
    /// Interval of pings on an idle connection; 5 s or more.
    pub keep_alive: Duration,
    /// How long the broker keeps our session while we are away.
    pub session_expiry: Duration,
    /// Batches of commits.
    pub batching: Batching,
    /// Unhealthy when connected and nothing came for this long.
    pub quiet_after: Option<Duration>,
    /// Interval between new attempts for a filter that the broker refused.
    pub refused_retry: Duration,
    /// Time to commit and acknowledge what is held, once told to stop.
    pub stop_within: Duration,
}

/// User name and password.
#[derive(Clone)]
pub struct Credentials {
    /// User name.
    pub username: String,
    /// Password.
    pub password: String,
}

/// The password is not shown.
impl std::fmt::Debug for Credentials {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Credentials").field("username", &self.username).finish_non_exhaustive()
    }
}

/// When a batch is committed: at the first of the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Batching {
    /// Messages in a batch.
    pub messages: usize,
    /// Time since the first message of the batch.
    pub linger: Duration,
}

/// Why options cannot work.
#[derive(Debug, thiserror::Error)]
pub enum OptionsError {
    /// A stable client identifier is needed.
    #[error(
        "client_id is empty: the broker keeps the session under an identifier that stays the same over restarts"
    )]
    ClientId,
    /// There is nothing to subscribe to.
    #[error("no topic filter to subscribe to")]
    NoFilter,
    /// The filter is not one.
    #[error("{0:?} is not a topic filter")]
    Filter(String),
    /// A number is zero that must not be.
    #[error("{0} is 0: 1 or more")]
    Zero(&'static str),
    /// The keep-alive is shorter than the client library takes, or longer than the protocol can say.
    #[error("keep_alive is {0:?}: 5 s to 65,535 s")]
    KeepAlive(Duration),
    /// TLS cannot be set up.
    #[error(transparent)]
    Tls(#[from] TlsError),
}

impl Default for Batching {
    fn default() -> Self {
        Self { messages: 4096, linger: Duration::from_millis(20) }
    }
}

impl Default for MqttOptions {
    fn default() -> Self {
        Self {
            host: "127.0.0.1".to_owned(),
            port: 1883,
            client_id: "notchwatch".to_owned(),
            credentials: None,
            tls: None,
            filters: Vec::new(),
            receive_maximum: 8000,
            message_bytes: 1024 * 1024,
            keep_alive: Duration::from_secs(30),
            session_expiry: Duration::from_hours(7 * 24),
            batching: Batching::default(),
            quiet_after: None,
            refused_retry: Duration::from_mins(1),
            stop_within: Duration::from_secs(5),
        }
    }
}

impl MqttOptions {
    /// Everything that can be told without connecting.
    pub fn check(&self) -> Result<(), OptionsError> {
        if self.client_id.is_empty() {
            return Err(OptionsError::ClientId);
        }
        if self.filters.is_empty() {
            return Err(OptionsError::NoFilter);
        }
        if let Some(bad) = self.filters.iter().find(|f| !rumqttc::valid_filter(f)) {
            return Err(OptionsError::Filter(bad.clone()));
        }
        for (name, zero) in [
            ("receive_maximum", self.receive_maximum == 0),
            ("message_bytes", self.message_bytes == 0),
            ("batch messages", self.batching.messages == 0),
        ] {
            if zero {
                return Err(OptionsError::Zero(name));
            }
        }
        let longest = Duration::from_secs(u64::from(u16::MAX));
        if !(SHORTEST_KEEP_ALIVE..=longest).contains(&self.keep_alive) {
            return Err(OptionsError::KeepAlive(self.keep_alive));
        }
        Ok(())
    }

    /// Largest packet taken from the connection, announced to the broker as Maximum Packet Size.
    pub(crate) fn packet_limit(&self) -> u32 {
        let message = u32::try_from(self.message_bytes).unwrap_or(PACKET_CEILING);
        message.saturating_mul(PACKET_PER_MESSAGE).clamp(PACKET_FLOOR, PACKET_CEILING)
    }

    /// Capacity of the client library's request channel. It must exceed what can be in flight, or the commit would
    /// wait for the poll loop: more than there are packet identifiers is more than any broker can have in flight.
    /// The channel takes memory for what is in it, not for this.
    pub(crate) fn request_capacity(&self) -> usize {
        usize::from(u16::MAX) + self.filters.len() + REQUEST_ROOM
    }

    /// Options for the client library.
    pub(crate) fn client(&self) -> Result<ClientOptions, OptionsError> {
        self.check()?;
        let mut client = ClientOptions::new(&self.client_id, &self.host, self.port);
        client
            .set_clean_start(false)
            .set_manual_acks(true)
            .set_keep_alive(self.keep_alive)
            .set_connection_timeout(CONNECT_WITHIN_S)
            .set_connect_properties(self.properties());
        if let Some(Credentials { username, password }) = &self.credentials {
            client.set_credentials(username, password);
        }
        if let Some(tls) = &self.tls {
            client.set_transport(Transport::tls_with_config(tls.client()?.into()));
        }
        Ok(client)
    }

    fn properties(&self) -> ConnectProperties {
        let mut properties = ConnectProperties::new();
        properties.receive_maximum = Some(self.receive_maximum);
        properties.session_expiry_interval =
            Some(u32::try_from(self.session_expiry.as_secs()).unwrap_or(u32::MAX));
        properties.max_packet_size = Some(self.packet_limit());
        // Aliases on receive stay off: a reconnect forgets them, and a message without its topic has no unit.
        properties.topic_alias_max = None;
        properties
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn good() -> MqttOptions {
        MqttOptions { filters: vec!["units/+/+/senml".to_owned()], ..MqttOptions::default() }
    }

    #[test]
    fn the_defaults_keep_the_session_alive() {
        let options = good();
        options.check().unwrap();
        assert!(options.request_capacity() > usize::from(u16::MAX));
        let client = options.client().unwrap();
        let properties = client.connect_properties().unwrap();
        assert!(client.manual_acks() && !client.clean_start());
        assert_eq!(properties.max_packet_size, Some(16 * 1024 * 1024));
        assert_eq!(properties.topic_alias_max, None);
        assert_eq!(properties.session_expiry_interval, Some(604_800));
    }

    #[test]
    fn the_packet_limit_stays_above_the_message_limit_and_within_the_protocol() {
        for (message, packet) in [
            (1, PACKET_FLOOR),
            (8 << 20, 32 << 20),
            (200 << 20, PACKET_CEILING),
            (usize::MAX, PACKET_CEILING),
        ] {
            assert_eq!(MqttOptions { message_bytes: message, ..good() }.packet_limit(), packet, "{message}");
        }
    }

    #[test]
    fn what_could_not_work_is_told_by_name() {
        let cases: [(MqttOptions, &str); 6] = [
            (MqttOptions { client_id: String::new(), ..good() }, "client_id"),
            (MqttOptions { filters: vec![], ..good() }, "no topic filter"),
            (MqttOptions { filters: vec!["a/#/b".to_owned()], ..good() }, "a/#/b"),
            (MqttOptions { receive_maximum: 0, ..good() }, "receive_maximum"),
            (MqttOptions { message_bytes: 0, ..good() }, "message_bytes"),
            (MqttOptions { keep_alive: Duration::from_secs(1), ..good() }, "keep_alive"),
        ];
        for (options, word) in cases {
            let error = options.check().unwrap_err().to_string();
            assert!(error.contains(word), "{error}");
        }
    }

    #[test]
    fn a_password_is_not_shown() {
        let credentials = Credentials { username: "ingest".to_owned(), password: "hush".to_owned() };
        let text = format!("{credentials:?}");
        assert!(text.contains("ingest") && !text.contains("hush"), "{text}");
    }
}
