//! Scores the whole chain on the demo fleet: each injected fault met or missed, how early, and what else was found.
//!
//! Decodes the feed's own bytes and folds them unit by unit, without broker or store, so that it runs in seconds.
//! Usage: `cargo run --release -p notchwatch-tests --example fleet_score -- [SEED [HOURS]] [--every-fault | --to-limits | --benign]`
//!
//! Without `--every-fault` it is the demo, until HOURS after its present. With it, every fault that the feed knows
//! sits on a unit of its own beside as many healthy units, for HOURS from the start. With `--benign`, changes that are no
//! faults (weather, work, duty, controllers), each on a unit of its own and beside a fault. With `--to-limits`, slow faults
//! that go on until they cross a limit, and what was told of the time to it.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

#[path = "fleet_score/calibration.rs"]
mod calibration;
mod fleet;
#[path = "fleet_score/limits.rs"]
mod limits;
#[path = "fleet_score/load.rs"]
mod load;
#[path = "fleet_score/table.rs"]
mod table;

use demo_feed::{Scenario, TruthEntry};
use notchwatch_findings::Library;
use notchwatch_model::{FaultId, FindingKind, MachinePart, UnitKey};

use fleet::chain::{self, Found};

/// Hours without a fault when many faults are injected: models learn for two days, and weekly ones see a week.
const HEALTHY_H: f64 = 240.0;
/// Hours played when every fault is injected: the slowest takes ten days to its full size.
const EVERY_FAULT_HOURS: i64 = 504;
/// Hours played of the demo after its present, near which its last fault begins: it takes that long to show at every load.
const DEMO_HOURS: i64 = 24;
/// Hours played towards limits: the slowest takes thirty days to its full size.
const TO_LIMITS_HOURS: i64 = 240 + 720;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let (flags, numbers): (Vec<String>, Vec<String>) =
        std::env::args().skip(1).partition(|a| a.starts_with("--"));
    let flag = |name: &str| flags.iter().any(|f| f == name);
    let (every, to_limits) = (flag("--every-fault"), flag("--to-limits"));
    let seed: Option<u64> = numbers.first().map(|a| a.parse()).transpose()?;
    let usual = [(every, EVERY_FAULT_HOURS), (to_limits, TO_LIMITS_HOURS)];
    let usual = usual.into_iter().find_map(|(played, hours)| played.then_some(hours)).unwrap_or(DEMO_HOURS);
    let hours: i64 = numbers.get(1).map_or(Ok(usual), |a| a.parse())?;
    let begin: jiff::Timestamp = "2026-06-15T00:00:00Z".parse()?;
    if flag("--benign") {
        return table::print(seed.unwrap_or(1), begin);
    }
    let mut scenario = if every {
        Scenario::every_fault(begin, HEALTHY_H)
    } else if to_limits {
        Scenario::towards_limits(begin, HEALTHY_H)
    } else {
        Scenario::demo(begin)
    };
    if let Some(seed) = seed {
        scenario.seed = seed;
    }
    let until = begin.as_millisecond() + hours * 3_600_000;
    let outcome = chain::play(&scenario, until)?;
    for note in &outcome.notes {
        println!("{note}");
    }
    if !to_limits {
        // What begins after the end is nobody's miss.
        let came = |t: &&TruthEntry| t.course.is_some() && t.onset.as_millisecond() < until;
        let truth: Vec<&TruthEntry> = outcome.truth.iter().filter(came).collect();
        report(&outcome.found, &truth, outcome.unit_days)?;
        load::print(&outcome, until);
    }
    limits::print(&outcome, to_limits);
    Ok(())
}

/// One injected fault and what was made of it.
struct Met<'a> {
    truth: &'a TruthEntry,
    /// The first finding that shows one of its channels after the onset.
    first: Option<&'a MachinePart>,
    /// Findings that it explains.
    ids: Vec<String>,
    /// Place of the right fault among those named, from 1.
    place: Option<usize>,
}

impl Met<'_> {
    fn sensor(&self) -> bool {
        self.truth.reference.starts_with('X')
    }

    /// Whether it was found, and before its limit was crossed.
    fn in_time(&self) -> bool {
        let limit = self.truth.limit.as_ref().map_or(i64::MAX, |l| l.at.as_microsecond());
        self.first.is_some_and(|f| f.opened.micros() < limit)
    }

    fn called_sensor(&self) -> bool {
        self.first.is_some_and(|f| f.kind == FindingKind::Sensor)
    }
}

fn report(found: &Found, truth: &[&TruthEntry], unit_days: f64) -> Result<(), Box<dyn std::error::Error>> {
    let library = Library::builtin()?;
    let met: Vec<Met<'_>> = truth.iter().map(|t| meet(found, t, &library)).collect();
    println!("\nfaults: delay, place of the right fault, what was found");
    for m in &met {
        println!("  {}", line(m));
    }
    let explained: Vec<&String> = met.iter().flat_map(|m| &m.ids).collect();
    let others = others(found, &explained, &met);
    totals(&met, &others, unit_days);
    Ok(())
}

fn meet<'a>(found: &'a Found, truth: &'a TruthEntry, library: &Library) -> Met<'a> {
    let onset = truth.onset.as_microsecond();
    let names: Vec<&str> = truth.channels.iter().map(|c| c.0.as_str()).collect();
    let mut hits: Vec<&MachinePart> = found
        .iter()
        .filter(|(key, _)| key.railway.as_str() == truth.railway && key.unit.as_str() == truth.unit)
        .flat_map(|(_, f)| f.values().filter_map(|versions| versions.last()))
        .filter(|f| f.opened.micros() >= onset)
        .filter(|f| f.symptoms.iter().any(|s| names.contains(&s.channel.as_str())))
        .collect();
    hits.sort_by_key(|f| f.opened);
    let first = hits.first().copied();
    let right = |id: &FaultId| library.fault(id).is_some_and(|f| f.reference == truth.reference);
    let place = first.and_then(|f| f.faults.iter().position(|r| right(&r.id))).map(|at| at + 1);
    Met { truth, first, ids: hits.iter().map(|f| f.id.to_string()).collect(), place }
}

fn line(m: &Met<'_>) -> String {
    let head = format!("{}/{} {} ({})", m.truth.railway, m.truth.unit, m.truth.kind, m.truth.reference);
    let Some(f) = m.first else { return format!("{head}: MISSED") };
    let delay = (f.opened.micros() - m.truth.onset.as_microsecond()) as f64 / 3.6e9;
    let place = m.place.map_or("-".to_owned(), |p| p.to_string());
    let late = if m.in_time() { "" } else { " AFTER ITS LIMIT" };
    format!("{head}: +{delay:.1} h{late}, place {place}, {} ({} findings)", words(f), m.ids.len())
}

/// A finding's kind, the faults that it names, and its symptoms.
fn words(f: &MachinePart) -> String {
    let named: Vec<String> =
        f.faults.iter().map(|r| format!("{} {:.0}%", r.id, 100.0 * r.probability)).collect();
    let symptoms: Vec<String> =
        f.symptoms.iter().map(|s| format!("{} {} {:+.1}", s.channel, s.kind.word(), s.spreads)).collect();
    format!("{}: {} <- {}", f.kind, named.join(", "), symptoms.join("; "))
}

/// Findings that no injected fault explains. Those on other channels of a unit while a fault is under way there are
/// told apart: they may be its further effects.
fn others<'a>(found: &'a Found, explained: &[&String], met: &[Met<'_>]) -> Vec<&'a MachinePart> {
    println!("\nother findings");
    let mut others = Vec::new();
    let under_way = |key: &UnitKey, f: &MachinePart| {
        met.iter().any(|m| {
            (m.truth.railway.as_str(), m.truth.unit.as_str()) == (key.railway.as_str(), key.unit.as_str())
                && f.opened.micros() >= m.truth.onset.as_microsecond()
        })
    };
    for (key, findings) in found {
        for finding in
            findings.values().filter_map(|v| v.last()).filter(|f| !explained.contains(&&f.id.to_string()))
        {
            let symptoms: Vec<String> = finding
                .symptoms
                .iter()
                .map(|s| format!("{} {} {:+.1}", s.channel, s.kind.word(), s.spreads))
                .collect();
            let beside = under_way(key, finding);
            println!(
                "  {key}{} {} {} {} :: {}",
                if beside { " (beside a fault)" } else { "" },
                finding.opened,
                finding.kind,
                finding.title,
                symptoms.join("; ")
            );
            if !beside {
                others.push(finding);
            }
        }
    }
    others
}

fn totals(met: &[Met<'_>], others: &[&MachinePart], unit_days: f64) {
    let share = |what: &str, n: usize, of: usize| println!("  {what}: {n} of {of} ({:.0} %)", percent(n, of));
    let machine = || met.iter().filter(|m| !m.sensor());
    let sensors = || met.iter().filter(|m| m.sensor());
    let count = |hits: &dyn Fn(&Met<'_>) -> bool| machine().filter(|m| hits(m)).count();
    println!("\ntotals");
    share("found, before its limit if it has one", met.iter().filter(|m| m.in_time()).count(), met.len());
    share(
        "right fault first, of machine faults found",
        count(&|m| m.place == Some(1)),
        count(&|m| m.first.is_some()),
    );
    share(
        "right fault in the first three",
        count(&|m| m.place.is_some_and(|p| p <= 3)),
        count(&|m| m.first.is_some()),
    );
    share(
        "sensor faults called sensor faults",
        sensors().filter(|m| m.called_sensor()).count(),
        sensors().count(),
    );
    share("machine faults called sensor faults", count(&|m| m.called_sensor()), machine().count());
    let by = |kind| others.iter().filter(|f| f.kind == kind).count();
    let machine = by(FindingKind::Machine);
    println!(
        "  other findings, none beside a fault, in {unit_days:.0} unit-days: {machine} machine ({:.1} per 1,000 unit-days), {} sensor, {} data",
        1000.0 * machine as f64 / unit_days,
        by(FindingKind::Sensor),
        by(FindingKind::Data)
    );
}

fn percent(n: usize, of: usize) -> f64 {
    100.0 * n as f64 / of.max(1) as f64
}
