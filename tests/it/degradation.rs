//! What runs out degrades in the order that `deploy/operations.md` states, says so, loses nothing that was acknowledged
//! and heals by itself: the disk, the speed of the database, memory, file handles.
//!
//! Each case squeezes one resource under the real program, waits until it says so, and gives it back.

use std::io::Write as _;
use std::net::TcpStream;
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::bench::{
    REGISTER, falling_oil_pressure, finding_of, identity, open_finding, pack, samples,
};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine, shared_server};
use crate::support::http::Client;
use crate::support::postgres::Postgres;
use crate::support::publisher::{Publish, Publisher};
use crate::support::random::Random;
use crate::support::senml::topic;
use crate::support::slow_link::SlowLink;
use crate::support::small_disk::SmallDisk;
use crate::support::{eventually, now_ms};

/// How long a program on a busy machine may take to notice, and to heal: retries are 10 s apart at most.
const HEALS: Duration = Duration::from_mins(2);
/// Messages that fill a disk whatever was free, and a stop for a disk that does not fill.
const MOST: usize = 400;
/// Numbers in one of them.
const NUMBERS: usize = 2_000;

#[test]
fn a_full_disk_below_sqlite_holds_messages_and_heals() {
    let Some(disk) = SmallDisk::mount(48) else { return };
    let (broker, database) = (Broker::start(), Database::in_folder(disk.path()));
    fill_and_free(&broker, &database, &disk);
}

/// What fills the disk here is the log that another program keeps from being cut back.
#[test]
fn a_log_that_another_program_holds_is_told_and_cut_back_when_let_go() {
    const BOUND: f64 = 64.0 * 1024.0 * 1024.0;
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    let size = || metric(&client, "notchwatch_store_log_bytes ").expect("the size of the log");
    let ready = |told: &str| {
        let answer = daemon.anonymous().get("/readyz");
        (answer.status == 200 && answer.text == told).then_some(())
    };
    assert!(size() <= BOUND, "{}", size());
    let holder = database.hold_log();
    eventually("the note", HEALS, || ready(r#"{"reasons":[],"notes":["store-log-held"]}"#));
    assert!(size() > BOUND, "{}", size());
    broker.publish(&topic("northmoor", "NM-11"), pack(now_ms(), 400_000.0).as_bytes());
    eventually("a message meanwhile", HEALS, || {
        (samples(&client, "northmoor", "NM-11", "oil_pressure").len() == 1).then_some(())
    });
    drop(holder);
    eventually("the end of the note", HEALS, || ready(r#"{"reasons":[]}"#));
    assert!(size() <= BOUND, "cut back beside the process that runs: {}", size());
}

#[test]
fn a_full_disk_below_postgres_holds_messages_and_heals() {
    let Some(disk) = SmallDisk::mount(96) else { return };
    let (broker, server) = (Broker::start(), Postgres::start());
    let database = server.database_below(disk.path());
    fill_and_free(&broker, &database, &disk);
}

/// A disk that is full: nothing is acknowledged, reads go on, decisions are told that they failed; then it has room.
fn fill_and_free(broker: &Broker, database: &Database, disk: &SmallDisk) {
    let mut daemon = Daemon::start(broker, database, &[REGISTER]);
    let operator = daemon.client("olsen", "operator", None);
    let (id, version) = identity(&open_finding(broker, &operator, "northmoor", "NM-11"));
    disk.fill();
    let mut publisher = Publisher::connect(broker.port());
    let mut random = Random::new(7);
    let first = now_ms() - 3_600_000;
    let mut sent = 0;
    while !says(&daemon.anonymous(), "no-space") {
        assert!(sent < MOST, "the disk does not fill");
        let payload = numbers(first + i64::try_from(sent * NUMBERS).expect("small"), &mut random);
        publisher.send(&message("NM-12", payload), false);
        sent += 1;
        std::thread::sleep(Duration::from_millis(50));
    }
    publisher.settle();
    assert_eq!(operator.get("/api/v1/findings").items().len(), 1, "reads go on");
    let refused = operator.act(&id, "acknowledge", &version, &json!({}));
    assert_eq!(refused.status, 503, "a decision that is not kept is not confirmed: {}", refused.text);
    daemon.assert_running();
    daemon.kill();
    daemon.start_again();
    eventually("reads after a start on the full disk", HEALS, || {
        daemon.assert_running();
        let answer = operator.try_get("/api/v1/findings").ok().filter(|answer| answer.status == 200)?;
        (answer.items().len() == 1).then_some(())
    });

    disk.free();
    ready(&mut daemon);
    let stored = sent * NUMBERS;
    eventually(&format!("{stored} numbers, each once"), HEALS, || {
        (count(&operator, "NM-12") == stored).then_some(())
    });
    let record = operator.get(&format!("/api/v1/findings/{id}")).json();
    let (_, version) = identity(&record);
    let accepted = operator.act(&id, "acknowledge", &version, &json!({}));
    assert_eq!(accepted.status, 200, "{}", accepted.text);
}

#[test]
fn a_slow_database_is_told_and_waited_for() {
    let server = shared_server();
    let (user, rest) = server.split_once('@').expect("a PostgreSQL URL with a user");
    let (host, name) = rest.split_once('/').expect("a PostgreSQL URL with a database");
    let link = SlowLink::to(host);
    let (broker, database) =
        (Broker::start(), Database::on_server(&format!("{user}@127.0.0.1:{}/{name}", link.port())));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    link.delay(Duration::from_secs(3));
    let lines = falling_oil_pressure(10);
    assert_eq!(broker.publish_lines(&topic("northmoor", "NM-11"), &lines).finish(), lines.len());
    let anonymous = daemon.anonymous();
    eventually("the slow database to be told", HEALS, || {
        says(&anonymous, "database-unreachable").then_some(())
    });
    let answer = reader.get("/api/v1/findings");
    assert_eq!(answer.status, 503, "an answer in bounded time that says so: {}", answer.text);
    assert_eq!(anonymous.get("/livez").status, 200);

    link.delay(Duration::ZERO);
    ready(&mut daemon);
    finding_of(&reader, "NM-11");
    assert_eq!(samples(&reader, "northmoor", "NM-11", "oil_pressure").len(), lines.len(), "each once");
}

/// Bytes of a padded message, and how many come: several times what may be held.
const PADDED: usize = 400_000;
const FLOOD: usize = 150;
/// Held messages stand for 16 KiB at least; 40 places are what a receive maximum of 20 gives.
const PLACES: f64 = 40.0;
/// How much the program may grow meanwhile, in MiB: far below what is sent.
const GROWTH_MIB: u64 = 40;

#[test]
fn large_messages_that_cannot_be_stored_are_held_within_a_bound() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let mut daemon = Daemon::start_receiving(&broker, &database, 20);
    let reader = daemon.client("reader", "viewer", None);
    let before = resident_mib(daemon.id());
    let held = database.lock();
    let mut publisher = Publisher::connect(broker.port());
    let first = now_ms() - 3_600_000;
    for number in 0..FLOOD {
        let at = first + i64::try_from(number).expect("small") * 1000;
        let mut pack = pack(at, 420_000.0).into_bytes();
        pack.resize(PADDED, b' ');
        publisher.send(&message("NM-11", pack), false);
        // Junk beside it: units that nobody registered.
        publisher.send(&message(&format!("nobody-{number}"), b"[]".to_vec()), false);
    }
    publisher.settle();
    let taken = eventually("messages to be held", HEALS, || {
        metric(&reader, "notchwatch_ingest_held").filter(|held| *held > 1.0)
    });
    assert!(taken <= PLACES, "{taken} held");
    let grown = resident_mib(daemon.id()).saturating_sub(before);
    assert!(grown < GROWTH_MIB, "grown by {grown} MiB with {taken} messages held");

    drop(held);
    ready(&mut daemon);
    eventually("every message to be stored", HEALS, || {
        (samples(&reader, "northmoor", "NM-11", "oil_pressure").len() == FLOOD).then_some(())
    });
}

/// Messages in flight at most where small ones are sent, and how many come: more than the broker hands out at one time.
const SMALL_IN_FLIGHT: u16 = 2000;
const SMALL_FLOOD: usize = 2600;
/// How much the program may grow with them, in MiB: the bound of 32 KiB a message in flight, and half as much for the rest.
const SMALL_GROWTH_MIB: u64 = 96;
/// Records of a pack of junk, 15 KB of them: more than a hundred bytes each while each was a refusal of its own.
const JUNK: usize = 900;
/// Bytes of a long topic; MQTT allows 65,535 (section 1.5.4).
const LONG_TOPIC: usize = 65_000;

#[test]
fn packs_of_junk_that_cannot_be_stored_are_held_within_a_bound() {
    let records: Vec<Value> = (0..JUNK).map(|_| json!({ "n": "zz", "v": 1 })).collect();
    let junk = message("NM-11", serde_json::to_vec(&records).expect("JSON"));
    small_ones_are_held_within_a_bound(|_| junk.clone(), "unknown-channel", SMALL_FLOOD * JUNK);
}

#[test]
fn long_topics_that_cannot_be_stored_are_held_within_a_bound() {
    let long = "x".repeat(LONG_TOPIC);
    let of = |number| message(&format!("{long}{number}"), b"[]".to_vec());
    small_ones_are_held_within_a_bound(of, "topic", SMALL_FLOOD);
}

/// Small messages that are refused: what is held of them is bounded in bytes all the same, and each is counted.
fn small_ones_are_held_within_a_bound(of: impl Fn(usize) -> Publish, reason: &str, counted: usize) {
    let (broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let mut daemon = Daemon::start_receiving(&broker, &database, SMALL_IN_FLIGHT);
    let reader = daemon.client("reader", "viewer", None);
    let before = resident_mib(daemon.id());
    let held = database.lock();
    let mut publisher = Publisher::connect(broker.port());
    for number in 0..SMALL_FLOOD {
        publisher.send(&of(number), false);
    }
    publisher.settle();
    // Nothing more comes in once every place is taken.
    let mut last = 0.0;
    let taken = eventually("as many messages to be held as may be", HEALS, || {
        std::thread::sleep(Duration::from_secs(1));
        let now = metric(&reader, "notchwatch_ingest_held")?;
        let still = now > 1.0 && (now - last).abs() < 0.5;
        last = now;
        still.then_some(now)
    });
    let grown = resident_mib(daemon.id()).saturating_sub(before);
    assert!(grown < SMALL_GROWTH_MIB, "grown by {grown} MiB with {taken} messages held");

    drop(held);
    ready(&mut daemon);
    let refused = format!("notchwatch_refused_total{{reason=\"{reason}\"}}");
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    let wanted = counted as f64;
    eventually("every refusal to be counted", HEALS, || {
        metric(&reader, &refused).filter(|counted| *counted >= wanted)
    });
}

/// Files that the program may open, and callers that keep a connection without asking for anything.
const FILES: u32 = 128;
const CALLERS: usize = 300;

#[test]
fn a_flood_of_connections_takes_no_file_handle_from_ingest() {
    let (mut broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let mut daemon = Daemon::start_with_files(&broker, &database, FILES);
    let reader = daemon.client("reader", "viewer", None);
    let address = daemon.base().trim_start_matches("http://").to_owned();
    let callers: Vec<TcpStream> = (0..CALLERS)
        .map(|_| {
            let mut caller = TcpStream::connect(&address).expect("the kernel's queue takes it");
            caller.write_all(b"GET /livez HT").expect("part of a head");
            caller
        })
        .collect();
    // The broker is needed anew meanwhile, and with it handles. It keeps our session.
    broker.save();
    broker.kill();
    broker.restart();
    broker.publish(&topic("northmoor", "NM-11"), b"not a pack");
    let lines = falling_oil_pressure(10);
    assert_eq!(broker.publish_lines(&topic("northmoor", "NM-11"), &lines).finish(), lines.len());
    // Its own log is the one way to look that needs no connection to it.
    eventually("the broker to be connected anew", HEALS, || {
        daemon.assert_running();
        (daemon.said().matches("subscribed").count() > 1).then_some(())
    });
    drop(callers);
    ready(&mut daemon);
    finding_of(&reader, "NM-11");
    assert!(!daemon.said().contains("Too many open files"), "{}", daemon.said());
}

/// Whether the program names a reason for not being ready.
fn says(client: &Client, reason: &str) -> bool {
    let Ok(answer) = client.try_get("/readyz") else { return false };
    answer.status == 503
        && answer.json()["reasons"].as_array().is_some_and(|all| all.iter().any(|r| r == reason))
}

/// Waits until it is well again, in the same process.
fn ready(daemon: &mut Daemon) {
    let anonymous = daemon.anonymous();
    eventually("readiness by itself", HEALS, || {
        daemon.assert_running();
        anonymous.try_get("/readyz").ok().filter(|answer| answer.status == 200)
    });
}

fn message(unit: &str, payload: Vec<u8>) -> Publish {
    Publish {
        topic: topic("northmoor", unit).into(),
        payload: payload.into(),
        content_type: "application/senml+json",
    }
}

/// Numbers that no compression makes small, one a millisecond.
fn numbers(first_ms: i64, random: &mut Random) -> Vec<u8> {
    let records: Vec<Value> = (0..i64::try_from(NUMBERS).expect("small"))
        .map(|n| {
            #[expect(clippy::cast_precision_loss, reason = "a time of our days in seconds")]
            let time = (first_ms + n) as f64 / 1000.0;
            json!({ "n": "message_number", "t": time, "v": random.below(1 << 50) })
        })
        .collect();
    serde_json::to_vec(&records).expect("JSON")
}

/// Samples of a unit that were judged, each once.
fn count(client: &Client, unit: &str) -> usize {
    let units = client.get("/api/v1/units?railway=northmoor").items();
    let found = units.iter().find(|u| u["unit"] == unit);
    found.and_then(|u| u["samples"].as_str()?.parse().ok()).unwrap_or(0)
}

fn metric(client: &Client, name: &str) -> Option<f64> {
    let text = client.get("/metrics").text;
    text.lines().find_map(|line| line.strip_prefix(name)?.trim().parse().ok())
}

/// Memory of a process that is in use now, in MiB (`proc_pid_status(5)`).
fn resident_mib(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).expect("a running process");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("its memory");
    let kib: u64 = line.split_whitespace().next().and_then(|n| n.parse().ok()).expect("a number of KiB");
    kib / 1024
}
