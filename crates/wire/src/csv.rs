//! CSV exports, wide (a time column and a column a channel) and long (time, channel, value), to columns of numbers.
//!
//! Owns the guessing that is safe: the delimiter, whether a header is there, which columns are numeric. Refuses the guessing
//! that is not: numbers are never taken for seconds or milliseconds since an epoch, and day and month are never swapped.
//! Errors name line, column and reason.

mod cell;
mod time;

use std::collections::HashMap;
use std::io::Read;

use csv::{ReaderBuilder, StringRecord};

use cell::Cell;
pub use time::{Clock, Zone, ZoneError};

/// How a file is read. The default finds out as much as can be found out.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Between cells; found out when absent.
    pub delimiter: Option<u8>,
    /// Header of the time column. When absent: the first column whose header says time or date, or whose first cell is
    /// a date-time; else rows are numbered.
    pub time: Option<String>,
    /// Zone of date-times that carry no offset; UTC when absent.
    pub zone: Option<Zone>,
    /// Wide or long.
    pub layout: Layout,
    /// Channels to read, in this order; all numeric columns when absent.
    pub channels: Option<Vec<String>>,
}

/// How channels stand in a file.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Layout {
    /// A column a channel.
    #[default]
    Wide,
    /// A row a value.
    Long {
        /// Header of the column with the channel's name.
        channel: String,
        /// Header of the column with the value.
        value: String,
    },
}

/// A file read: rows by columns.
#[derive(Clone, PartialEq, Debug)]
pub struct Table {
    /// The time of each row as given; the row's number, from 0, when there is no time column.
    pub labels: Vec<String>,
    /// The times as numbers, one a row.
    pub clock: Clock,
    /// Channels, as many values each as there are rows; `None` where the cell is empty or says that nothing was measured.
    pub columns: Vec<Column>,
    /// Columns left out because a cell of theirs is no number: header and first such cell.
    pub left_out: Vec<(String, CsvError)>,
}

/// One channel of a file.
#[derive(Clone, PartialEq, Debug)]
pub struct Column {
    /// Header.
    pub name: String,
    /// One a row; finite.
    pub values: Vec<Option<f64>>,
}

/// Why a file cannot be read.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum CsvError {
    /// One cell is wrong.
    #[error("line {line}, column {column:?}: {reason}")]
    Cell {
        /// Line, from 1.
        line: u64,
        /// Header of the column.
        column: String,
        /// What is wrong and what would be right.
        reason: String,
    },
    /// A line is not CSV: its count of cells differs, or its bytes are not text.
    #[error("line {line}: {reason}")]
    Line {
        /// Line, from 1.
        line: u64,
        /// What is wrong.
        reason: String,
    },
    /// A column asked for is not there.
    #[error("no column {name:?}; there are: {there}")]
    NoColumn {
        /// The header asked for.
        name: String,
        /// The headers that are there.
        there: String,
    },
    /// Nothing to judge.
    #[error("{0}")]
    Empty(&'static str),
    /// The file cannot be read.
    #[error("cannot be read: {0}")]
    Io(String),
}

/// Reads a file. Errors name line, column and reason.
pub fn read(from: impl Read, options: &Options) -> Result<Table, CsvError> {
    let mut bytes = Vec::new();
    let mut from = from;
    from.read_to_end(&mut bytes).map_err(|e| CsvError::Io(e.to_string()))?;
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let delimiter = options.delimiter.unwrap_or_else(|| cell::delimiter_of(text));
    let mut sheet = Sheet::open(text, delimiter)?;
    let time = time_column(&sheet, options)?;
    match &options.layout {
        Layout::Wide => read_wide(&mut sheet, time, options),
        Layout::Long { channel, value } => {
            let (channel, value) = (sheet.position(channel)?, sheet.position(value)?);
            read_long(&mut sheet, time, channel, value, options)
        }
    }
}

/// A file being read: headers, and rows one after the other.
struct Sheet<'t> {
    reader: csv::Reader<&'t [u8]>,
    headers: Vec<String>,
    /// The first line, when it is data.
    first: Option<StringRecord>,
    decimal_comma: bool,
}

impl<'t> Sheet<'t> {
    fn open(text: &'t [u8], delimiter: u8) -> Result<Self, CsvError> {
        let mut reader = ReaderBuilder::new()
            .has_headers(false)
            .delimiter(delimiter)
            .trim(csv::Trim::All)
            .from_reader(text);
        let mut first = StringRecord::new();
        if !reader.read_record(&mut first).map_err(line_error)? {
            return Err(CsvError::Empty("the file is empty"));
        }
        let decimal_comma = delimiter == b';';
        let is_header = !cell::looks_like_data(&first, decimal_comma);
        let headers = if is_header {
            first.iter().map(str::to_owned).collect()
        } else {
            (1..=first.len()).map(|n| format!("column {n}")).collect()
        };
        Ok(Self { reader, headers, first: (!is_header).then_some(first), decimal_comma })
    }

    /// Position of a column by its header.
    fn position(&self, name: &str) -> Result<usize, CsvError> {
        self.headers
            .iter()
            .position(|header| header == name)
            .ok_or_else(|| CsvError::NoColumn { name: name.to_owned(), there: self.headers.join(", ") })
    }

    fn next(&mut self) -> Result<Option<StringRecord>, CsvError> {
        if let Some(first) = self.first.take() {
            return Ok(Some(first));
        }
        let mut row = StringRecord::new();
        Ok(self.reader.read_record(&mut row).map_err(line_error)?.then_some(row))
    }

    fn number(&self, row: &StringRecord, column: usize) -> Result<Option<f64>, CsvError> {
        match cell::read(row.get(column).unwrap_or_default(), self.decimal_comma) {
            Cell::Missing => Ok(None),
            Cell::Number(value) => Ok(Some(value)),
            Cell::Other(reason) => Err(self.wrong(row, column, reason)),
        }
    }

    fn wrong(&self, row: &StringRecord, column: usize, reason: String) -> CsvError {
        CsvError::Cell {
            line: row.position().map_or(0, csv::Position::line),
            column: self.headers.get(column).cloned().unwrap_or_default(),
            reason,
        }
    }
}

fn line_error(error: csv::Error) -> CsvError {
    let line = error.position().map_or(0, csv::Position::line);
    match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            CsvError::Line { line, reason: format!("{len} cells, the first line has {expected_len}") }
        }
        csv::ErrorKind::Utf8 { .. } => CsvError::Line { line, reason: "not UTF-8".to_owned() },
        _ => CsvError::Io(error.to_string()),
    }
}

fn time_column(sheet: &Sheet<'_>, options: &Options) -> Result<Option<usize>, CsvError> {
    if let Some(name) = &options.time {
        return sheet.position(name).map(Some);
    }
    if let Some(first) = &sheet.first {
        return Ok(first.iter().position(time::is_date_time));
    }
    Ok(sheet.headers.iter().position(|header| time::is_time_header(header)))
}

/// Rows' times while a file is read.
struct Times<'o> {
    column: Option<usize>,
    labels: Vec<String>,
    parser: time::Parser<'o>,
}

impl<'o> Times<'o> {
    fn new(column: Option<usize>, options: &'o Options) -> Self {
        Self { column, labels: Vec::new(), parser: time::Parser::new(options.zone.as_ref()) }
    }

    fn push(&mut self, sheet: &Sheet<'_>, row: &StringRecord) -> Result<(), CsvError> {
        let label = match self.column {
            None => self.labels.len().to_string(),
            Some(column) => row.get(column).unwrap_or_default().to_owned(),
        };
        self.parser
            .push(&label)
            .map_err(|reason| sheet.wrong(row, self.column.unwrap_or_default(), reason))?;
        self.labels.push(label);
        Ok(())
    }

    fn finish(self, columns: Vec<Column>, left_out: Vec<(String, CsvError)>) -> Result<Table, CsvError> {
        if self.labels.is_empty() {
            return Err(CsvError::Empty("the file has no rows"));
        }
        if columns.is_empty() {
            return Err(CsvError::Empty("no column holds numbers"));
        }
        Ok(Table { labels: self.labels, clock: self.parser.finish(), columns, left_out })
    }
}

fn read_wide(sheet: &mut Sheet<'_>, time: Option<usize>, options: &Options) -> Result<Table, CsvError> {
    let wanted: Vec<usize> = match &options.channels {
        Some(names) => names.iter().map(|name| sheet.position(name)).collect::<Result<_, _>>()?,
        None => (0..sheet.headers.len()).filter(|column| Some(*column) != time).collect(),
    };
    let mut times = Times::new(time, options);
    let mut columns: Vec<(usize, Result<Column, CsvError>)> = wanted
        .into_iter()
        .map(|at| {
            (at, Ok(Column { name: sheet.headers.get(at).cloned().unwrap_or_default(), values: Vec::new() }))
        })
        .collect();
    while let Some(row) = sheet.next()? {
        times.push(sheet, &row)?;
        for (at, column) in &mut columns {
            let Ok(open) = column else { continue };
            match sheet.number(&row, *at) {
                Ok(value) => open.values.push(value),
                Err(error) if options.channels.is_some() => return Err(error),
                Err(error) => *column = Err(error),
            }
        }
    }
    let mut left_out = Vec::new();
    let mut kept = Vec::new();
    for (at, column) in columns {
        match column {
            // A column in which nothing was ever measured is no channel, unless it was asked for.
            Ok(column) if options.channels.is_some() || column.values.iter().any(Option::is_some) => {
                kept.push(column);
            }
            Ok(_) => {}
            Err(error) => left_out.push((sheet.headers.get(at).cloned().unwrap_or_default(), error)),
        }
    }
    times.finish(kept, left_out)
}

fn read_long(
    sheet: &mut Sheet<'_>,
    time: Option<usize>,
    channel: usize,
    value: usize,
    options: &Options,
) -> Result<Table, CsvError> {
    let Some(time) = time else { return Err(CsvError::Empty("a long file needs a time column: name it")) };
    let mut pivot = Pivot::default();
    let mut times = Times::new(Some(time), options);
    while let Some(row) = sheet.next()? {
        let name = row.get(channel).unwrap_or_default();
        if options.channels.as_ref().is_some_and(|wanted| !wanted.iter().any(|w| w == name)) {
            continue;
        }
        let number = sheet.number(&row, value)?;
        if pivot.put(row.get(time).unwrap_or_default(), name, number) {
            times.push(sheet, &row)?;
        }
    }
    if let Some(name) = options.channels.iter().flatten().find(|name| !pivot.names.contains_key(*name)) {
        let there = pivot.columns.iter().map(|c| c.name.as_str()).collect::<Vec<_>>().join(", ");
        return Err(CsvError::NoColumn { name: name.clone(), there });
    }
    let mut columns = pivot.finish(times.labels.len());
    if let Some(wanted) = &options.channels {
        columns.sort_by_key(|column| wanted.iter().position(|name| *name == column.name));
    }
    times.finish(columns, Vec::new())
}

/// A long file turned wide: a row for each time, and another one when a channel gives two values for a time.
#[derive(Default)]
struct Pivot {
    names: HashMap<String, usize>,
    columns: Vec<Column>,
    rows: HashMap<String, usize>,
    count: usize,
}

impl Pivot {
    /// Puts a value. Returns whether it began a row.
    fn put(&mut self, time: &str, name: &str, value: Option<f64>) -> bool {
        let at = *self.names.entry(name.to_owned()).or_insert_with(|| {
            self.columns.push(Column { name: name.to_owned(), values: Vec::new() });
            self.columns.len() - 1
        });
        let Some(column) = self.columns.get_mut(at) else { return false };
        let known = self.rows.get(time).copied();
        let free = known.filter(|row| column.values.get(*row).is_none_or(Option::is_none));
        let row = free.unwrap_or(self.count);
        if column.values.len() <= row {
            column.values.resize(row + 1, None);
        }
        if let Some(slot) = column.values.get_mut(row) {
            *slot = value;
        }
        if free.is_none() {
            self.count += 1;
            self.rows.insert(time.to_owned(), row);
        }
        free.is_none()
    }

    fn finish(mut self, rows: usize) -> Vec<Column> {
        for column in &mut self.columns {
            column.values.resize(rows, None);
        }
        self.columns
    }
}

#[cfg(test)]
mod tests;
