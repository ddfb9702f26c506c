//! The feed's own bytes through decoder, models and findings, unit by unit, without broker or store.
//!
//! Owns what scores and the tests of whole fleets share. Refuses judgement.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Instant;

use demo_feed::{Fleet, Scenario, TruthEntry};
use notchwatch_detect::{Plan, Settings};
use notchwatch_evaluate::{Fold, FoldContext, Rows};
use notchwatch_findings::Library;
use notchwatch_model::{MachinePart, Register, UnitKey};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

use super::envelope::envelope;

/// The findings of every unit, every version of each, oldest first.
pub(crate) type Found = BTreeMap<UnitKey, BTreeMap<String, Vec<MachinePart>>>;

/// What became of a scenario.
pub(crate) struct Outcome {
    pub(crate) found: Found,
    pub(crate) truth: Vec<TruthEntry>,
    pub(crate) unit_days: f64,
    /// Messages, samples and refusals; time and state.
    pub(crate) notes: [String; 2],
}

/// Plays a scenario up to `until` and judges it.
pub(crate) fn play(scenario: &Scenario, until: i64) -> Result<Outcome, Box<dyn std::error::Error>> {
    let days =
        jiff::Timestamp::from_millisecond(until)?.duration_since(scenario.start).as_secs_f64() / 86_400.0;
    let mut fleet = Fleet::new(scenario)?;
    let mut register: Register = toml::from_str(include_str!("../../../deploy/register/demo-12.toml"))?;
    register.merge(toml::from_str(&fleet.register_toml())?);
    let (rows, decoded) = decode(&mut fleet, &register, until)?;
    let (found, folded) = fold(&register, rows)?;
    #[expect(clippy::cast_precision_loss, reason = "units are far below 2^53")]
    let unit_days = days * fleet.units() as f64;
    Ok(Outcome { found, truth: fleet.truth().to_vec(), unit_days, notes: [decoded, folded] })
}

type ByUnit = BTreeMap<UnitKey, Rows>;

fn decode(
    fleet: &mut Fleet,
    register: &Register,
    until: i64,
) -> Result<(ByUnit, String), Box<dyn std::error::Error>> {
    let index = RegisterIndex::new(register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
    let width = register.classes.first().map_or(0, |c| c.channels.len());
    let mut rows = ByUnit::new();
    let (mut messages, mut samples, mut refused) = (0_u64, 0_u64, 0_u64);
    let begun = Instant::now();
    for message in fleet.advance_to(until) {
        let got = decoder.decode(&envelope(message)?, &index);
        messages += 1;
        refused += got.refused.iter().map(|refusal| u64::from(refusal.count)).sum::<u64>();
        samples += got.samples.len() as u64;
        if let Some(unit) = got.unit {
            let unit = rows.entry(unit).or_insert_with(|| Rows::new(width));
            for sample in got.samples {
                unit.add(sample);
            }
        }
    }
    let took = begun.elapsed().as_secs_f64();
    let note = format!(
        "{messages} messages, {samples} samples, {refused} refused: generated and decoded in {took:.1} s"
    );
    Ok((rows, note))
}

fn fold(register: &Register, rows: ByUnit) -> Result<(Found, String), Box<dyn std::error::Error>> {
    let library = Arc::new(Library::builtin()?);
    let settings = Settings::default();
    let class = Arc::new(register.classes.first().ok_or("no class")?.clone());
    let plan = Arc::new(Plan::new(&class, &settings));
    let mut found = Found::new();
    let (mut samples, mut bytes, mut units) = (0, 0, 0);
    let begun = Instant::now();
    for (key, mut rows) in rows {
        let Some(unit) = register.unit(&key) else { continue };
        let context =
            FoldContext::new(unit.clone(), class.clone(), plan.clone(), library.clone(), settings.version);
        let mut fold = Fold::new(&context);
        let findings = found.entry(key).or_default();
        for row in rows.take_all() {
            for machine in fold.row(&context, &row) {
                findings.entry(machine.id.to_string()).or_default().push(machine);
            }
        }
        samples += fold.samples();
        bytes += fold.save(&context)?.len();
        units += 1;
    }
    let took = begun.elapsed().as_secs_f64();
    #[expect(clippy::cast_precision_loss, reason = "samples are far below 2^53")]
    let each = took * 1e6 / samples as f64;
    let state = bytes / (units * class.channels.len()).max(1);
    Ok((
        found,
        format!(
            "{samples} samples folded in {took:.1} s: {each:.2} us a sample; state {state} bytes a channel"
        ),
    ))
}
