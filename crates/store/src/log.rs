//! Logs: rows in the order of their positions, read a part at a time and past what cannot be read.
//!
//! Owns that a damaged row costs itself alone, also where it cannot be read from its page: a statement that fails on it is put
//! again for each half of what it was to read. Refuses to guess what a row said.

use crate::damage::{Known, Place};
use crate::db::{Row, Value, values};
use crate::{Error, MOST_PAGE, Result, Store, int};

/// A part of a log.
#[derive(Debug, Clone, PartialEq)]
pub struct LogPart<T, P> {
    /// What could be read, in order.
    pub items: Vec<T>,
    /// Position read to: the one asked from when nothing is after it.
    pub to: P,
    /// There may be more: as many rows as asked for were there.
    pub full: bool,
    /// Rows on the way that could not be read. They are noted as damage.
    pub left_out: u64,
}

impl<T, P> LogPart<T, P> {
    pub(crate) fn at<Q>(self, position: impl FnOnce(P) -> Q) -> LogPart<T, Q> {
        let Self { items, to, full, left_out } = self;
        LogPart { items, to: position(to), full, left_out }
    }
}

/// A log: where it stands, and what its rows are.
pub(crate) struct Log<T> {
    /// The counter that gives its positions.
    pub(crate) counter: &'static str,
    /// Rows with a `position` after `$1` and up to `$2`, in order, `$3` at most; what narrows them stands from `$4` on.
    pub(crate) rows: &'static str,
    pub(crate) place: fn(i64) -> Place,
    pub(crate) read: fn(&Known, &Row) -> Result<T>,
}

/// A row with its position, or why it cannot be read.
type Found = (i64, Result<Row>);

impl Store {
    /// What a log says after a position.
    pub(crate) async fn log_part<T>(
        &self,
        log: &Log<T>,
        after: i64,
        limit: usize,
        narrow: Vec<Value>,
    ) -> Result<LogPart<T, i64>> {
        let found = self.log_rows(log, after, limit, narrow).await?;
        let mut part = LogPart {
            items: Vec::with_capacity(found.len()),
            to: after,
            full: found.len() >= limit,
            left_out: 0,
        };
        let known = &self.shared.known;
        for (position, row) in found {
            let read = row.and_then(|row| (log.read)(known, &row)).map(Some);
            let item = known.spare((log.place)(position), read)?;
            part.left_out += u64::from(item.is_none());
            part.items.extend(item);
            part.to = position;
        }
        Ok(part)
    }

    /// Reads the newest of a log, those of this many positions, and returns how many rows that were.
    pub(crate) async fn log_walked<T>(&self, log: &Log<T>, most: u64, narrow: Vec<Value>) -> Result<u64> {
        let (mut after, mut looked) = (self.log_end(log).await?.saturating_sub(int(most)).max(0), 0);
        loop {
            let part = self.log_part(log, after, MOST_PAGE, narrow.clone()).await?;
            looked += part.items.len() as u64 + part.left_out;
            if !part.full {
                return Ok(looked);
            }
            after = part.to;
        }
    }

    /// Position given last.
    pub(crate) async fn log_end<T>(&self, log: &Log<T>) -> Result<i64> {
        let rows = self.fetch("SELECT value FROM counter WHERE name = $1", values![log.counter]).await?;
        rows.first().map_or(Ok(0), |row| row.int("value"))
    }

    /// Rows of a log after a position, in order.
    async fn log_rows<T>(
        &self,
        log: &Log<T>,
        after: i64,
        limit: usize,
        narrow: Vec<Value>,
    ) -> Result<Vec<Found>> {
        let mut found: Vec<Found> = Vec::new();
        let mut ranges = vec![(after, i64::MAX)];
        while let Some((after, to)) = ranges.pop().filter(|_| found.len() < limit) {
            let mut values = values![after, to, int(limit - found.len())];
            values.extend(narrow.iter().cloned());
            match self.fetch(log.rows, values).await {
                Ok(rows) => {
                    for row in rows {
                        found.push((row.int("position")?, Ok(row)));
                    }
                }
                Err(Error::Damaged { .. }) if to == i64::MAX => {
                    ranges.push((after, self.log_end(log).await?));
                }
                Err(Error::Damaged { .. }) if to - after > 1 => {
                    let middle = after + (to - after) / 2;
                    ranges.extend([(middle, to), (after, middle)]);
                }
                Err(damaged @ Error::Damaged { .. }) if to > after => found.push((to, Err(damaged))),
                Err(Error::Damaged { .. }) => {}
                Err(other) => return Err(other),
            }
        }
        Ok(found)
    }
}
