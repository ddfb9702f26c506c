//! A fleet to measure times to a limit on: slow faults that go on growing until a limit of the class is crossed.
//!
//! Owns which faults, how fast and in which course. Refuses judgement.

use jiff::Timestamp;

use super::{FaultPlan, Scenario};
use crate::fault::{Course, FaultKind};

/// Faults that grow and whose channels have a limit of the class, and the severity at which it is crossed for certain.
const GROWING: [(FaultKind, f64); 14] = [
    (FaultKind::OilPumpWear, 4.0),
    (FaultKind::FuelDilution, 3.0),
    (FaultKind::OilFilterPlugged, 2.0),
    (FaultKind::OilCoolerFouled, 4.0),
    (FaultKind::RadiatorFouled, 2.0),
    (FaultKind::AftercoolerFouled, 2.5),
    (FaultKind::TurboDegraded, 3.0),
    (FaultKind::FuelFilterPlugged, 2.0),
    (FaultKind::FuelPumpWeak, 3.0),
    (FaultKind::RingWear, 3.0),
    (FaultKind::BreatherPlugged, 3.0),
    (FaultKind::CoolantLoss, 3.0),
    (FaultKind::InjectorLeaking, 3.0),
    (FaultKind::BatteryUndercharged, 1.5),
];
/// Courses and times to the full size, in hours: over a week, over a month, and over three weeks ever faster.
const COURSES: [(Course, f64); 3] =
    [(Course::Drift, 168.0), (Course::Drift, 720.0), (Course::Accelerating, 504.0)];

impl Scenario {
    /// Every growing fault in every course, each on a unit of its own, from `healthy_h` hours on. Sizes vary from unit to
    /// unit by a fifth, with no draw of chance.
    #[must_use]
    pub fn towards_limits(start: Timestamp, healthy_h: f64) -> Self {
        let mut scenario = Scenario::every_fault(start, healthy_h);
        scenario.faults.clear();
        for railway in &mut scenario.railways {
            railway.units = u32::try_from(GROWING.len() * COURSES.len()).unwrap_or(0);
        }
        let plans = GROWING.iter().flat_map(|fault| COURSES.iter().map(move |course| (fault, course)));
        let names: Vec<String> = scenario.unit_names().collect();
        for (at, (unit, (fault, course))) in (0_u32..).zip(names.iter().zip(plans)) {
            scenario.faults.push(FaultPlan {
                unit: unit.clone(),
                kind: fault.0,
                onset_h: healthy_h,
                course: course.0,
                over_h: course.1,
                severity: fault.1 * (0.9 + 0.05 * f64::from(at % 5)),
                which: Some(1 + at % 6),
                channel: None,
                size: None,
                until_h: None,
            });
        }
        scenario
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_growing_fault_comes_in_every_course() {
        let scenario = Scenario::towards_limits(Timestamp::UNIX_EPOCH, 100.0);
        assert_eq!(scenario.faults.len(), GROWING.len() * COURSES.len());
        assert!(scenario.check().is_ok());
        let units: std::collections::BTreeSet<&str> =
            scenario.faults.iter().map(|f| f.unit.as_str()).collect();
        assert_eq!(units.len(), scenario.faults.len());
    }
}
