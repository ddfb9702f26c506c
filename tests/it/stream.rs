//! The event stream: resumes exactly after an event, across restarts, and says when it cannot.

use std::time::Duration;

use serde_json::json;

use crate::support::bench::{PATH, REGISTER, identity, open_finding};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::on_both_stores;

on_both_stores!(a_stream_resumes_after_a_restart_or_says_that_it_cannot);

fn a_stream_resumes_after_a_restart_or_says_that_it_cannot(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let operator = daemon.client("olsen", "operator", None);
    let stream = operator.events(None);
    let (id, _) = identity(&open_finding(&broker, &operator, "northmoor", "NM-11"));
    let opened = stream.next("the finding", PATH, |event| event.data.contains(&id));
    let number = |id: &str| id.parse::<u64>().expect("event ids are numbers that grow");

    // What a reader that was away must get later: each note is one event.
    for text in ["first", "second", "third"] {
        let version = identity(&operator.get(&format!("/api/v1/findings/{id}")).json()).1;
        let answer = operator.act(&id, "note", &version, &json!({ "text": text }));
        assert_eq!(answer.status, 200, "{}", answer.text);
    }
    let mut live = Vec::new();
    stream.next("the third note", PATH, |event| {
        live.push(event.clone());
        live.iter().filter(|seen| seen.json()["event"] == "decided").count() == 3
    });
    daemon.terminate(Duration::from_secs(10));
    daemon.restart();

    let resumed = operator.events(Some(&opened.id));
    let missed: Vec<_> = live.iter().map(|event| resumed.next(&event.id, PATH, |_| true)).collect();
    assert_eq!(missed, live, "exactly what was missed, in order");
    assert!(missed.windows(2).all(|pair| number(&pair[0].id) < number(&pair[1].id)));

    let (other, _) = identity(&open_finding(&broker, &operator, "northmoor", "NM-12"));
    let next = resumed.next("an event after the restart", PATH, |event| event.data.contains(&other));
    assert!(number(&next.id) > number(&missed.last().expect("some").id), "ids go on over a restart");

    for odd in ["999999999999", "abc"] {
        let event = operator.events(Some(odd)).next(odd, PATH, |_| true);
        assert_eq!(event.name, "resync", "{odd}: {event:?}");
        assert!(event.data.contains("/api/v1/findings"), "the snapshot's route is named: {event:?}");
    }

    // An event that the store cannot read any more is passed, and said.
    database.change(&format!("update event set document = substr(document, 9) where id = {}", missed[0].id));
    let resumed = operator.events(Some(&opened.id));
    let said = resumed.next("resync", PATH, |_| true);
    assert!(said.name == "resync" && said.data.contains("cannot be read"), "{said:?}");
    assert_eq!(said.id, opened.id, "who is cut after it is told again");
    let rest: Vec<_> = missed[1..].iter().map(|event| resumed.next(&event.id, PATH, |_| true)).collect();
    assert_eq!(rest, missed[1..], "those after it");
    let version = identity(&operator.get(&format!("/api/v1/findings/{other}")).json()).1;
    let answer = operator.act(&other, "note", &version, &json!({ "text": "after the damage" }));
    assert_eq!(answer.status, 200, "{}", answer.text);
    resumed.next("what comes then", PATH, |event| event.data.contains(&other) && event.name == "decided");

    // A list that lacks a finding says so.
    let list = || operator.get("/api/v1/findings").json();
    assert_eq!((list()["items"].as_array().map(Vec::len), &list()["left_out"]), (Some(2), &json!(false)));
    database.change(&format!("update finding set machine = '{{' where id = '{other}'"));
    assert_eq!((list()["items"].as_array().map(Vec::len), &list()["left_out"]), (Some(1), &json!(true)));
}
