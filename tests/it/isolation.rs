//! Two callers of two railways: neither sees anything of the other, by any endpoint that the API describes.

use serde_json::{Value, json};

use crate::support::bench::{PATH, REGISTER, identity, open_finding, pack};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::{Answer, Client};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

/// What names the other railway: neither word may occur in any answer.
const MARKS: [&str; 2] = ["sarel", "zz-7301"];

on_both_stores!(neither_railway_sees_anything_of_the_other);

/// Identities of the other railway's things, for the parameters of paths.
struct Other {
    finding: String,
    version: String,
    quarantine: String,
}

fn neither_railway_sees_anything_of_the_other(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let centre = daemon.administrator();
    let planner = daemon.client("planner", "operator", Some("northmoor"));
    let viewer = daemon.client("viewer", "viewer", Some("northmoor"));
    let stream = planner.events(None);
    let other = trouble_on_both(&broker, &centre);
    let own = identity(&open_finding(&broker, &planner, "northmoor", "NM-11")).0;

    for caller in [&planner, &viewer] {
        let mut seen = 0;
        for path in paths_to_read(&centre) {
            seen += usize::from(read_is_blind(caller, &path, &other));
        }
        assert!(seen >= 4, "too few endpoints answered to prove anything: {seen}");
    }
    acts_find_nothing(&planner, &other);
    let visible = planner.get("/api/v1/findings").items();
    assert!(visible.iter().all(|f| f["railway"] == "northmoor") && !visible.is_empty(), "{visible:?}");
    let mut foreign = Vec::new();
    stream.next("the own finding", PATH, |event| {
        if MARKS.iter().any(|mark| event.data.contains(mark)) {
            foreign.push(event.clone());
        }
        event.data.contains(&own)
    });
    assert!(foreign.is_empty(), "{foreign:?}");
    anonymous_gets_nothing(&daemon.anonymous(), &centre);
}

/// A finding and a refused message on the other railway.
fn trouble_on_both(broker: &Broker, centre: &Client) -> Other {
    let (finding, version) = identity(&open_finding(broker, centre, "sarel", "zz-7301"));
    broker.publish(&topic("sarel", "zz-7301"), b"[{]");
    broker.publish(&topic("sarel", "zz-8888"), pack(now_ms(), 1.0).as_bytes());
    let row = eventually("the refused message", PATH, || {
        let rows = centre.get("/api/v1/quarantine").items();
        (rows.len() >= 2)
            .then(|| rows.into_iter().find(|r| r["topic"] == topic("sarel", "zz-7301")))
            .flatten()
    });
    let quarantine = row["id"].as_str().map_or_else(|| row["id"].to_string(), str::to_owned);
    Other { finding, version, quarantine }
}

/// Paths with a GET, as the API's own description lists them; streams are read apart.
fn paths_to_read(client: &Client) -> Vec<String> {
    let description = client.get("/api/v1/openapi.json").json();
    let paths = description["paths"].as_object().expect("paths").clone();
    let found: Vec<String> = paths
        .into_iter()
        .filter(|(path, methods)| methods.get("get").is_some() && !path.ends_with("/events"))
        .map(|(path, _)| if path.starts_with("/api") { path } else { format!("/api/v1{path}") })
        .collect();
    assert!(found.len() >= 8, "the description lists the endpoints: {found:?}");
    found
}

/// Whether the endpoint answered; fails when the answer names the other railway, or tells a thing of the other
/// railway from a thing that does not exist.
fn read_is_blind(caller: &Client, path: &str, other: &Other) -> bool {
    if path.ends_with("/openapi.json") {
        return false;
    }
    let with = |railway: &str, unit: &str, finding: &str, row: &str| {
        let id = if path.contains("quarantine") { row } else { finding };
        let query = if path.ends_with("/samples") || path.ends_with("/samples.csv") {
            "?channel=oil_pressure&from=2026-01-01T00:00:00Z&to=2026-01-01T01:00:00Z"
        } else if path.ends_with("/trace") {
            "?channel=oil_pressure"
        } else if path.ends_with("/peers") {
            "?class=bench-4&channel=oil_pressure"
        } else {
            ""
        };
        let path = path
            .replace("{railway}", railway)
            .replace("{unit}", unit)
            .replace("{id}", id)
            .replace("{serial}", "E-0");
        assert!(!path.contains('{'), "a parameter that this test does not know: {path}");
        caller.get(&format!("{path}{query}"))
    };
    let answer = with("sarel", "zz-7301", &other.finding, &other.quarantine);
    if path.contains('{') {
        let nothing = with("nowhere", "zz-0000", "f-0000000000000000", "999999999");
        if path.contains("{serial}") {
            // Lists by the serial number of an engine: one that is not known to the caller has an empty list.
            assert_eq!((answer.status, &answer.text), (nothing.status, &nothing.text), "{path}");
            assert_eq!(answer.json()["items"].as_array().map(Vec::len), Some(0), "{path}: {}", answer.text);
            return false;
        }
        assert_eq!((answer.status, nothing.status), (404, 404), "{path}: {} {}", answer.text, nothing.text);
        assert_eq!(shape(&answer), shape(&nothing), "{path}");
        return false;
    }
    assert!(answer.status == 200 || answer.status == 403, "{path}: {} {}", answer.status, answer.text);
    for mark in MARKS {
        assert!(!answer.text.contains(mark), "{path} names {mark}: {}", answer.text);
    }
    answer.status == 200
}

/// A problem's type and title, which must not tell absence from concealment.
fn shape(answer: &Answer) -> (Value, Value) {
    let json = answer.json();
    (json["type"].clone(), json["title"].clone())
}

fn acts_find_nothing(caller: &Client, other: &Other) {
    for (act, body) in [("acknowledge", json!({})), ("take", json!({})), ("note", json!({ "text": "seen" }))]
    {
        let answer = caller.act(&other.finding, act, &other.version, &body);
        assert_eq!(answer.status, 404, "{act}: {}", answer.text);
    }
}

fn anonymous_gets_nothing(anonymous: &Client, centre: &Client) {
    for path in paths_to_read(centre).iter().filter(|path| !path.ends_with("/openapi.json")) {
        let filled = path.replace("{railway}", "sarel").replace("{unit}", "zz-7301").replace("{id}", "1");
        let answer = anonymous.get(&filled);
        assert_eq!(answer.status, 401, "{filled}: {}", answer.text);
        assert!(
            answer.content_type.starts_with("application/problem+json"),
            "{filled}: {}",
            answer.content_type
        );
    }
    let metrics = anonymous.get("/metrics");
    for mark in MARKS {
        assert!(!metrics.text.contains(mark), "metrics name {mark}");
    }
}
