//! A test bench of two railways: a class with a few channels, units of it, and what its sensors send.
//!
//! Owns the register that most tests load. Everything in it is invented.

use std::time::Duration;

use serde_json::Value;

use super::broker::Broker;
use super::http::Client;
use super::senml::{snapshot, topic};
use super::{eventually, now_ms};

/// Railways, class and units.
pub(crate) const REGISTER: &str = r#"
[[railways]]
id = "northmoor"
name = "Northmoor Freight"
zone = "Europe/London"

[[railways]]
id = "sarel"
name = "Sarel Coast Line"

[[classes]]
id = "bench-4"
name = "Bench 4"

[[classes.channels]]
name = "oil_pressure"
label = "Oil pressure"
system = "lubrication"
uom = "Pa"
resolution = 1000.0
range = [0.0, 1200000.0]
[[classes.channels.limits]]
name = "low"
high = false
at = 150000.0
deadband = 10000.0
priority = "high"

[[classes.channels]]
name = "coolant_temp"
label = "Coolant temperature"
system = "cooling"
uom = "Cel"
resolution = 0.1
range = [-60.0, 250.0]

[[classes.channels]]
name = "message_number"
system = "operation"
judged = false

[[units]]
railway = "northmoor"
id = "NM-11"
class = "bench-4"

[[units]]
railway = "northmoor"
id = "NM-12"
class = "bench-4"

[[units]]
railway = "sarel"
id = "zz-7301"
class = "bench-4"
"#;

/// Oil pressure of a healthy unit, in pascals.
pub(crate) const HEALTHY_PA: f64 = 420_000.0;
/// Oil pressure beyond the class's limit, in pascals.
pub(crate) const LOW_PA: f64 = 90_000.0;
/// How long the whole path from publishing to the API may take on a busy machine.
pub(crate) const PATH: Duration = Duration::from_secs(30);

const MINUTE_MS: i64 = 60_000;

/// The bench's sensors at one minute: a little movement, as real ones have.
pub(crate) fn pack(at_ms: i64, oil_pressure: f64) -> String {
    let minute = at_ms.div_euclid(MINUTE_MS);
    #[expect(clippy::cast_precision_loss, reason = "one of five small numbers")]
    let wobble = (minute * 7 % 5) as f64;
    snapshot(
        at_ms,
        &[
            ("oil_pressure", "Pa", oil_pressure + 1000.0 * wobble),
            ("coolant_temp", "Cel", 80.0 + 0.1 * wobble),
        ],
    )
}

/// Half an hour of healthy minutes, then `low` minutes beyond the limit, the last one a few seconds ago; as sent.
pub(crate) fn falling_oil_pressure(low: i64) -> Vec<String> {
    let healthy = 30;
    let first = now_ms() - (healthy + low) * MINUTE_MS;
    (0..healthy + low)
        .map(|minute| {
            let level = if minute < healthy { HEALTHY_PA } else { LOW_PA };
            pack(first + minute * MINUTE_MS, level)
        })
        .collect()
}

/// Publishes a fall of oil pressure on a unit and waits for the finding.
pub(crate) fn open_finding(broker: &Broker, client: &Client, railway: &str, unit: &str) -> Value {
    assert_eq!(broker.publish_lines(&topic(railway, unit), &falling_oil_pressure(10)).finish(), 40);
    finding_of(client, unit)
}

/// Waits for the open finding on a unit's oil pressure.
pub(crate) fn finding_of(client: &Client, unit: &str) -> Value {
    eventually(&format!("a finding on {unit}"), PATH, || {
        client.get("/api/v1/findings?open=true").items().into_iter().find(|finding| {
            finding["unit"] == unit && symptoms(finding).any(|s| s["channel"] == "oil_pressure")
        })
    })
}

/// Symptoms of a finding.
pub(crate) fn symptoms(finding: &Value) -> impl Iterator<Item = &Value> {
    finding["symptoms"].as_array().into_iter().flatten()
}

/// A finding's id and the version to decide on.
pub(crate) fn identity(finding: &Value) -> (String, String) {
    let id = finding["id"].as_str().expect("an id is a text").to_owned();
    let version = finding["version"].as_str().map_or_else(|| finding["version"].to_string(), str::to_owned);
    (id, version)
}

/// Values of a channel as stored in the last days, by time in milliseconds since 1970.
pub(crate) fn samples(client: &Client, railway: &str, unit: &str, channel: &str) -> Vec<(i64, f64)> {
    const SPAN_MS: i64 = 6 * 24 * 60 * MINUTE_MS;
    let (from, to) = (rfc3339(now_ms() - SPAN_MS), rfc3339(now_ms() + 10 * MINUTE_MS));
    let answer =
        client.get(&format!("/api/v1/units/{railway}/{unit}/samples?channel={channel}&from={from}&to={to}"));
    assert_eq!(answer.status, 200, "{}", answer.text);
    let points = answer.json()["series"][0]["points"].as_array().cloned().unwrap_or_default();
    let point = |point: &Value| {
        let time: jiff::Timestamp = point["time"].as_str().expect("a time").parse().expect("RFC 3339");
        (time.as_millisecond(), point["value"].as_f64().expect("a number"))
    };
    points.iter().map(point).collect()
}

fn rfc3339(at_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(at_ms).expect("a time of our days").to_string()
}
