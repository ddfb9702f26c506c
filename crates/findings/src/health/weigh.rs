//! What one finding takes from health or from confidence, with the parameters and why.

use notchwatch_model::{Finding, FindingKind, Priority, Symptom, SymptomKind};

use super::HealthReason;
use crate::rank::SENSOR;

/// Health that a machine finding takes if it is true, by priority. A critical one leaves a tenth: the unit must not go
/// on. A low one costs what a person would still call good. Ours, from no published table.
const fn takes(priority: Priority) -> f64 {
    match priority {
        Priority::Critical => 0.9,
        Priority::High => 0.6,
        Priority::Medium => 0.35,
        Priority::Low => 0.15,
    }
}

/// Share of it that counts once no symptom lasts: what went by itself may come back until somebody closes it.
const WENT_QUIET: f64 = 0.5;
/// Of what a finding leaves, the part that goes as the channel nears its limit: at the limit half of it is gone.
const AT_LIMIT: f64 = 0.5;
/// Confidence that a sensor or data finding takes if it is true: one channel of several tells nothing.
const DOUBTS_SENSOR: f64 = 0.3;
/// Confidence that a finding about the link takes: what is shown may be old.
const DOUBTS_COMMS: f64 = 0.2;
/// How much of what it says is counted of a finding that no ranked fault stands behind.
const UNRANKED: f64 = 0.8;

/// What an open finding takes.
pub(super) fn weigh(finding: &Finding) -> HealthReason {
    let machine = &finding.machine;
    let lasts = if machine.active { 1.0 } else { WENT_QUIET };
    let (takes, doubts) = match machine.kind {
        FindingKind::Machine => {
            let left = (1.0 - takes(machine.priority)) * (1.0 - AT_LIMIT * way_to_limit(finding));
            (probability(finding) * lasts * (1.0 - left), 0.0)
        }
        FindingKind::Sensor | FindingKind::Data => (0.0, DOUBTS_SENSOR * lasts),
        FindingKind::Comms => (0.0, DOUBTS_COMMS * lasts),
    };
    let what = if machine.active {
        machine.title.clone()
    } else {
        format!("{} (quiet now, not closed)", machine.title)
    };
    HealthReason { what, finding: Some(machine.id.clone()), takes, doubts }
}

/// Probability that it is the machine and not its sensor, as the ranking has it.
fn probability(finding: &Finding) -> f64 {
    let faults = &finding.machine.faults;
    if faults.is_empty() {
        return UNRANKED;
    }
    let sensor: f64 = faults.iter().filter(|f| f.id.as_str() == SENSOR).map(|f| f.probability).sum();
    (1.0 - sensor).clamp(0.0, 1.0)
}

/// How far the symptom nearest to a limit has come on the way from expected to it, 0 to 1.
fn way_to_limit(finding: &Finding) -> f64 {
    finding.machine.symptoms.iter().filter_map(way).fold(0.0, f64::max)
}

fn way(symptom: &Symptom) -> Option<f64> {
    if symptom.kind == SymptomKind::Limit {
        return Some(1.0);
    }
    let number = |name: &str| symptom.numbers.get(name).copied().filter(|v| v.is_finite());
    let (expected, measured, limit) = (number("expected")?, number("measured")?, number("limit")?);
    let whole = limit - expected;
    (whole.abs() > f64::EPSILON).then(|| ((measured - expected) / whole).clamp(0.0, 1.0))
}
