//! The units' own `SenML` writer (RFC 8428, JSON).
//!
//! Owns how a pack is written: one snapshot as a record a channel, with base name, base time and base unit; several
//! as a run of records a channel, each run under the channel's full name as base name, which halves the bytes.
//! Refuses to share code with whatever reads it.

use std::io::Write as _;

use crate::benign::Recast;
use crate::channel::{CHANNELS, COUNT, Channel, scale};
use crate::instrument::MISSING;

/// Content type of every pack.
pub(crate) const CONTENT_TYPE: &str = "application/senml+json";

/// One snapshot: event time by the unit's own clock, and readings in units of the last digit sent.
#[derive(Clone, Debug)]
pub(crate) struct Snapshot {
    pub(crate) at_ms: i64,
    pub(crate) readings: [i32; COUNT],
    /// Sent as a text record of its own, when due.
    pub(crate) software: Option<&'static str>,
    /// Channels sent in another unit of measure.
    pub(crate) recasts: Vec<Recast>,
}

/// Prepared pieces of text, shared by all units.
#[derive(Debug)]
pub(crate) struct Encoder {
    /// Channels by unit of measure, those without one first, so that none inherits a unit it does not have.
    order: Vec<Piece>,
}

#[derive(Debug)]
struct Piece {
    channel: usize,
    name: &'static str,
    /// `"bu":"Pa",` where a new base unit begins, else nothing.
    base_uom: String,
}

impl Encoder {
    pub(crate) fn new() -> Self {
        let mut order: Vec<(usize, &'static Channel)> = CHANNELS.iter().enumerate().collect();
        order.sort_by_key(|(i, channel)| (channel.uom, *i));
        let mut last = None;
        let piece = |(channel, c): (usize, &'static Channel)| {
            let begins = c.uom.filter(|_| c.uom != last);
            last = c.uom;
            let base_uom = begins.map_or_else(String::new, |uom| format!("\"bu\":\"{uom}\","));
            Piece { channel, name: c.name, base_uom }
        };
        Encoder { order: order.into_iter().map(piece).collect() }
    }

    /// Writes a pack of snapshots, oldest first. `unit` is the name the unit gives itself.
    pub(crate) fn pack<'a>(
        &self,
        unit: &str,
        snapshots: impl ExactSizeIterator<Item = &'a Snapshot> + Clone,
    ) -> Vec<u8> {
        const RECORD_BYTES: usize = 42;
        let mut out = Vec::with_capacity(snapshots.len() * COUNT * RECORD_BYTES + 128);
        out.push(b'[');
        let mut first = snapshots.clone();
        if let (1, Some(only)) = (snapshots.len(), first.next()) {
            self.one(&mut out, unit, only);
        } else {
            self.many(&mut out, unit, snapshots);
        }
        if out.last() == Some(&b',') {
            out.pop();
        }
        out.push(b']');
        out
    }

    fn one(&self, out: &mut Vec<u8>, unit: &str, snapshot: &Snapshot) {
        let mut head = format!("\"bn\":\"{unit}/\",\"bt\":{},", seconds(snapshot.at_ms));
        if let Some(version) = snapshot.software {
            let head = std::mem::take(&mut head);
            put(out, &["{", &head, "\"n\":\"software_version\",\"vs\":\"", version, "\"},"]);
        }
        for piece in &self.order {
            let Some(reading) = reading(snapshot, piece.channel) else { continue };
            put(out, &["{", &std::mem::take(&mut head), &piece.base_uom, "\"n\":\"", piece.name, "\","]);
            value(out, piece.channel, reading, snapshot);
            put(out, &["},"]);
        }
    }

    fn many<'a>(&self, out: &mut Vec<u8>, unit: &str, snapshots: impl Iterator<Item = &'a Snapshot> + Clone) {
        let Some(base_ms) = snapshots.clone().map(|s| s.at_ms).next() else { return };
        let times: Vec<String> = snapshots.clone().map(|s| offset(s.at_ms - base_ms)).collect();
        let mut head = format!("\"bt\":{},", seconds(base_ms));
        for (snapshot, time) in snapshots.clone().zip(&times) {
            let Some(version) = snapshot.software else { continue };
            let head = std::mem::take(&mut head);
            put(
                out,
                &["{\"bn\":\"", unit, "/software_version\",", &head, time, "\"vs\":\"", version, "\"},"],
            );
        }
        for piece in &self.order {
            let mut name = Some([unit, "/", piece.name].concat());
            for (snapshot, time) in snapshots.clone().zip(&times) {
                let Some(reading) = reading(snapshot, piece.channel) else { continue };
                put(out, &["{"]);
                if let Some(name) = name.take() {
                    put(out, &["\"bn\":\"", &name, "\",", &std::mem::take(&mut head), &piece.base_uom]);
                }
                put(out, &[time]);
                value(out, piece.channel, reading, snapshot);
                put(out, &["},"]);
            }
        }
    }
}

fn reading(snapshot: &Snapshot, channel: usize) -> Option<i32> {
    snapshot.readings.get(channel).copied().filter(|r| *r != MISSING)
}

fn put(out: &mut Vec<u8>, texts: &[&str]) {
    for text in texts {
        out.extend_from_slice(text.as_bytes());
    }
}

fn value(out: &mut Vec<u8>, at: usize, reading: i32, snapshot: &Snapshot) {
    let Some(channel) = CHANNELS.get(at) else { return };
    if let Some(recast) = snapshot.recasts.iter().find(|r| r.channel == at) {
        let value = f64::from(reading) / scale(channel.decimals) * recast.factor + recast.offset;
        if recast.declared {
            put(out, &["\"u\":\"", recast.uom, "\","]);
        }
        put(out, &["\"v\":", &format!("{value:.3}")]);
        return;
    }
    if channel.flag {
        out.extend_from_slice(if reading == 0 { b"\"vb\":false".as_slice() } else { b"\"vb\":true" });
        return;
    }
    out.extend_from_slice(b"\"v\":");
    decimal(out, i64::from(reading), channel.decimals);
}

/// Writes a whole number of the last digit as a decimal number.
fn decimal(out: &mut Vec<u8>, reading: i64, decimals: u32) {
    if reading < 0 {
        out.push(b'-');
    }
    let size = reading.unsigned_abs();
    let ten = 10_u64.pow(decimals.min(6));
    // A write to a Vec cannot fail.
    let _written = if decimals == 0 {
        write!(out, "{size}")
    } else {
        let width = usize::try_from(decimals).unwrap_or(0);
        write!(out, "{}.{:0width$}", size / ten, size % ten)
    };
}

/// Seconds since 1970 with as many decimals as needed.
fn seconds(ms: i64) -> String {
    if ms % 1000 == 0 { (ms / 1000).to_string() } else { format!("{}.{:03}", ms / 1000, ms.rem_euclid(1000)) }
}

/// A record's time after the base time; nothing when it is the base time.
fn offset(ms: i64) -> String {
    if ms == 0 { String::new() } else { format!("\"t\":{},", seconds(ms)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn snapshot(at_ms: i64) -> Snapshot {
        let readings = std::array::from_fn(|i| i32::try_from(i).unwrap_or(0) * 7 - 20);
        Snapshot { at_ms, readings, software: None, recasts: vec![] }
    }

    /// Reads a pack by the rules of RFC 8428 with a JSON reader, and nothing of this file.
    fn resolve(pack: &[u8]) -> Vec<(String, f64, Option<String>, serde_json::Value)> {
        let records: Vec<serde_json::Map<String, serde_json::Value>> = serde_json::from_slice(pack).unwrap();
        let (mut bn, mut bt, mut bu) = (String::new(), 0.0, None::<String>);
        let text = |r: &serde_json::Map<_, serde_json::Value>, k: &str| {
            r.get(k).and_then(|v| v.as_str()).map(ToOwned::to_owned)
        };
        let number =
            |r: &serde_json::Map<_, serde_json::Value>, k: &str| r.get(k).and_then(serde_json::Value::as_f64);
        let mut out = Vec::new();
        for record in &records {
            bn = text(record, "bn").unwrap_or(bn);
            bt = number(record, "bt").unwrap_or(bt);
            bu = text(record, "bu").or(bu);
            let value = ["v", "vb", "vs"].iter().find_map(|k| record.get(*k)).unwrap().clone();
            let name = bn.clone() + &text(record, "n").unwrap_or_default();
            out.push((
                name,
                bt + number(record, "t").unwrap_or(0.0),
                text(record, "u").or(bu.clone()),
                value,
            ));
        }
        out
    }

    #[expect(clippy::cast_possible_truncation, reason = "times of this century")]
    fn to_ms(seconds: f64) -> i64 {
        (seconds * 1000.0).round() as i64
    }

    #[test]
    fn every_channel_comes_back_with_its_unit_of_measure() {
        let encoder = Encoder::new();
        for count in [1, 12] {
            let sent: Vec<Snapshot> = (0..count).map(|i| snapshot(1_700_000_000_000 + i * 60_000)).collect();
            let records = resolve(&encoder.pack("NM-1", sent.iter()));
            assert_eq!(records.len(), sent.len() * COUNT);
            for (i, channel) in CHANNELS.iter().enumerate() {
                let name = format!("NM-1/{}", channel.name);
                let found: Vec<_> = records.iter().filter(|r| r.0 == name).collect();
                assert_eq!(found.len(), sent.len(), "{name}");
                for (record, snapshot) in found.iter().zip(&sent) {
                    assert_eq!(to_ms(record.1), snapshot.at_ms);
                    assert_eq!(record.2.as_deref(), channel.uom, "{name}");
                    match &record.3 {
                        serde_json::Value::Bool(b) => assert_eq!(*b, snapshot.readings[i] != 0),
                        v => {
                            let wanted = f64::from(snapshot.readings[i]) / scale(channel.decimals);
                            assert!((v.as_f64().unwrap() - wanted).abs() < 1e-9, "{name}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn numbers_keep_sign_and_zeros() {
        for (reading, decimals, text) in
            [(-5, 1, "-0.5"), (1003, 2, "10.03"), (0, 0, "0"), (-120, 0, "-120"), (7, 3, "0.007")]
        {
            let mut out = Vec::new();
            decimal(&mut out, reading, decimals);
            assert_eq!(String::from_utf8(out).unwrap(), text);
        }
    }

    #[test]
    fn a_missing_reading_is_left_out_and_a_text_is_a_record() {
        let mut one = snapshot(1_700_000_000_500);
        one.readings[3] = MISSING;
        one.software = Some("4.1.0");
        let records = resolve(&Encoder::new().pack("NM-1", [one].iter()));
        assert_eq!(records.len(), COUNT);
        assert!(records.iter().all(|r| r.0 != "NM-1/speed" && (r.1 - 1_700_000_000.5).abs() < 1e-6));
        assert_eq!(records[0].3, "4.1.0");
    }
}
