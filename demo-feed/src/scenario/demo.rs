//! The scenario that ships: three invented railways, 24 units, and stories an engineer can tell apart.
//!
//! Owns what the demonstration shows. Refuses anything real: railways, places and units are invented.

use jiff::{SignedDuration, Timestamp};

use super::{
    Duty, FaultPlan, Misnamed, Order, Outage, Place, RailwayPlan, Scenario, Sending, Stranger, WrongClock,
};
use crate::fault::{Course, FaultKind};

/// History before the present, in days.
const HISTORY_DAYS: i64 = 14;
const HOURS: f64 = 336.0;

impl Scenario {
    /// The demonstration as of `now`: two weeks of history sent in batches, then live snapshots. The fault of
    /// `NM-4105` begins two minutes after `now`.
    #[must_use]
    pub fn demo(now: Timestamp) -> Self {
        let start = now.saturating_sub(SignedDuration::from_hours(24 * HISTORY_DAYS)).unwrap_or(now);
        Scenario {
            seed: 12,
            start,
            sending: Sending { batch_until_h: HOURS, ..Sending::default() },
            places: places(),
            railways: railways(),
            faults: faults(),
            benign: vec![],
            outages: vec![Outage {
                railway: "tavia".into(),
                units: vec![],
                from_h: HOURS - 52.0,
                for_h: 5.0,
            }],
            clocks: vec![WrongClock {
                unit: "sarel/SC-2203".into(),
                from_h: HOURS - 26.0,
                until_h: None,
                ahead_h: 7.0,
            }],
            misnamed: vec![Misnamed {
                unit: "sarel/SC-2206".into(),
                named: "SC-2260".into(),
                from_h: HOURS - 30.0,
                for_h: 2.0,
            }],
            strangers: vec![Stranger {
                railway: "northmoor".into(),
                unit: "NM-4999".into(),
                from_h: HOURS - 8.0,
            }],
            orders: vec![Order { unit: "northmoor/NM-4105".into(), at_h: HOURS - 0.6, for_h: 2.5, notch: 8 }],
        }
    }

    /// One fault of every kind, each on a unit of its own, and as many healthy units: a fleet to measure a
    /// detector on. Faults begin after `healthy_h` hours.
    #[must_use]
    pub fn every_fault(start: Timestamp, healthy_h: f64) -> Self {
        let mut scenario = Scenario::demo(start);
        scenario.start = start;
        let kinds = FaultKind::ALL;
        let count = u32::try_from(kinds.len()).unwrap_or(0);
        scenario.railways.truncate(1);
        for railway in &mut scenario.railways {
            railway.units = 2 * count;
        }
        let unit = |i: u32| scenario.railways.first().map_or(String::new(), |r| r.unit_name(i));
        let faults = kinds.iter().zip(0_u32..).map(|(kind, i)| usual(*kind, &unit(i), healthy_h)).collect();
        scenario.faults = faults;
        (scenario.outages, scenario.clocks, scenario.misnamed) = (vec![], vec![], vec![]);
        (scenario.strangers, scenario.orders) = (vec![], vec![]);
        scenario
    }
}

/// A fault in its usual size and course.
fn usual(kind: FaultKind, unit: &str, onset_h: f64) -> FaultPlan {
    let channel = match kind {
        FaultKind::PressureSensorDrift => Some("oil_pressure"),
        FaultKind::SensorStuck => Some("oil_temp"),
        FaultKind::PickupIntermittent => Some("turbo_speed"),
        _ => None,
    };
    let slow = matches!(
        kind,
        FaultKind::OilPumpWear
            | FaultKind::FuelDilution
            | FaultKind::OilFilterPlugged
            | FaultKind::OilCoolerFouled
            | FaultKind::RadiatorFouled
            | FaultKind::AftercoolerFouled
            | FaultKind::AirFilterPlugged
            | FaultKind::TurboDegraded
            | FaultKind::FuelFilterPlugged
            | FaultKind::RingWear
            | FaultKind::BreatherPlugged
            | FaultKind::CompressorWorn
            | FaultKind::ThermocoupleDrift
            | FaultKind::PressureSensorDrift
    );
    let (course, over_h) = match kind {
        _ if slow => (Course::Drift, 240.0),
        FaultKind::ExhaustValveLeak | FaultKind::BearingDistress => (Course::Accelerating, 96.0),
        FaultKind::PickupIntermittent => (Course::Intermittent, 0.0),
        _ => (Course::Step, 0.0),
    };
    FaultPlan {
        unit: format!("northmoor/{unit}"),
        kind,
        onset_h,
        course,
        over_h,
        severity: 1.0,
        which: Some(4),
        channel: channel.map(ToOwned::to_owned),
        size: None,
        until_h: None,
    }
}

fn places() -> Vec<Place> {
    vec![
        Place {
            id: "northmoor-hills".into(),
            mean_c: 9.0,
            season_c: 9.0,
            day_c: 4.0,
            front_c: 3.0,
            warmest_day: 203.0,
            height_m: 240.0,
            relief_m: 160.0,
            longitude: 24.0,
        },
        Place {
            id: "sarel-coast".into(),
            mean_c: 19.0,
            season_c: 5.0,
            day_c: 4.0,
            front_c: 2.0,
            warmest_day: 226.0,
            height_m: 20.0,
            relief_m: 60.0,
            longitude: -15.0,
        },
        Place {
            id: "tavia-plateau".into(),
            mean_c: 31.0,
            season_c: 3.0,
            day_c: 8.0,
            front_c: 1.5,
            warmest_day: 15.0,
            height_m: 520.0,
            relief_m: 120.0,
            longitude: 130.0,
        },
    ]
}

fn railways() -> Vec<RailwayPlan> {
    let plan = |id: &str, name: &str, zone: &str, place: &str, units, prefix: &str, first| RailwayPlan {
        id: id.into(),
        name: name.into(),
        zone: zone.into(),
        place: place.into(),
        units,
        prefix: prefix.into(),
        first,
        duty: Duty::LineHaul,
    };
    vec![
        plan("northmoor", "Northmoor Freight", "Europe/Helsinki", "northmoor-hills", 10, "NM", 4101),
        plan("sarel", "Sarel Coast Line", "Atlantic/Canary", "sarel-coast", 8, "SC", 2201),
        plan("tavia", "Tavia Mineral", "Australia/Darwin", "tavia-plateau", 6, "TM", 701),
    ]
}

fn faults() -> Vec<FaultPlan> {
    use Course::{Drift, Step};
    let at = |unit: &str, kind, onset_h, course, over_h| FaultPlan {
        unit: unit.into(),
        onset_h,
        course,
        over_h,
        which: None,
        ..usual(kind, "", 0.0)
    };
    let of = |plan: FaultPlan, which| FaultPlan { which: Some(which), ..plan };
    let on = |plan: FaultPlan, channel: &str| FaultPlan { channel: Some(channel.into()), ..plan };
    vec![
        at("northmoor/NM-4103", FaultKind::OilPumpWear, 110.0, Drift, 240.0),
        of(at("northmoor/NM-4107", FaultKind::InjectorWeak, 236.0, Step, 0.0), 7),
        of(at("northmoor/NM-4109", FaultKind::ThermocoupleDrift, 170.0, Drift, 150.0), 4),
        at("northmoor/NM-4101", FaultKind::BatteryUndercharged, 252.0, Drift, 48.0),
        at("northmoor/NM-4105", FaultKind::CoolantPumpFailed, HOURS + 2.0 / 60.0, Step, 0.0),
        at("sarel/SC-2205", FaultKind::AftercoolerFouled, 120.0, Drift, 190.0),
        on(at("sarel/SC-2202", FaultKind::SensorStuck, 286.0, Step, 0.0), "oil_temp"),
        at("sarel/SC-2207", FaultKind::BreatherPlugged, 190.0, Drift, 110.0),
        at("tavia/TM-701", FaultKind::RadiatorFanFailed, 262.0, Step, 0.0),
        at("tavia/TM-704", FaultKind::TurboDegraded, 130.0, Drift, 200.0),
        of(at("tavia/TM-706", FaultKind::TractionMotorDistress, 276.0, Step, 0.0), 3),
    ]
}
