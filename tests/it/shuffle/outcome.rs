//! What a replay came to, as the API tells it, and where two replays differ.
//!
//! Owns which fields may differ: those that speak of receipt (`recorded`, `late`), the wall times of decisions and
//! the version, which counts steps. Findings of communication depend on receipt and are left out.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::history::{HOUR_MS, History, unit_of};
use super::texts::{self, Texts};
use crate::support::database::Database;
use crate::support::http::{Client, Event};
use crate::support::random::Random;

/// Channels of each unit that are compared sample by sample; the others by the hour.
const WHOLE: usize = 4;
const HOUR_S: i64 = HOUR_MS / 1000;
/// Points are answered for a span of so many hours at one time.
const SPAN_H: i64 = 6 * 24;

/// What is compared.
#[derive(Debug)]
pub(crate) struct Outcome {
    /// Newest time judged, samples and software of each unit.
    pub(crate) judged: BTreeMap<String, Value>,
    /// Repeats and contradictions counted, of each unit.
    pub(crate) repeats: BTreeMap<String, u64>,
    /// Findings that stand, by id.
    pub(crate) findings: BTreeMap<String, Value>,
    /// Events of each that stands: how often it was opened, decided on, and closed by a person. Others tell numbers on the way,
    /// which disorder changes.
    pub(crate) told: BTreeMap<String, Value>,
    /// Samples: by the hour, or single.
    pub(crate) samples: BTreeMap<String, String>,
    /// Newest sample of each channel, of each unit.
    pub(crate) newest: BTreeMap<String, Value>,
    /// Texts stored of each unit.
    pub(crate) texts: BTreeMap<String, Texts>,
    /// What the timeline of each unit says of them.
    pub(crate) timelines: BTreeMap<String, Value>,
    /// When each unit was heard last, in milliseconds since 1970.
    pub(crate) heard: BTreeMap<String, i64>,
    /// Reason and topic of what was refused.
    pub(crate) refused: BTreeSet<(String, String)>,
}

impl Outcome {
    /// Reads everything.
    pub(crate) fn read(client: &Client, database: &Database, history: &History, seed: u64) -> Self {
        let classes = client.get("/api/v1/register").json()["classes"].take();
        let channels = names(&classes, |_| true);
        let units: Vec<String> = history.units.iter().map(|topic| unit_of(topic)).collect();
        let mut outcome = Self {
            judged: BTreeMap::new(),
            repeats: BTreeMap::new(),
            findings: standing(client),
            told: BTreeMap::new(),
            samples: BTreeMap::new(),
            newest: BTreeMap::new(),
            texts: texts::stored(database.url(), &units, &channels),
            timelines: BTreeMap::new(),
            heard: BTreeMap::new(),
            refused: BTreeSet::new(),
        };
        for unit in client.get("/api/v1/units").items() {
            let key = format!("{}/{}", word(&unit["railway"]), word(&unit["unit"]));
            let judged = json!([unit["judged"], unit["samples"], unit["software"]]);
            let count = |field: &str| word(&unit[field]).parse::<u64>().expect("a count");
            // The loser of a contradiction contradicts again each time it is repeated.
            outcome.repeats.insert(key.clone(), count("repeats") + count("conflicts"));
            let newest = client.get(&format!("/api/v1/units/{key}/newest")).json();
            outcome.newest.insert(key.clone(), newest["channels"].clone());
            if let Ok(heard) = word(&unit["received"]).parse::<jiff::Timestamp>() {
                outcome.heard.insert(key.clone(), heard.as_millisecond());
            }
            outcome.judged.insert(key, judged);
        }
        let mut random = Random::new(seed);
        let channels = names(&classes, |channel| channel["value"] != "text");
        for unit in units {
            outcome.timelines.insert(unit.clone(), timeline(client, history, &unit));
            for channel in &channels {
                let path = format!("{unit} {channel} by the hour");
                outcome.samples.insert(path, samples(client, history, &unit, channel, true));
            }
            for _ in 0..WHOLE {
                let channel = random.pick(&channels);
                let text = samples(client, history, &unit, channel, false);
                outcome.samples.insert(format!("{unit} {channel}"), text);
            }
        }
        for row in client.get("/api/v1/quarantine?limit=500").items() {
            outcome.refused.insert((word(&row["reason"]), word(&row["topic"])));
        }
        outcome
    }

    /// Counts the events of findings that stand.
    pub(crate) fn count_told(&mut self, events: &[Event]) {
        for id in self.findings.keys() {
            let findings = events.iter().map(|event| (event.name.as_str(), event.json()["finding"].clone()));
            let of: Vec<_> = findings.filter(|(_, finding)| finding["id"] == id.as_str()).collect();
            let count = |name: &str| of.iter().filter(|(told, _)| *told == name).count();
            let by_people =
                of.iter().filter(|(name, f)| *name == "closed" && !f["closed_by"].is_null()).count();
            let counts =
                json!({ "opened": count("opened"), "decided": count("decided"), "closed": by_people });
            self.told.insert(id.clone(), counts);
        }
    }

    /// Units that are not told as heard since the replay began, or are told as heard in the future.
    pub(crate) fn unheard(&self, history: &History, began_ms: i64, ended_ms: i64) -> Vec<String> {
        let units = history.units.iter().map(|topic| unit_of(topic));
        let heard = |unit: &String| self.heard.get(unit).is_some_and(|at| (began_ms..=ended_ms).contains(at));
        units
            .filter(|unit| !heard(unit))
            .map(|unit| format!("{unit} heard {:?}", self.heard.get(&unit)))
            .collect()
    }

    /// Where this differs from what it should be.
    pub(crate) fn differences(&self, expected: &Self) -> Vec<String> {
        let mut found = maps("judged", &self.judged, &expected.judged);
        found.extend(maps("finding", &self.findings, &expected.findings));
        found.extend(maps("events of", &self.told, &expected.told));
        found.extend(maps("samples", &self.samples, &expected.samples));
        found.extend(maps("newest", &self.newest, &expected.newest));
        found.extend(maps("timeline", &self.timelines, &expected.timelines));
        let lines = |all: &BTreeMap<String, Texts>| -> BTreeMap<String, String> {
            all.iter().map(|(unit, texts)| (unit.clone(), format!("{texts:?}"))).collect()
        };
        found.extend(maps("texts", &lines(&self.texts), &lines(&expected.texts)));
        if self.refused != expected.refused {
            found.push(format!("refused: {:?}, not {:?}", self.refused, expected.refused));
        }
        found
    }
}

/// Findings that stand: one that was shown on part of the data and withdrawn since is history, not a result. Findings
/// about links (their ids begin with `c-`) follow from what was received when, which a replay changes.
pub(crate) fn standing(client: &Client) -> BTreeMap<String, Value> {
    let answer = client.get("/api/v1/findings?limit=500");
    assert!(answer.json()["next"].is_null(), "more findings than one page holds");
    let about_link = |finding: &Value| word(&finding["id"]).starts_with("c-");
    let findings = answer.items().into_iter().filter(|f| !about_link(f) && f["outcome"] != "withdrawn");
    findings.map(|finding| (word(&finding["id"]), without_receipt(finding))).collect()
}

fn without_receipt(mut finding: Value) -> Value {
    if let Some(fields) = finding.as_object_mut() {
        for receipt in ["recorded", "late", "version", "acknowledged_at"] {
            fields.remove(receipt);
        }
        if fields.get("closed_by").is_some_and(|by| !by.is_null()) {
            fields.remove("closed_at");
        }
    }
    finding
}

/// The last event of each finding tells what its record holds.
pub(crate) fn untold(client: &Client, events: &[Event]) -> Vec<String> {
    let last: BTreeMap<String, Value> = events
        .iter()
        .map(|event| event.json()["finding"].clone())
        .map(|finding| (word(&finding["id"]), told(&finding)))
        .collect();
    let records: BTreeMap<String, Value> = client
        .get("/api/v1/findings?limit=500")
        .items()
        .into_iter()
        .map(|finding| (word(&finding["id"]), told(&finding)))
        .collect();
    maps("last event", &last, &records)
}

/// What an event must tell of: other numbers move without one.
fn told(finding: &Value) -> Value {
    let symptoms: BTreeSet<String> = finding["symptoms"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|s| format!("{} {} {}", s["channel"], s["kind"], s["direction"]))
        .collect();
    let fields = ["version", "kind", "priority", "active", "open", "occurrence", "outcome", "alarm_state"];
    let mut told: BTreeMap<&str, Value> = fields.map(|field| (field, finding[field].clone())).into();
    told.insert("symptoms", json!(symptoms));
    told.insert("fault", finding["faults"][0]["id"].clone());
    json!(told)
}

fn samples(client: &Client, history: &History, unit: &str, channel: &str, hourly: bool) -> String {
    let (first, last) = history.span_ms;
    let bucket = if hourly { format!("&bucket={HOUR_S}") } else { String::new() };
    let mut text = String::new();
    let mut from = first - 2 * HOUR_MS;
    while from < last {
        let to = (from + SPAN_H * HOUR_MS).min(last + 2 * HOUR_MS);
        let query = format!("channel={channel}&{}{bucket}", span(from, to));
        let answer = client.get(&format!("/api/v1/units/{unit}/samples?{query}"));
        assert_eq!(answer.status, 200, "{}", answer.text);
        text += &answer.json()["series"][0].to_string();
        from = to;
    }
    text
}

fn timeline(client: &Client, history: &History, unit: &str) -> Value {
    let (first, last) = history.span_ms;
    let query = span(first - 2 * HOUR_MS, last + 2 * HOUR_MS);
    json!(client.get(&format!("/api/v1/units/{unit}/timeline?{query}")).items())
}

fn span(from_ms: i64, to_ms: i64) -> String {
    let time = |ms: i64| jiff::Timestamp::from_millisecond(ms).expect("a time of our days");
    format!("from={}&to={}", time(from_ms), time(to_ms))
}

/// Names of the channels of the class that pass, in their order.
fn names(classes: &Value, pass: impl Fn(&&Value) -> bool) -> Vec<String> {
    let all = classes[0]["channels"].as_array();
    all.into_iter().flatten().filter(pass).map(|channel| word(&channel["name"])).collect()
}

fn maps<T: PartialEq + ToString>(
    what: &str,
    found: &BTreeMap<String, T>,
    expected: &BTreeMap<String, T>,
) -> Vec<String> {
    let keys: BTreeSet<&String> = found.keys().chain(expected.keys()).collect();
    keys.into_iter()
        .filter(|key| found.get(*key) != expected.get(*key))
        .map(|key| {
            let show = |value: Option<&T>| value.map_or("nothing".to_owned(), ToString::to_string);
            let (found, expected) = (show(found.get(key)), show(expected.get(key)));
            let same = found.bytes().zip(expected.bytes()).take_while(|(a, b)| a == b).count();
            let near = |text: &str| {
                let text: String = text.chars().skip(same.saturating_sub(60)).take(160).collect();
                text
            };
            format!("{what} {key}: …{}… and not …{}…", near(&found), near(&expected))
        })
        .collect()
}

fn word(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

#[test]
fn a_difference_is_shown_where_it_begins() {
    let map = |text: &str| BTreeMap::from([("a".to_owned(), text.to_owned())]);
    assert!(maps("x", &map("same"), &map("same")).is_empty());
    let long = "n".repeat(500);
    let found = maps("x", &map(&format!("{long}left")), &map(&format!("{long}right")));
    assert!(found.len() == 1 && found[0].contains("left…") && found[0].contains("right…"), "{found:?}");
    assert!(maps("x", &BTreeMap::new(), &map("only"))[0].contains("nothing"));
}
