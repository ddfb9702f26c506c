//! Two people and one finding: of two decisions on one version one wins, the other is told, and none is forgotten.
//!
//! One program a store for all of it, since what is asked is one thing: that an answer of 200 holds for good.

use std::fmt::Write as _;
use std::sync::Barrier;
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::bench::{HEALTHY_PA, LOW_PA, REGISTER, falling_oil_pressure, finding_of, identity, pack};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::{Answer, Client};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

/// Findings that are raced for once: acknowledged by both, or acknowledged by one and closed by the other.
const ONCE: usize = 8;
/// Races for one finding more: with those above a hundred.
const ROUNDS: usize = 92;
/// Unit of the finding with many races, and one that falls silent.
const BUSY: usize = ONCE;
const SILENT: usize = ONCE + 1;
/// How long the path may take for all units on a busy machine.
const PATH: Duration = Duration::from_mins(1);
const MINUTE_MS: i64 = 60_000;
/// What people said of a finding.
const SAID: [&str; 9] = [
    "id",
    "version",
    "alarm_state",
    "work_state",
    "acknowledged_by",
    "acknowledged_at",
    "waiting_for",
    "closed_by",
    "outcome",
];

on_both_stores!(of_two_decisions_one_wins_and_none_is_forgotten);

/// A person's act in a race.
type Act<'a> = (&'a Client, &'a str, Value);

fn of_two_decisions_one_wins_and_none_is_forgotten(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER, &more_units()]);
    let people = ["olsen", "reyes"].map(|name| daemon.client(name, "operator", None));
    let findings = open_all(&broker, &people[0]);

    let mut decided: Vec<Value> =
        findings[..ONCE].iter().enumerate().map(|(n, f)| one_race(&people, n % 2 == 0, f)).collect();
    decided.push(many_races(&people, &findings[BUSY]));
    // Right behind the last answer of 200.
    daemon.kill();
    daemon.restart();
    for before in &decided {
        let now = record(&people[1], &identity(before).0);
        assert_eq!(said(&now), said(before), "as it stood when it was answered");
    }
    every_decision_is_one_event(&people[0], &decided);
    the_machine_goes_on(&broker, &people[0], &decided[BUSY]);
    a_silence_forgets_nothing(&broker, &people[0]);
}

fn unit(number: usize) -> String {
    format!("R-{number}")
}

fn more_units() -> String {
    (0..=SILENT).fold(String::new(), |mut text, number| {
        let id = unit(number);
        writeln!(text, "[[units]]\nrailway = \"northmoor\"\nid = \"{id}\"\nclass = \"bench-4\"")
            .expect("text");
        text
    })
}

/// A finding on every unit but the last, each judged to the end of what was sent.
fn open_all(broker: &Broker, client: &Client) -> Vec<Value> {
    let lines = falling_oil_pressure(10);
    let sent: Vec<_> =
        (0..=BUSY).map(|n| broker.publish_lines(&topic("northmoor", &unit(n)), &lines)).collect();
    for publication in sent {
        assert_eq!(publication.finish(), lines.len());
    }
    (0..=BUSY).for_each(|n| judged(client, &unit(n), 2 * lines.len()));
    (0..=BUSY).map(|n| finding_of(client, &unit(n))).collect()
}

/// Waits until so many samples of a unit are judged.
fn judged(client: &Client, unit: &str, samples: usize) {
    let wanted = samples.to_string();
    eventually(&format!("{samples} judged samples of {unit}"), PATH, || {
        let units = client.get("/api/v1/units?railway=northmoor").items();
        units.iter().any(|u| u["unit"] == unit && u["samples"] == *wanted).then_some(())
    });
}

fn record(client: &Client, id: &str) -> Value {
    let answer = client.get(&format!("/api/v1/findings/{id}"));
    assert_eq!(answer.status, 200, "{}", answer.text);
    answer.json()
}

fn said(record: &Value) -> Vec<&Value> {
    SAID.iter().map(|field| &record[*field]).collect()
}

/// Decisions of a finding's history: those that took effect, and all.
fn decisions(client: &Client, id: &str) -> (usize, usize) {
    let items = client.get(&format!("/api/v1/findings/{id}/history")).items();
    let by_people: Vec<_> = items.iter().filter(|item| !item["by"].is_null()).collect();
    (by_people.iter().filter(|item| item["effective"] == true).count(), by_people.len())
}

/// Both act at once on the version that both saw: the number of the winner and the record as the winner left it.
fn at_once(finding: &Value, acts: [Act<'_>; 2]) -> (usize, Value) {
    let (id, version) = identity(finding);
    let together = Barrier::new(2);
    let run = |(who, act, body): Act<'_>| {
        together.wait();
        who.act(&id, act, &version, &body)
    };
    let answers: Vec<Answer> = std::thread::scope(|scope| {
        let running = acts.map(|act| scope.spawn(|| run(act)));
        running.into_iter().map(|thread| thread.join().expect("an answer")).collect()
    });
    let winner = usize::from(answers[0].status != 200);
    let (won, lost) = (&answers[winner], &answers[1 - winner]);
    assert_eq!((won.status, lost.status), (200, 409), "{} {}", won.text, lost.text);
    assert_eq!(lost.json()["current"], won.json(), "the loser is shown the record as the winner left it");
    (winner, won.json())
}

fn one_race(people: &[Client; 2], alike: bool, finding: &Value) -> Value {
    let (id, version) = identity(finding);
    let outcome = json!({ "outcome": "no-fault-found" });
    let second: (&str, Value) = if alike { ("acknowledge", json!({})) } else { ("close", outcome) };
    let acts = [("acknowledge", json!({})), second];
    let race = [0, 1].map(|n| (&people[n], acts[n].0, acts[n].1.clone()));
    let (winner, after) = at_once(finding, race);
    // Whoever did not hear the answer asks again, on the version seen then: that is no second decision.
    let again = people[winner].act(&id, acts[winner].0, &version, &acts[winner].1);
    assert_eq!((again.status, again.json()), (200, after.clone()), "a repeat");
    assert_eq!(decisions(&people[0], &id), (1, 2), "both tries stand in the history, and no repeat");
    after
}

fn many_races(people: &[Client; 2], finding: &Value) -> Value {
    let id = identity(finding).0;
    let mut present = finding.clone();
    for round in 0..ROUNDS {
        let wait = |who: &str| json!({ "until": tomorrow(), "for": format!("{who} {round}") });
        let (winner, after) =
            at_once(&present, [(&people[0], "wait", wait("olsen")), (&people[1], "wait", wait("reyes"))]);
        let wanted = format!("{} {round}", ["olsen", "reyes"][winner]);
        assert_eq!(after["waiting_for"], wanted, "the one who was told so has won");
        present = after;
    }
    assert_eq!(decisions(&people[0], &id), (ROUNDS, 2 * ROUNDS));
    present
}

fn tomorrow() -> String {
    let at = jiff::Timestamp::from_millisecond(now_ms() + 24 * 60 * MINUTE_MS).expect("a time of our days");
    at.to_string()
}

/// A reader of the whole log gets each decision that took effect as one event, in order.
fn every_decision_is_one_event(client: &Client, decided: &[Value]) {
    let last = identity(&decided[BUSY]);
    let mut events = Vec::new();
    client.events(Some("0")).next("the last decision", PATH, |event| {
        events.push(event.clone());
        event.name == "decided" && identity(&event.json()["finding"]) == last
    });
    let ids: Vec<u64> = events.iter().map(|event| event.id.parse().expect("a number")).collect();
    assert!(ids.windows(2).all(|pair| pair[0] < pair[1]), "in order, none twice: {ids:?}");
    let by_people =
        |event: &&crate::support::http::Event| ["decided", "closed"].contains(&event.name.as_str());
    assert_eq!(events.iter().filter(by_people).count(), ONCE + ROUNDS);
}

/// The machine changes a finding again and again while a person decides: neither wipes out what the other said.
fn the_machine_goes_on(broker: &Broker, client: &Client, finding: &Value) {
    const ROWS: i64 = 200;
    const DECISIONS: usize = 10;
    let id = identity(finding).0;
    let acknowledged = insist(client, &id, "acknowledge", &json!({}));
    let first = now_ms() - MINUTE_MS;
    // In and out of the limit, so that the alarm state moves as well as the numbers.
    let rows: Vec<String> = (0..ROWS)
        .map(|n| pack(first + n * MINUTE_MS / ROWS, if n / 20 % 2 == 0 { LOW_PA } else { HEALTHY_PA }))
        .collect();
    let sending = broker.publish_lines(&topic("northmoor", &unit(BUSY)), &rows);
    for number in 0..DECISIONS {
        insist(client, &id, "wait", &json!({ "until": tomorrow(), "for": format!("part {number}") }));
    }
    sending.finish();
    judged(client, &unit(BUSY), 2 * (rows.len() + falling_oil_pressure(10).len()));
    let after = record(client, &id);
    assert_eq!(after["waiting_for"], format!("part {}", DECISIONS - 1));
    for field in ["acknowledged_by", "acknowledged_at", "taken_by"] {
        assert_eq!(after[field], acknowledged[field], "{field}");
    }
}

/// Decides on the present version; a conflict is answered by looking again, as a person would.
fn insist(client: &Client, id: &str, act: &str, body: &Value) -> Value {
    let mut seen = record(client, id);
    eventually(&format!("a place for {act}"), PATH, || {
        let answer = client.act(id, act, &identity(&seen).1, body);
        if answer.status == 409 {
            seen = answer.json()["current"].clone();
            return None;
        }
        assert_eq!(answer.status, 200, "{}", answer.text);
        Some(answer.json())
    })
}

/// A unit that says nothing for a while and then the same again is no new matter.
fn a_silence_forgets_nothing(broker: &Broker, client: &Client) {
    const SILENCE_MIN: i64 = 20;
    let place = topic("northmoor", &unit(SILENT));
    let begin = now_ms() - 60 * MINUTE_MS;
    let row = |minute: i64| pack(begin + minute * MINUTE_MS, if minute < 25 { HEALTHY_PA } else { LOW_PA });
    let before: Vec<String> = (0..35).map(row).collect();
    let after: Vec<String> = (35 + SILENCE_MIN..60).map(row).collect();
    broker.publish_lines(&place, &before).finish();
    judged(client, &unit(SILENT), 2 * before.len());
    let id = identity(&finding_of(client, &unit(SILENT))).0;
    let acknowledged = insist(client, &id, "acknowledge", &json!({}));
    broker.publish_lines(&place, &after).finish();
    judged(client, &unit(SILENT), 2 * (before.len() + after.len()));
    let found: Vec<Value> = client.get("/api/v1/findings?limit=200").items();
    let ours: Vec<&Value> =
        found.iter().filter(|f| f["unit"] == unit(SILENT) && f["system"] == "lubrication").collect();
    assert_eq!(ours.len(), 1, "{ours:#?}");
    assert_eq!(said(ours[0]), said(&acknowledged), "still acknowledged, and nothing to notify");
}
