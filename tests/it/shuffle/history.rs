//! What a small fleet measured in some days, as the messages that carry it: the set that every replay must agree on.
//!
//! Owns the making of the set: faults so that findings exist, gaps, a key with two values, texts, clocks that cannot be
//! right. Refuses to decide in what order anything arrives.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use demo_feed::{CLASS_TOML, Course, FaultKind, Fleet, Message, Scenario};
use serde_json::{Value, json};

use super::texts::{settled, tell};
use crate::support::publisher::Publish;
use crate::support::random::Random;

/// Hours from the last of the history to the first of the tail: decisions are taken in this hole, so that every row
/// of the tail lies after them whenever a replay gets there.
const HOLE_MIN: i64 = 20;
/// Length of the tail.
const TAIL_MIN: i64 = 20;
pub(crate) const MINUTE_MS: i64 = 60_000;
pub(crate) const HOUR_MS: i64 = 60 * MINUTE_MS;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Hours that the faults last before the end of the history.
const FAULT_LASTS_H: f64 = 18.0;
/// Clock tolerance ahead that the tail needs, in seconds.
pub(crate) const AHEAD_S: i64 = 3_600;

/// One message of the set.
#[derive(Clone, Debug)]
pub(crate) struct Sent {
    /// When the unit sent it, in milliseconds since 1970.
    pub(crate) at_ms: i64,
    pub(crate) publish: Publish,
}

/// The set.
#[derive(Debug)]
pub(crate) struct History {
    /// Register files.
    pub(crate) registers: [String; 2],
    /// Topics of the units that send samples.
    pub(crate) units: Vec<Arc<str>>,
    /// In the order in which they were sent: what was measured before the decisions.
    pub(crate) before: Vec<Sent>,
    /// What was measured after them.
    pub(crate) after: Vec<Sent>,
    /// Messages whose clock cannot be right; nothing of them may be stored.
    pub(crate) implausible: Vec<Sent>,
    /// First and last event time, in milliseconds since 1970.
    pub(crate) span_ms: (i64, i64),
    /// When the tail begins.
    pub(crate) tail_ms: i64,
}

impl History {
    /// The days before `now_ms` of some units, and a tail shortly after it.
    pub(crate) fn new(seed: u64, now_ms: i64, days: u32, units: u32) -> Self {
        let mut random = Random::new(seed ^ 0x4157);
        let begin = now_ms.div_euclid(HOUR_MS) * HOUR_MS - i64::from(days) * DAY_MS;
        let scenario = scenario(seed, begin, days, units);
        let mut fleet = Fleet::new(&scenario).expect("a scenario that can be played");
        let registers = [CLASS_TOML.to_owned(), fleet.register_toml()];
        let tail_ms = now_ms + HOLE_MIN * MINUTE_MS;
        let end = tail_ms + TAIL_MIN * MINUTE_MS;
        let (mut before, mut after) = (Vec::new(), Vec::new());
        for message in fleet.advance_to(end) {
            if message.at_unix_ms < now_ms {
                before.push(sent(message));
            } else if records(&message.payload).iter().all(|(_, at)| *at > tail_ms) {
                // Not what a unit kept through a dead zone: it would be past for the replay that is asked later.
                after.push(sent(message));
            }
        }
        let units: BTreeSet<Arc<str>> = before.iter().map(|m| m.publish.topic.clone()).collect();
        cut_gaps(&mut before, &mut random);
        contradict(&mut before, &mut random);
        tell(&mut before, &mut random);
        tell(&mut after, &mut random);
        let units: Vec<Arc<str>> = units.into_iter().collect();
        let implausible = implausible(&units, now_ms);
        Self { registers, units, before, after, implausible, span_ms: (begin, end), tail_ms }
    }

    /// Samples of each unit, each key once: counted from the bytes, without the decoder that is under test.
    pub(crate) fn keys<'a>(messages: impl Iterator<Item = &'a Sent>) -> BTreeMap<String, usize> {
        let mut keys: BTreeMap<String, BTreeSet<(String, i64)>> = BTreeMap::new();
        for message in messages {
            let unit = unit_of(&message.publish.topic);
            keys.entry(unit).or_default().extend(records(&message.publish.payload));
        }
        keys.into_iter().map(|(unit, keys)| (unit, keys.len())).collect()
    }
}

impl History {
    /// Samples beyond the first of their key, of each unit: what a replay counts as repeat or contradiction.
    pub(crate) fn repeats(sends: &[Publish]) -> BTreeMap<String, u64> {
        let mut seen = BTreeSet::new();
        let mut repeats = BTreeMap::new();
        for publish in sends {
            let unit = repeats.entry(unit_of(&publish.topic)).or_default();
            if !seen.insert((&publish.topic, &publish.payload)) {
                *unit += records(&publish.payload).len() as u64;
            }
        }
        repeats
    }
}

/// `railway/unit` of a topic.
pub(crate) fn unit_of(topic: &str) -> String {
    let mut parts = topic.split('/').skip(1);
    format!("{}/{}", parts.next().unwrap_or_default(), parts.next().unwrap_or_default())
}

fn sent(message: Message) -> Sent {
    let Message { at_unix_ms, topic, payload, content_type } = message;
    Sent { at_ms: at_unix_ms, publish: Publish { topic, payload: payload.into(), content_type } }
}

/// Faults that come at once and show within hours: one for each unit but the last, which stays healthy.
const FAULTS: [FaultKind; 6] = [
    FaultKind::RadiatorFanFailed,
    FaultKind::SensorStuck,
    FaultKind::CoolantPumpFailed,
    FaultKind::OilPumpWear,
    FaultKind::BoostLeak,
    FaultKind::ThermocoupleOpen,
];

/// Units with a fault each, and a healthy one.
fn scenario(seed: u64, begin_ms: i64, days: u32, units: u32) -> Scenario {
    let begin = jiff::Timestamp::from_millisecond(begin_ms).expect("a time of our days");
    let hours = f64::from(days) * 24.0;
    let mut scenario = Scenario::every_fault(begin, hours - FAULT_LASTS_H);
    scenario.seed = seed;
    scenario.sending.batch_until_h = hours;
    scenario.sending.duplicates = 0.0;
    let mut names = Vec::new();
    for railway in &mut scenario.railways {
        railway.units = units;
        names.extend((0..units).map(|n| format!("{}/{}-{}", railway.id, railway.prefix, railway.first + n)));
    }
    let kinds: Vec<FaultKind> = FAULTS.into_iter().zip(1..units).map(|(kind, _)| kind).collect();
    scenario.faults.retain(|fault| kinds.contains(&fault.kind));
    for (fault, unit) in scenario.faults.iter_mut().zip(&names) {
        fault.unit.clone_from(unit);
        fault.course = Course::Step;
        fault.severity = 2.0;
    }
    scenario
}

/// Takes an hour or two out of each unit's messages, at different times: what was never sent is in no replay.
fn cut_gaps(messages: &mut Vec<Sent>, random: &mut Random) {
    let units: BTreeSet<Arc<str>> = messages.iter().map(|m| m.publish.topic.clone()).collect();
    let (Some(first), Some(last)) = (messages.first().map(|m| m.at_ms), messages.last().map(|m| m.at_ms))
    else {
        return;
    };
    for unit in units {
        let from = first + random.millis(last - first);
        let to = from + HOUR_MS + random.millis(HOUR_MS);
        messages.retain(|m| m.publish.topic != unit || !(from..to).contains(&m.at_ms));
    }
}

/// Some messages again with another value for one key, and some that hold a key twice with two values.
fn contradict(messages: &mut Vec<Sent>, random: &mut Random) {
    for round in 0..12 {
        let place = random.index(messages.len());
        let Some(original) = messages.get_mut(place) else { return };
        let mut pack: Vec<Value> = serde_json::from_slice(&original.publish.payload).expect("a pack");
        let Some(last) = pack.last().filter(|record| record.get("bn").is_none()).cloned() else { continue };
        let Some(value) = last["v"].as_f64() else { continue };
        let mut other = last;
        other["v"] = (value + if round % 2 == 0 { 1.0 } else { -1.0 }).into();
        if round % 3 == 0 {
            pack.push(other);
            original.publish.payload = packed(&pack);
        } else {
            if let Some(last) = pack.last_mut() {
                *last = other;
            }
            let mut again = original.clone();
            again.publish.payload = packed(&pack);
            messages.insert(place + 1, again);
        }
    }
}

/// The bytes of a pack.
pub(crate) fn packed(pack: &[Value]) -> Arc<[u8]> {
    serde_json::to_vec(pack).expect("JSON").into()
}

/// Two hours, a month and twenty years ahead; three months behind: farther than the tolerances.
fn implausible(units: &[Arc<str>], now_ms: i64) -> Vec<Sent> {
    let off = [2 * HOUR_MS + AHEAD_S * 1000, 30 * DAY_MS, 20 * 365 * DAY_MS, -90 * DAY_MS];
    units
        .iter()
        .flat_map(|topic| off.map(|off| (topic.clone(), now_ms + off)))
        .map(|(topic, at_ms)| Sent {
            at_ms,
            publish: Publish {
                payload: packed(&[
                    json!({ "bt": at_ms / 1000, "n": "oil_pressure", "u": "Pa", "v": 1000.0 }),
                    json!({ "n": "software_version", "vs": "9.9" }),
                ]),
                topic,
                content_type: "application/senml+json",
            },
        })
        .collect()
}

/// Channel and event time in milliseconds of each number and truth value in a pack.
fn records(payload: &[u8]) -> Vec<(String, i64)> {
    let counts = |record: &Value| record["v"].is_number() || record["vb"].is_boolean();
    resolved(payload)
        .into_iter()
        .filter(|(.., record)| counts(record))
        .map(|(name, at, _)| (name, at))
        .collect()
}

/// Channel and event time in milliseconds of each record of a pack, with the record (RFC 8428, section 4).
pub(crate) fn resolved(payload: &[u8]) -> Vec<(String, i64, Value)> {
    let pack: Vec<Value> = serde_json::from_slice(payload).expect("a pack");
    let (mut name, mut time) = (String::new(), 0.0);
    let mut found = Vec::new();
    for record in pack {
        if let Some(base) = record["bn"].as_str() {
            base.clone_into(&mut name);
        }
        time = record["bt"].as_f64().unwrap_or(time);
        let whole = format!("{name}{}", record["n"].as_str().unwrap_or_default());
        let channel = whole.rsplit('/').next().unwrap_or_default().to_owned();
        #[expect(clippy::cast_possible_truncation, reason = "a time of our days in milliseconds")]
        let at = ((time + record["t"].as_f64().unwrap_or(0.0)) * 1000.0).round() as i64;
        found.push((channel, at, record));
    }
    found
}

#[test]
fn the_same_seed_gives_the_same_set_with_everything_in_it() {
    let now = 1_790_000_000_000;
    let (one, two) = (History::new(5, now, 1, 3), History::new(5, now, 1, 3));
    assert!(one.before.iter().zip(&two.before).all(|(a, b)| a.publish == b.publish));
    assert_eq!((one.units.len(), one.implausible.len()), (3, 12));
    let keys = History::keys(one.before.iter());
    assert!(
        keys.values().all(|samples| *samples > 40 * 20 * 60),
        "three units with their channels: {keys:?}"
    );
    let texts = settled(one.before.iter());
    assert!(texts.values().all(|texts| texts.len() > 10), "units tell texts: {texts:?}");
    assert!(one.after.iter().all(|m| m.at_ms > one.tail_ms) && !one.after.is_empty());
}

#[test]
fn a_packs_keys_are_counted_as_the_standard_resolves_them() {
    let pack = br#"[{"bn":"u/a","bt":100,"v":1},{"t":60,"v":2},{"bn":"u/","n":"b","v":1},{"n":"s","vs":"x"},{"n":"c","vb":true}]"#;
    let expected = [("a", 100_000), ("a", 160_000), ("b", 100_000), ("c", 100_000)];
    assert_eq!(records(pack), expected.map(|(channel, at)| (channel.to_owned(), at)));
}
