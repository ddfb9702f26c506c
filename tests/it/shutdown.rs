//! Stopping on a service manager's signal: streams end, what was taken in is committed, the exit is clean and soon.

use std::io::Write;
use std::net::TcpStream;
use std::time::{Duration, Instant};

use crate::support::bench::{REGISTER, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms, on_both_stores};

/// The stated deadline of a stop.
const DEADLINE: Duration = Duration::from_secs(10);
const MESSAGES: u16 = 4_000;
const DRAIN: Duration = Duration::from_mins(1);

on_both_stores!(a_stop_under_load_is_clean_and_loses_nothing);

fn a_stop_under_load_is_clean_and_loses_nothing(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let token = daemon.token("deaf", "viewer", None);
    let streams = [reader.events(None), reader.events(None), reader.events(None)];
    let _deaf = [
        // A client whose request never ends, and one that opens a stream and never reads.
        connection(&daemon, "GET /metrics HTTP/1.1\r\nhost: x\r\n"),
        connection(
            &daemon,
            &format!("GET /api/v1/events HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {token}\r\n\r\n"),
        ),
    ];

    let first = now_ms() / 1000 * 1000 - 1000 * i64::from(MESSAGES);
    let lines: Vec<String> = (0..MESSAGES)
        .map(|n| snapshot(first + 1000 * i64::from(n), &[("message_number", "", f64::from(n))]))
        .collect();
    let publication = broker.publish_lines(&topic("northmoor", "NM-11"), &lines);
    eventually("some messages", DRAIN, || (publication.acknowledged() > 200).then_some(()));

    let began = Instant::now();
    let status = daemon.terminate(DEADLINE);
    assert!(status.success(), "{status} after {:?}:\n{}", began.elapsed(), daemon.said());
    for stream in &streams {
        assert!(stream.ends(Duration::from_secs(2)), "an open stream ends with the program");
    }
    assert_eq!(publication.finish(), usize::from(MESSAGES));
    daemon.restart();
    let stored = eventually("every message", DRAIN, || {
        let stored = samples(&reader, "northmoor", "NM-11", "message_number");
        (stored.len() >= usize::from(MESSAGES)).then_some(stored)
    });
    let numbers: Vec<f64> = stored.iter().map(|(_, value)| *value).collect();
    assert!(numbers.iter().copied().eq((0..MESSAGES).map(f64::from)), "each once, in order");
}

fn connection(daemon: &Daemon, text: &str) -> TcpStream {
    let mut socket = TcpStream::connect(daemon.base().trim_start_matches("http://")).expect("it listens");
    socket.write_all(text.as_bytes()).expect("it takes a request");
    socket
}
