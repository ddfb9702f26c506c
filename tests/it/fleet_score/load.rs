//! What the findings of a scored fleet would be for the people of a large one.
//!
//! Owns the extrapolation, and prints each of its assumptions beside the figures. Refuses comms findings: there is no link
//! in a scored fleet.

use std::collections::BTreeSet;

use demo_feed::TruthEntry;
use notchwatch_model::{MachinePart, UnitKey};

use crate::fleet::chain::Outcome;

/// Units of the fleet that the service is sized for.
const UNITS: f64 = 20_000.0;
/// Operator positions that share them: one, since one person is to be able to work all findings of a shift. A position's
/// load falls with their number.
const POSITIONS: f64 = 1.0;
/// New findings an hour that a position takes in (IEC 62682, ISA-18.2: one in ten minutes).
const MOST_AN_HOUR: f64 = 6.0;
/// Faults that show on a unit's channels in a year (common practice, without a published source: a finding or two).
const FAULTS_A_YEAR: f64 = 2.0;
const HOURS_A_DAY: f64 = 24.0;
const DAYS_A_YEAR: f64 = 365.25;
const MICROS_A_DAY: f64 = 8.64e10;

/// Prints new findings an hour and position: of a healthy fleet, and of one with faults as often as they come.
pub(crate) fn print(outcome: &Outcome, until: i64) {
    let figures = Figures::of(outcome, until);
    let an_hour = |a_unit_day: f64| a_unit_day * UNITS / HOURS_A_DAY / POSITIONS;
    let healthy = an_hour(figures.healthy as f64 / figures.healthy_days);
    let at_most = an_hour(upper(figures.healthy) / figures.healthy_days);
    let a_fault = figures.of_faults as f64 / (figures.faults as f64).max(1.0);
    let of = |faults: f64| an_hour(a_fault * faults / DAYS_A_YEAR);
    println!(
        "\noperator load of {UNITS:.0} units, extrapolated; {POSITIONS:.0} position(s) at any time; machine, sensor and data findings"
    );
    println!(
        "  healthy: {} findings in {:.0} unit-days without a fault: {healthy:.1} new an hour and position, below {at_most:.1} with 95 %",
        figures.healthy, figures.healthy_days
    );
    println!(
        "  with {FAULTS_A_YEAR} faults a unit and year (common practice; here {:.0}), each of which makes {a_fault:.2} findings: {:.1} new an hour",
        figures.faults as f64 / figures.days * DAYS_A_YEAR,
        healthy + of(FAULTS_A_YEAR)
    );
    let room = (MOST_AN_HOUR - healthy).max(0.0) / of(1.0).max(f64::EPSILON);
    println!(
        "  {MOST_AN_HOUR} an hour (IEC 62682: one in ten minutes) are reached with {room:.1} faults a unit and year"
    );
}

/// What was counted.
struct Figures {
    /// Unit-days in all, and those before a fault or without one.
    days: f64,
    healthy_days: f64,
    /// Findings in the latter.
    healthy: usize,
    /// Injected faults, and findings since on their units.
    faults: usize,
    of_faults: usize,
}

impl Figures {
    fn of(outcome: &Outcome, until: i64) -> Self {
        let end = until * 1000;
        let begun = |t: &&TruthEntry| t.course.is_some() && t.onset.as_microsecond() < end;
        let faults: Vec<&TruthEntry> = outcome.truth.iter().filter(begun).collect();
        let first = |unit: &str| {
            let of_unit = faults.iter().filter(|t| format!("{}/{}", t.railway, t.unit) == unit);
            of_unit.map(|t| t.onset.as_microsecond()).min()
        };
        let units: BTreeSet<String> = faults.iter().map(|t| format!("{}/{}", t.railway, t.unit)).collect();
        let under_way = units.iter().filter_map(|unit| first(unit));
        let ill: f64 = under_way.map(|onset| (end - onset) as f64 / MICROS_A_DAY).sum();
        let ill_at = |key: &UnitKey, finding: &MachinePart| {
            first(&key.to_string()).is_some_and(|onset| finding.opened.micros() >= onset)
        };
        let last = outcome.found.iter().flat_map(|(key, findings)| {
            findings.values().filter_map(move |versions| versions.last().map(|finding| (key, finding)))
        });
        let (of_faults, healthy): (Vec<_>, Vec<_>) = last.partition(|(key, finding)| ill_at(key, finding));
        Self {
            days: outcome.unit_days,
            healthy_days: (outcome.unit_days - ill).max(f64::EPSILON),
            healthy: healthy.len(),
            faults: faults.len(),
            of_faults: of_faults.len(),
        }
    }
}

/// Upper 95 % bound of the mean of a Poisson number of which `n` was seen: where so few or fewer come with a chance of 5 %.
fn upper(n: usize) -> f64 {
    let tail = |mean: f64| {
        let mut term = (-mean).exp();
        let mut sum = term;
        for k in 1..=n {
            term *= mean / k as f64;
            sum += term;
        }
        sum
    };
    let (mut low, mut high) = (n as f64, 10.0 + 3.0 * n as f64);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if tail(middle) > 0.05 { low = middle } else { high = middle }
    }
    high
}
