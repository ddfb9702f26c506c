//! Limits of the invented class, as the truth knows them.
//!
//! Owns the numbers by which the truth says when a fault has gone too far; the class in the register repeats
//! them. A simulator's values, not limits of any real engine.

use crate::channel as ch;
use crate::machine::Demand;

/// One limit on one channel.
#[derive(Debug)]
pub(crate) struct Limit {
    pub(crate) channel: usize,
    pub(crate) name: &'static str,
    pub(crate) high: bool,
    pub(crate) at: f64,
    /// Notches in which it holds, from and to; any running state when absent.
    pub(crate) notches: Option<(u8, u8)>,
    /// How long the demand must have held, in seconds.
    pub(crate) settle_s: i64,
}

impl Limit {
    /// Whether the limit holds under a demand that has lasted that long.
    pub(crate) fn holds(&self, demand: Demand, since_s: i64) -> bool {
        let state = match (demand, self.notches) {
            (Demand::Stopped, _) | (Demand::Brake, Some(_)) => false,
            (_, None) => true,
            (Demand::Notch(n), Some((from, to))) => (from..=to).contains(&n),
        };
        state && since_s >= self.settle_s
    }

    /// Whether a value is beyond it.
    pub(crate) fn beyond(&self, value: f64) -> bool {
        if self.high { value >= self.at } else { value <= self.at }
    }
}

const fn high(
    channel: usize,
    name: &'static str,
    at: f64,
    notches: Option<(u8, u8)>,
    settle_s: i64,
) -> Limit {
    Limit { channel, name, high: true, at, notches, settle_s }
}

const fn low(channel: usize, name: &'static str, at: f64, notches: Option<(u8, u8)>, settle_s: i64) -> Limit {
    Limit { channel, name, high: false, at, notches, settle_s }
}

/// Limits of all channels but the cylinders, which share [`CYLINDER_HIGH_C`].
pub(crate) static LIMITS: &[Limit] = &[
    low(ch::OIL_PRESSURE, "low-idle", 170_000.0, Some((0, 1)), 120),
    low(ch::OIL_PRESSURE, "low-full", 420_000.0, Some((6, 8)), 120),
    high(ch::OIL_TEMP, "high", 105.0, None, 0),
    high(ch::OIL_FILTER_DIFFERENTIAL, "high", 100_000.0, Some((6, 8)), 300),
    high(ch::COOLANT_TEMP, "high", 98.0, None, 0),
    low(ch::COOLANT_PRESSURE, "low-full", 120_000.0, Some((7, 8)), 60),
    high(ch::CRANKCASE_PRESSURE, "high", 450.0, None, 60),
    high(ch::MANIFOLD_AIR_TEMP, "high", 92.0, Some((6, 8)), 300),
    high(ch::TURBO_SPEED, "high", 27_000.0, None, 60),
    high(ch::TURBINE_INLET_TEMP, "high", 680.0, None, 180),
    low(ch::FUEL_PRESSURE, "low-full", 330_000.0, Some((7, 8)), 60),
    high(ch::FUEL_FILTER_DIFFERENTIAL, "high", 100_000.0, Some((7, 8)), 60),
    low(ch::BATTERY_VOLTAGE, "low-running", 71.0, None, 600),
    low(ch::MAIN_RESERVOIR_PRESSURE, "low", 830_000.0, None, 1_800),
    high(ch::MAIN_RESERVOIR_PRESSURE, "high", 1_020_000.0, None, 0),
];

/// Highest exhaust temperature of a cylinder, in degrees Celsius, settled for three minutes.
pub(crate) const CYLINDER_HIGH_C: f64 = 600.0;
/// Every cylinder's limit.
pub(crate) const CYLINDER_LIMIT: Limit = high(ch::CYL_EXHAUST, "high", CYLINDER_HIGH_C, None, 180);
