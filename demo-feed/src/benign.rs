//! Events that change what a healthy unit shows: weather, work, duty, controllers, units of measure.
//!
//! Owns what each does and how large it is. None is a fault, so nothing here should be called one. Sizes are common
//! practice.

use serde::{Deserialize, Serialize};

use crate::channel::{self, COUNT};
use crate::duty::hours_ms;
use crate::effects::Effects;
use crate::instrument::SensorFault;
use crate::scenario::Duty;

/// A change that is no fault.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BenignKind {
    /// Air warmer by `size` K (12), coming and going over a day.
    HeatWave,
    /// Air colder by `size` K (28) in the same way, and the engine stopped for ten hours of each day.
    ColdStarts,
    /// A line higher by `size` m (1,200).
    Altitude,
    /// Other work: line haul for a switcher, switching for a road unit.
    Duty,
    /// Fresh oil and a new filter element, after a stop of four hours.
    OilChange,
    /// Another sensor in `channel` that reads more by `size`, after a stop of two hours.
    SensorReplaced,
    /// Nothing for a quarter of an hour, and counters back to zero.
    ControllerRestart,
    /// `channel` in another unit of measure, and named so.
    UomDeclared,
    /// `channel` in another unit of measure under the name of the old one.
    UomUndeclared,
    /// No network: what was kept comes afterwards, oldest first.
    Backlog,
    /// The engine stopped.
    Stands,
    /// The engine at idle.
    Idles,
    /// Coupled behind another unit: two compressors for one train, and its speed.
    Coupled,
}

/// One such change of one unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenignPlan {
    /// `railway/unit`.
    pub unit: String,
    /// What changes.
    pub kind: BenignKind,
    /// When it begins, in hours after the scenario's start.
    pub from_h: f64,
    /// How long it lasts, in hours; for good when absent.
    #[serde(default)]
    pub for_h: Option<f64>,
    /// Channel, where the kind names one.
    #[serde(default)]
    pub channel: Option<String>,
    /// Size, where the kind has one.
    #[serde(default)]
    pub size: Option<f64>,
}

/// A channel sent in another unit of measure: value times `factor` plus `offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Recast {
    pub(crate) channel: usize,
    pub(crate) uom: &'static str,
    pub(crate) factor: f64,
    pub(crate) offset: f64,
    /// Whether the record says so.
    pub(crate) declared: bool,
}

/// What the plans of a unit come to at one time.
#[derive(Clone, Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is a change of its own, and several hold at once")]
pub(crate) struct Now {
    pub(crate) warmer_k: f64,
    pub(crate) higher_m: f64,
    pub(crate) other_duty: bool,
    pub(crate) stopped: bool,
    pub(crate) idles: bool,
    pub(crate) coupled: bool,
    pub(crate) silent: bool,
    pub(crate) sensors: Vec<(usize, SensorFault)>,
    pub(crate) recasts: Vec<Recast>,
}

const HEAT_K: f64 = 12.0;
const COLD_K: f64 = -28.0;
const HIGHER_M: f64 = 1_200.0;
/// Weather and height come and go over so long.
const RAMP_H: f64 = 24.0;
const WORK_ON_OIL_H: f64 = 4.0;
const WORK_ON_SENSOR_H: f64 = 2.0;
const RESTART_H: f64 = 0.25;
/// How long a unit stands each day of cold starts.
const COLD_STAND_H: f64 = 10.0;
/// Share of viscosity that fresh oil has more, and the differential that a new element has less, in bar.
const FRESH_OIL: f64 = 0.06;
const NEW_ELEMENT_BAR: f64 = 0.12;

impl BenignKind {
    /// Every kind.
    pub const ALL: [BenignKind; 13] = [
        BenignKind::HeatWave,
        BenignKind::ColdStarts,
        BenignKind::Altitude,
        BenignKind::Duty,
        BenignKind::OilChange,
        BenignKind::SensorReplaced,
        BenignKind::ControllerRestart,
        BenignKind::UomDeclared,
        BenignKind::UomUndeclared,
        BenignKind::Backlog,
        BenignKind::Stands,
        BenignKind::Idles,
        BenignKind::Coupled,
    ];

    /// The name as it is written in scenarios and in the truth.
    pub fn name(self) -> String {
        serde_json::to_value(self).ok().and_then(|v| v.as_str().map(ToOwned::to_owned)).unwrap_or_default()
    }

    /// Whether it names a channel.
    pub(crate) fn of_channel(self) -> bool {
        matches!(self, BenignKind::SensorReplaced | BenignKind::UomDeclared | BenignKind::UomUndeclared)
    }
}

impl BenignPlan {
    /// Whether it lasts `since_start` ms after the scenario's start, and for how many hours already.
    fn lasted_h(&self, since_start: i64) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "ms of a scenario are far below 2^53")]
        let hours = (since_start - hours_ms(self.from_h)) as f64 / 3.6e6;
        (hours >= 0.0 && self.for_h.is_none_or(|f| hours < f)).then_some(hours)
    }

    /// Share of its full size after so many hours, 0 to 1.
    fn ramp(&self, hours: f64) -> f64 {
        let left = self.for_h.map_or(f64::INFINITY, |f| f - hours);
        (hours.min(left) / RAMP_H).clamp(0.0, 1.0)
    }

    fn add(&self, since_start: i64, now: &mut Now, fx: &mut Effects) {
        let Some(hours) = self.lasted_h(since_start) else { return };
        let channel = self.channel.as_deref().and_then(channel::position);
        match self.kind {
            BenignKind::HeatWave => now.warmer_k += self.size.unwrap_or(HEAT_K) * self.ramp(hours),
            BenignKind::ColdStarts => {
                now.warmer_k += self.size.unwrap_or(COLD_K) * self.ramp(hours);
                now.stopped |= hours % 24.0 < COLD_STAND_H;
            }
            BenignKind::Altitude => now.higher_m += self.size.unwrap_or(HIGHER_M) * self.ramp(hours),
            BenignKind::Duty => now.other_duty = true,
            BenignKind::OilChange => {
                now.stopped |= hours < WORK_ON_OIL_H;
                fx.oil_thinned -= FRESH_OIL;
                fx.oil_filter_bar -= NEW_ELEMENT_BAR;
            }
            BenignKind::SensorReplaced => {
                now.stopped |= hours < WORK_ON_SENSOR_H;
                let offset = SensorFault::Offset(self.size.unwrap_or(0.0));
                now.sensors.extend(channel.map(|c| (c, offset)));
            }
            BenignKind::ControllerRestart => now.silent |= hours < RESTART_H,
            BenignKind::UomDeclared => now.recasts.extend(channel.and_then(|c| recast(c, true))),
            BenignKind::UomUndeclared => now.recasts.extend(channel.and_then(|c| recast(c, false))),
            BenignKind::Backlog => {}
            BenignKind::Stands => now.stopped = true,
            BenignKind::Idles => now.idles = true,
            BenignKind::Coupled => now.coupled = true,
        }
    }
}

/// What all plans come to; what they do to the machine is added to `fx`.
pub(crate) fn now(plans: &[BenignPlan], since_start: i64, fx: &mut Effects) -> Now {
    let mut now = Now::default();
    for plan in plans {
        plan.add(since_start, &mut now, fx);
    }
    now
}

/// The other unit of measure that a maker of controllers might choose.
fn recast(channel: usize, declared: bool) -> Option<Recast> {
    debug_assert!(channel < COUNT);
    let (uom, factor, offset) = match channel::CHANNELS.get(channel)?.uom? {
        // "degF" stands in no SenML registry and is sent all the same.
        "Cel" => ("degF", 1.8, 32.0),
        "Pa" => ("bar", 1e-5, 0.0),
        _ => return None,
    };
    Some(Recast { channel, uom, factor, offset, declared })
}

/// The duty that is not this one.
pub(crate) fn other(duty: Duty) -> Duty {
    match duty {
        Duty::LineHaul => Duty::Switch,
        Duty::Switch => Duty::LineHaul,
    }
}
