//! How much a unit's timeline speaks for or against a fault that names what stands on it.
//!
//! As in `weigh`, weights are natural logarithms of likelihood ratios against a cause chosen at random, from probabilities
//! that are common practice.

use notchwatch_model::{EvidenceWeight, Span, System, Time};

use super::weigh::often;
use super::weight;
use crate::background::{Background, Known, What};
use crate::library::{Fault, Named, NamedWhat};

/// An oil sample counts from this long before the onset: slow faults show in the oil first.
const OIL_REACHES: Span = Span::from_days(60);
/// A fault code counts from this long before the onset, which is an estimate.
const CODE_REACHES: Span = Span::from_days(2);
/// What begins this soon after work on a system is after it.
const AFTER_WORK: Span = Span::from_days(3);
/// An estimated onset may lie this long before the work that brought it about.
const ONSET_ERROR: Span = Span::from_hours(12);
/// Share of oil results out of the ordinary on units with any trouble.
const BASE_OIL: f64 = 0.05;
/// Share of findings during which a given code comes by chance.
const BASE_CODE: f64 = 0.02;
/// Share of findings that begin by chance within [`AFTER_WORK`] of work on a given system.
const BASE_AFTER: f64 = 0.08;
/// How far a normal oil result is trusted: it may have been drawn before the fault was in the oil.
const NORMAL_COUNTS: f64 = 0.5;

/// What the timeline says about a fault.
#[derive(Default)]
pub(super) struct Said {
    pub(super) evidence: Vec<EvidenceWeight>,
    /// What is not on the timeline and would speak for it.
    pub(super) missing: Vec<String>,
}

/// Weighs what a fault names, for symptoms that began at `onset`.
pub(super) fn weigh(fault: &Fault, background: &Background, onset: Time) -> Said {
    let mut said = Said::default();
    for named in &fault.evidence {
        match &named.what {
            NamedWhat::Oil { quantity, verdict } => {
                let result = background.oil(quantity, onset - OIL_REACHES);
                said.oil(named, result, quantity, verdict.word());
            }
            NamedWhat::Code(codes) => {
                let came = background.since(onset - CODE_REACHES).find(
                    |known| matches!(&known.what, What::Code(code) if codes.iter().any(|named| named == code)),
                );
                said.found(named, came, BASE_CODE);
            }
            NamedWhat::After(system) => said.found(named, work(background, *system, onset), BASE_AFTER),
            // What the unit did is told by its symptoms.
            NamedWhat::Standing => {}
        }
    }
    said
}

/// The last work on a system that the onset may follow from.
fn work(background: &Background, system: System, onset: Time) -> Option<&Known> {
    background.since(onset - AFTER_WORK).rev().find(|known| {
        let of = matches!(&known.what, What::Work { system: on, .. } if *on == Some(system));
        of && known.at <= onset + ONSET_ERROR
    })
}

impl Said {
    fn oil(&mut self, named: &Named, result: Option<&Known>, quantity: &str, wanted: &str) {
        let p = often(named.often);
        let Some(known) = result else {
            let quantity = quantity.replace('-', " ");
            return self.missing.push(format!("{quantity} {wanted} in an oil sample would speak for it"));
        };
        let fits = matches!(&known.what, What::Oil { verdict, .. } if verdict.word() == wanted);
        let value =
            if fits { (p / BASE_OIL).ln() } else { NORMAL_COUNTS * ((1.0 - p) / (1.0 - BASE_OIL)).ln() };
        self.evidence.push(weight(&known.words(), value));
    }

    fn found(&mut self, named: &Named, known: Option<&Known>, base: f64) {
        if let Some(known) = known {
            self.evidence.push(weight(&known.words(), (often(named.often) / base).ln()));
        }
    }
}

#[cfg(test)]
mod tests;
