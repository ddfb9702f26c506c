//! Characters that one store keeps and the other refuses: NUL and its kin in every text that anybody can send us. One
//! rule at the edge, the same on both stores: refused with words, and nothing beside it is lost.

use serde_json::{Value, json};

use crate::support::bench::{PATH, REGISTER, identity, open_finding, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::Client;
use crate::support::publisher::{Publish, Publisher};
use crate::support::random::Random;
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

on_both_stores!(control_characters_are_refused_with_words_wherever_they_stand);

/// Messages with such a character at a random place of one of their texts.
const MESSAGES: u32 = 60;
/// Where acts on a finding take a text.
const ACTS: [&str; 4] = ["note", "close", "shelve", "wait"];

fn control_characters_are_refused_with_words_wherever_they_stand(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let client = daemon.administrator();
    messages(&broker, &client);
    let (id, _) = identity(&open_finding(&broker, &client, "northmoor", "NM-12"));
    comments(&client, &id);
    addresses(&client);
    let bodies = [
        ("PUT", "/api/v1/accounts/a%00b", json!({ "role": "viewer", "all_railways": true, "enabled": true })),
        (
            "POST",
            "/api/v1/tokens",
            json!({ "label": "a\0b", "name": "x", "role": "viewer", "all_railways": true }),
        ),
        (
            "POST",
            "/api/v1/tokens",
            json!({ "label": "l", "name": "x\u{1}", "role": "viewer", "all_railways": true }),
        ),
    ];
    for (method, path, body) in bodies {
        let answer = client.send(method, path, &body);
        assert!((400..500).contains(&answer.status), "{method} {path}: {} {}", answer.status, answer.text);
    }
}

/// In a channel's name, a text, a unit of measure, a base name: the good record beside each is stored, once.
fn messages(broker: &Broker, client: &Client) {
    let mut random = Random::new(18);
    let mut publisher = Publisher::connect(broker.port());
    let first = now_ms() / 1000 - i64::from(MESSAGES);
    for number in 0..MESSAGES {
        let character = *random.pick(&['\0', '\u{1}', '\u{8}', '\u{1f}', '\u{7f}', '\u{85}']);
        let bad = match number % 4 {
            0 => json!({ "n": text_with(character, &mut random), "v": 1 }),
            1 => json!({ "n": "oil_pressure", "vs": text_with(character, &mut random) }),
            2 => json!({ "n": "coolant_temp", "u": text_with(character, &mut random), "v": 1 }),
            _ => json!({ text_with(character, &mut random): 1, "n": "message_number", "v": 1 }),
        };
        let good = json!({ "bt": first + i64::from(number), "n": "oil_pressure", "u": "Pa", "v": 55.5 });
        let payload = serde_json::to_vec(&[good, bad]).expect("JSON");
        let topic = topic("northmoor", "NM-11").into();
        publisher
            .send(&Publish { topic, payload: payload.into(), content_type: "application/senml+json" }, false);
    }
    publisher.settle();
    eventually("the good record of every message", PATH, || {
        let stored = samples(client, "northmoor", "NM-11", "oil_pressure");
        assert!(stored.iter().all(|(_, value)| value.to_bits() == 55.5_f64.to_bits()), "{stored:?}");
        (stored.len() == usize::try_from(MESSAGES).expect("small")).then_some(())
    });
    let refused = client.get("/api/v1/quarantine?limit=500").items();
    assert!(refused.len() >= 3 * usize::try_from(MESSAGES / 4).expect("small"), "{}", refused.len());
    assert!(refused.iter().all(|row| row["reason"] != "store"), "no batch failed for one: {refused:#?}");
}

/// Some letters with the character at a random place among them.
fn text_with(character: char, random: &mut Random) -> String {
    let mut letters: Vec<char> = "LOW OIL".chars().collect();
    letters.insert(random.index(letters.len() + 1), character);
    letters.into_iter().collect()
}

fn comments(client: &Client, id: &str) {
    for act in ACTS {
        let text = "LOW\0OIL";
        let later = jiff::Timestamp::from_millisecond(now_ms() + 3_600_000).expect("soon").to_string();
        let body = match act {
            "note" => json!({ "text": text }),
            "close" => json!({ "outcome": "no-fault-found", "note": text }),
            "shelve" => json!({ "until": later, "reason": text }),
            _ => json!({ "until": later, "for": text }),
        };
        let (_, version) = identity(&client.get(&format!("/api/v1/findings/{id}")).json());
        let answer = client.act(id, act, &version, &body);
        assert!([400, 422].contains(&answer.status), "{act}: {} {}", answer.status, answer.text);
    }
    let record = client.get(&format!("/api/v1/findings/{id}")).json();
    assert_eq!(record["work_state"], "new", "nothing of it took effect");
}

/// Every address that reads, with such a character for each of its parameters: told as absent or as wrong.
fn addresses(client: &Client) {
    let description = client.get("/api/v1/openapi.json").json();
    for (path, methods) in description["paths"].as_object().expect("paths") {
        let Some(get) = methods.get("get").filter(|_| !path.ends_with("/events")) else { continue };
        let parameters: Vec<&Value> = get["parameters"].as_array().into_iter().flatten().collect();
        let filled = parameters.iter().filter(|p| p["in"] == "path").fold(path.clone(), |path, parameter| {
            path.replace(&format!("{{{}}}", parameter["name"].as_str().unwrap_or_default()), "a%00b")
        });
        if filled != *path {
            told(client, &filled);
        }
        for parameter in parameters.iter().filter(|p| p["in"] == "query") {
            told(client, &format!("{filled}?{}=a%00b", parameter["name"].as_str().unwrap_or_default()));
        }
    }
}

fn told(client: &Client, path: &str) {
    let answer = client.get(path);
    assert!(answer.status < 500, "{path}: {} {}", answer.status, answer.text);
}
