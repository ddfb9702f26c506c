//! What the last event of a finding told, in short: later numbers are compared with it, not with the last ones, so
//! that a slow creep is told too.

use std::collections::BTreeSet;

use notchwatch_model::{FaultId, MachinePart, Span};
use serde::{Deserialize, Serialize};

/// A shift of the onset below this is not told (ours: what a person would look up differs by a quarter of an hour).
const ONSET_TOLERANCE: Span = Span::from_mins(15);
/// A change of the time left below this share is not told (ours: no plan changes for a tenth).
const LEFT_TOLERANCE: f64 = 0.1;

/// The parts of a machine half whose change is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Told {
    symptoms: BTreeSet<String>,
    onset: i64,
    fault: Option<FaultId>,
    limit: Option<LimitTold>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LimitTold {
    limit: String,
    from: i64,
    p50: f64,
}

impl Told {
    pub(crate) fn of(machine: &MachinePart) -> Self {
        let symptoms = machine
            .symptoms
            .iter()
            .map(|s| format!("{} {} {}", s.channel, s.kind.word(), s.detected.micros()))
            .collect();
        Self {
            symptoms,
            onset: machine.onset.micros(),
            fault: machine.faults.first().map(|f| f.id.clone()),
            limit: machine.time_to_limit.as_ref().map(|t| LimitTold {
                limit: t.limit.clone(),
                from: t.from.micros(),
                p50: t.p50,
            }),
        }
    }

    /// Whether the change from `self` matters enough to be told.
    pub(crate) fn differs(&self, now: &Told) -> bool {
        self.symptoms != now.symptoms
            || self.fault != now.fault
            || (self.onset - now.onset).abs() > ONSET_TOLERANCE.micros()
            || match (&self.limit, &now.limit) {
                (None, None) => false,
                (Some(before), Some(after)) => before.differs(after),
                _ => true,
            }
    }
}

impl LimitTold {
    /// The time left, as it was told and as it is, both counted from the later time.
    fn differs(&self, now: &LimitTold) -> bool {
        let passed = Span::from_micros(now.from - self.from).secs_f64();
        let expected = self.p50 - passed;
        self.limit != now.limit
            || (expected - now.p50).abs() > LEFT_TOLERANCE * now.p50.abs().max(expected.abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(onset_mins: i64, p50: f64, from_secs: i64) -> Told {
        Told {
            symptoms: BTreeSet::from(["oil_pressure drift 0".to_owned()]),
            onset: Span::from_mins(onset_mins).micros(),
            fault: Some(FaultId::new("oil-pump-wear").unwrap()),
            limit: Some(LimitTold { limit: "low".into(), from: from_secs * 1_000_000, p50 }),
        }
    }

    #[test]
    fn numbers_within_tolerance_are_not_told_again() {
        let before = told(0, 100_000.0, 0);
        for (name, now, differs) in [
            ("same", before.clone(), false),
            ("time passed as foretold", told(0, 90_000.0, 10_000), false),
            ("a little sooner", told(0, 95_000.0, 0), false),
            ("much sooner", told(0, 50_000.0, 0), true),
            ("onset a little earlier", told(-10, 100_000.0, 0), false),
            ("onset much earlier", told(-60, 100_000.0, 0), true),
            ("no limit any more", Told { limit: None, ..before.clone() }, true),
            ("another fault", Told { fault: None, ..before.clone() }, true),
            ("another symptom", Told { symptoms: BTreeSet::new(), ..before.clone() }, true),
        ] {
            assert_eq!(before.differs(&now), differs, "{name}");
        }
    }
}
