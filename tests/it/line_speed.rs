//! Line speed: how fast messages go from a stock broker into the store, beside a client that only receives and
//! acknowledges, in one run.
//!
//! Usage: `cargo run --release -p notchwatch-tests --example line_speed -- [PART...] [--messages N] [--rounds N]
//! [--seconds N | --hour] [--units N] [--learned] [--sqlite | --postgres]`. Parts: `ingest` (and evaluation with it),
//! `paced` (latency and memory at ten times the load of a large fleet), `states` (what the models of that load take in
//! memory by themselves); the first two without a word. Needs Mosquitto and a PostgreSQL, see `tests/README.md`.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]
#![expect(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "it stands on the tests' support, which ends a run with words"
)]

#[path = "line_speed/ingest.rs"]
mod ingest;
#[path = "line_speed/learned.rs"]
mod learned;
#[path = "line_speed/load.rs"]
mod load;
#[path = "line_speed/paced.rs"]
mod paced;
#[path = "line_speed/publisher.rs"]
mod publisher;
#[path = "line_speed/receiver.rs"]
mod receiver;
#[path = "line_speed/states.rs"]
mod states;
#[expect(dead_code, unused_imports, unused_macros, reason = "the tests use more of it")]
mod support;
#[path = "line_speed/tap.rs"]
mod tap;

use support::database::Engine;

type Failure = Box<dyn std::error::Error>;

/// What the run was asked for.
pub(crate) struct Wanted {
    messages: usize,
    rounds: usize,
    /// Seconds of the paced load.
    seconds: usize,
    /// Units of the paced load.
    units: u32,
    /// Their models have learned for weeks when it begins.
    learned: bool,
    /// The store, when one alone is asked for.
    engine: Option<Engine>,
}

impl Wanted {
    /// The stores to run on.
    fn engines(&self) -> Vec<Engine> {
        self.engine.map_or_else(|| vec![Engine::Sqlite, Engine::Postgres], |engine| vec![engine])
    }
}

/// What can be asked for.
const PARTS: [&str; 3] = ["ingest", "paced", "states"];

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["send", port, client, file, rate] => return send(port, client, file, rate),
        ["receive", port, client, number] => return receiver::run(port.parse()?, client, number.parse()?),
        _ => {}
    }
    let number = |flag: &str, otherwise: usize| match words.iter().position(|w| *w == flag) {
        Some(at) => words.get(at + 1).ok_or("a number is missing")?.parse().map_err(Failure::from),
        None => Ok(otherwise),
    };
    let seconds = if words.contains(&"--hour") { 3600 } else { number("--seconds", 90)? };
    let engine = [("--sqlite", Engine::Sqlite), ("--postgres", Engine::Postgres)];
    let wanted = Wanted {
        messages: number("--messages", 60_000)?,
        rounds: number("--rounds", 3)?,
        seconds,
        units: u32::try_from(number("--units", paced::UNITS as usize)?)?,
        learned: words.contains(&"--learned"),
        engine: engine.into_iter().find_map(|(flag, engine)| words.contains(&flag).then_some(engine)),
    };
    let parts: Vec<&str> = words.iter().copied().filter(|w| PARTS.contains(w)).collect();
    let runs = |part: &str| parts.is_empty() || parts.contains(&part);
    machine();
    if runs("ingest") {
        ingest::run(&wanted)?;
    }
    if runs("paced") {
        paced::run(&wanted);
    }
    if parts.contains(&"states") {
        states::run(&wanted)?;
    }
    Ok(())
}

fn send(port: &str, client: &str, file: &str, rate: &str) -> Result<(), Failure> {
    let messages = load::read(file.as_ref())?;
    let mut sender = publisher::Sender::connect(port.parse()?, client)?;
    println!("ready");
    let mut line = String::new();
    std::io::stdin().read_line(&mut line)?;
    let took = sender.send_all(&messages, rate.parse().ok(), |_| {})?;
    println!("took {}", took.as_secs_f64());
    Ok(())
}

/// What the machine is and how busy it is before the run.
fn machine() {
    let read = |path: &str| std::fs::read_to_string(path).unwrap_or_default();
    let cpu = read("/proc/cpuinfo");
    let model = cpu
        .lines()
        .find_map(|l| l.strip_prefix("model name"))
        .unwrap_or("")
        .trim_start_matches([' ', '\t', ':']);
    let cores = std::thread::available_parallelism().map_or(0, std::num::NonZero::get);
    let busy: String = read("/proc/loadavg").split_whitespace().take(2).collect::<Vec<_>>().join(" ");
    println!("{cores} cores, {model}; load over 1 and 5 minutes before the run: {busy}");
}
