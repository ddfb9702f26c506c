//! False alarms on healthy series: how many a channel-year, of each kind and in all, with a 95 % interval.
//!
//! Generated channels, one sample a minute, of the kinds below: autocorrelation, daily swing, rounding, heavy tails. Each
//! is judged as an unknown channel, by the chain (its symptoms) and by surprise (its events).
//! Usage: `cargo run --release -p notchwatch-tests --example false_alarms -- [CHANNEL_YEARS] [SEED]`

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

use std::collections::BTreeMap;

use notchwatch_detect::Settings;
use notchwatch_detect::examine::Examiner;
use notchwatch_model::{Change, FindingKind, Row, Span, Time};

#[path = "boards/noise.rs"]
mod noise;

use noise::Noise;

const MINUTES: i64 = 365 * 1440;
/// A score from which a row begins an event.
const EVENT: f64 = 0.6;

/// Autocorrelation from minute to minute; daily swing and rounding step in spreads; whether tails are heavy.
struct Kind {
    phi: f64,
    swing: f64,
    step: f64,
    heavy: bool,
}

const fn kind(phi: f64, swing: f64, step: f64, heavy: bool) -> Kind {
    Kind { phi, swing, step, heavy }
}

const KINDS: [Kind; 10] = [
    kind(0.0, 0.0, 0.0, false),
    kind(0.9, 0.0, 0.0, false),
    kind(0.99, 0.0, 0.0, false),
    kind(0.0, 2.0, 0.0, false),
    kind(0.9, 2.0, 0.0, false),
    kind(0.99, 5.0, 0.0, false),
    kind(0.9, 0.0, 1.0, false),
    kind(0.99, 2.0, 0.5, false),
    kind(0.9, 1.0, 4.0, false),
    kind(0.0, 0.0, 0.0, true),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let years: u64 = arguments.next().map_or(Ok(10), |a| a.parse())?;
    let seed: u64 = arguments.next().map_or(Ok(1), |a| a.parse())?;
    let mut found: BTreeMap<String, u64> = BTreeMap::new();
    let (mut machine, mut events) = (0, 0);
    for (year, kind) in (0..years).zip(KINDS.iter().cycle()) {
        let mut noise = Noise(seed.wrapping_mul(1_000_003).wrapping_add(year));
        let (symptoms, own_events) = healthy_year(kind, &mut noise)?;
        for name in symptoms {
            machine += 1;
            *found.entry(name).or_default() += 1;
        }
        events += own_events;
    }
    println!("{years} channel-years, seed {seed}; a channel-year, with 95 % interval:");
    found.insert("chain, all machine symptoms".into(), machine);
    found.insert("surprise, events (files only)".into(), events);
    for (name, count) in found {
        let (low, high) = interval(count as f64);
        let years = years as f64;
        println!("  {name}: {:.3} ({:.3} to {:.3})", count as f64 / years, low / years, high / years);
    }
    Ok(())
}

/// Names of the machine symptoms raised in a year, and the number of events.
fn healthy_year(kind: &Kind, noise: &mut Noise) -> Result<(Vec<String>, u64), Box<dyn std::error::Error>> {
    let mut examiner = Examiner::generic(&["x"], &Settings::default())?;
    let start: Time = Time::from_secs_f64(1_767_225_600.0)?;
    let (mut slow, mut names, mut events) = (0.0, Vec::new(), 0);
    for minute in 0..MINUTES {
        let time = start + Span::from_mins(minute);
        let draw = if kind.heavy { noise.heavy() } else { noise.normal() };
        slow = kind.phi * slow + (1.0 - kind.phi * kind.phi).sqrt() * draw;
        let phase = time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU;
        let x = 50.0 + slow + kind.swing * phase.sin();
        let x = if kind.step > 0.0 { (x / kind.step).round() * kind.step } else { x };
        let given = examiner.row(&Row { time, values: vec![Some(x)] });
        events += u64::from(given.all >= EVENT);
        let machine = |c: &&notchwatch_model::SymptomChange| {
            c.change == Change::Raised && c.symptom.kind.about() == FindingKind::Machine
        };
        names.extend(
            given.changes.iter().filter(machine).map(|c| format!("chain, {}", c.symptom.kind.word())),
        );
    }
    Ok((names, events))
}

/// 95 % interval of a Poisson mean after this count (Wilson and Hilferty 1931).
fn interval(count: f64) -> (f64, f64) {
    let bound = |n: f64, z: f64| {
        if n > 0.0 { n * (1.0 - 1.0 / (9.0 * n) + z / (3.0 * n.sqrt())).powi(3) } else { 0.0 }
    };
    (bound(count, -1.96), bound(count + 1.0, 1.96))
}
