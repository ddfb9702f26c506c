//! Parts of the tables that grow with time, on `PostgreSQL`: made ahead of need, dropped whole.
//!
//! Owns where parts begin and end. The journal's are ranges of positions, about a day each; the blocks' and rollups'
//! are 28 UTC days. Refuses to let a sender's clock ask for a part: positions are ours, and only days that are closed
//! by our clock are sealed. A row that finds no part fails its transaction with [`Error::NoPart`]; the part is made and
//! the transaction tried again, so that none is ever lost and there is no catch-all that could not be cut up later.

mod drop;

use notchwatch_model::{Span, Time};

use crate::db::{Db, Tx, postgres, values};
use crate::{Error, Result, Store};

/// Positions of the smallest part of the journal: a small fleet's week.
const LEAST: i64 = 100_000;
/// Positions of the largest: two days of 20,000 units at ten times their usual rate of a message a minute.
const MOST: i64 = 600_000_000;
/// UTC days of a part of blocks and rollups. Migration 2 has the same number.
const DAYS: i64 = 28;
/// How long a maker of parts waits for a lock: what holds it is short, and the next round tries again.
const LOCKS: &str = "SET LOCAL lock_timeout = '5s'";
/// Held while parts are made, so that two processes do not make the same.
const MAKER: &str = "SELECT pg_advisory_xact_lock(5714067022)";

/// One part of a table: `from <= key < to`. The first has no begin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    name: String,
    from: Option<i64>,
    to: i64,
}

/// The tables by day.
const BY_DAY: [&str; 2] = ["block", "rollup"];

impl Store {
    /// Makes parts ahead of need: for the journal at least one that is wholly free, for blocks and rollups up to
    /// two days after `now`. Without a time, only the journal's, from what is known of their size.
    pub(crate) async fn make_ahead(&self, now: Option<Time>) -> Result<()> {
        let Db::Postgres(_) = &self.shared.db else { return Ok(()) };
        let per_day = match now {
            Some(now) => self.positions_per_day(now).await?,
            None => None,
        };
        self.make_journal(0, |last| per_day.unwrap_or(last)).await?;
        if let Some(now) = now {
            self.make_days(&[now.day(), now.day() + 2]).await?;
        }
        Ok(())
    }

    /// Makes parts of the journal for so many more rows, each twice as large as the one before: the stream is faster
    /// than expected.
    pub(crate) async fn make_journal_now(&self, rows: usize) -> Result<()> {
        tracing::info!(rows, "the journal's parts are used up: making more");
        self.make_journal(crate::int(rows), |last| last.saturating_mul(2)).await
    }

    async fn make_journal(&self, rows: i64, size: impl Fn(i64) -> i64) -> Result<()> {
        let end = self.journal_end().await?.0.saturating_add(rows);
        let known = self.parts("journal").await?;
        if ahead(&known, end).is_none() {
            return Ok(());
        }
        let mut tx = self.maker().await?;
        let mut known = parts_in(&mut tx, "journal").await?;
        while let Some((from, last)) = ahead(&known, end) {
            let to = from + size(last).clamp(LEAST, MOST);
            known.push(make(&mut tx, "journal", from, to).await?);
        }
        tx.commit().await
    }

    /// Makes the parts of blocks and rollups that hold the days.
    pub(crate) async fn make_days(&self, days: &[i64]) -> Result<()> {
        let Db::Postgres(_) = &self.shared.db else { return Ok(()) };
        for table in BY_DAY {
            let known = self.parts(table).await?;
            if days.iter().all(|day| missing(&known, *day).is_none()) {
                continue;
            }
            let mut tx = self.maker().await?;
            let mut known = parts_in(&mut tx, table).await?;
            for day in days {
                if let Some((from, to)) = missing(&known, *day) {
                    known.push(make(&mut tx, table, from, to).await?);
                }
            }
            tx.commit().await?;
        }
        Ok(())
    }

    /// A transaction in which nobody else makes parts.
    async fn maker(&self) -> Result<Tx> {
        let mut tx = self.shared.db.write().await?;
        tx.script(LOCKS).await?;
        tx.fetch(MAKER, values![]).await?;
        Ok(tx)
    }

    async fn parts(&self, table: &'static str) -> Result<Vec<Part>> {
        let mut tx = self.shared.db.look().await?;
        let parts = parts_in(&mut tx, table).await?;
        tx.end().await?;
        Ok(parts)
    }

    /// How fast the journal grows, from the first row of its present part; `None` in that part's first hour.
    async fn positions_per_day(&self, now: Time) -> Result<Option<i64>> {
        let end = self.journal_end().await?.0;
        let parts = self.parts("journal").await?;
        let Some(part) = parts.iter().rev().find(|part| part.from.is_some_and(|from| from <= end)) else {
            return Ok(None);
        };
        let sql = "SELECT seq, received FROM journal WHERE seq >= $1 ORDER BY seq LIMIT 1";
        let rows = self.shared.db.fetch_for_work(sql, values![part.from]).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        Ok(per_day(end - row.int("seq")?, now - row.time("received")?))
    }
}

/// Positions a day from positions in a time, when that is long enough to tell.
fn per_day(positions: i64, within: Span) -> Option<i64> {
    let day = i128::from(Span::from_days(1).micros());
    let within = i128::from(within.micros());
    (within >= i128::from(Span::from_hours(1).micros()))
        .then(|| i64::try_from(i128::from(positions) * day / within).unwrap_or(MOST))
}

/// Where the next part of the journal begins, and how long the last one is; `None` while a whole part is free.
fn ahead(parts: &[Part], end: i64) -> Option<(i64, i64)> {
    let last = parts.last();
    let from = last.map_or(0, |part| part.to);
    let length = last.and_then(|part| Some(part.to - part.from?)).unwrap_or(LEAST);
    let free = parts.iter().any(|part| part.from.is_some_and(|from| from > end));
    (!free).then_some((from, length))
}

/// The range of days that no part has, when the day is in none.
fn missing(parts: &[Part], day: i64) -> Option<(i64, i64)> {
    let held = parts.iter().any(|part| part.from.is_none_or(|from| from <= day) && day < part.to);
    let from = day.div_euclid(DAYS) * DAYS;
    (!held).then_some((from, from + DAYS))
}

/// Beside the table and then into it: only that takes a lock, and one that writers do not wait for.
async fn make(tx: &mut Tx, table: &'static str, from: i64, to: i64) -> Result<Part> {
    let Tx::Postgres(inner, _) = tx else { return Err(Error::Refused("SQLite has no parts".into())) };
    let name = format!("{table}_from_{}", from.to_string().replace('-', "minus_"));
    let sql = format!(
        "CREATE TABLE {name} (LIKE {table} INCLUDING ALL); \
         ALTER TABLE {table} ATTACH PARTITION {name} FOR VALUES FROM ({from}) TO ({to})"
    );
    postgres::run(inner, sql).await?;
    Ok(Part { name, from: Some(from), to })
}

/// Parts of a table in order, without those that are on their way out.
async fn parts_in(tx: &mut Tx, table: &'static str) -> Result<Vec<Part>> {
    let sql = "SELECT CAST(c.relname AS TEXT) AS name, pg_get_expr(c.relpartbound, c.oid) AS bound \
               FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid \
               WHERE i.inhparent = to_regclass($1) AND NOT i.inhdetachpending";
    let rows = tx.fetch(sql, values![table]).await?;
    let mut parts =
        rows.iter().map(|row| part(row.text("name")?, &row.text("bound")?)).collect::<Result<Vec<_>>>()?;
    parts.sort_by_key(|part| part.to);
    Ok(parts)
}

/// A part from the engine's words: `FOR VALUES FROM (MINVALUE) TO ('100')`.
fn part(name: String, bound: &str) -> Result<Part> {
    let damaged = || Error::Damaged { place: format!("table {name}"), what: format!("bounds {bound:?}") };
    let inner = bound.strip_prefix("FOR VALUES FROM (").and_then(|rest| rest.strip_suffix(')'));
    let (from, to) = inner.and_then(|rest| rest.split_once(") TO (")).ok_or_else(damaged)?;
    let number = |text: &str| text.trim_matches('\'').parse::<i64>().map_err(|_| damaged());
    let from = if from == "MINVALUE" { None } else { Some(number(from)?) };
    Ok(Part { from, to: number(to)?, name: name.clone() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(from: Option<i64>, to: i64) -> Part {
        Part { name: String::new(), from, to }
    }

    #[test]
    fn bounds_are_read_as_the_engine_writes_them() {
        let read = |bound: &str| part("p".into(), bound).map(|p| (p.from, p.to)).ok();
        assert_eq!(read("FOR VALUES FROM (MINVALUE) TO ('100')"), Some((None, 100)));
        assert_eq!(read("FOR VALUES FROM ('-28') TO ('0')"), Some((Some(-28), 0)));
        assert_eq!(read("DEFAULT"), None);
    }

    #[test]
    fn a_whole_part_is_always_free_and_parts_meet() {
        let mut parts = vec![of(None, 1)];
        for end in [0_i64, 50_000, 100_000, 100_001, 1_000_000] {
            while let Some((from, last)) = ahead(&parts, end) {
                assert_eq!(parts.last().map(|p| p.to), Some(from));
                parts.push(of(Some(from), from + last.clamp(LEAST, MOST)));
            }
            assert!(parts.iter().any(|p| p.from.is_some_and(|from| from > end)), "{end}");
        }
    }

    #[test]
    fn days_are_in_one_part_each() {
        let mut parts = vec![of(None, 28 * 3)];
        for day in [-5, 0, 83, 84, 111, 112, 20_000, 20_001] {
            if let Some((from, to)) = missing(&parts, day) {
                assert!(from <= day && day < to && to - from == DAYS);
                assert!(parts.iter().all(|p| p.to <= from || p.from.is_some_and(|f| f >= to)), "{day}");
                parts.push(of(Some(from), to));
            }
            assert_eq!(missing(&parts, day), None);
        }
        assert_eq!(parts.len(), 4, "the base, two beside it, one far off");
    }

    #[test]
    fn the_rate_is_told_after_an_hour() {
        assert_eq!(per_day(1000, Span::from_mins(59)), None);
        assert_eq!(per_day(1000, Span::from_hours(12)), Some(2000));
        assert_eq!(per_day(i64::MAX, Span::from_hours(1)), Some(MOST));
    }
}
