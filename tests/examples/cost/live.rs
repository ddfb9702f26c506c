//! The live path: time a sample, state a channel, and what the refits of a day come to.
//!
//! Two fleets. The demo's, of which some channels follow the clock; and one of which every channel does, so that every channel is
//! decomposed every day: the most that refits can cost.

use std::fmt::Write as _;
use std::time::Instant;

use demo_feed::{Fleet, Scenario};
use notchwatch_detect::examine::generic_class;
use notchwatch_detect::{Plan, Settings, UnitModel};
use notchwatch_evaluate::Rows;
use notchwatch_model::{Class, Register, Row, Span, Time};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

use crate::envelope::envelope;
use crate::noise::Noise;
use crate::ours::real;
use crate::{Failure, used};

/// Channels of a fleet of 20,000 units with 45 each.
const CHANNELS: f64 = 900_000.0;
/// Days that are played; the last ones are looked at, when four weeks of hours are held.
const DAYS: i64 = 35;
const LOOKED_AT: i64 = 7;
const UNITS: u32 = 4;
/// Channels of a unit of the second fleet.
const WIDTH: usize = 45;
const DAY_US: i64 = 86_400_000_000;

/// How often a row that begins a day is taken anew, to find what it takes when nothing disturbs.
const AGAIN: u32 = 12;

/// What one fleet came to.
#[derive(Default)]
struct Cost {
    samples: usize,
    seconds: f64,
    /// Rows that begin a day, and what they took beyond the row before.
    days: usize,
    refits: f64,
    /// Bytes of state: written, and in memory where the system tells.
    written: usize,
    resident: Option<f64>,
}

/// The table.
pub(crate) fn table() -> Result<String, Failure> {
    let fleets = [("demo fleet", demo()?), ("every channel follows the clock", clock()?)];
    let mut text = format!(
        "## Live path\n\n{UNITS} units for {DAYS} days, a row a minute; the last {LOOKED_AT} days are timed, when every channel holds \
         four weeks. All detectors of all channels, refits included; without decoding, findings and the store.\n\n\
         | fleet | what | measured | wanted | |\n| --- | --- | --- | --- | --- |\n"
    );
    for (name, (class, units)) in &fleets {
        let cost = cost(class, units);
        let channels = real(UNITS as usize * class.channels.len());
        let per_day = cost.refits / real((cost.days * class.channels.len()).max(1));
        let mut line = |what: &str, figure: f64, wanted: f64, unit: &str| {
            let met = if figure <= wanted { "met" } else { "not met" };
            writeln!(text, "| {name} | {what} | {figure:.2} {unit} | ≤ {wanted} {unit} | {met} |")
        };
        line("time a sample", cost.seconds * 1e6 / real(cost.samples.max(1)), 1.0, "µs")?;
        line(
            "state a channel, as written to a snapshot",
            real(cost.written) / channels / 1024.0,
            4.0,
            "KiB",
        )?;
        if let Some(resident) = cost.resident {
            line("state a channel, as it stands in memory", resident / channels / 1024.0, 4.0, "KiB")?;
        }
        line("refits of a day, 900,000 channels, one core", per_day * CHANNELS / 60.0, 10.0, "min")?;
    }
    text.push('\n');
    Ok(text)
}

/// Folds the rows of each unit through the models.
fn cost(class: &Class, units: &[Vec<Row>]) -> Cost {
    let plan = Plan::new(class, &Settings::default());
    let mut cost = Cost::default();
    let mut models = Vec::new();
    for rows in units {
        let mut model = UnitModel::new(&plan);
        let end = rows.last().map_or(0, day);
        let (learned, judged) = rows.split_at(rows.partition_point(|r| day(r) <= end - LOOKED_AT));
        for row in learned {
            drop(model.step(&plan, row));
        }
        for rows in judged.chunk_by(|a, b| day(a) == day(b)) {
            if let [first, second, ..] = rows {
                cost.days += 1;
                cost.refits += refits(&plan, &model, first, second);
            }
            let begun = used();
            for row in rows {
                drop(model.step(&plan, row));
            }
            cost.seconds += used() - begun;
            cost.samples += rows.iter().map(|row| row.values.iter().flatten().count()).sum::<usize>();
        }
        cost.written += postcard::to_allocvec(&model).map_or(0, |bytes| bytes.len());
        models.push(model);
    }
    cost.resident = grown(&models);
    cost
}

/// Bytes that the models take in memory, from what many copies add; `None` where the system does not tell. The copies are kept
/// to the end: memory that is given back would hide what the next ones take.
fn grown(models: &[UnitModel]) -> Option<f64> {
    const COPIES: usize = 200;
    let before = resident()?;
    let copies: Vec<UnitModel> = (0..COPIES).flat_map(|_| models.iter().cloned()).collect();
    let added = resident()? - before;
    std::mem::forget(copies);
    Some(added / real(COPIES))
}

fn day(row: &Row) -> i64 {
    row.time.micros().div_euclid(DAY_US)
}

/// Seconds that the first row of a day takes beyond the second.
fn refits(plan: &Plan, model: &UnitModel, first: &Row, second: &Row) -> f64 {
    let (mut with, mut without) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..AGAIN {
        let mut model = model.clone();
        for (row, least) in [(first, &mut with), (second, &mut without)] {
            let begun = Instant::now();
            drop(model.step(plan, row));
            *least = least.min(begun.elapsed().as_secs_f64());
        }
    }
    with - without
}

/// Bytes of memory in use, where the system tells.
fn resident() -> Option<f64> {
    let told = std::fs::read_to_string("/proc/self/statm").ok()?;
    told.split_whitespace().nth(1)?.parse::<f64>().ok().map(|pages| pages * 4096.0)
}

/// The demo fleet's own bytes, decoded.
fn demo() -> Result<(Class, Vec<Vec<Row>>), Failure> {
    let start: jiff::Timestamp = "2026-06-15T00:00:00Z".parse()?;
    let mut scenario = Scenario::every_fault(start, 24.0 * real(usize::try_from(DAYS)?)).with_units(UNITS);
    scenario.sending.batch_until_h = 0.0;
    let mut fleet = Fleet::new(&scenario)?;
    let mut register: Register = toml::from_str(include_str!("../../../deploy/register/demo-12.toml"))?;
    register.merge(toml::from_str(&fleet.register_toml())?);
    let class = register.classes.first().ok_or("no class")?.clone();
    let index = RegisterIndex::new(&register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
    let mut units = std::collections::BTreeMap::new();
    for message in fleet.advance_to(start.as_millisecond() + DAYS * 86_400_000) {
        let got = decoder.decode(&envelope(message)?, &index);
        let Some(unit) = got.unit else { continue };
        let rows = units.entry(unit).or_insert_with(|| Rows::new(class.channels.len()));
        for sample in got.samples {
            rows.add(sample);
        }
    }
    Ok((class, units.into_values().map(|mut rows| rows.take_all()).collect()))
}

/// Channels with a daily swing of two spreads each.
fn clock() -> Result<(Class, Vec<Vec<Row>>), Failure> {
    let names: Vec<String> = (0..WIDTH).map(|i| format!("c{i}")).collect();
    let class = generic_class(&names.iter().map(String::as_str).collect::<Vec<_>>())?;
    let start = Time::from_secs_f64(1_767_225_600.0)?;
    let mut noise = Noise(1);
    let mut row = |minute: i64| {
        let time = start + Span::from_mins(minute);
        let swing = 2.0 * (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
        Row { time, values: (0..WIDTH).map(|_| Some(50.0 + swing + noise.normal())).collect() }
    };
    let mut unit = || (0..DAYS * 1440).map(&mut row).collect();
    Ok((class, (0..UNITS).map(|_| unit()).collect()))
}
