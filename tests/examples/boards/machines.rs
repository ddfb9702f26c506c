//! Machines run to failure, and a rig whose cooler was set: C-MAPSS turbofans, bearings, the hydraulic rig.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use notchwatch_wire::csv::{Clock, Column, Table};

use super::figure::{Board, Figure, LINES, choose, median, real};
use super::run::{ALARM, Scored, alarm, fail, scores, table, text};

/// An alarm that lasts as long as this many records is a lasting one.
const LASTING: usize = 24;
/// Groups of engines for cross-validation: every fifth.
const FOLDS: usize = 5;

/// NASA C-MAPSS FD001: an engine's first alarm against its end of life, false when in the first 40 % of it. A row is a
/// cycle.
pub(crate) fn engines(data: &Path) -> io::Result<Board> {
    let mut engines: BTreeMap<u32, Vec<Vec<f64>>> = BTreeMap::new();
    for line in text(&data.join("cmapss/train_FD001_engines_1_50.txt"))?.lines() {
        let mut cells = line.split_whitespace();
        let (Some(engine), Some(_cycle)) = (cells.next(), cells.next()) else { continue };
        let values = cells.map(str::parse).collect::<Result<_, _>>().map_err(fail)?;
        engines.entry(engine.parse().map_err(fail)?).or_default().push(values);
    }
    let mut scored = Vec::new();
    let mut notes = Vec::new();
    for (engine, rows) in &engines {
        let all = scores(&numbered(rows), &[])?.all;
        let first = all.iter().position(|s| alarm(*s));
        notes.push(format!("engine {engine}: life {}, first alarm {first:?}  ", rows.len()));
        scored.push(all);
    }
    let ours = Fleet::of(scored.iter().map(|l| (l, ALARM)));
    let fold = |i: usize| i % FOLDS;
    // What is wanted of the fleet: no early alarm first, then all warned, then lead.
    let lines = choose(FOLDS, &LINES, ALARM, |others, line| {
        let fleet =
            Fleet::of(scored.iter().enumerate().filter(|l| others.contains(&fold(l.0))).map(|l| (l.1, line)));
        median(&fleet.leads) - 1000.0 * real(fleet.early + fleet.engines - fleet.leads.len())
    });
    let crossed =
        Fleet::of(scored.iter().enumerate().map(|l| (l.1, lines.get(fold(l.0)).copied().unwrap_or(ALARM))));
    let shortest = ours.leads.iter().copied().fold(f64::INFINITY, f64::min);
    let figures = vec![
        Figure::high("C-MAPSS, engines warned, %", ours.warned(), 100.0, "none published")
            .crossed(crossed.warned()),
        Figure::high("C-MAPSS, median lead, cycles", median(&ours.leads), 90.0, "none published")
            .detail(format!("shortest {shortest}"))
            .crossed(median(&crossed.leads)),
        Figure::low("C-MAPSS, alarmed in the first 40 % of life", real(ours.early), 0.0, "none published")
            .crossed(real(crossed.early)),
    ];
    Ok(Board { title: "C-MAPSS turbofans run to failure", figures, notes })
}

/// Engines at their alarm lines: cycles from the first alarm to the end, and how many were alarmed too early.
#[derive(Default)]
struct Fleet {
    engines: usize,
    leads: Vec<f64>,
    early: usize,
}

impl Fleet {
    fn of<'a>(lives: impl Iterator<Item = (&'a Vec<f64>, f64)>) -> Self {
        let mut fleet = Self::default();
        for (scores, line) in lives {
            fleet.engines += 1;
            if let Some(first) = scores.iter().position(|s| *s >= line) {
                fleet.leads.push(real(scores.len() - 1 - first));
                fleet.early += usize::from(first * 10 < scores.len() * 4);
            }
        }
        fleet
    }

    fn warned(&self) -> f64 {
        100.0 * real(self.leads.len()) / real(self.engines.max(1))
    }
}

/// IMS bearing test 1: bearings 3 and 4 failed at the end. The first alarm of a channel that lasts.
pub(crate) fn bearing(data: &Path) -> io::Result<Board> {
    let mut table = table(&data.join("bearing/test1_10min.csv"), None)?;
    table.columns.retain(|c| c.name.starts_with("Bearing"));
    let Scored { channels, all } = scores(&table, &[])?;
    let n = all.len();
    let mut notes = vec![format!("all together: first lasting alarm {} of {n}  ", record(lasting(&all)))];
    let (mut failed, mut others) = (Vec::new(), 0);
    for (column, scores) in table.columns.iter().zip(&channels) {
        let first = lasting(scores);
        notes.push(format!("{}: first lasting alarm {} of {n}  ", column.name, record(first)));
        if column.name.starts_with("Bearing 3") || column.name.starts_with("Bearing 4") {
            failed.extend(first);
        } else {
            others += usize::from(first.is_some_and(|f| f * 10 < n * 9));
        }
    }
    let first = 100.0 * real(lasting(&all).unwrap_or(n)) / real(n);
    let figures = vec![
        Figure::high(
            "bearing test 1, channels of failed bearings warned, of 4",
            real(failed.len()),
            4.0,
            "none",
        ),
        Figure::low(
            "bearing test 1, others with a lasting alarm before the last tenth, of 4",
            real(others),
            0.0,
            "none",
        ),
        Figure::high(
            "bearing test 1, first lasting alarm of all together, % of the test",
            first,
            33.3,
            "none",
        ),
    ];
    Ok(Board { title: "Bearing test run to failure", figures, notes })
}

/// Hydraulic rig (UCI 447): the cooler was set down at cycle 732 and up at 1464. Segmentation of cycle means.
pub(crate) fn hydraulic(data: &Path) -> io::Result<Board> {
    const CHANGES: [usize; 2] = [732, 1464];
    let (mut figures, mut notes) = (Vec::new(), Vec::new());
    for channel in ["TS1", "CE"] {
        let mut means = Vec::new();
        for line in text(&data.join(format!("hydraulic/{channel}.txt")))?.lines() {
            let cycle: Vec<f64> =
                line.split_whitespace().map(str::parse).collect::<Result<_, _>>().map_err(fail)?;
            means.push(Some(cycle.iter().sum::<f64>() / real(cycle.len().max(1))));
        }
        let found = notchwatch_detect::segment(&means);
        let off =
            CHANGES.iter().map(|c| found.iter().map(|f| f.abs_diff(*c)).min().unwrap_or(means.len())).max();
        let name = |what: &str| format!("hydraulic rig, {channel}, {what}");
        figures.push(Figure::low(
            &name("cycles off"),
            real(off.unwrap_or(0)),
            2.0,
            "changes at 732 and 1464",
        ));
        figures.push(Figure::low(&name("other changes"), real(found.len().saturating_sub(2)), 0.0, "none"));
        notes.push(format!("{channel}: {found:?}  "));
    }
    Ok(Board { title: "Hydraulic rig, cooler", figures, notes })
}

/// First row of an alarm that lasts: from there on it is on in nine of ten rows for the lasting time.
fn lasting(scores: &[f64]) -> Option<usize> {
    scores.windows(LASTING).position(|w| {
        w.first().is_some_and(|s| alarm(*s)) && w.iter().filter(|s| alarm(**s)).count() * 10 >= LASTING * 9
    })
}

fn numbered(rows: &[Vec<f64>]) -> Table {
    let width = rows.first().map_or(0, Vec::len);
    let columns = (0..width)
        .map(|c| Column { name: format!("s{c}"), values: rows.iter().map(|r| r.get(c).copied()).collect() });
    Table {
        labels: (0..rows.len()).map(|i| i.to_string()).collect(),
        clock: Clock::Numbers((0..rows.len()).map(real).collect()),
        columns: columns.collect(),
        left_out: Vec::new(),
    }
}

/// A record's number as it is told.
fn record(number: Option<usize>) -> String {
    number.map_or_else(|| "none".to_owned(), |number| number.to_string())
}
