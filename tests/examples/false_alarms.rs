//! False alarms on healthy series: how many a channel-year, of each kind and in all, with a 95 % interval.
//!
//! Generated channels, one sample a minute, of the kinds below: autocorrelation, daily swing, rounding, heavy tails. The first
//! ten are judged as unknown channels, by the chain (its symptoms) and by surprise (its events); the others belong to a unit
//! that changes notch, which moves their level, and are judged by operating state. Runs on all cores; the result does not depend on them.
//! Usage: `cargo run --release -p notchwatch-tests --example false_alarms -- [CHANNEL_YEARS] [SEED]`

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

use std::collections::BTreeMap;

use notchwatch_detect::Settings;
use notchwatch_detect::examine::{Examiner, generic_class};
use notchwatch_model::{Change, Class, FindingKind, Row, Span, Time};

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
    /// How far the level moves from notch to notch, in spreads; nought of an unknown channel.
    notch: f64,
}

const fn kind(phi: f64, swing: f64, step: f64, heavy: bool) -> Kind {
    Kind { phi, swing, step, heavy, notch: 0.0 }
}

const KINDS: [Kind; 14] = [
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
    Kind { notch: 3.0, ..kind(0.0, 0.0, 0.0, false) },
    Kind { notch: 3.0, ..kind(0.9, 1.0, 0.5, false) },
    Kind { notch: 10.0, ..kind(0.9, 0.0, 1.0, true) },
    Kind { notch: 1.0, ..kind(0.99, 2.0, 0.5, false) },
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let years: u64 = arguments.next().map_or(Ok(10), |a| a.parse())?;
    let seed: u64 = arguments.next().map_or(Ok(1), |a| a.parse())?;
    let begun = std::time::Instant::now();
    let cores = std::thread::available_parallelism()?.get();
    let parts: Vec<Result<Counts, String>> = std::thread::scope(|scope| {
        let start = |core: usize| scope.spawn(move || count((0..years).skip(core).step_by(cores), seed));
        let running: Vec<_> = (0..cores).map(start).collect();
        running.into_iter().map(|r| r.join().unwrap_or_else(|_| Err("a thread ended".into()))).collect()
    });
    let mut found: BTreeMap<String, u64> = BTreeMap::new();
    let (mut machine, mut events) = (0, 0);
    for part in parts {
        let (symptoms, own_events) = part?;
        for (name, count) in symptoms {
            machine += count;
            *found.entry(name).or_default() += count;
        }
        events += own_events;
    }
    let took = begun.elapsed().as_secs_f64();
    println!("{took:.0} s; 10,000 channel-years would take {:.1} h", took / years as f64 * 1e4 / 3600.0);
    println!("{years} channel-years, seed {seed}; a channel-year, with 95 % interval:");
    found.insert("chain, all machine symptoms".into(), machine);
    found.insert("surprise, events (files only)".into(), events);
    let unknown = (0..years).zip(KINDS.iter().cycle()).filter(|(_, k)| k.notch <= 0.0).count() as u64;
    for (name, count) in found {
        let (low, high) = interval(count as f64);
        // Surprise hears unknown channels only.
        let years = if name.starts_with("surprise") { unknown } else { years } as f64;
        println!("  {name}: {:.3} ({:.3} to {:.3})", count as f64 / years, low / years, high / years);
    }
    Ok(())
}

/// Machine symptoms by name, and events.
type Counts = (BTreeMap<String, u64>, u64);

/// What these channel-years gave.
fn count(years: impl Iterator<Item = u64>, seed: u64) -> Result<Counts, String> {
    let mut counts = Counts::default();
    for year in years {
        let place = usize::try_from(year).unwrap_or(0) % KINDS.len();
        let Some(kind) = KINDS.get(place) else { continue };
        let mut noise = Noise(seed.wrapping_mul(1_000_003).wrapping_add(year));
        let (symptoms, events) = healthy_year(kind, &mut noise).map_err(|e| e.to_string())?;
        for name in symptoms {
            *counts.0.entry(name).or_default() += 1;
        }
        counts.1 += events;
    }
    Ok(counts)
}

/// A unit with a throttle, and a channel that follows it.
fn unit_class() -> Result<Class, Box<dyn std::error::Error>> {
    let mut class = generic_class(&["x", "notch"])?;
    class.operation.notch = class.channels.get(1).map(|c| c.name.clone());
    class.operation.steady_after_s = 120;
    if let Some(notch) = class.channels.get_mut(1) {
        notch.judged = false;
    }
    Ok(class)
}

/// Names of the machine symptoms raised in a year, and the number of events.
fn healthy_year(kind: &Kind, noise: &mut Noise) -> Result<(Vec<String>, u64), Box<dyn std::error::Error>> {
    let moves = kind.notch > 0.0;
    let mut examiner = if moves {
        Examiner::new(&unit_class()?, &Settings::default())
    } else {
        Examiner::generic(&["x"], &Settings::default())?
    };
    let mut notch = 0.0;
    let start: Time = Time::from_secs_f64(1_767_225_600.0)?;
    let (mut slow, mut names, mut events) = (0.0, Vec::new(), 0);
    for minute in 0..MINUTES {
        let time = start + Span::from_mins(minute);
        let draw = if kind.heavy { noise.heavy() } else { noise.normal() };
        slow = kind.phi * slow + (1.0 - kind.phi * kind.phi).sqrt() * draw;
        let phase = time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU;
        if moves && noise.uniform() < 0.05 {
            notch = (noise.uniform() * 9.0).floor();
        }
        let x = 50.0 + slow + kind.swing * phase.sin() + kind.notch * notch;
        let x = if kind.step > 0.0 { (x / kind.step).round() * kind.step } else { x };
        let values = if moves { vec![Some(x), Some(notch)] } else { vec![Some(x)] };
        let given = examiner.row(&Row { time, values });
        events += u64::from(!moves && given.all >= EVENT);
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
