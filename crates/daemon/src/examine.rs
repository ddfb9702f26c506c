//! `notchwatch examine`: a history in a CSV file, judged by the chain that judges units.
//!
//! Owns how rows get times, and what is printed. Exit 0 when the file was read, whatever was found; 2 with line,
//! column and reason when it was not.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};
use notchwatch_detect::Settings;
use notchwatch_detect::examine::{self, Examiner};
use notchwatch_model::{Change, Class, Register, Row, Symptom, Time};
use notchwatch_wire::csv::{self, Clock, CsvError, Options, Table};

use crate::{complain, say};

/// `notchwatch examine FILE.csv`
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The file: a header, a row a time, a column a channel.
    file: PathBuf,
    /// Column with the time; without it, one that looks like it, else rows are numbered.
    #[arg(long)]
    time: Option<String>,
    /// IANA time zone of date-times that carry no offset; without it, UTC.
    #[arg(long)]
    zone: Option<csv::Zone>,
    /// Columns to judge, separated by commas; without it, all numeric ones.
    #[arg(long, value_delimiter = ',')]
    channels: Option<Vec<String>>,
    /// Between cells: one character, or `tab`; found out without it.
    #[arg(long, value_parser = delimiter)]
    delimiter: Option<u8>,
    /// Register file with a class whose channels these are.
    #[arg(long)]
    class: Option<PathBuf>,
    /// Write time, channel and score of every row and channel to this file.
    #[arg(long)]
    scores: Option<PathBuf>,
    /// Write time, channel and the probability that the channel is not what it was, of every row and channel, to this
    /// file; `*` is any channel.
    #[arg(long)]
    probabilities: Option<PathBuf>,
    /// Tell, with hindsight, at which rows each channel changed, and nothing else.
    #[arg(long)]
    segment: bool,
}

/// Runs the command.
pub(crate) fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let table = match read(arguments) {
        Ok(table) => table,
        Err(error) => {
            complain(&format!("{}: {error}", arguments.file.display()))?;
            return Ok(ExitCode::from(2));
        }
    };
    for (column, why) in &table.left_out {
        complain(&format!("column {column:?} left out: {why}"))?;
    }
    if arguments.segment {
        segment(&table)?;
    } else {
        judge(arguments, &table)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        [byte] => Ok(*byte),
        b"tab" | b"\\t" => Ok(b'\t'),
        _ => Err("a delimiter is one character, or tab".to_owned()),
    }
}

fn read(arguments: &Arguments) -> Result<Table, CsvError> {
    let file = File::open(&arguments.file).map_err(|e| CsvError::Io(e.to_string()))?;
    let options = Options {
        delimiter: arguments.delimiter,
        time: arguments.time.clone(),
        zone: arguments.zone.clone(),
        channels: arguments.channels.clone(),
        ..Options::default()
    };
    csv::read(file, &options)
}

fn segment(table: &Table) -> anyhow::Result<()> {
    for column in &table.columns {
        let change_points = notchwatch_detect::segment(&column.values);
        say(&serde_json::json!({"channel": column.name, "change_points": change_points}).to_string())?;
    }
    Ok(())
}

fn judge(arguments: &Arguments, table: &Table) -> anyhow::Result<()> {
    let headers: Vec<&str> = table.columns.iter().map(|c| c.name.as_str()).collect();
    let settings = Settings::default();
    let mut examiner = match &arguments.class {
        Some(path) => Examiner::new(&narrowed(&class(path)?, &headers)?, &settings),
        None => Examiner::generic(&headers, &settings)?,
    };
    let mut scores = arguments.scores.as_deref().map(|p| Figures::create(p, "score")).transpose()?;
    let mut chances =
        arguments.probabilities.as_deref().map(|p| Figures::create(p, "probability")).transpose()?;
    let mut symptoms: BTreeMap<String, (Symptom, Option<Time>)> = BTreeMap::new();
    let mut last = None;
    for (i, label) in table.labels.iter().enumerate() {
        let row = Row {
            time: time_of(&table.clock, i),
            values: table.columns.iter().map(|c| value(c, i)).collect(),
        };
        let outcome = examiner.row(&row);
        for change in outcome.changes {
            let cleared = (change.change == Change::Cleared).then_some(change.at);
            let id = change.symptom.id();
            let key = format!("{} {} {}", id.detected, id.channel, id.kind.word());
            symptoms.insert(key, (change.symptom, cleared));
        }
        if let Some(scores) = &mut scores {
            scores.row(label, &headers, &outcome.scores, outcome.all)?;
        }
        if let Some(chances) = &mut chances {
            chances.row(label, &headers, &outcome.probabilities, outcome.probability)?;
        }
        last = Some(row.time);
    }
    for file in scores.into_iter().chain(chances) {
        file.finish()?;
    }
    for (symptom, cleared) in symptoms.into_values() {
        say(&line(table, &symptom, cleared)?)?;
    }
    for (channel, progress) in examiner.learning() {
        complain(&format!(
            "{channel} still learns ({:.0} %) at {}",
            progress * 100.0,
            last.unwrap_or(Time::EPOCH)
        ))?;
    }
    Ok(())
}

/// A symptom as one line of JSON; times of a file without times are the rows' numbers as given.
fn line(table: &Table, symptom: &Symptom, cleared: Option<Time>) -> anyhow::Result<String> {
    let mut value = serde_json::to_value(symptom)?;
    let tell = |time: Time| match &table.clock {
        Clock::Instants { .. } => serde_json::json!(time),
        Clock::Numbers(_) => serde_json::json!(label_of(table, time)),
    };
    if let Some(fields) = value.as_object_mut() {
        fields.insert("onset".to_owned(), tell(symptom.onset));
        fields.insert("detected".to_owned(), tell(symptom.detected));
        fields.insert("cleared".to_owned(), cleared.map_or(serde_json::Value::Null, tell));
    }
    Ok(value.to_string())
}

fn value(column: &csv::Column, row: usize) -> Option<f64> {
    column.values.get(row).copied().flatten()
}

fn time_of(clock: &Clock, row: usize) -> Time {
    match clock {
        Clock::Instants { times, .. } => times.get(row).copied().unwrap_or(Time::EPOCH),
        Clock::Numbers(_) => examine::numbered(row),
    }
}

/// The label of the row that a time of a file without times stands for.
fn label_of(table: &Table, time: Time) -> &str {
    table.labels.get(examine::row_of(time)).or(table.labels.last()).map_or("", String::as_str)
}

fn class(path: &Path) -> anyhow::Result<Class> {
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    let register: Register = toml::from_str(&text).with_context(|| path.display().to_string())?;
    let mut classes = register.classes.into_iter();
    match (classes.next(), classes.next()) {
        (Some(class), None) => Ok(class),
        _ => bail!("{}: exactly one class is needed", path.display()),
    }
}

/// The class with the file's columns as its channels, in the file's order.
fn narrowed(class: &Class, headers: &[&str]) -> anyhow::Result<Class> {
    let channels = headers.iter().map(|header| {
        let found = class.channels.iter().find(|c| c.name.as_str() == *header).cloned();
        found.with_context(|| format!("class {} has no channel {header:?}; choose with --channels", class.id))
    });
    let mut narrowed = Class { channels: channels.collect::<anyhow::Result<_>>()?, ..class.clone() };
    let known: Vec<_> = narrowed.channels.iter().map(|c| c.name.clone()).collect();
    for channel in &mut narrowed.channels {
        channel.covariates.retain(|name| known.contains(name));
        channel.tied.retain(|tie| known.contains(&tie.to));
    }
    let operation = &mut narrowed.operation;
    let named = [
        &mut operation.notch,
        &mut operation.dynamic_brake,
        &mut operation.engine_running,
        &mut operation.warm_channel,
    ];
    for name in named {
        if name.as_ref().is_some_and(|n| !known.contains(n)) {
            *name = None;
        }
    }
    Ok(narrowed)
}

/// A file with a figure of every row and channel: header `time,channel` and the figure's name.
struct Figures(BufWriter<File>);

impl Figures {
    fn create(path: &Path, name: &str) -> anyhow::Result<Self> {
        let mut out = BufWriter::new(File::create(path).with_context(|| path.display().to_string())?);
        writeln!(out, "time,channel,{name}")?;
        Ok(Self(out))
    }

    fn row(&mut self, label: &str, headers: &[&str], figures: &[f64], all: f64) -> anyhow::Result<()> {
        let label = cell(label);
        for (header, figure) in headers.iter().zip(figures) {
            writeln!(self.0, "{label},{},{figure}", cell(header))?;
        }
        Ok(writeln!(self.0, "{label},*,{all}")?)
    }

    fn finish(mut self) -> anyhow::Result<()> {
        Ok(self.0.flush()?)
    }
}

/// A cell, quoted where RFC 4180 asks for it.
fn cell(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
