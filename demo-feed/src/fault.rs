//! The faults the demo fleet can have: names, what each moves, and how it grows.
//!
//! Owns the list, with the key of the trade's fault table in `reference` and the channels that show it. Refuses
//! sizes, which stand in `effects` and `instrument`.

use serde::{Deserialize, Serialize};

/// A fault of the machine or of one of its sensors.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the trade's; channels and effects stand in `spec`")]
pub enum FaultKind {
    OilPumpWear,
    FuelDilution,
    OilFilterPlugged,
    OilCoolerFouled,
    BearingDistress,
    RadiatorFanFailed,
    RadiatorFouled,
    CoolantLoss,
    CoolantPumpFailed,
    ThermostatStuckOpen,
    AftercoolerFouled,
    AirFilterPlugged,
    BoostLeak,
    TurboDegraded,
    ExhaustLeak,
    FuelFilterPlugged,
    FuelPumpWeak,
    InjectorLeaking,
    InjectorWeak,
    TimingRetarded,
    RingWear,
    PistonCracked,
    ExhaustValveLeak,
    HeadGasketLeak,
    BreatherPlugged,
    TractionMotorDistress,
    BatteryUndercharged,
    CompressorWorn,
    AirLeak,
    CompressorGovernor,
    PowerLow,
    ThermocoupleDrift,
    ThermocoupleOpen,
    PressureSensorDrift,
    SensorStuck,
    PickupIntermittent,
}

/// How a fault grows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Course {
    /// All at once.
    #[default]
    Step,
    /// In a straight line, over the stated time.
    Drift,
    /// Slowly first, then fast, over the stated time.
    Accelerating,
    /// There for ten minutes, gone for fifty, as a loose contact is.
    Intermittent,
}

/// Which way a channel moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the documentation")]
pub enum Direction {
    Up,
    Down,
    /// Neither: the sensor no longer tells.
    Lost,
}

/// What a fault needs to be told beside the unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Part {
    Whole,
    Cylinder,
    Motor,
    Channel,
}

/// What is known of a kind of fault.
pub(crate) struct Spec {
    /// Key in the trade's fault table.
    pub(crate) reference: &'static str,
    /// What it sits on.
    pub(crate) part: Part,
    /// Channels that show it and how. A name that ends in `_` is one of many, chosen by number.
    pub(crate) channels: &'static [(&'static str, Direction)],
}

use Direction::{Down, Lost, Up};

const fn spec(reference: &'static str, part: Part, channels: &'static [(&'static str, Direction)]) -> Spec {
    Spec { reference, part, channels }
}

impl FaultKind {
    /// Every kind.
    pub const ALL: [FaultKind; 36] = [
        FaultKind::OilPumpWear,
        FaultKind::FuelDilution,
        FaultKind::OilFilterPlugged,
        FaultKind::OilCoolerFouled,
        FaultKind::BearingDistress,
        FaultKind::RadiatorFanFailed,
        FaultKind::RadiatorFouled,
        FaultKind::CoolantLoss,
        FaultKind::CoolantPumpFailed,
        FaultKind::ThermostatStuckOpen,
        FaultKind::AftercoolerFouled,
        FaultKind::AirFilterPlugged,
        FaultKind::BoostLeak,
        FaultKind::TurboDegraded,
        FaultKind::ExhaustLeak,
        FaultKind::FuelFilterPlugged,
        FaultKind::FuelPumpWeak,
        FaultKind::InjectorLeaking,
        FaultKind::InjectorWeak,
        FaultKind::TimingRetarded,
        FaultKind::RingWear,
        FaultKind::PistonCracked,
        FaultKind::ExhaustValveLeak,
        FaultKind::HeadGasketLeak,
        FaultKind::BreatherPlugged,
        FaultKind::TractionMotorDistress,
        FaultKind::BatteryUndercharged,
        FaultKind::CompressorWorn,
        FaultKind::AirLeak,
        FaultKind::CompressorGovernor,
        FaultKind::PowerLow,
        FaultKind::ThermocoupleDrift,
        FaultKind::ThermocoupleOpen,
        FaultKind::PressureSensorDrift,
        FaultKind::SensorStuck,
        FaultKind::PickupIntermittent,
    ];

    /// The name as it is written in scenarios and in the truth.
    pub fn name(self) -> String {
        serde_json::to_value(self).ok().and_then(|v| v.as_str().map(ToOwned::to_owned)).unwrap_or_default()
    }

    pub(crate) fn spec(self) -> Spec {
        use Part::{Channel, Cylinder, Whole};
        match self {
            FaultKind::OilPumpWear => spec("L1", Whole, &[("oil_pressure", Down)]),
            FaultKind::FuelDilution => spec("L2", Whole, &[("oil_pressure", Down)]),
            FaultKind::OilFilterPlugged => spec("L3", Whole, &[("oil_filter_differential", Up)]),
            FaultKind::OilCoolerFouled => spec("L4", Whole, &[("oil_temp", Up), ("oil_pressure", Down)]),
            FaultKind::BearingDistress => {
                spec("L5", Whole, &[("oil_pressure", Down), ("crankcase_pressure", Up), ("oil_temp", Up)])
            }
            FaultKind::RadiatorFanFailed => {
                spec("C1", Whole, &[("coolant_temp", Up), ("radiator_fan_current", Down), ("oil_temp", Up)])
            }
            FaultKind::RadiatorFouled => {
                spec("C1", Whole, &[("coolant_temp", Up), ("radiator_fan_current", Up), ("oil_temp", Up)])
            }
            FaultKind::CoolantLoss => spec("C2", Whole, &[("coolant_pressure", Down), ("coolant_temp", Up)]),
            FaultKind::CoolantPumpFailed => {
                spec("C3", Whole, &[("coolant_pressure", Down), ("coolant_temp", Up), ("oil_temp", Up)])
            }
            FaultKind::ThermostatStuckOpen => spec("C4", Whole, &[("coolant_temp", Down)]),
            FaultKind::HeadGasketLeak => {
                spec("P4", Whole, &[("coolant_pressure", Up), ("crankcase_pressure", Up)])
            }
            FaultKind::RingWear => spec("P1", Cylinder, &[("crankcase_pressure", Up)]),
            FaultKind::PistonCracked => {
                spec("P2", Cylinder, &[("crankcase_pressure", Up), ("cyl_exhaust_temp_", Down)])
            }
            FaultKind::BreatherPlugged => spec("K1", Whole, &[("crankcase_pressure", Up)]),
            FaultKind::ThermocoupleDrift => spec("X1", Cylinder, &[("cyl_exhaust_temp_", Down)]),
            FaultKind::ThermocoupleOpen => spec("X1", Cylinder, &[("cyl_exhaust_temp_", Lost)]),
            FaultKind::PressureSensorDrift => spec("X2", Channel, &[("", Up)]),
            FaultKind::SensorStuck => spec("X5", Channel, &[("", Lost)]),
            FaultKind::PickupIntermittent => spec("X3", Channel, &[("", Lost)]),
            _ => self.spec_of_air_fuel_and_electrical(),
        }
    }

    fn spec_of_air_fuel_and_electrical(self) -> Spec {
        use Part::{Cylinder, Motor, Whole};
        match self {
            FaultKind::AftercoolerFouled => {
                spec("C5", Whole, &[("manifold_air_temp", Up), ("cyl_exhaust_temp_", Up)])
            }
            FaultKind::AirFilterPlugged => spec("A1", Whole, AIR_STARVED_FAST),
            FaultKind::BoostLeak => spec("A2", Whole, AIR_STARVED_FAST),
            FaultKind::TurboDegraded => spec("A3", Whole, AIR_STARVED_SLOW),
            FaultKind::ExhaustLeak => spec(
                "A5",
                Whole,
                &[("manifold_air_pressure", Down), ("turbo_speed", Down), ("engine_room_temp", Up)],
            ),
            FaultKind::FuelFilterPlugged => {
                spec("F1", Whole, &[("fuel_filter_differential", Up), ("fuel_pressure", Down)])
            }
            FaultKind::FuelPumpWeak => spec("F1", Whole, &[("fuel_pressure", Down)]),
            FaultKind::InjectorLeaking => spec("F2", Cylinder, &[("cyl_exhaust_temp_", Up)]),
            FaultKind::InjectorWeak => spec("F3", Cylinder, &[("cyl_exhaust_temp_", Down)]),
            FaultKind::ExhaustValveLeak => spec("P3", Cylinder, &[("cyl_exhaust_temp_", Up)]),
            FaultKind::TimingRetarded => spec("F4", Whole, &[("cyl_exhaust_temp_", Up)]),
            FaultKind::TractionMotorDistress => spec("E1", Motor, &[("tm_current_", Up)]),
            FaultKind::BatteryUndercharged => spec("E3", Whole, &[("battery_voltage", Down)]),
            FaultKind::CompressorWorn => spec("B1", Whole, &[("compressor_running", Up)]),
            FaultKind::AirLeak => spec("B2", Whole, &[("compressor_running", Up)]),
            FaultKind::CompressorGovernor => spec("B3", Whole, &[("main_reservoir_pressure", Up)]),
            _ => spec("D1", Whole, &[("gross_power", Down), ("cyl_exhaust_temp_", Down)]),
        }
    }
}

const AIR_STARVED_FAST: &[(&str, Direction)] =
    &[("manifold_air_pressure", Down), ("turbo_speed", Up), ("cyl_exhaust_temp_", Up)];
const AIR_STARVED_SLOW: &[(&str, Direction)] = &[
    ("manifold_air_pressure", Down),
    ("turbo_speed", Down),
    ("cyl_exhaust_temp_", Up),
    ("turbine_inlet_temp", Up),
];

/// Minutes of each hour that an intermittent fault shows.
const INTERMITTENT_S: f64 = 600.0;
const INTERMITTENT_PERIOD_S: f64 = 3600.0;

impl Course {
    /// Share of its full size, 0 to 1, that long after the onset; `over_s` is the time to grow in.
    pub(crate) fn share(self, since_s: f64, over_s: f64) -> f64 {
        if since_s < 0.0 {
            return 0.0;
        }
        let grown = if over_s > 0.0 { (since_s / over_s).min(1.0) } else { 1.0 };
        match self {
            Course::Step => 1.0,
            Course::Drift => grown,
            Course::Accelerating => grown * grown,
            Course::Intermittent => {
                if since_s % INTERMITTENT_PERIOD_S < INTERMITTENT_S {
                    1.0
                } else {
                    0.0
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channel;

    #[test]
    fn courses_grow_as_named() {
        for (course, at_half, at_end) in [
            (Course::Step, 1.0, 1.0),
            (Course::Drift, 0.5, 1.0),
            (Course::Accelerating, 0.25, 1.0),
            (Course::Intermittent, 0.0, 1.0),
        ] {
            assert!((course.share(-1.0, 7200.0)).abs() < f64::EPSILON);
            assert!((course.share(3599.9, 7199.8) - at_half).abs() < 1e-3, "{course:?}");
            assert!((course.share(7200.0, 7200.0) - at_end).abs() < 1e-9, "{course:?}");
        }
    }

    #[test]
    fn every_kind_names_channels_that_exist() {
        for kind in FaultKind::ALL {
            for (name, _) in kind.spec().channels {
                let full = match *name {
                    "cyl_exhaust_temp_" => "cyl_exhaust_temp_01",
                    "tm_current_" => "tm_current_1",
                    "" => continue,
                    other => other,
                };
                assert!(channel::position(full).is_some(), "{kind:?}: {name}");
            }
        }
    }
}
