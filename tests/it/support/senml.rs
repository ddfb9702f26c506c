//! SenML packs as a unit would send them, written by hand: RFC 8428, JSON form.
//!
//! Shares nothing with the decoder that reads them.

use std::fmt::Write;

/// Topic of a unit, in the default pattern.
pub(crate) fn topic(railway: &str, unit: &str) -> String {
    format!("units/{railway}/{unit}/senml")
}

/// A pack of one snapshot: the time in milliseconds since 1970, and a value with its unit of measure a channel.
pub(crate) fn snapshot(at_ms: i64, values: &[(&str, &str, f64)]) -> String {
    let mut text = format!("[{{\"bt\":{}.{:03},", at_ms / 1000, at_ms % 1000);
    for (position, (name, uom, value)) in values.iter().enumerate() {
        let opening = if position == 0 { "" } else { ",{" };
        write!(text, "{opening}\"n\":\"{name}\",\"u\":\"{uom}\",\"v\":{value}}}").expect("a string grows");
    }
    text + "]"
}

#[test]
fn a_snapshot_is_json_with_the_time_once() {
    let text = snapshot(1_700_000_000_050, &[("a", "Pa", 1.5), ("b", "Cel", -2.0)]);
    let json: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(json[0]["bt"], 1_700_000_000.05);
    assert_eq!((&json[0]["v"], &json[1]["n"], &json[1]["v"]), (&1.5.into(), &"b".into(), &(-2).into()));
    assert!(json[1].get("bt").is_none());
}
