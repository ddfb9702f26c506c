//! Changes that are no faults, played one by one: what was made of each on a healthy unit, and of a fault beside it.
//!
//! Owns how a finding counts. Refuses to say what is allowed: the test and the score do.

use std::error::Error;

use demo_feed::{BenignKind, Scenario, TruthEntry};
use notchwatch_model::{FindingKind, MachinePart, Symptom};

use super::chain::{Outcome, play};

/// Hours without any change: models learn for two days, and weekly ones see a week.
pub(crate) const HEALTHY_H: f64 = 192.0;
/// Hours played: what passes lasts four days, a fault that waits for it begins a day later and has two days to show.
pub(crate) const HOURS: i64 = 192 + 96 + 30 + 54;

/// A change, with its channel and size where it has one.
pub(crate) type Change = (BenignKind, Option<&'static str>, Option<f64>);

/// What was made of one change.
pub(crate) struct Made {
    /// The change in words.
    pub(crate) name: String,
    /// How much was played, for whoever looks for a cause.
    pub(crate) played: String,
    /// Findings opened after it on the unit that is healthy, as they stand at the end.
    pub(crate) healthy: Vec<MachinePart>,
    /// Those of them that were told as machine findings at some time.
    pub(crate) told_machine: usize,
    /// Findings opened on the same unit before it.
    pub(crate) before: usize,
    /// Hours from the fault's onset to the first finding that shows its channel, on the other unit.
    pub(crate) fault_after_h: Option<f64>,
}

impl Made {
    /// How many findings of a kind stand at the end on the healthy unit.
    pub(crate) fn count(&self, kind: FindingKind) -> usize {
        self.healthy.iter().filter(|f| f.kind == kind).count()
    }
}

/// Plays one change on two units, one of them with a fault as well.
pub(crate) fn made(change: Change, seed: u64, start: jiff::Timestamp) -> Result<Made, Box<dyn Error>> {
    let mut scenario = Scenario::benign_of(start, HEALTHY_H, &[change]);
    scenario.seed = seed;
    let outcome = play(&scenario, start.as_millisecond() + HOURS * 3_600_000)?;
    let fault = outcome.truth.iter().find(|t| t.course.is_some()).ok_or("no fault")?;
    let name = scenario.benign.first().ok_or("no change")?.kind.name();
    let name = change.1.map_or(name.clone(), |channel| format!("{name} {channel}"));
    let from = outcome.truth.iter().find(|t| t.course.is_none()).ok_or("no change")?.onset.as_microsecond();
    let mine = |f: &&Vec<MachinePart>| f.first().is_some_and(|f| f.unit.unit.as_str() != fault.unit);
    let all = || outcome.found.values().flat_map(|findings| findings.values());
    let after = |f: &&Vec<MachinePart>| f.first().is_some_and(|f| f.opened.micros() >= from);
    let told = |f: &&Vec<MachinePart>| f.iter().any(|f| f.kind == FindingKind::Machine);
    let played = format!("{:.0} unit-days; {}", outcome.unit_days, outcome.notes.join("; "));
    Ok(Made {
        name,
        played,
        healthy: all().filter(mine).filter(after).filter_map(|f| f.last().cloned()).collect(),
        told_machine: all().filter(mine).filter(after).filter(told).count(),
        before: all().filter(mine).filter(|f| !after(f)).count(),
        fault_after_h: shown_after_h(&outcome, fault),
    })
}

/// Hours from a fault's onset to the first symptom on one of its channels in any finding.
#[expect(clippy::cast_precision_loss, reason = "microseconds of days are far below 2^53")]
fn shown_after_h(outcome: &Outcome, fault: &TruthEntry) -> Option<f64> {
    let onset = fault.onset.as_microsecond();
    let shows = |s: &&Symptom| {
        s.detected.micros() >= onset && fault.channels.iter().any(|c| c.0 == s.channel.as_str())
    };
    // It may join a finding that the change has made.
    let detected = outcome
        .found
        .iter()
        .filter(|(key, _)| key.unit.as_str() == fault.unit)
        .flat_map(|(_, findings)| findings.values().flatten())
        .flat_map(|f| f.symptoms.iter().filter(shows).map(|s| s.detected.micros()))
        .min()?;
    Some((detected - onset) as f64 / 3.6e9)
}
