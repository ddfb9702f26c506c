//! Stopping on a service manager's signal: streams end, what was taken in is committed, the exit is clean and soon.

use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use crate::support::bench::{REGISTER, samples};
use crate::support::broker::Broker;
use crate::support::daemon::{Daemon, notchwatch};
use crate::support::database::{Database, Engine};
use crate::support::process::Process;
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms, on_both_stores};

/// The stated deadline of a stop.
const DEADLINE: Duration = Duration::from_secs(10);
const MESSAGES: u16 = 4_000;
const DRAIN: Duration = Duration::from_mins(1);

on_both_stores!(
    a_stop_under_load_is_clean_and_loses_nothing,
    a_stop_within_an_import_and_within_catching_up_is_clean_and_loses_nothing,
);

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

/// An import is stopped half-way, and while what it has brought is being judged the program is told to stop, twice.
/// Both are done again to the end: every message is there and judged once.
fn a_stop_within_an_import_and_within_catching_up_is_clean_and_loses_nothing(engine: Engine) {
    const IMPORTED: i64 = 20_000;
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let folder = tempfile::TempDir::new().expect("a folder for the recorded day");
    let day = folder.path().join("day.ndjson.zst");
    std::fs::write(&day, stored_as_zstd(&recorded(IMPORTED))).expect("a recorded day");
    let counts = || {
        let units = reader.get("/api/v1/units?railway=northmoor").items();
        let unit = units.into_iter().find(|unit| unit["unit"] == "NM-11").expect("it is registered");
        ["samples", "repeats"]
            .map(|of| unit[of].as_str().and_then(|n| n.parse::<i64>().ok()).expect("a number"))
    };

    let mut import = import(&daemon, &day, folder.path());
    eventually("the first of the import to be judged", DRAIN, || (counts()[0] > 0).then_some(()));
    import.signal("TERM");
    daemon.signal("TERM");
    daemon.signal("INT");
    let status = daemon.wait(DEADLINE);
    assert!(status.success(), "{status}:\n{}", daemon.said());
    // It ends by the signal, or was through a moment before.
    import.wait(DEADLINE);

    daemon.restart();
    let mut again = self::import(&daemon, &day, folder.path());
    assert!(again.wait(DRAIN).success(), "{}", again.said());
    // The journal is judged in its order, so what comes now is judged behind all of it.
    let live = now_ms() / 1000 * 1000 + 1000;
    broker.publish(&topic("northmoor", "NM-11"), snapshot(live, &[("message_number", "", 0.0)]).as_bytes());
    let judged = jiff::Timestamp::from_millisecond(live).expect("a time of our days").to_string();
    eventually("every message to be judged", DRAIN, || {
        let units = reader.get("/api/v1/units?railway=northmoor").items();
        units.iter().any(|unit| unit["judged"] == *judged).then_some(())
    });
    let [samples, repeats] = counts();
    assert_eq!(samples, IMPORTED + 1, "each once, beside {repeats} repeats");
    assert!(repeats < IMPORTED + 1);
}

fn import(daemon: &Daemon, day: &Path, folder: &Path) -> Process {
    let mut command = Command::new(notchwatch());
    command.args(["import", "--config"]).arg(daemon.config()).arg(day);
    Process::start(&mut command, &folder.join("import.log"))
}

/// Messages of one unit, a second apart, the last of now, as lines of a recorded day.
fn recorded(number: i64) -> Vec<u8> {
    let first = now_ms() / 1000 * 1000 - 1000 * number;
    let line = |n: i64| {
        let at = first + 1000 * n;
        let received = jiff::Timestamp::from_millisecond(at).expect("a time of our days");
        let place = topic("northmoor", "NM-11");
        let seconds = at / 1000;
        format!(
            "{{\"received\":\"{received}\",\"topic\":\"{place}\",\
             \"payload\":[{{\"n\":\"message_number\",\"t\":{seconds},\"v\":{n}}}]}}\n"
        )
    };
    (0..number).map(line).collect::<String>().into_bytes()
}

/// A zstd frame whose blocks are stored as they are (RFC 8878, sections 3.1.1.1 and 3.1.1.2).
fn stored_as_zstd(bytes: &[u8]) -> Vec<u8> {
    const BLOCK: usize = 128 * 1024;
    /// No content size, no checksum; a window of 2 MiB.
    const HEADER: [u8; 6] = [0x28, 0xb5, 0x2f, 0xfd, 0x00, 0x58];
    let mut frame = HEADER.to_vec();
    let blocks = bytes.chunks(BLOCK).count();
    for (number, block) in bytes.chunks(BLOCK).enumerate() {
        let head = u32::from(number + 1 == blocks) | u32::try_from(block.len() << 3).expect("a small number");
        frame.extend(&head.to_le_bytes()[..3]);
        frame.extend(block);
    }
    frame
}

fn connection(daemon: &Daemon, text: &str) -> TcpStream {
    let mut socket = TcpStream::connect(daemon.base().trim_start_matches("http://")).expect("it listens");
    socket.write_all(text.as_bytes()).expect("it takes a request");
    socket
}
