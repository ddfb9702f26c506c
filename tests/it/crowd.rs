//! Many people decide while messages come as fast as they are taken and somebody reads for long: nobody is told of a lock,
//! every answer of 200 is an event, and nothing that was sent is missing.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::bench::{REGISTER, identity, open_finding};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::Client;
use crate::support::publisher::{Publish, Publisher};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

/// How many decide, and for how long.
const PEOPLE: usize = 20;
const FOR: Duration = Duration::from_secs(12);
/// Records of a message, and messages sent before all are waited for.
const RECORDS: usize = 10;
const IN_FLIGHT: usize = 300;
/// How long what was sent may take to be judged on a busy machine.
const JUDGED: Duration = Duration::from_mins(3);
const UNIT: &str = "NM-12";

on_both_stores!(a_crowd_decides_beside_full_ingest_and_a_long_read);

fn a_crowd_decides_beside_full_ingest_and_a_long_read(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let people: Vec<Client> =
        (0..PEOPLE).map(|n| daemon.client(&format!("person-{n}"), "operator", None)).collect();
    let first = &people[0];
    let (id, version) = identity(&open_finding(&broker, first, "northmoor", "NM-11"));
    let until = Instant::now() + FOR;
    let (sent, reads, decided) = std::thread::scope(|scope| {
        let sending = scope.spawn(|| send(&broker, until));
        let reading = scope.spawn(|| read(first, until));
        let deciding: Vec<_> =
            people.iter().map(|person| scope.spawn(|| decide(person, &id, &version, until))).collect();
        let decided: Vec<usize> =
            deciding.into_iter().map(|person| person.join().expect("answers without a fault")).collect();
        (sending.join().expect("all is acknowledged"), reading.join().expect("answers"), decided)
    });
    let all: usize = decided.iter().sum();
    println!("{engine:?}: {sent} messages, {all} decisions, {reads} reads");
    // How many is the machine's matter; of people who decide on one finding at one time most meet another's decision first.
    assert!(sent > IN_FLIGHT && reads > 0 && all > 1, "{sent} messages, {decided:?}, {reads} reads");
    eventually(&format!("{} samples, each once", sent * RECORDS), JUDGED, || {
        (samples(first) == sent * RECORDS).then_some(())
    });
    assert_eq!(told(first, &id, all), all, "each decision that was confirmed is one event");
    let log = daemon.said();
    assert!(!log.contains("locked"), "a lock reached somebody: {log}");
}

/// Sends a unit's messages as fast as they are acknowledged; how many there were.
fn send(broker: &Broker, until: Instant) -> usize {
    let mut publisher = Publisher::connect(broker.port());
    let first = now_ms() - 3 * 3_600_000;
    let mut sent = 0;
    while Instant::now() < until {
        for _ in 0..IN_FLIGHT {
            publisher.send(&message(first, sent), false);
            sent += 1;
        }
        publisher.settle();
    }
    sent
}

/// Numbers a millisecond apart, none like another.
fn message(first_ms: i64, number: usize) -> Publish {
    let records: Vec<Value> = (number * RECORDS..(number + 1) * RECORDS)
        .map(|n| {
            #[expect(clippy::cast_precision_loss, reason = "a time of our days in seconds")]
            let time = (first_ms + i64::try_from(n).expect("small")) as f64 / 1000.0;
            json!({ "n": "message_number", "t": time, "v": n })
        })
        .collect();
    Publish {
        topic: topic("northmoor", UNIT).into(),
        payload: serde_json::to_vec(&records).expect("JSON").into(),
        content_type: "application/senml+json",
    }
}

/// Reads what the unit sent so far, again and again: the longest read there is.
fn read(client: &Client, until: Instant) -> usize {
    let (from, to) = (time(now_ms() - 4 * 3_600_000), time(now_ms()));
    let path = format!(
        "/api/v1/units/northmoor/{UNIT}/samples?channel=message_number&from={from}&to={to}&bucket=60"
    );
    let mut reads = 0;
    while Instant::now() < until {
        let answer = client.get(&path);
        assert_eq!(answer.status, 200, "{}", answer.text);
        reads += 1;
    }
    reads
}

fn time(ms: i64) -> String {
    jiff::Timestamp::from_millisecond(ms).expect("a time of our days").to_string()
}

/// Decides on one finding again and again, on what was seen last; how often it was confirmed. Only another's decision may
/// come before.
fn decide(person: &Client, id: &str, version: &str, until: Instant) -> usize {
    let tomorrow = time(now_ms() + 24 * 3_600_000);
    let (mut seen, mut confirmed, mut tried) = (version.to_owned(), 0, 0);
    while Instant::now() < until {
        tried += 1;
        let answer =
            person.act(id, "wait", &seen, &json!({ "until": tomorrow, "for": format!("try {tried}") }));
        let record = match answer.status {
            200 => {
                confirmed += 1;
                answer.json()
            }
            409 => answer.json()["current"].clone(),
            other => panic!("an answer of {other}: {}", answer.text),
        };
        seen = identity(&record).1;
    }
    confirmed
}

/// Samples of the unit that were judged, each once.
fn samples(client: &Client) -> usize {
    let units = client.get("/api/v1/units?railway=northmoor").items();
    let found = units.iter().find(|u| u["unit"] == UNIT);
    found.and_then(|u| u["samples"].as_str()?.parse().ok()).unwrap_or(0)
}

/// How many decisions on a finding the event stream tells of, once it has told of so many.
fn told(client: &Client, id: &str, enough: usize) -> usize {
    let stream = client.events(Some("0"));
    let mut told = 0;
    while let Ok(Some(event)) = stream.poll(if told < enough { JUDGED } else { Duration::from_secs(2) }) {
        told += usize::from(event.name == "decided" && event.json()["finding"]["id"] == id);
    }
    told
}
