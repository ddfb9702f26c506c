//! A unit's message from a stock client through a stock broker to an operator's decision, on both stores.

use serde_json::json;

use crate::support::bench::{PATH, REGISTER, finding_of, identity, open_finding, pack, samples, symptoms};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms, on_both_stores};

const HOUR_MS: i64 = 3_600_000;

on_both_stores!(
    a_message_becomes_a_finding_that_is_acknowledged,
    each_bad_message_is_seen_with_its_reason_and_delays_nobody,
    a_refused_message_is_read_again_once_its_cause_is_mended,
    of_two_decisions_that_race_one_wins,
);

fn a_message_becomes_a_finding_that_is_acknowledged(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let operator = daemon.client("olsen", "operator", None);
    let stream = operator.events(None);

    let finding = open_finding(&broker, &operator, "northmoor", "NM-11");
    let (id, version) = identity(&finding);
    assert_eq!(finding["railway"], "northmoor");
    assert_eq!(finding["class"], "bench-4");
    assert_eq!(finding["kind"], "machine");
    assert_eq!(finding["system"], "lubrication");
    assert_eq!(finding["alarm_state"], "unacknowledged");
    assert_eq!(finding["work_state"], "new");
    assert_eq!(finding["priority"], "high", "the priority of the limit");
    let limit = symptoms(&finding).find(|s| s["kind"] == "limit").expect("a symptom of the limit");
    assert_eq!(limit["direction"], "down");
    assert_eq!(limit["numbers"]["limit"], 150_000.0);
    stream.next("the finding opened", PATH, |event| event.data.contains(&id));

    assert_eq!(samples(&operator, "northmoor", "NM-11", "oil_pressure").len(), 40);

    let accepted = operator.act(&id, "acknowledge", &version, &json!({}));
    assert_eq!(accepted.status, 200, "{}", accepted.text);
    assert_eq!(accepted.json()["alarm_state"], "acknowledged");
    stream.next("the decision", PATH, |event| {
        let json = event.json();
        json["event"] == "decided" && json["finding"]["alarm_state"] == "acknowledged"
    });
    let now = operator.get(&format!("/api/v1/findings/{id}")).json();
    assert_eq!(now["alarm_state"], "acknowledged");
    let history = operator.get(&format!("/api/v1/findings/{id}/history"));
    assert!(history.text.contains("olsen") && history.text.contains("acknowledge"), "{}", history.text);
    assert_eq!(identity(&finding_of(&operator, "NM-11")).0, id, "one matter, one finding");
}

/// A message that must be refused: which it is, what is sent where, and the reason that must stand in quarantine.
struct Bad {
    what: &'static str,
    topic: String,
    payload: String,
    reason: &'static str,
}

fn bad_messages() -> Vec<Bad> {
    let ours = topic("northmoor", "NM-11");
    let now = now_ms();
    let of =
        |what, topic: &str, payload: String, reason| Bad { what, topic: topic.to_owned(), payload, reason };
    vec![
        of("broken JSON", &ours, r#"[{"n":"oil_pressure","v":"#.to_owned(), "malformed"),
        of("an unknown channel", &ours, snapshot(now, &[("flux", "Pa", 1.0)]), "unknown-channel"),
        of("an unknown unit", &topic("northmoor", "NM-99"), pack(now, 400_000.0), "unknown-unit"),
        of("a clock seven hours ahead", &ours, pack(now + 7 * HOUR_MS, 400_000.0), "clock-ahead"),
        of("a clock two months behind", &ours, pack(now - 60 * 24 * HOUR_MS, 400_000.0), "clock-behind"),
        of(
            "a unit of measure that does not fit",
            &ours,
            snapshot(now, &[("oil_pressure", "Cel", 1.0)]),
            "uom",
        ),
    ]
}

fn each_bad_message_is_seen_with_its_reason_and_delays_nobody(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let administrator = daemon.administrator();
    for Bad { what, topic: place, payload, reason } in bad_messages() {
        broker.publish(&place, payload.as_bytes());
        let good_at = now_ms();
        broker.publish(&topic("northmoor", "NM-12"), pack(good_at, 400_000.0).as_bytes());
        eventually(&format!("the good message behind {what}"), PATH, || {
            let stored = samples(&administrator, "northmoor", "NM-12", "coolant_temp");
            stored.iter().any(|(at, _)| *at == good_at).then_some(())
        });
        eventually(&format!("{what} in quarantine as {reason}"), PATH, || {
            let rows = administrator.get("/api/v1/quarantine").items();
            rows.into_iter().find(|row| row["reason"] == reason && row["topic"] == place)
        });
    }
    let stored = samples(&administrator, "northmoor", "NM-11", "oil_pressure");
    assert!(stored.is_empty(), "nothing of a refused message is stored: {stored:?}");
    let latest = samples(&administrator, "northmoor", "NM-12", "oil_pressure");
    assert_eq!(latest.len(), bad_messages().len());
}

fn a_refused_message_is_read_again_once_its_cause_is_mended(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let administrator = daemon.administrator();
    let at = now_ms() / 1000 * 1000;
    broker.publish(&topic("northmoor", "NM-99"), pack(at, 400_000.0).as_bytes());
    let row = eventually("the message in quarantine", PATH, || {
        administrator.get("/api/v1/quarantine?reason=unknown-unit").items().pop()
    });
    let replay = format!("/api/v1/quarantine/{}/replay", row["id"].as_str().expect("an id"));
    let again = |client: &crate::support::http::Client| client.send("POST", &replay, &json!({}));

    assert_eq!(again(&daemon.client("guest", "viewer", None)).status, 403, "who only sees does not act");
    let still = again(&administrator).json();
    assert_eq!(still["outcome"], "still-refused", "{still}");
    assert_eq!(still["refused"][0]["reason"], "unknown-unit", "{still}");

    let unit = json!({ "railways": [], "classes": [], "units": [
        { "railway": "northmoor", "id": "NM-99", "class": "bench-4" }
    ] });
    let put = administrator.send("PUT", "/api/v1/register", &unit);
    assert_eq!(put.status, 204, "{}", put.text);
    eventually("the message to be accepted", PATH, || {
        (again(&administrator).json()["outcome"] == "stored").then_some(())
    });
    assert_eq!(again(&administrator).json()["outcome"], "stored", "done twice it is accepted twice");
    let stored = samples(&administrator, "northmoor", "NM-99", "oil_pressure");
    assert!(stored.len() == 1 && stored[0].0 == at, "and stored once: {stored:?}");
    // A filtered set, a page at a call.
    let set = "/api/v1/quarantine/replay?reason=unknown-unit&unit=NM-99&limit=1";
    let all = administrator.send("POST", set, &json!({}));
    assert_eq!(all.status, 200, "{}", all.text);
    assert_eq!((all.json()["stored"].as_u64(), all.json()["still_refused"].as_u64()), (Some(1), Some(0)));
    assert_eq!(samples(&administrator, "northmoor", "NM-99", "oil_pressure").len(), 1, "and stored once");
    let none = administrator.send("POST", "/api/v1/quarantine/replay?unit=NM-98", &json!({})).json();
    assert_eq!((none["stored"].as_u64(), none["next"].is_null()), (Some(0), true), "{none}");
    let guest = daemon.client("visitor", "viewer", None).send("POST", set, &json!({}));
    assert_eq!(guest.status, 403, "{}", guest.text);
    let wrong = administrator.send("POST", "/api/v1/quarantine/replay?reason=because", &json!({}));
    assert_eq!(wrong.status, 400, "a filter that is none replays nothing: {}", wrong.text);
    let absent = administrator.send("POST", "/api/v1/quarantine/999999/replay", &json!({}));
    assert_eq!(absent.status, 404, "{}", absent.text);
}

fn of_two_decisions_that_race_one_wins(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let clients = [daemon.client("olsen", "operator", None), daemon.client("ruiz", "operator", None)];
    let (id, version) = identity(&open_finding(&broker, &clients[0], "northmoor", "NM-11"));
    let answers: Vec<_> = std::thread::scope(|scope| {
        let racers: Vec<_> = clients
            .iter()
            .map(|client| scope.spawn(|| client.act(&id, "take", &version, &json!({}))))
            .collect();
        racers.into_iter().map(|racer| racer.join().expect("a racer arrives")).collect()
    });
    let mut statuses: Vec<u16> = answers.iter().map(|answer| answer.status).collect();
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 409], "{answers:?}");
    let loser = answers.iter().find(|answer| answer.status == 409).expect("a loser");
    assert!(loser.content_type.starts_with("application/problem+json"), "{}", loser.content_type);
    assert!(
        loser.text.contains(&id) && loser.text.contains("taken"),
        "the loser sees it now: {}",
        loser.text
    );
}
