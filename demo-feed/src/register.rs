//! The fleet as a register file: railways, units, engines fitted.
//!
//! Owns the text. The class itself ships as `deploy/register/demo-12.toml`. Strangers of the scenario are left
//! out, which is what makes them strangers.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use crate::scenario::Scenario;

/// The class all units share.
pub(crate) const CLASS: &str = "demo-12";
/// Serial number of the first engine.
const FIRST_SERIAL: u64 = 10_001;
/// How long before the scenario's start the engines were fitted, in days.
const FITTED_DAYS_BEFORE: i64 = 400;

#[derive(Serialize)]
struct File<'a> {
    railways: Vec<Railway<'a>>,
    units: Vec<Unit<'a>>,
}

#[derive(Serialize)]
struct Railway<'a> {
    id: &'a str,
    name: &'a str,
    zone: &'a str,
}

#[derive(Serialize)]
struct Unit<'a> {
    railway: &'a str,
    id: String,
    class: &'static str,
    region: &'a str,
    fitted: [&'static str; 1],
    engines: [Engine; 1],
}

#[derive(Serialize)]
struct Engine {
    serial: String,
    from: Timestamp,
}

/// Serial number of the engine in the unit at a position in the fleet.
pub(crate) fn serial(position: u64) -> String {
    format!("D12-{}", FIRST_SERIAL + position)
}

/// The register's text.
pub(crate) fn text(scenario: &Scenario) -> String {
    let from = scenario
        .start
        .saturating_sub(SignedDuration::from_hours(24 * FITTED_DAYS_BEFORE))
        .unwrap_or(scenario.start);
    let railways =
        scenario.railways.iter().map(|r| Railway { id: &r.id, name: &r.name, zone: &r.zone }).collect();
    let numbered = scenario.railways.iter().flat_map(|r| (0..r.units).map(move |i| (r, i)));
    let units = numbered
        .zip(0_u64..)
        .map(|((railway, i), position)| Unit {
            railway: &railway.id,
            id: railway.unit_name(i),
            class: CLASS,
            region: &railway.place,
            fitted: ["software_version"],
            engines: [Engine { serial: serial(position), from }],
        })
        .collect();
    // Strings and times always have a TOML form.
    toml::to_string(&File { railways, units }).unwrap_or_default()
}
