//! The demo's own broker: `rumqttd` inside the process, on loopback, without persistence.
//!
//! Refuses anything but the demo: a real installation has a broker of its own with rights on topics.

use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};

use anyhow::Context;
use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};

/// Where the broker listens: MQTT 5 and MQTT 3.1.1 need ports of their own.
#[derive(Debug, Clone, Copy)]
pub(crate) struct DemoBroker {
    /// MQTT 5.
    pub(crate) v5: u16,
    /// MQTT 3.1.1.
    pub(crate) v4: u16,
}

/// Largest message the broker takes: the program's own limit and some headroom.
const MAX_MESSAGE: usize = 2 * 1024 * 1024;

/// Starts the broker on free ports. It ends with the process.
pub(crate) fn start() -> anyhow::Result<DemoBroker> {
    let ports = DemoBroker { v5: free_port()?, v4: free_port()? };
    let config = Config {
        id: 0,
        router: RouterConfig {
            max_connections: 100,
            max_outgoing_packet_count: 200,
            max_segment_size: 16 * 1024 * 1024,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v5: Some(server("mqtt-5", ports.v5)),
        v4: Some(server("mqtt-3", ports.v4)),
        ..Config::default()
    };
    let mut broker = Broker::new(config);
    std::thread::Builder::new()
        .name("demo-broker".to_owned())
        .spawn(move || {
            if let Err(error) = broker.start() {
                tracing::error!(%error, "the demo's broker ended");
            }
        })
        .context("starting the demo's broker")?;
    Ok(ports)
}

fn server(name: &str, port: u16) -> HashMap<String, ServerSettings> {
    let settings = ServerSettings {
        name: name.to_owned(),
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 5_000,
            max_payload_size: MAX_MESSAGE,
            max_inflight_count: 500,
            auth: None,
            external_auth: None,
            dynamic_filters: true,
        },
    };
    HashMap::from([(name.to_owned(), settings)])
}

/// A port that is free now. Another program may take it in between; starting then fails and says so.
pub(crate) fn free_port() -> anyhow::Result<u16> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).context("finding a free port")?;
    Ok(listener.local_addr().context("finding a free port")?.port())
}
