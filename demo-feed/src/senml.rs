//! The units' own `SenML` writer (RFC 8428, JSON).
//!
//! Owns how a pack is written: one snapshot with base name, base time and base unit, or several in one pack with
//! a base time each. Refuses to share code with whatever reads it.

use std::io::Write as _;

use crate::channel::{CHANNELS, COUNT};
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
}

/// Prepared pieces of text, shared by all units.
#[derive(Debug)]
pub(crate) struct Encoder {
    /// `"n":"oil_pressure","u":"Pa"` for each channel.
    with_uom: Vec<String>,
    /// `"n":"oil_pressure"` for each channel.
    bare: Vec<String>,
    /// Channels by unit of measure, those without one first; `Some` where a new base unit begins.
    by_uom: Vec<(usize, Option<&'static str>)>,
}

impl Encoder {
    pub(crate) fn new() -> Self {
        let bare: Vec<String> = CHANNELS.iter().map(|c| format!("\"n\":\"{}\"", c.name)).collect();
        let with_uom = CHANNELS
            .iter()
            .zip(&bare)
            .map(|(c, name)| c.uom.map_or_else(|| name.clone(), |u| format!("{name},\"u\":\"{u}\"")))
            .collect();
        let mut order: Vec<usize> = (0..COUNT).collect();
        let uom = |i: &usize| CHANNELS.get(*i).and_then(|c| c.uom);
        order.sort_by_key(|i| (uom(i), *i));
        let mut last = None;
        let by_uom = order
            .into_iter()
            .map(|i| {
                let begins = (uom(&i) != last).then(|| uom(&i)).flatten();
                last = uom(&i);
                (i, begins)
            })
            .collect();
        Encoder { with_uom, bare, by_uom }
    }

    /// Writes a pack: base name, then every snapshot, oldest first.
    pub(crate) fn pack<'a>(
        &self,
        base_name: &str,
        snapshots: impl ExactSizeIterator<Item = &'a Snapshot>,
    ) -> Vec<u8> {
        const RECORD_BYTES: usize = 48;
        let single = snapshots.len() == 1;
        let mut out = Vec::with_capacity(snapshots.len() * COUNT * RECORD_BYTES + 64);
        out.push(b'[');
        for (i, snapshot) in snapshots.enumerate() {
            let mut head = if i == 0 { format!("\"bn\":\"{base_name}/\",") } else { String::new() };
            head.push_str("\"bt\":");
            head.push_str(&seconds(snapshot.at_ms));
            head.push(',');
            self.snapshot(&mut out, &head, snapshot, single);
        }
        if out.last() == Some(&b',') {
            out.pop();
        }
        out.push(b']');
        out
    }

    fn snapshot(&self, out: &mut Vec<u8>, head: &str, snapshot: &Snapshot, single: bool) {
        let mut head = Some(head);
        if let Some(version) = snapshot.software {
            out.push(b'{');
            out.extend_from_slice(head.take().unwrap_or_default().as_bytes());
            out.extend_from_slice(b"\"n\":\"software_version\",\"vs\":\"");
            out.extend_from_slice(version.as_bytes());
            out.extend_from_slice(b"\"},");
        }
        for (at, base_uom) in &self.by_uom {
            let Some(reading) = snapshot.readings.get(*at).copied().filter(|r| *r != MISSING) else {
                continue;
            };
            out.push(b'{');
            out.extend_from_slice(head.take().unwrap_or_default().as_bytes());
            if single {
                if let Some(uom) = base_uom {
                    out.extend_from_slice(b"\"bu\":\"");
                    out.extend_from_slice(uom.as_bytes());
                    out.extend_from_slice(b"\",");
                }
                push(out, self.bare.get(*at));
            } else {
                push(out, self.with_uom.get(*at));
            }
            value(out, *at, reading);
            out.extend_from_slice(b"},");
        }
    }
}

fn push(out: &mut Vec<u8>, text: Option<&String>) {
    out.extend_from_slice(text.map_or(b"".as_slice(), |t| t.as_bytes()));
}

fn value(out: &mut Vec<u8>, at: usize, reading: i32) {
    let Some(channel) = CHANNELS.get(at) else { return };
    if channel.flag {
        out.extend_from_slice(if reading == 0 { b",\"vb\":false" } else { b",\"vb\":true" });
        return;
    }
    out.extend_from_slice(b",\"v\":");
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channel::scale;

    fn snapshot(at_ms: i64) -> Snapshot {
        let readings = std::array::from_fn(|i| i32::try_from(i).unwrap_or(0) * 7 - 20);
        Snapshot { at_ms, readings, software: None }
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
                    assert!((record.1 * 1000.0 - f64::from(1) * snapshot.at_ms as f64).abs() < 0.5);
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
