//! The fleet's feed as a whole: order, repeatability, health, backlogs, truth. Packs are read by `serde_json` and
//! the rules of RFC 8428 written out here, not by the writer's own code.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::*;
use crate::channel::{CHANNELS, COUNT};
use crate::limits::{CYLINDER_LIMIT, LIMITS};
use crate::scenario::{Outage, Sending};

const HOUR_MS: i64 = 3_600_000;

fn start() -> Timestamp {
    "2031-03-04T05:00:00Z".parse().unwrap()
}

/// A healthy fleet that sends a pack a snapshot.
fn healthy(units: u32) -> Scenario {
    let mut scenario = Scenario::demo(start()).with_units(units);
    scenario.start = start();
    scenario.sending = Sending { duplicates: 0.0, dead_zones: 0.0, ..Sending::default() };
    scenario.faults.clear();
    scenario.outages.clear();
    scenario.clocks.clear();
    scenario.misnamed.clear();
    scenario.strangers.clear();
    scenario.orders.clear();
    scenario
}

fn messages(scenario: &Scenario, hours: i64) -> Vec<Message> {
    let until = scenario.start.as_millisecond() + hours * HOUR_MS;
    Fleet::new(scenario).unwrap().advance_to(until).collect()
}

/// Resolved records of a pack: name, time in ms, value (flags as 0 and 1); texts are left out.
#[expect(clippy::cast_possible_truncation, reason = "times of this century")]
fn records(message: &Message) -> Vec<(String, i64, f64)> {
    let pack: Vec<serde_json::Value> = serde_json::from_slice(&message.payload).unwrap();
    let (mut bn, mut bt) = (String::new(), 0.0);
    let mut out = Vec::new();
    for record in &pack {
        bn = record["bn"].as_str().map_or(bn, ToOwned::to_owned);
        bt = record["bt"].as_f64().unwrap_or(bt);
        let name = bn.clone() + record["n"].as_str().unwrap_or("");
        let value = record["vb"].as_bool().map(|b| f64::from(u8::from(b))).or(record["v"].as_f64());
        let time = ((bt + record["t"].as_f64().unwrap_or(0.0)) * 1000.0).round() as i64;
        out.extend(value.map(|v| (name, time, v)));
    }
    out
}

fn topics(messages: &[Message]) -> BTreeSet<&str> {
    messages.iter().map(|m| &*m.topic).collect()
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let scenario = Scenario::demo(start());
    let first = messages(&scenario, 3);
    assert_eq!(first, messages(&scenario, 3));
    let other = Scenario { seed: 13, ..scenario };
    assert_ne!(first, messages(&other, 3));
}

#[test]
fn advancing_in_small_steps_changes_nothing() {
    let scenario = healthy(3);
    let whole = messages(&scenario, 2);
    let mut fleet = Fleet::new(&scenario).unwrap();
    let begin = start().as_millisecond();
    let parts: Vec<Message> =
        (1..=720).flat_map(|i| fleet.advance_to(begin + i * 10_000).collect::<Vec<_>>()).collect();
    assert_eq!(whole, parts);
}

#[test]
fn messages_leave_in_order_of_time_for_every_unit() {
    let sent = messages(&Scenario::demo(start()), 6);
    assert!(sent.windows(2).all(|w| w[0].at_unix_ms <= w[1].at_unix_ms));
    assert_eq!(topics(&sent).len(), 24);
    assert!(sent.iter().all(|m| m.topic.starts_with("units/") && m.topic.ends_with("/senml")));
}

#[test]
fn a_live_snapshot_holds_every_channel_once() {
    for message in messages(&healthy(3), 2) {
        let records = records(&message);
        let unit = message.topic.split('/').nth(2).unwrap();
        let names: BTreeSet<String> = records.iter().map(|r| r.0.clone()).collect();
        let wanted: BTreeSet<String> = CHANNELS.iter().map(|c| format!("{unit}/{}", c.name)).collect();
        assert_eq!((records.len(), names), (COUNT, wanted));
        assert_eq!(records.iter().map(|r| r.1).collect::<BTreeSet<_>>().len(), 1);
    }
}

#[test]
fn a_batch_holds_twelve_snapshots() {
    let mut scenario = healthy(2);
    scenario.sending.batch_until_h = 10.0;
    let sent = messages(&scenario, 5);
    assert!(sent.iter().all(|m| records(m).len() == 12 * COUNT));
    assert_eq!(sent.len(), 2 * 5 * 60 / 12 - 2 + sent.len() % 2, "{}", sent.len());
}

#[test]
fn healthy_units_stay_within_range_and_inside_every_limit() {
    let class: toml::Value = toml::from_str(CLASS_TOML).unwrap();
    let ranges: Vec<Option<(f64, f64)>> = class["classes"][0]["channels"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c.get("range").map(|r| (r[0].as_float().unwrap(), r[1].as_float().unwrap())))
        .collect();
    for message in messages(&healthy(6), 48) {
        for (i, (name, _, value)) in in_channel_order(&message).into_iter().enumerate() {
            if let Some((low, high)) = ranges[i] {
                assert!((low..=high).contains(&value), "{name} {value}");
            }
            let limits = LIMITS.iter().filter(|l| l.channel == i && l.notches.is_none());
            let cylinder = CHANNELS[i].name.starts_with("cyl_exhaust").then_some(&CYLINDER_LIMIT);
            for limit in limits.chain(cylinder).filter(|l| l.high) {
                assert!(!limit.beyond(value), "{name} {value} beyond {}", limit.name);
            }
        }
    }
}

fn in_channel_order(message: &Message) -> Vec<(String, i64, f64)> {
    let mut all = records(message);
    all.sort_by_cached_key(|r| r.0.split_once('/').and_then(|(_, name)| crate::channel::position(name)));
    all
}

#[test]
fn a_backlog_comes_oldest_first_and_whole() {
    let mut scenario = healthy(2);
    let out = Outage { railway: "northmoor".into(), units: vec![], from_h: 2.0, for_h: 3.0 };
    scenario.outages = vec![out];
    let begin = start().as_millisecond();
    let sent = messages(&scenario, 6);
    let silent = (begin + 2 * HOUR_MS + 5_000)..(begin + 5 * HOUR_MS);
    for topic in topics(&sent).into_iter().filter(|t| t.contains("northmoor")) {
        let mine: Vec<&Message> = sent.iter().filter(|m| &*m.topic == topic).collect();
        assert!(mine.iter().all(|m| !silent.contains(&m.at_unix_ms)), "{topic} sent during the outage");
        let times: Vec<i64> =
            mine.iter().flat_map(|m| records(m).into_iter().map(|r| r.1).collect::<BTreeSet<_>>()).collect();
        assert!(times.windows(2).all(|w| w[1] - w[0] == 60_000), "{topic} has gaps or disorder");
        assert!(times.len() >= 358, "{topic} has {} snapshots", times.len());
        assert!(mine.iter().any(|m| records(m).len() == 12 * COUNT), "{topic} sent no backlog");
    }
}

#[test]
fn a_unit_keeps_no_more_than_it_may() {
    let mut scenario = healthy(1);
    scenario.sending.keep = 30;
    scenario.outages = vec![Outage { railway: "northmoor".into(), units: vec![], from_h: 1.0, for_h: 4.0 }];
    scenario.railways[0].units = 1;
    let sent = messages(&scenario, 6);
    let mine = sent.iter().filter(|m| m.topic.contains("northmoor"));
    let snapshots: usize = mine.map(|m| records(m).len() / COUNT).sum();
    assert!((115..=155).contains(&snapshots), "{snapshots} snapshots of 6 hours, 4 without network");
}

#[test]
fn repeats_are_the_same_bytes_a_little_later() {
    let mut scenario = healthy(2);
    scenario.sending.duplicates = 0.2;
    let sent = messages(&scenario, 4);
    let distinct: BTreeSet<&[u8]> = sent.iter().map(|m| m.payload.as_slice()).collect();
    let share = (sent.len() - distinct.len()) * 100 / distinct.len();
    assert!((10..30).contains(&share), "{share} % repeated");
}

#[test]
fn wrong_clocks_wrong_names_and_strangers_do_as_told() {
    let scenario = Scenario::demo(start().checked_add(jiff::SignedDuration::from_hours(336)).unwrap());
    let mut fleet = Fleet::new(&scenario).unwrap();
    let until = start().as_millisecond() + 336 * HOUR_MS;
    let late: Vec<Message> =
        fleet.advance_to(until).filter(|m| m.at_unix_ms > until - 40 * HOUR_MS).collect();
    let of = |unit: &str| late.iter().filter(|m| m.topic.contains(unit)).collect::<Vec<_>>();
    assert!(of("SC-2203").iter().any(|m| records(m)[0].1 > m.at_unix_ms + 6 * HOUR_MS));
    assert!(of("SC-2206").iter().any(|m| records(m)[0].0.starts_with("SC-2260/")));
    assert!(!of("NM-4999").is_empty() && !fleet.register_toml().contains("NM-4999"));
    assert!(of("SC-2202").iter().all(|m| records(m)[0].1 <= m.at_unix_ms));
}

#[test]
fn the_live_fault_crosses_its_limit_within_ten_minutes() {
    let scenario = Scenario::demo(start());
    let mut fleet = Fleet::new(&scenario).unwrap();
    fleet.advance_to(start().as_millisecond() + HOUR_MS / 2).for_each(drop);
    let entry = fleet.truth().iter().find(|t| t.kind == "coolant-pump-failed").unwrap().clone();
    let crossed = entry.limit.unwrap();
    assert_eq!(
        (crossed.channel.as_str(), entry.reference, entry.unit.as_str()),
        ("coolant_pressure", "C3", "NM-4105")
    );
    let after = crossed.at.as_millisecond() - entry.onset.as_millisecond();
    assert!((0..600_000).contains(&after), "{after} ms");
}

#[test]
fn the_class_file_agrees_with_what_is_sent() {
    let class: toml::Value = toml::from_str(CLASS_TOML).unwrap();
    let channels = class["classes"][0]["channels"].as_array().unwrap();
    for (file, sent) in channels.iter().zip(&CHANNELS) {
        assert_eq!(file["name"].as_str(), Some(sent.name));
        assert_eq!(file.get("uom").and_then(|u| u.as_str()), sent.uom, "{}", sent.name);
        if let Some(resolution) = file.get("resolution").and_then(toml::Value::as_float) {
            assert!((resolution - sent.resolution()).abs() < 1e-9, "{}", sent.name);
        }
    }
    for limit in LIMITS.iter().chain([&CYLINDER_LIMIT]) {
        let listed = channels[limit.channel]["limits"].as_array().unwrap();
        let same = listed.iter().find(|l| l["name"].as_str() == Some(limit.name)).unwrap();
        assert_eq!((same["at"].as_float(), same["high"].as_bool()), (Some(limit.at), Some(limit.high)));
    }
}

#[test]
fn the_register_names_every_unit_and_engine() {
    let fleet = Fleet::new(&Scenario::demo(start())).unwrap();
    let register: toml::Value = toml::from_str(&fleet.register_toml()).unwrap();
    let units = register["units"].as_array().unwrap();
    let serials: BTreeSet<&str> = units.iter().map(|u| u["engines"][0]["serial"].as_str().unwrap()).collect();
    assert_eq!((units.len(), serials.len(), register["railways"].as_array().unwrap().len()), (24, 24, 3));
}
