//! What the models of the load's units take in memory by themselves, so that what a run's memory grows by can be told apart:
//! models that fill, and anything else.
//!
//! Folds the snapshots of some of the fleet's units in this process and measures what many copies of their states add.

use std::collections::BTreeMap;
use std::sync::Arc;

use notchwatch_detect::{Plan, Settings};
use notchwatch_evaluate::{Fold, FoldContext, Rows};
use notchwatch_findings::Library;
use notchwatch_model::{Envelope, Register, Time, UnitKey};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

use crate::load::{self, Snapshots};
use crate::support::now_ms;
use crate::{Failure, Wanted, paced};

/// Units that are folded, and how many copies of each are weighed.
const UNITS: u32 = 40;
const COPIES: usize = 25;
/// Lines of the table.
const LINES: usize = 12;

struct Unit {
    context: FoldContext,
    fold: Fold,
    rows: Rows,
}

/// Prints the table for a load of so many seconds.
pub(crate) fn run(wanted: &Wanted) -> Result<(), Failure> {
    let each = wanted.seconds * paced::RATE_A_SECOND / paced::UNITS as usize;
    let (mut fleet, class) =
        (load::fleet(UNITS, each * UNITS as usize)?, include_str!("../../../deploy/register/demo-12.toml"));
    let mut register: Register = toml::from_str(class)?;
    register.merge(toml::from_str(&fleet.register_toml())?);
    let mut units = units(&register)?;
    println!(
        "\nStates of {} units by snapshots folded ({UNITS} units, {COPIES} copies each)\n",
        paced::UNITS
    );
    println!("| seconds of the load | snapshots a unit | states, MB |\n| --- | --- | --- |");
    let mut kept = Vec::new();
    for line in 1..=LINES {
        let (from, to) = (each * (line - 1) / LINES, each * line / LINES);
        feed(&mut fleet, (to - from) * UNITS as usize, &register, &mut units)?;
        let before = resident_mb();
        kept.push(
            (0..COPIES).flat_map(|_| units.values().map(|unit| unit.fold.clone())).collect::<Vec<Fold>>(),
        );
        let one = (resident_mb() - before) / (COPIES * units.len()) as f64;
        println!("| {} | {to} | {:.0} |", wanted.seconds * line / LINES, one * f64::from(paced::UNITS));
    }
    Ok(())
}

fn units(register: &Register) -> Result<BTreeMap<UnitKey, Unit>, Failure> {
    let (library, settings) = (Arc::new(Library::builtin()?), Settings::default());
    let class = Arc::new(register.classes.first().ok_or("no class")?.clone());
    let plan = Arc::new(Plan::new(&class, &settings));
    let unit = |unit: &notchwatch_model::Unit| {
        let context =
            FoldContext::new(unit.clone(), class.clone(), plan.clone(), library.clone(), settings.version);
        (unit.key(), Unit { fold: Fold::new(&context), rows: Rows::new(class.channels.len()), context })
    };
    Ok(register.units.iter().map(unit).collect())
}

fn feed(
    fleet: &mut Snapshots,
    number: usize,
    register: &Register,
    units: &mut BTreeMap<UnitKey, Unit>,
) -> Result<(), Failure> {
    let index = RegisterIndex::new(register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
    let received = Time::from_millis(now_ms())?;
    for message in fleet.take(number) {
        let (topic, payload) = (message.topic, message.payload);
        let envelope = Envelope { received, topic, content_type: None, retained: false, payload };
        let got = decoder.decode(&envelope, &index);
        if let Some(unit) = got.unit.and_then(|key| units.get_mut(&key)) {
            got.samples.into_iter().for_each(|sample| drop(unit.rows.add(sample)));
        }
    }
    for unit in units.values_mut() {
        for row in unit.rows.take_all() {
            drop(unit.fold.row(&unit.context, &row));
        }
    }
    Ok(())
}

/// Resident memory of this process that is its own.
fn resident_mb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("RssAnon:"));
    let kb: Option<f64> = line.and_then(|l| l.split_whitespace().next()?.parse().ok());
    kb.unwrap_or(f64::NAN) / 1024.0
}
