//! One file through the chain, as `notchwatch examine` puts it: every score of every row.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use notchwatch_detect::Settings;
use notchwatch_detect::examine::{Examiner, numbered};
use notchwatch_model::{Row, Time};
use notchwatch_wire::csv::{self, Clock, Options, Table};

/// Scores of a file: of each channel and of all together, a row each.
pub(crate) struct Scored {
    pub(crate) channels: Vec<Vec<f64>>,
    pub(crate) all: Vec<f64>,
}

pub(crate) fn fail(what: impl std::fmt::Display) -> io::Error {
    io::Error::other(what.to_string())
}

/// A file in `folder`, its text.
pub(crate) fn text(path: &Path) -> io::Result<String> {
    std::fs::read_to_string(path).map_err(|e| fail(format_args!("{}: {e}", path.display())))
}

pub(crate) fn table(path: &Path, channels: Option<Vec<String>>) -> io::Result<Table> {
    let file = File::open(path).map_err(|e| fail(format_args!("{}: {e}", path.display())))?;
    let options = Options { channels, ..Options::default() };
    csv::read(file, &options).map_err(|e| fail(format_args!("{}: {e}", path.display())))
}

/// Files of a folder with this ending, sorted by name.
pub(crate) fn files(folder: &Path, ending: &str) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|e| e == ending) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

/// The column's values.
pub(crate) fn column<'t>(table: &'t Table, name: &str) -> io::Result<&'t [Option<f64>]> {
    let found = table.columns.iter().find(|c| c.name == name);
    found.map(|c| c.values.as_slice()).ok_or_else(|| fail(format_args!("no column {name}")))
}

/// The chain over a table, but for the columns named (labels).
pub(crate) fn scores(table: &Table, without: &[&str]) -> io::Result<Scored> {
    let judged: Vec<_> = table.columns.iter().filter(|c| !without.contains(&c.name.as_str())).collect();
    let headers: Vec<&str> = judged.iter().map(|c| c.name.as_str()).collect();
    let mut examiner = Examiner::generic(&headers, &Settings::default()).map_err(fail)?;
    let mut scored = Scored { channels: vec![Vec::new(); headers.len()], all: Vec::new() };
    for i in 0..table.labels.len() {
        let values = judged.iter().map(|c| c.values.get(i).copied().flatten()).collect();
        let given = examiner.row(&Row { time: time(&table.clock, i), values });
        for (all, score) in scored.channels.iter_mut().zip(given.scores) {
            all.push(score);
        }
        scored.all.push(given.all);
    }
    Ok(scored)
}

fn time(clock: &Clock, row: usize) -> Time {
    match clock {
        Clock::Instants { times, .. } => times.get(row).copied().unwrap_or(Time::EPOCH),
        Clock::Numbers(_) => numbered(row),
    }
}

/// The chain's own alarm line.
pub(crate) const ALARM: f64 = 0.5;

/// Whether a score is an alarm.
pub(crate) fn alarm(score: f64) -> bool {
    score >= ALARM
}
