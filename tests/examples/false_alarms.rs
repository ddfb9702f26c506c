//! False alarms on healthy series: how many a channel-year, of each kind and in all, with a 95 % interval.
//!
//! Generated channels, one sample a minute, of the kinds below: autocorrelation, daily swing, rounding, heavy tails. The first
//! ten are judged as unknown channels, by the chain (its symptoms) and by surprise (its events); the others belong to a unit
//! that changes notch, which moves their level, and are judged by operating state. Runs on all cores; the result does not depend on them.
//! Usage: `cargo run --release -p notchwatch-tests --example false_alarms -- [CHANNEL_YEARS] [SEED]`

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

use std::collections::BTreeMap;

use notchwatch_model::SymptomKind;

#[path = "false_alarms/healthy.rs"]
mod healthy;
#[path = "boards/noise.rs"]
mod noise;

use healthy::{Counts, KINDS, count};

/// Kinds of symptoms about machines that a channel alone can raise: limits and sisters need a class that states them.
const ALONE: [SymptomKind; 3] = [SymptomKind::LevelShift, SymptomKind::Drift, SymptomKind::Seasonal];

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
    let name = |kind: SymptomKind| format!("chain, {}", kind.word());
    let mut found: BTreeMap<String, u64> = ALONE.iter().map(|kind| (name(*kind), 0)).collect();
    let (mut machine, mut events) = (0, 0);
    for part in parts {
        let (symptoms, own_events) = part?;
        for (kind, count) in symptoms {
            machine += count;
            *found.entry(name(kind)).or_default() += count;
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

/// 95 % interval of a Poisson mean after this count (Wilson and Hilferty 1931).
fn interval(count: f64) -> (f64, f64) {
    let bound = |n: f64, z: f64| {
        if n > 0.0 { n * (1.0 - 1.0 / (9.0 * n) + z / (3.0 * n.sqrt())).powi(3) } else { 0.0 }
    };
    (bound(count, -1.96), bound(count + 1.0, 1.96))
}
