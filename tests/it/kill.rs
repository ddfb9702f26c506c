//! `kill -9` in the middle of a publish: what was acknowledged is there after the restart, once.

use crate::support::bench::{REGISTER, identity, open_finding, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::senml::{snapshot, topic};
use crate::support::{eventually, now_ms, on_both_stores};
use std::time::Duration;

const MESSAGES: usize = 10_000;
/// How long storing the rest may take after the restart, on a busy machine.
const DRAIN: Duration = Duration::from_mins(2);

on_both_stores!(
    every_message_of_ten_thousand_is_there_once_after_kills,
    a_kill_repeats_no_finding_and_forgets_no_decision,
);

fn every_message_of_ten_thousand_is_there_once_after_kills(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let first = now_ms() / 1000 * 1000 - 1000 * i64::try_from(MESSAGES).expect("a small number");
    let sent: Vec<(i64, f64)> = (0..u16::try_from(MESSAGES).expect("a small number"))
        .map(|number| (first + 1000 * i64::from(number), f64::from(number)))
        .collect();
    let lines: Vec<String> =
        sent.iter().map(|(at, number)| snapshot(*at, &[("message_number", "", *number)])).collect();

    let publication = broker.publish_lines(&topic("northmoor", "NM-11"), &lines);
    eventually("part of the messages to be sent", DRAIN, || {
        (publication.acknowledged() > 1_000).then_some(())
    });
    daemon.kill();
    assert!(publication.acknowledged() < MESSAGES, "the kill must fall into the middle, not after the end");
    daemon.restart();
    // Once more, most likely while it takes in what the broker kept meanwhile.
    daemon.kill();
    daemon.restart();
    assert_eq!(publication.finish(), MESSAGES, "the broker took every message");
    let stored = eventually("every message to be stored", DRAIN, || {
        let stored = samples(&reader, "northmoor", "NM-11", "message_number");
        (stored.len() >= MESSAGES).then_some(stored)
    });
    assert!(stored == sent, "every message once, in order of its time");
}

fn a_kill_repeats_no_finding_and_forgets_no_decision(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let operator = daemon.client("olsen", "operator", None);
    let (id, version) = identity(&open_finding(&broker, &operator, "northmoor", "NM-11"));
    let accepted = operator.act(&id, "acknowledge", &version, &serde_json::json!({}));
    assert_eq!(accepted.status, 200, "{}", accepted.text);
    daemon.kill();
    daemon.restart();
    let before = accepted.json();
    // More of the same trouble, judged by a state that was restored.
    broker.publish(&topic("northmoor", "NM-11"), crate::support::bench::pack(now_ms(), 91_000.0).as_bytes());
    eventually("the message after the restart", DRAIN, || {
        (samples(&operator, "northmoor", "NM-11", "oil_pressure").len() == 41).then_some(())
    });
    let after = operator.get("/api/v1/findings").items();
    assert_eq!(after.len(), 1, "{after:#?}");
    for field in ["id", "opened", "onset", "alarm_state", "work_state", "priority"] {
        assert_eq!(after[0][field], before[field], "{field}");
    }
}
