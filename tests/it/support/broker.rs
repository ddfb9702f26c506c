//! A private Mosquitto, and its own stock client as the sender.
//!
//! Owns one broker per value: its port, its persistence, its restarts. Nothing of ours takes part in sending.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use tempfile::TempDir;

use super::eventually;
use super::process::{Process, free_port, program, wait_for_port};

/// How long a broker may take to open its port.
const START: Duration = Duration::from_secs(10);

/// A Mosquitto on a port of its own.
#[derive(Debug)]
pub(crate) struct Broker {
    folder: TempDir,
    port: u16,
    /// Where the program is sent to instead.
    front: Option<u16>,
    process: Process,
}

impl Broker {
    /// Starts one. Its queues are long enough for what the tests send while nobody listens.
    pub(crate) fn start() -> Self {
        let folder = TempDir::new().expect("a folder for the broker");
        let port = free_port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\n\
             persistence_location {}/\nmax_queued_messages 200000\nmax_inflight_messages 2000\nlog_type error\nlog_type warning\n",
            folder.path().display()
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).expect("the broker's configuration");
        let process = launch(folder.path(), port);
        Self { folder, port, front: None, process }
    }

    /// Where the program finds it.
    pub(crate) fn url(&self) -> String {
        format!("mqtt://127.0.0.1:{}", self.front.unwrap_or(self.port))
    }

    /// From now on programs are sent to another port, which forwards to it.
    #[cfg_attr(test, expect(dead_code, reason = "the benchmark of line speed uses it, the tests do not"))]
    pub(crate) fn behind(&mut self, port: u16) {
        self.front = Some(port);
    }

    /// Its port.
    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// `kill -9`: what it had queued in memory is lost, as with a power cut.
    pub(crate) fn kill(&mut self) {
        self.process.kill();
    }

    /// Starts it again on the same port, after [`Broker::kill`].
    pub(crate) fn restart(&mut self) {
        self.process = launch(self.folder.path(), self.port);
    }

    /// Makes it write what it holds to its disk, as it does from time to time.
    pub(crate) fn save(&self) {
        let path = self.folder.path().join("mosquitto.db");
        let written = || std::fs::metadata(&path).and_then(|file| file.modified()).ok();
        let before = written();
        self.process.signal("USR1");
        eventually("the broker's store", START, || written().filter(|now| Some(*now) != before));
    }

    /// Publishes one message at QoS 1 and waits for the broker's acknowledgement.
    pub(crate) fn publish(&self, topic: &str, payload: &[u8]) {
        self.send(&["-t", topic], payload);
    }

    /// As [`Broker::publish`], and the broker gives it to every later subscriber; an empty one ends that.
    pub(crate) fn publish_retained(&self, topic: &str, payload: &[u8]) {
        self.send(&["-r", "-t", topic], payload);
    }

    fn send(&self, args: &[&str], payload: &[u8]) {
        let mut command = self.client();
        command.args(args).arg(if payload.is_empty() { "-n" } else { "-s" });
        let mut child = command.stdin(Stdio::piped()).spawn().expect("mosquitto_pub starts");
        child.stdin.take().expect("its input").write_all(payload).expect("the payload goes in");
        let status = child.wait().expect("mosquitto_pub ends");
        assert!(status.success(), "mosquitto_pub: {status}");
    }

    /// Publishes each line as a message at QoS 1, in the background.
    pub(crate) fn publish_lines(&self, topic: &str, lines: &[String]) -> Publication {
        let file = self.folder.path().join(format!("lines-{}", free_port()));
        std::fs::write(&file, lines.join("\n") + "\n").expect("the lines are written");
        let log = file.with_extension("log");
        let mut command = self.client();
        command.args(["-d", "-t", topic, "-l"]).stdin(std::fs::File::open(&file).expect("the lines"));
        let out = std::fs::File::create(&log).expect("a log file");
        let child = command.stdout(out).spawn().expect("mosquitto_pub starts");
        Publication { child, log }
    }

    fn client(&self) -> Command {
        let mut command = Command::new(program("mosquitto_pub"));
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-V", "5", "-q", "1"]);
        command
    }
}

/// A sender at work.
#[derive(Debug)]
pub(crate) struct Publication {
    child: std::process::Child,
    log: PathBuf,
}

impl Publication {
    /// How many messages the broker has acknowledged to the sender so far.
    pub(crate) fn acknowledged(&self) -> usize {
        std::fs::read_to_string(&self.log).unwrap_or_default().matches("received PUBACK").count()
    }

    /// Waits until every message is acknowledged by the broker; how many were.
    pub(crate) fn finish(mut self) -> usize {
        let status = self.child.wait().expect("mosquitto_pub ends");
        assert!(status.success(), "mosquitto_pub: {status}");
        self.acknowledged()
    }
}

fn launch(folder: &Path, port: u16) -> Process {
    let mut command = Command::new(program("mosquitto"));
    command.arg("-c").arg(folder.join("mosquitto.conf"));
    let process = Process::start(&mut command, &folder.join("mosquitto.log"));
    wait_for_port(port, START);
    process
}

#[test]
fn the_stock_client_is_heard_by_a_stock_subscriber_across_a_restart() {
    let mut broker = Broker::start();
    broker.kill();
    broker.restart();
    let lines: Vec<String> = (0..500).map(|n| format!("[{{\"n\":\"x\",\"v\":{n}}}]")).collect();
    let mut heard = Command::new(program("mosquitto_sub"))
        .args(["-h", "127.0.0.1", "-p", &broker.port.to_string(), "-q", "1", "-t", "units/#", "-C", "500"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("mosquitto_sub starts");
    // The subscriber needs a moment; a retained probe would change what is tested.
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(broker.publish_lines("units/a/b/senml", &lines).finish(), 500);
    let mut text = String::new();
    std::io::Read::read_to_string(&mut heard.stdout.take().expect("its output"), &mut text).expect("text");
    heard.wait().expect("mosquitto_sub ends");
    assert_eq!(text.lines().collect::<Vec<_>>(), lines);
}
