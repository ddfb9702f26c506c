//! A private Mosquitto, and a stock way to publish to it.

use std::net::TcpListener as StdListener;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tempfile::TempDir;
use tokio::net::TcpStream;

use super::PATIENCE;

/// Most bytes of a packet of the publishing client.
const LARGE: u32 = 64 * 1024 * 1024;

pub(crate) struct Broker {
    pub(crate) port: u16,
    folder: TempDir,
    child: Child,
}

impl Broker {
    /// Starts a broker with queues as deep as needed and these lines of configuration.
    pub(crate) async fn start(lines: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let port = free_port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nmax_queued_messages 0\n\
             max_inflight_messages 0\nlog_type none\n{lines}\n"
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let child = spawn(&folder);
        let broker = Self { port, folder, child };
        broker.answers().await;
        broker
    }

    /// Starts it again.
    pub(super) async fn restart_after_kill(&mut self) {
        self.child = spawn(&self.folder);
        self.answers().await;
    }

    /// Kills it, as a power cut would.
    pub(super) fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    async fn answers(&self) {
        let connected = tokio::time::timeout(PATIENCE, async {
            while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        assert!(connected.await.is_ok(), "mosquitto does not answer on port {}", self.port);
    }

    /// Publishes at QoS 1 with a client of its own, and returns when the broker has everything.
    pub(crate) async fn publish(&self, topic: &str, payloads: &[impl AsRef<[u8]>]) {
        publish(self.port, topic, payloads).await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if self.child.kill().is_ok() {
            drop(self.child.wait());
        }
    }
}

fn spawn(folder: &TempDir) -> Child {
    let debian = "/usr/sbin/mosquitto";
    let program = if std::path::Path::new(debian).exists() { debian } else { "mosquitto" };
    Command::new(program)
        .arg("-c")
        .arg(folder.path().join("mosquitto.conf"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("these tests need the program mosquitto (package mosquitto)")
}

pub(super) fn free_port() -> u16 {
    StdListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

async fn publish(port: u16, topic: &str, payloads: &[impl AsRef<[u8]>]) {
    let mut options = MqttOptions::new(format!("unit-{}", free_port()), "127.0.0.1", port);
    options.set_max_packet_size(Some(LARGE));
    let (client, mut eventloop) = AsyncClient::new(options, payloads.len() + 1);
    for payload in payloads {
        client.try_publish(topic, QoS::AtLeastOnce, false, payload.as_ref().to_vec()).unwrap();
    }
    let mut confirmed = 0;
    let all = tokio::time::timeout(PATIENCE, async {
        while confirmed < payloads.len() {
            match eventloop.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => confirmed += 1,
                Ok(_) => {}
                Err(error) => panic!("publishing failed: {error}"),
            }
        }
    });
    assert!(all.await.is_ok(), "the broker did not take every message");
}
