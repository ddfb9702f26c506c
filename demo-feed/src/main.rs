//! The program `demo-feed`: plays a scenario to a broker, or into a file.
//!
//! Owns the command line and the wall clock. Everything it sends comes from the library.

use std::io::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::Parser;
use demo_feed::{CLASS_TOML, Fleet, Scenario};
use jiff::{SignedDuration, Timestamp};

mod publish;
mod record;

/// Sends the invented demo fleet's messages as its units would.
#[derive(Parser, Debug)]
#[command(version)]
struct Options {
    /// Broker to publish to.
    #[arg(long, default_value = "mqtt://127.0.0.1:1883")]
    broker: String,
    /// Scenario file; the one that ships when absent.
    #[arg(long)]
    scenario: Option<PathBuf>,
    /// Number of units, shared among the scenario's railways.
    #[arg(long)]
    units: Option<u32>,
    /// Seed in place of the scenario's.
    #[arg(long)]
    seed: Option<u64>,
    /// Days of history to send before the present; the scenario that ships has 14.
    #[arg(long, default_value_t = 0.0)]
    days: f64,
    /// Plays history at that many times its speed; as fast as the broker takes it when absent.
    #[arg(long)]
    speed: Option<f64>,
    /// Stops when history has been sent.
    #[arg(long)]
    no_live: bool,
    /// Writes history into this file, a message a line, in place of publishing it.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Writes what was made to go wrong into this file, an entry a line, when it ends.
    #[arg(long)]
    truth: Option<PathBuf>,
    /// Writes the class, railways and units into this folder, as register files, and ends.
    #[arg(long)]
    register: Option<PathBuf>,
}

#[expect(
    clippy::disallowed_methods,
    reason = "this program's only clock; the library takes times as arguments"
)]
fn wall_clock() -> Timestamp {
    Timestamp::now()
}

fn main() -> anyhow::Result<()> {
    let options = Options::parse();
    let now = wall_clock();
    let mut fleet = Fleet::new(&scenario(&options, now)?)?;
    if let Some(folder) = &options.register {
        return write_register(folder, &fleet);
    }
    let from_ms = now.as_millisecond() - history(&options)?.as_millis().try_into().unwrap_or(i64::MAX);
    say(format_args!("{} units, history from {}", fleet.units(), millisecond(from_ms)));
    let mut fleet = match &options.out {
        Some(path) => {
            let written = record::write(path, &mut fleet, from_ms, now.as_millisecond())?;
            say(format_args!("{written} messages in {}", path.display()));
            fleet
        }
        None => play(&options, fleet, from_ms)?,
    };
    if let Some(path) = &options.truth {
        // Limits crossed are known up to the last message asked for.
        fleet.advance_to(now.as_millisecond()).for_each(drop);
        record::truth(path, fleet.truth())?;
    }
    Ok(())
}

fn play(options: &Options, fleet: Fleet, from_ms: i64) -> anyhow::Result<Fleet> {
    let plan =
        publish::Plan { url: options.broker.clone(), from_ms, speed: options.speed, live: !options.no_live };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(publish::run(fleet, plan, wall_clock))
}

fn scenario(options: &Options, now: Timestamp) -> anyhow::Result<Scenario> {
    let mut scenario = match &options.scenario {
        Some(path) => {
            let text =
                std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
            Scenario::parse(&text).with_context(|| format!("{} cannot be played", path.display()))?
        }
        None => Scenario::demo(now),
    };
    if let Some(seed) = options.seed {
        scenario.seed = seed;
    }
    Ok(match options.units {
        Some(units) => scenario.with_units(units),
        None => scenario,
    })
}

fn history(options: &Options) -> anyhow::Result<SignedDuration> {
    SignedDuration::try_from_secs_f64(options.days * 86_400.0).context("--days is a number of days")
}

fn write_register(folder: &std::path::Path, fleet: &Fleet) -> anyhow::Result<()> {
    std::fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
    std::fs::write(folder.join("demo-12.toml"), CLASS_TOML)?;
    std::fs::write(folder.join("fleet.toml"), fleet.register_toml())?;
    Ok(())
}

fn millisecond(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or_default()
}

/// Tells the person at the terminal. A closed terminal is no reason to stop.
fn say(text: std::fmt::Arguments<'_>) {
    drop(writeln!(std::io::stderr().lock(), "{text}"));
}
