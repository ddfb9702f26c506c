//! The shuffle harness for longer runs: a recorded history replayed in disorder, compared with a clean run.
//!
//! Usage: `cargo run --release -p notchwatch-tests --example shuffle -- [--seed N] [--runs M] [--minutes T]
//! [--store sqlite|postgres] [--days D] [--units U] [--kills K] [--stops K] [--brokers K] [--databases K] [--disks K]
//! [--within-ms W] [--at MS]`.
//! Without `--store` each run is replayed on both; with `--minutes` runs go on until the time is over. It needs
//! Mosquitto, PostgreSQL's server programs and python3, and ends with the first difference.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "it stands on the tests' support, which ends a run with words"
)]
#![expect(
    dead_code,
    unused_imports,
    unused_macros,
    reason = "the tests' support is shared, and not all of it is used here"
)]

mod shuffle;
mod support;

use std::collections::HashMap;
use std::time::{Duration, Instant};

use shuffle::{Faults, Options, Reference};
use support::database::Engine;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let known = [
        "seed",
        "runs",
        "minutes",
        "store",
        "days",
        "units",
        "kills",
        "stops",
        "brokers",
        "databases",
        "disks",
        "within-ms",
        "at",
    ];
    let mut given: HashMap<&str, &str> = HashMap::new();
    for pair in words.chunks(2) {
        match pair {
            [name, value] if name.strip_prefix("--").is_some_and(|name| known.contains(&name)) => {
                given.insert(name.trim_start_matches("--"), value);
            }
            _ => return println!("{pair:?}: each of --{} takes a value", known.join(", --")),
        }
    }
    let number = |name: &str, default: u64| given.get(name).map_or(default, |n| n.parse().expect("a number"));
    let engines = match given.get("store").copied() {
        Some("sqlite") => vec![Engine::Sqlite],
        Some("postgres") => vec![Engine::Postgres],
        Some(other) => return println!("--store {other}: sqlite or postgres"),
        None => vec![Engine::Sqlite, Engine::Postgres],
    };
    let began = Instant::now();
    let minutes = Duration::from_secs(60 * number("minutes", 0));
    let runs = number("runs", if minutes.is_zero() { 1 } else { u64::MAX });
    let seed = number("seed", support::now_ms().unsigned_abs() % 1_000_000);
    let faults = Faults {
        kills: number("kills", 6),
        stops: number("stops", 2),
        brokers: number("brokers", 1),
        databases: number("databases", 2),
        disks: number("disks", 1),
        within_ms: number("within-ms", 1500),
    };
    for run in 0..runs {
        let now = support::now_ms();
        let at_ms = given.get("at").map_or(now, |at| at.parse().expect("milliseconds"));
        let days = u32::try_from(number("days", 5)).expect("some days");
        let units = u32::try_from(number("units", 5)).expect("some units");
        let options = Options { seed: seed + run, at_ms, days, units, faults };
        let reference = Reference::new(&options);
        let findings = reference.clean.findings.len();
        println!("seed {}: {} messages, {findings} findings", options.seed, reference.history.before.len());
        for engine in &engines {
            let start = Instant::now();
            reference.check(&options, *engine);
            println!("seed {} on {engine:?}: the same, {:.0?}", options.seed, start.elapsed());
        }
        if !minutes.is_zero() && began.elapsed() > minutes {
            break;
        }
    }
}
