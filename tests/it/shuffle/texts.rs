//! What the units of a set tell in their text channels: other versions of their software, fault codes that come and go.
//!
//! Owns the making of these records, in messages with samples and in messages of their own, some with two texts for one
//! key; and what must be there of them in the end, read from the bytes without the decoder that is under test.

use std::collections::{BTreeMap, BTreeSet};

use notchwatch_model::{Time, UnitKey};
use notchwatch_store::{Options, Store};
use serde_json::{Value, json};

use super::history::{Sent, packed, resolved, unit_of};
use crate::support::publisher::Publish;
use crate::support::random::Random;

const SOFTWARE: &str = "software_version";
const VERSIONS: [&str; 3] = ["4.1.0", "4.2.1", "4.3.0"];
/// Codes that the library names, others, and words for none.
const CODES: [&str; 6] = ["OIL-PRESSURE-LOW", "ENGINE-HOT E7", "E7,E12", "", "none", "E12; OIL-PRESSURE-LOW"];
/// In so many of a thousand messages a text stands beside the samples.
const BESIDE: u64 = 100;
/// After so many of a thousand come texts alone.
const ALONE: u64 = 80;
/// So many of a thousand of those are two for one key.
const CONTRADICTING: u64 = 300;

/// Texts by event time in milliseconds since 1970 and channel.
pub(crate) type Texts = BTreeMap<(i64, String), String>;

/// Lets units tell something now and then. Nothing is told of a time after a unit's last sample.
pub(crate) fn tell(messages: &mut Vec<Sent>, random: &mut Random) {
    let mut seen = BTreeSet::new();
    let followed: Vec<bool> = messages.iter().rev().map(|m| !seen.insert(m.publish.topic.clone())).collect();
    let mut told = Vec::with_capacity(messages.len());
    for (mut message, followed) in std::mem::take(messages).into_iter().zip(followed.into_iter().rev()) {
        let times: Vec<i64> =
            resolved(&message.publish.payload).iter().map(|(_, at_ms, _)| at_ms / 1000).collect();
        let row_s = *random.pick(&times);
        let alone = if followed && random.per_mille(ALONE) { alone(&message, row_s, random) } else { vec![] };
        if random.per_mille(BESIDE) {
            // In front, where no base unit of measure is in force.
            let mut pack: Vec<Value> = serde_json::from_slice(&message.publish.payload).expect("a pack");
            pack.insert(0, said(&message, row_s, channel(random), random));
            message.publish.payload = packed(&pack);
        }
        told.push(message);
        told.extend(alone);
    }
    *messages = told;
}

/// A text of a row's time or of the minute after it; or two, in one message or in two.
fn alone(beside: &Sent, row_s: i64, random: &mut Random) -> Vec<Sent> {
    let (at_s, channel) = (row_s + random.pick(&[0, 1, 59]), channel(random));
    let count = 1 + usize::from(random.per_mille(CONTRADICTING));
    let records: Vec<Value> = (0..count).map(|_| said(beside, at_s, channel, random)).collect();
    let size = 1 + random.index(count);
    let message = |records: &[Value]| {
        let publish = Publish { payload: packed(records), ..beside.publish.clone() };
        Sent { publish, at_ms: beside.at_ms }
    };
    records.chunks(size).map(message).collect()
}

fn channel(random: &mut Random) -> &'static str {
    if random.per_mille(500) { SOFTWARE } else { "fault_code" }
}

fn said(beside: &Sent, at_s: i64, channel: &str, random: &mut Random) -> Value {
    let text = if channel == SOFTWARE { random.pick(&VERSIONS) } else { random.pick(&CODES) };
    json!({ "bn": format!("{}/", unit_of(&beside.publish.topic)), "bt": at_s, "n": channel, "vs": text })
}

/// What must be stored of each unit: of two texts for one key the greater.
pub(crate) fn settled<'a>(messages: impl Iterator<Item = &'a Sent>) -> BTreeMap<String, Texts> {
    let mut all: BTreeMap<String, Texts> = BTreeMap::new();
    for message in messages {
        let texts = all.entry(unit_of(&message.publish.topic)).or_default();
        for (channel, at_ms, record) in resolved(&message.publish.payload) {
            if let Some(text) = record["vs"].as_str() {
                let held = texts.entry((at_ms, channel)).or_default();
                if text > held.as_str() {
                    text.clone_into(held);
                }
            }
        }
    }
    all
}

/// Version that is told last, and since when without another.
pub(crate) fn software(texts: &Texts) -> Option<(String, i64)> {
    let told = texts.iter().filter(|((_, channel), _)| channel == SOFTWARE);
    told.fold(None, |held, ((at_ms, _), version)| match held {
        Some((same, since)) if same == *version => Some((same, since)),
        _ => Some((version.clone(), *at_ms)),
    })
}

/// What is stored of a unit, read as the program reads it, beside it. Channels are named by their position in the class.
pub(crate) fn stored(url: String, units: &[String], channels: &[String]) -> BTreeMap<String, Texts> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let store = Store::open_beside(&Options { url, readers: 1 }).await.expect("the store opens");
        let mut all = BTreeMap::new();
        for name in units {
            let (railway, unit) = name.split_once('/').expect("railway/unit");
            let key =
                UnitKey { railway: railway.parse().expect("a railway"), unit: unit.parse().expect("a unit") };
            let texts =
                store.unit_texts(&key, Time::EPOCH, Time::LATEST, None).await.expect("texts are read");
            let named = |at: usize| channels.get(at).expect("a channel of the class").clone();
            let texts =
                texts.into_iter().map(|t| ((t.time.micros() / 1000, named(t.channel.index())), t.text));
            all.insert(name.clone(), texts.collect());
        }
        store.close().await;
        all
    })
}

#[test]
fn of_a_key_the_greater_text_counts_and_a_version_since_it_came() {
    let sent = |at_s: i64, vs: &str| Sent {
        at_ms: 0,
        publish: Publish {
            topic: "units/a/b/senml".into(),
            payload: packed(&[
                json!({ "bn": "b/", "bt": at_s, "n": SOFTWARE, "vs": vs }),
                json!({ "n": "x", "v": 1 }),
            ]),
            content_type: "application/senml+json",
        },
    };
    let all = [sent(300, "2"), sent(100, "1"), sent(200, "2"), sent(200, "1"), sent(100, "")];
    let texts = settled(all.iter()).remove("a/b").expect("a unit");
    let expected = [(100, "1"), (200, "2"), (300, "2")];
    assert!(texts.iter().map(|((at, _), text)| (at / 1000, text.as_str())).eq(expected), "{texts:?}");
    assert_eq!(software(&texts), Some(("2".to_owned(), 200_000)));
    assert_eq!(software(&Texts::new()), None);
}
