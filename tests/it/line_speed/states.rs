//! Models of some units of the load, folded in this process, and what they take in memory by themselves, so that what a
//! run's memory grows by can be told apart: models that fill, and anything else. Learned models begin as the program has
//! them after a start: from what a snapshot holds.

use std::collections::BTreeMap;
use std::sync::Arc;

use notchwatch_detect::{Plan, Settings};
use notchwatch_evaluate::{Fold, FoldContext, Rows};
use notchwatch_findings::Library;
use notchwatch_model::{Envelope, Register, Time, UnitKey};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

use crate::load::{self, Snapshots};
use crate::support::now_ms;
use crate::{Failure, Wanted, learned, paced};

/// Units that are played for the table, and how many copies of each are folded beside it and weighed.
const UNITS: u32 = 20;
const COPIES: usize = 25;
/// Lines of the table.
const LINES: usize = 12;

/// Units with their models.
pub(crate) struct States {
    register: Register,
    units: BTreeMap<UnitKey, State>,
}

struct State {
    context: FoldContext,
    fold: Fold,
    /// Models of other units to which the same happens.
    copies: Vec<Fold>,
    rows: Rows,
}

/// Event time, form and bytes of a model; `None` before its first row.
type Saved = Option<(Time, u32, Vec<u8>)>;

/// Prints what states take as a load of so many seconds goes on.
pub(crate) fn run(wanted: &Wanted) -> Result<(), Failure> {
    let each = wanted.seconds * paced::RATE_A_SECOND / paced::UNITS as usize;
    let before = if wanted.learned { learned::MINUTES } else { 0 };
    let mut fleet = load::fleet(UNITS, (before + each) * UNITS as usize)?;
    let mut states = States::new(&fleet)?;
    states.feed(&mut fleet, before * UNITS as usize)?;
    println!(
        "\nStates of {} units by snapshots folded ({UNITS} units, {COPIES} copies each)\n",
        paced::UNITS
    );
    println!("| seconds of the load | snapshots a unit | states, MB |\n| --- | --- | --- |");
    let without = resident_mb();
    states.copy(COPIES)?;
    let line = |seconds: usize, snapshots: usize, states: &States| {
        let one = (resident_mb() - without) / (COPIES * states.units.len()) as f64;
        println!("| {seconds} | {snapshots} | {:.0} |", one * f64::from(paced::UNITS));
    };
    line(0, 0, &states);
    for nth in 1..=LINES {
        let (from, to) = (each * (nth - 1) / LINES, each * nth / LINES);
        states.feed(&mut fleet, (to - from) * UNITS as usize)?;
        line(wanted.seconds * nth / LINES, to, &states);
    }
    Ok(())
}

impl States {
    /// Units of a fleet of which nothing is known yet.
    pub(crate) fn new(fleet: &Snapshots) -> Result<Self, Failure> {
        let mut register: Register = toml::from_str(paced::CLASS_TOML)?;
        register.merge(toml::from_str(&fleet.register_toml())?);
        let (library, settings) = (Arc::new(Library::builtin()?), Settings::default());
        let class = Arc::new(register.classes.first().ok_or("no class")?.clone());
        let plan = Arc::new(Plan::new(&class, &settings));
        let unit = |unit: &notchwatch_model::Unit| {
            let version = settings.version;
            let context =
                FoldContext::new(unit.clone(), class.clone(), plan.clone(), library.clone(), version);
            let (fold, rows) = (Fold::new(&context), Rows::new(class.channels.len()));
            (unit.key(), State { context, fold, copies: Vec::new(), rows })
        };
        let units = register.units.iter().map(unit).collect();
        Ok(Self { register, units })
    }

    /// Folds so many snapshots.
    pub(crate) fn feed(&mut self, fleet: &mut Snapshots, number: usize) -> Result<(), Failure> {
        /// Snapshots folded at one time.
        const A_PORTION: usize = 20_000;
        let index = RegisterIndex::new(&self.register);
        let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
        let received = Time::from_millis(now_ms())?;
        for portion in (0..number).step_by(A_PORTION) {
            for message in fleet.take(A_PORTION.min(number - portion)) {
                let (topic, payload) = (message.topic, message.payload);
                let envelope = Envelope { received, topic, content_type: None, retained: false, payload };
                let got = decoder.decode(&envelope, &index);
                let Some(unit) = got.unit.and_then(|key| self.units.get_mut(&key)) else { continue };
                for sample in got.samples {
                    unit.rows.add(sample);
                }
            }
            for unit in self.units.values_mut() {
                for row in unit.rows.take_all() {
                    for fold in std::iter::once(&mut unit.fold).chain(&mut unit.copies) {
                        drop(fold.row(&unit.context, &row));
                    }
                }
            }
        }
        Ok(())
    }

    /// Makes so many other models of each unit from what a snapshot of it holds.
    fn copy(&mut self, number: usize) -> Result<(), Failure> {
        for unit in self.units.values_mut() {
            let saved = unit.fold.save(&unit.context)?;
            let restored = (0..number).map(|_| Fold::restore(&unit.context, &saved));
            unit.copies = restored.collect::<Result<_, _>>()?;
        }
        Ok(())
    }

    /// The units.
    pub(crate) fn units(&self) -> impl Iterator<Item = &UnitKey> {
        self.units.keys()
    }

    /// Their railways as a register file.
    pub(crate) fn railways_toml(&self) -> String {
        let railway = |r: &notchwatch_model::Railway| {
            format!("[[railways]]\nid = \"{}\"\nname = \"{}\"\n", r.id, r.name)
        };
        self.register.railways.iter().map(railway).collect()
    }

    /// Their models, as a snapshot of the store holds them.
    pub(crate) fn saved(&self) -> Result<Vec<(UnitKey, Saved)>, Failure> {
        let save = |(key, unit): (&UnitKey, &State)| {
            let state = unit.fold.save(&unit.context)?;
            Ok((key.clone(), unit.fold.last().map(|at| (at, unit.context.form, state))))
        };
        self.units.iter().map(save).collect()
    }
}

/// Resident memory of this process that is its own.
fn resident_mb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("RssAnon:"));
    let kb: Option<f64> = line.and_then(|l| l.split_whitespace().next()?.parse().ok());
    kb.unwrap_or(f64::NAN) / 1024.0
}
