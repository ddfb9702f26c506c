//! What detection costs: the live path, state and refits of a day, and each method beside a Python program that computes the
//! same, timed in the same run on the same series, with the difference of results.
//!
//! `cargo run --release -p notchwatch-tests --example cost -- [--no-python] [PAGE.md]` prints the tables and writes them to the page
//! named. The Python programs run in an environment under `target/` that is made when it is missing, which needs
//! `python3` and a package index; without them the tables say what was not compared.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]

use std::fmt::Write as _;
use std::path::Path;
use std::sync::OnceLock;
use std::time::Instant;

#[path = "../../it/fleet/envelope.rs"]
mod envelope;
#[expect(dead_code, reason = "the boards use more of it")]
#[path = "../boards/noise.rs"]
mod noise;

mod live;
mod ours;
mod python;

type Failure = Box<dyn std::error::Error + Send + Sync>;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut text = intro();
    text.push_str(&live::table()?);
    let compare = !arguments.iter().any(|a| a == "--no-python");
    let theirs = if compare { python::run() } else { Err("not asked for".into()) };
    text.push_str(&beside(theirs)?);
    println!("{text}");
    let mut pages = arguments.iter().filter(|a| Path::new(a).extension().is_some_and(|e| e == "md"));
    pages.try_for_each(|page| std::fs::write(page, &text).map_err(Failure::from))
}

fn intro() -> String {
    "# What detection costs\n\n\
     `cargo run --release -p notchwatch-tests --example cost -- PAGE.md` makes this page. Figures of time belong to the machine \
     that made them; ratios move less. Ours runs on one core; so do the Python programs.\n\n"
        .to_owned()
}

/// One method on one series: what it took, and its numbers.
pub(crate) struct Run {
    pub(crate) name: String,
    pub(crate) seconds: f64,
    pub(crate) result: Vec<f64>,
}

/// How many times as fast ours is to be, by method.
const WANTED: [(&str, f64); 4] = [("STL", 30.0), ("MSTL", 100.0), ("PELT", 50.0), ("BOCPD", 50.0)];

/// Ours beside theirs, or why there is nothing beside.
fn beside(theirs: Result<python::Theirs, Failure>) -> Result<String, Failure> {
    let ours = ours::run();
    let mut text = "## Beside Python\n\n".to_owned();
    let theirs = match theirs {
        Ok(theirs) => theirs,
        Err(why) => {
            writeln!(text, "NOT COMPARED: {why}\n")?;
            python::Theirs { versions: String::new(), runs: Vec::new() }
        }
    };
    text.push_str(&theirs.versions);
    text.push_str(
        "| method | computes | ours | Python | times as fast | wanted | | results differ by |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    for run in &ours {
        let (method, computes) = run.name.split_once(": ").unwrap_or((&run.name, ""));
        let wanted = WANTED.iter().find(|w| w.0 == method).map_or(0.0, |w| w.1);
        write!(text, "| {method} | {computes} | {} | ", time(run.seconds))?;
        match theirs.runs.iter().find(|t| t.name == run.name) {
            Some(t) => {
                let ratio = t.seconds / run.seconds;
                let met = if ratio >= wanted { "met" } else { "not met" };
                let apart = apart(&run.result, &t.result);
                writeln!(text, "{} | {ratio:.0} | {wanted:.0} | {met} | {apart} |", time(t.seconds))?;
            }
            None => writeln!(text, "not run | | {wanted:.0} | not compared | |")?,
        }
    }
    text.push_str(ABOUT);
    Ok(text)
}

const ABOUT: &str = "\n\
    Each time is that of a core, the least of several runs. STL and MSTL are computed at statsmodels' own default parameters; the chain \
    fits levels over eleven days and needs two inner passes of the five, which takes less than half of that. PELT is the exact \
    partition into levels at the same price, with every row a candidate (`jump=1`): ruptures' search in Python beside the one \
    under `notchwatch examine --segment`, which partitions by levels and lines. BOCPD is the recursion of Adams and MacKay \
    with every run length kept, in numpy with the gamma functions tabled beforehand, beside ours that keeps 24; compared are the \
    most probable run length after each value, and its probability.\n";

fn time(seconds: f64) -> String {
    if seconds < 1e-3 { format!("{:.1} µs", seconds * 1e6) } else { format!("{:.2} ms", seconds * 1e3) }
}

/// Largest difference between two lists of numbers.
fn apart(a: &[f64], b: &[f64]) -> String {
    if a.len() != b.len() {
        return format!("{} numbers against {}", a.len(), b.len());
    }
    let most = a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    if most > 0.0 { format!("{most:.1e}") } else { "nothing".to_owned() }
}

/// Least time of a core that one of several lots of runs took, a run, and the result.
pub(crate) fn least<T>(work: impl Fn() -> T) -> (f64, T) {
    /// Length of a lot: the system's own clock of a thread moves in steps of some milliseconds.
    const LOT_S: f64 = 0.2;
    const LOTS: usize = 5;
    let result = work();
    let lot = || {
        let (begun, mut runs) = (used(), 0.0);
        loop {
            std::hint::black_box(work());
            runs += 1.0;
            let took = used() - begun;
            if took >= LOT_S {
                return took / runs;
            }
        }
    };
    ((0..LOTS).map(|_| lot()).fold(f64::INFINITY, f64::min), result)
}

/// Seconds that this thread has used a core, where the system tells: others may want it too. Else seconds that passed.
pub(crate) fn used() -> f64 {
    static BEGUN: OnceLock<Instant> = OnceLock::new();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|t| t.split_whitespace().next()?.parse::<f64>().ok());
    nanoseconds.map_or_else(|| BEGUN.get_or_init(Instant::now).elapsed().as_secs_f64(), |ns| ns * 1e-9)
}
