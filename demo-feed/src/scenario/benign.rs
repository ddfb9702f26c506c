//! A fleet to measure false findings on: one change that is no fault on each unit, and beside it the same change on a
//! unit that has a fault as well.
//!
//! Owns which changes, for how long, and the fault. Refuses judgement.

use jiff::Timestamp;

use super::{FaultPlan, Scenario};
use crate::benign::{BenignKind, BenignPlan};
use crate::fault::{Course, FaultKind};

/// How long what passes lasts, in hours.
const LASTS_H: f64 = 96.0;
/// How long after the change begins, or has passed, the fault begins, in hours.
const FAULT_AFTER_H: f64 = 30.0;

impl Scenario {
    /// Every change of [`Scenario::changes`] after `healthy_h` hours, each on two units: the first is healthy, the
    /// second gets a weak injector on cylinder 4 a day later.
    #[must_use]
    pub fn benign(start: Timestamp, healthy_h: f64) -> Self {
        Self::benign_of(start, healthy_h, &Self::changes())
    }

    /// The same with some changes only.
    #[must_use]
    pub fn benign_of(
        start: Timestamp,
        healthy_h: f64,
        changes: &[(BenignKind, Option<&str>, Option<f64>)],
    ) -> Self {
        let mut scenario = Scenario::every_fault(start, healthy_h);
        scenario.faults.clear();
        for railway in &mut scenario.railways {
            railway.units = u32::try_from(2 * changes.len()).unwrap_or(0);
        }
        let names: Vec<String> = scenario.unit_names().collect();
        for ((kind, channel, size), units) in changes.iter().zip(names.chunks(2)) {
            let plan = |unit: &String| BenignPlan {
                unit: unit.clone(),
                kind: *kind,
                from_h: healthy_h,
                for_h: passes(*kind).then_some(LASTS_H),
                channel: channel.map(ToOwned::to_owned),
                size: *size,
            };
            scenario.benign.extend(units.iter().map(plan));
            scenario.faults.extend(units.get(1).map(|unit| fault(unit, *kind, healthy_h)));
        }
        scenario
    }

    /// Changes that are no faults, with channel and size where a kind names them. Each kind at least once.
    pub fn changes() -> Vec<(BenignKind, Option<&'static str>, Option<f64>)> {
        let simple = BenignKind::ALL.into_iter().filter(|kind| !kind.of_channel());
        let mut out: Vec<_> = simple.map(|kind| (kind, None, None)).collect();
        for (channel, size) in
            [("oil_pressure", 12_000.0), ("coolant_temp", 3.0), ("cyl_exhaust_temp_05", 14.0)]
        {
            out.push((BenignKind::SensorReplaced, Some(channel), Some(size)));
        }
        for channel in ["oil_temp", "oil_pressure", "coolant_temp"] {
            out.push((BenignKind::UomDeclared, Some(channel), None));
            out.push((BenignKind::UomUndeclared, Some(channel), None));
        }
        out
    }
}

/// Whether it goes away by itself.
fn passes(kind: BenignKind) -> bool {
    use BenignKind::{Backlog, ColdStarts, HeatWave, Idles, Stands};
    matches!(kind, HeatWave | ColdStarts | Backlog | Stands | Idles)
}

/// A fault that shows at every load, while the change lasts or, where the unit works or reports nothing then, after it.
fn fault(unit: &str, kind: BenignKind, healthy_h: f64) -> FaultPlan {
    use BenignKind::{Backlog, Idles, Stands};
    let later = if matches!(kind, Stands | Idles | Backlog) { LASTS_H } else { 0.0 };
    FaultPlan {
        unit: unit.to_owned(),
        kind: FaultKind::InjectorWeak,
        onset_h: healthy_h + later + FAULT_AFTER_H,
        course: Course::Step,
        over_h: 0.0,
        severity: 1.0,
        which: Some(4),
        channel: None,
        size: None,
        until_h: None,
    }
}
