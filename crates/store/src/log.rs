//! Logs: rows in the order of their positions, read a part at a time and past what cannot be read.
//!
//! Owns that a damaged row costs itself alone, and a damaged page of a table the rows on it. Refuses to guess what a row said.

use crate::damage::Place;
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

/// Where a log stands.
pub(crate) struct Log {
    /// The counter that gives its positions.
    pub(crate) counter: &'static str,
    /// Every `position` after `$1`, in order, `$2` at most.
    pub(crate) positions: &'static str,
    /// Rows with a `position` after `$1` and up to `$2`, in order, `$3` at most; what narrows them stands from `$4` on.
    pub(crate) rows: &'static str,
    pub(crate) place: fn(i64) -> Place,
}

impl Store {
    /// Rows of a log after a position.
    pub(crate) async fn log_part<T>(
        &self,
        log: &Log,
        after: i64,
        limit: usize,
        narrow: Vec<Value>,
        read: fn(&Row) -> Result<T>,
    ) -> Result<LogPart<T, i64>> {
        let rows = match self.log_rows(log, (after, i64::MAX), limit, narrow.clone()).await {
            Err(Error::Damaged { .. }) => return self.one_by_one(log, after, limit, narrow, read).await,
            rows => rows?,
        };
        let mut part = LogPart {
            items: Vec::with_capacity(rows.len()),
            to: after,
            full: rows.len() >= limit,
            left_out: 0,
        };
        for row in &rows {
            part.to = row.int("position")?;
            let item = self.shared.known.spare((log.place)(part.to), read(row).map(Some))?;
            part.left_out += u64::from(item.is_none());
            part.items.extend(item);
        }
        Ok(part)
    }

    /// The same where rows stand on a page that cannot be read.
    async fn one_by_one<T>(
        &self,
        log: &Log,
        after: i64,
        limit: usize,
        narrow: Vec<Value>,
        read: fn(&Row) -> Result<T>,
    ) -> Result<LogPart<T, i64>> {
        let positions = self.log_positions(log, after, limit).await?;
        let mut part = LogPart { items: Vec::new(), to: after, full: positions.len() >= limit, left_out: 0 };
        for position in positions {
            let found = self.log_rows(log, (position - 1, position), 1, narrow.clone()).await;
            // `None` for damage alone: a row that is not there, or not for who asks, is no item and none lost.
            let found = found.and_then(|rows| rows.first().map(read).transpose()).map(Some);
            match self.shared.known.spare((log.place)(position), found)? {
                Some(item) => part.items.extend(item),
                None => part.left_out += 1,
            }
            part.to = position;
        }
        Ok(part)
    }

    /// Reads the newest of a log, those of this many positions, and returns how many rows that were.
    pub(crate) async fn log_walked<T>(
        &self,
        log: &Log,
        most: u64,
        narrow: Vec<Value>,
        read: fn(&Row) -> Result<T>,
    ) -> Result<u64> {
        let (mut after, mut looked) = (self.log_end(log).await?.saturating_sub(int(most)).max(0), 0);
        loop {
            let part = self.log_part(log, after, MOST_PAGE, narrow.clone(), read).await?;
            looked += part.items.len() as u64 + part.left_out;
            if !part.full {
                return Ok(looked);
            }
            after = part.to;
        }
    }

    /// Position given last.
    async fn log_end(&self, log: &Log) -> Result<i64> {
        let rows = self.fetch("SELECT value FROM counter WHERE name = $1", values![log.counter]).await?;
        rows.first().map_or(Ok(0), |row| row.int("value"))
    }

    async fn log_rows(
        &self,
        log: &Log,
        (after, to): (i64, i64),
        limit: usize,
        narrow: Vec<Value>,
    ) -> Result<Vec<Row>> {
        let mut values = values![after, to, int(limit)];
        values.extend(narrow);
        self.fetch(log.rows, values).await
    }

    /// Positions after one, as they stand in the table; where that cannot be read, all that were given.
    async fn log_positions(&self, log: &Log, after: i64, limit: usize) -> Result<Vec<i64>> {
        match self.fetch(log.positions, values![after, int(limit)]).await {
            Ok(rows) => rows.iter().map(|row| row.int("position")).collect(),
            Err(Error::Damaged { .. }) => {
                let newest = self.log_end(log).await?;
                Ok((after + 1..=newest.min(after.saturating_add(int(limit)))).collect())
            }
            Err(other) => Err(other),
        }
    }
}
