//! A scenario: the fleet, the weather, what goes wrong and when, all from one file.
//!
//! Owns the shape of the scenario file (TOML) and its checks. Refuses to run it. Every time in it is in hours
//! after `start`, so that one scenario can be played at any date.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::benign::BenignPlan;
use crate::fault::{Course, FaultKind};

mod benign;
mod check;
mod demo;
mod limits;

pub use check::ScenarioError;

/// Everything that decides what the fleet sends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Same seed, same bytes.
    pub seed: u64,
    /// When the fleet begins to send, RFC 3339.
    pub start: Timestamp,
    /// How units send.
    #[serde(default)]
    pub sending: Sending,
    /// Climates.
    pub places: Vec<Place>,
    /// Railways and their units.
    pub railways: Vec<RailwayPlan>,
    /// Faults of machines and sensors.
    #[serde(default)]
    pub faults: Vec<FaultPlan>,
    /// Changes that are no faults.
    #[serde(default)]
    pub benign: Vec<BenignPlan>,
    /// Times without a network.
    #[serde(default)]
    pub outages: Vec<Outage>,
    /// Wrong clocks.
    #[serde(default)]
    pub clocks: Vec<WrongClock>,
    /// Units whose packs name another unit.
    #[serde(default)]
    pub misnamed: Vec<Misnamed>,
    /// Units that send and that no register knows.
    #[serde(default)]
    pub strangers: Vec<Stranger>,
    /// Notches held by order, as in a test.
    #[serde(default)]
    pub orders: Vec<Order>,
}

/// How units send.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sending {
    /// Seconds between snapshots.
    pub snapshot_s: u32,
    /// Snapshots in a batch.
    pub batch: u32,
    /// Batches until that many hours after the start, a pack a snapshot from then on.
    pub batch_until_h: f64,
    /// Snapshots a unit keeps while it has no network; the oldest are lost when there are more.
    pub keep: u32,
    /// Share of packs sent twice.
    pub duplicates: f64,
    /// Share of each line that has no radio.
    pub dead_zones: f64,
}

impl Default for Sending {
    fn default() -> Self {
        Sending {
            snapshot_s: 60,
            batch: 12,
            batch_until_h: 0.0,
            keep: 2_880,
            duplicates: 0.003,
            dead_zones: 0.04,
        }
    }
}

/// A climate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Name; also the region of its units.
    pub id: String,
    /// Mean temperature of the year, in degrees Celsius.
    pub mean_c: f64,
    /// Half the difference between the warmest and the coldest time of the year, in K.
    pub season_c: f64,
    /// Half the difference between day and night, in K.
    pub day_c: f64,
    /// Size of passing fronts, in K.
    pub front_c: f64,
    /// Day of the year that is warmest, 0 to 365.
    pub warmest_day: f64,
    /// Height above the sea, in m.
    pub height_m: f64,
    /// How far its lines go up and down, in m.
    pub relief_m: f64,
    /// Degrees east, for the time of the day.
    pub longitude: f64,
}

/// What a unit is used for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Duty {
    /// Trains over the line.
    #[default]
    LineHaul,
    /// Making up trains in a yard.
    Switch,
}

/// One railway's part of the fleet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RailwayPlan {
    /// Identity, as in topics.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// IANA time zone.
    pub zone: String,
    /// Place its units work in.
    pub place: String,
    /// How many units.
    pub units: u32,
    /// Letters before the unit's number.
    pub prefix: String,
    /// Number of the first unit.
    pub first: u32,
    /// What they do.
    #[serde(default)]
    pub duty: Duty,
}

/// One fault of one unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultPlan {
    /// `railway/unit`.
    pub unit: String,
    /// What fails.
    pub kind: FaultKind,
    /// When it begins.
    pub onset_h: f64,
    /// How it grows.
    #[serde(default)]
    pub course: Course,
    /// Time to grow to its full size, in hours.
    #[serde(default)]
    pub over_h: f64,
    /// Size against the usual one.
    #[serde(default = "one")]
    pub severity: f64,
    /// Cylinder (1 to 12) or motor (1 to 6).
    #[serde(default)]
    pub which: Option<u32>,
    /// Channel of a sensor fault that can sit on any.
    #[serde(default)]
    pub channel: Option<String>,
    /// Size of a sensor's drift, in the channel's unit of measure.
    #[serde(default)]
    pub size: Option<f64>,
    /// When it is repaired.
    #[serde(default)]
    pub until_h: Option<f64>,
}

fn one() -> f64 {
    1.0
}

/// A time without a network, after which units send what they kept, oldest first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outage {
    /// The railway that loses it.
    pub railway: String,
    /// Its units; all when empty.
    #[serde(default)]
    pub units: Vec<String>,
    /// When it begins.
    pub from_h: f64,
    /// How long it lasts.
    pub for_h: f64,
}

/// A clock that is wrong.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WrongClock {
    /// `railway/unit`.
    pub unit: String,
    /// When it begins.
    pub from_h: f64,
    /// When it is set right; never when absent.
    #[serde(default)]
    pub until_h: Option<f64>,
    /// How far ahead of the time, in hours; behind when negative.
    pub ahead_h: f64,
}

/// Packs that name another unit than the topic they come on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Misnamed {
    /// `railway/unit` that sends.
    pub unit: String,
    /// Unit named in the packs.
    pub named: String,
    /// When it begins.
    pub from_h: f64,
    /// How long it lasts.
    pub for_h: f64,
}

/// A unit that sends and that no register knows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stranger {
    /// Its railway, one of the scenario's.
    pub railway: String,
    /// Its number.
    pub unit: String,
    /// When it begins to send.
    #[serde(default)]
    pub from_h: f64,
}

/// A notch held by order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Order {
    /// `railway/unit`.
    pub unit: String,
    /// From when.
    pub at_h: f64,
    /// How long, in hours.
    pub for_h: f64,
    /// 0 (idle) to 8.
    pub notch: u8,
}

impl Scenario {
    /// Reads a scenario file and checks it.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Scenario = toml::from_str(text)?;
        scenario.check()?;
        Ok(scenario)
    }

    /// The same fleet with another number of units, shared among the railways as before. Faults of units that
    /// no longer exist go.
    #[must_use]
    pub fn with_units(mut self, units: u32) -> Self {
        let before = self.railways.iter().map(|r| u64::from(r.units)).sum::<u64>().max(1);
        let mut given = 0_u64;
        let mut reached = 0_u64;
        for railway in &mut self.railways {
            reached += u64::from(railway.units);
            let upto = u64::from(units) * reached / before;
            railway.units = u32::try_from(upto - given).unwrap_or(u32::MAX);
            given = upto;
        }
        let known: std::collections::BTreeSet<String> = self.unit_names().collect();
        self.faults.retain(|f| known.contains(&f.unit));
        self.benign.retain(|b| known.contains(&b.unit));
        self.clocks.retain(|c| known.contains(&c.unit));
        self.misnamed.retain(|m| known.contains(&m.unit));
        self.orders.retain(|o| known.contains(&o.unit));
        self
    }

    /// Every registered unit as `railway/unit`.
    pub(crate) fn unit_names(&self) -> impl Iterator<Item = String> + '_ {
        self.railways.iter().flat_map(|r| (0..r.units).map(move |i| format!("{}/{}", r.id, r.unit_name(i))))
    }
}

impl RailwayPlan {
    /// Number of the unit at a position.
    pub(crate) fn unit_name(&self, position: u32) -> String {
        format!("{}-{}", self.prefix, self.first.saturating_add(position))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scenario_comes_back_from_its_file() {
        let demo = Scenario::demo(Timestamp::UNIX_EPOCH);
        let text = toml::to_string(&demo).unwrap();
        assert_eq!(Scenario::parse(&text).unwrap(), demo);
    }

    #[test]
    fn units_are_shared_as_before() {
        let large = Scenario::demo(Timestamp::UNIX_EPOCH).with_units(20_000);
        let each: Vec<u32> = large.railways.iter().map(|r| r.units).collect();
        assert_eq!(each.iter().sum::<u32>(), 20_000);
        assert_eq!((each[0], large.faults.len()), (8_333, 11));
        let small = Scenario::demo(Timestamp::UNIX_EPOCH).with_units(2);
        assert!(small.check().is_ok() && small.faults.len() == 1);
    }

    #[test]
    fn every_fault_gets_a_unit_of_its_own() {
        let scenario = Scenario::every_fault(Timestamp::UNIX_EPOCH, 100.0);
        let units: std::collections::BTreeSet<&str> =
            scenario.faults.iter().map(|f| f.unit.as_str()).collect();
        assert_eq!(units.len(), FaultKind::ALL.len());
        assert!(scenario.check().is_ok());
    }
}
