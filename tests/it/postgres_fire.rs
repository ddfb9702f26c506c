//! PostgreSQL under fire: connections ended at random while messages and decisions are taken, and the server stopped as
//! a power cut stops it. What was confirmed holds, nothing is there twice, and nobody has to help.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::json;

use crate::support::bench::{REGISTER, finding_of, identity, open_finding, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine, psql};
use crate::support::http::Client;
use crate::support::postgres::Postgres;
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms};

/// Messages sent meanwhile.
const MESSAGES: usize = 6_000;
/// How long everything may take to settle on a busy machine.
const SETTLES: Duration = Duration::from_mins(3);
/// How long a read may take to say that there is no database.
const FAILS_WITHIN: Duration = Duration::from_secs(10);
/// Pause between two shots: several commits fit in between, so that work is cut at any point of it.
const PAUSE: Duration = Duration::from_millis(120);
/// Shots at least, with the connections that each one ends chosen by the server's own dice.
const SHOTS: usize = 40;
/// Ends about half of the program's connections.
const SHOOT: &str = "select pg_terminate_backend(pid) from pg_stat_activity \
                     where datname = current_database() and application_name = 'notchwatch' and random() < 0.5";

#[test]
fn connections_ended_at_random_lose_nothing_and_repeat_nothing() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Postgres));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let operator = daemon.client("olsen", "operator", None);
    let (id, _) = identity(&open_finding(&broker, &operator, "northmoor", "NM-11"));

    let first = now_ms() / 1000 * 1000 - 1000 * i64::try_from(MESSAGES).expect("small");
    let sent: Vec<(i64, f64)> = (0..u16::try_from(MESSAGES).expect("small"))
        .map(|number| (first + 1000 * i64::from(number), f64::from(number)))
        .collect();
    let lines: Vec<String> =
        sent.iter().map(|(at, number)| snapshot(*at, &[("message_number", "", *number)])).collect();
    let publication = broker.publish_lines(&topic("northmoor", "NM-12"), &lines);

    let over = AtomicBool::new(false);
    let confirmed = std::thread::scope(|scope| {
        let notes = scope.spawn(|| take_notes(&operator, &id, &over));
        for _ in 0..SHOTS {
            psql(&database.url(), SHOOT);
            std::thread::sleep(PAUSE);
        }
        over.store(true, Ordering::Relaxed);
        notes.join().expect("a note is confirmed or refused, never anything else")
    });
    assert_eq!(publication.finish(), MESSAGES);
    daemon.wait_until_ready();
    let stored = eventually("every message to be stored", SETTLES, || {
        let stored = samples(&operator, "northmoor", "NM-12", "message_number");
        (stored.len() >= MESSAGES).then_some(stored)
    });
    assert!(stored == sent, "every message once");
    let history = operator.get(&format!("/api/v1/findings/{id}/history?limit=500")).text;
    for note in &confirmed {
        assert_eq!(history.matches(&format!("\"{note}\"")).count(), 1, "{note}, confirmed, stands once");
    }
    assert!(!confirmed.is_empty(), "some notes were taken between the shots");
    assert_eq!(operator.get("/api/v1/findings").items().len(), 1, "one finding");
}

/// Notes on a finding until it is over; the texts of those that were confirmed.
fn take_notes(client: &Client, id: &str, over: &AtomicBool) -> Vec<String> {
    let mut confirmed = Vec::new();
    let mut number = 0;
    while !over.load(Ordering::Relaxed) && number < 200 {
        number += 1;
        let record = client.get(&format!("/api/v1/findings/{id}"));
        if record.status != 200 {
            assert_eq!(record.status, 503, "{}", record.text);
            continue;
        }
        let text = format!("note {number} of the shift");
        let (_, version) = identity(&record.json());
        let answer = client.act(id, "note", &version, &json!({ "text": text }));
        match answer.status {
            200 => confirmed.push(text),
            409 | 503 => {}
            other => panic!("{other}: {}", answer.text),
        }
        std::thread::sleep(PAUSE / 4);
    }
    confirmed
}

#[test]
fn a_server_stopped_at_once_is_told_waited_for_and_used_again() {
    let (broker, server) = (Broker::start(), Postgres::start());
    let database = Database::on_server(&server.url("postgres"));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let first = now_ms() - 60_000;
    for round in 1..=3_i64 {
        let lines: Vec<String> =
            (0..200).map(|n| pack(first - round * 1_000_000 + n * 1000, 420_000.0)).collect();
        let publication = broker.publish_lines(&topic("northmoor", "NM-11"), &lines);
        server.stop();
        let anonymous = daemon.anonymous();
        eventually("the loss to be told", SETTLES, || {
            let answer = anonymous.get("/readyz");
            let told = answer.json()["reasons"]
                .as_array()
                .is_some_and(|all| all.iter().any(|r| r == "database-unreachable"));
            (answer.status == 503 && told).then_some(())
        });
        assert_eq!(publication.finish(), lines.len(), "the broker takes them meanwhile");
        server.start_again();
        daemon.wait_until_ready();
        let wanted = 200 * usize::try_from(round).expect("small");
        eventually("every message of this round", SETTLES, || {
            (samples(&reader, "northmoor", "NM-11", "oil_pressure").len() == wanted).then_some(())
        });
    }
    open_finding(&broker, &reader, "northmoor", "NM-12");
    finding_of(&reader, "NM-12");
}

/// As when others have all its connections, and no error of the network tells so.
#[test]
fn a_server_without_a_free_connection_is_told_waited_for_and_used_again() {
    let (broker, server) = (Broker::start(), Postgres::start());
    let master = server.url("postgres");
    psql(&master, "create role watch login createdb");
    let database = Database::on_server(&master.replace("postgres@", "watch@"));
    let Database::Postgres { name, .. } = &database else { unreachable!("made on a server") };
    let connections = |most: i32| psql(&master, &format!("alter database {name} connection limit {most}"));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let lines: Vec<String> = (0..200).map(|n| pack(now_ms() - 600_000 + n * 1000, 420_000.0)).collect();

    connections(0);
    psql(
        &master,
        &format!("select pg_terminate_backend(pid) from pg_stat_activity where datname = '{name}'"),
    );
    let publication = broker.publish_lines(&topic("northmoor", "NM-11"), &lines);
    let anonymous = daemon.anonymous();
    eventually("the loss to be told", SETTLES, || {
        let answer = anonymous.get("/readyz");
        (answer.status == 503 && answer.text.contains("database-unreachable")).then_some(())
    });
    let asked = std::time::Instant::now();
    let answer = reader.get("/api/v1/findings");
    assert_eq!(answer.status, 503, "{}", answer.text);
    assert!(asked.elapsed() < FAILS_WITHIN, "{:?}", asked.elapsed());
    assert_eq!(publication.finish(), lines.len(), "the broker takes them meanwhile");

    connections(-1);
    daemon.wait_until_ready();
    eventually("every message", SETTLES, || {
        (samples(&reader, "northmoor", "NM-11", "oil_pressure").len() == lines.len()).then_some(())
    });
}
