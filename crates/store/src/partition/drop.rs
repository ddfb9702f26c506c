//! Dropping parts that retention is done with.
//!
//! Owns the way out: taken from the table while readers and writers go on, then dropped. What a stop leaves half way is
//! finished at the next round. Refuses to judge by a part's name: what is in it decides.

use notchwatch_model::{Seq, Span, Time};

use super::Part;
use crate::db::{Db, postgres, values};
use crate::{Result, Store};

/// Rows at the end of a part by which its age is told: rows stand nearly in order of receipt.
const TAIL: i64 = 10_000;
/// A part filled within this time waits until it can be dropped whole; rows of a slower one go one by one.
const QUICK: Span = Span::from_days(2);

/// What housekeeping does with a part of the journal.
#[derive(Debug, PartialEq, Eq)]
enum Verdict {
    /// Everything in it is sealed, judged and old.
    Drop,
    /// It will be dropped whole soon.
    Wait,
    /// Old rows of it go one by one.
    Rows,
}

impl Store {
    /// Drops parts of the journal whose rows are all sealed, judged and received before a time. Returns how many
    /// positions they held, and the ranges (after, up to) in which old rows have to go one by one.
    pub(crate) async fn drop_journal_parts(&self, before: Time) -> Result<(u64, Vec<(i64, i64)>)> {
        let evaluated = self.evaluated().await?;
        let Db::Postgres(pools) = &self.shared.db else { return Ok((0, vec![(0, evaluated.0)])) };
        finish(pools, "journal").await?;
        let end = self.journal_end().await?;
        let (mut dropped, mut rows) = (0, Vec::new());
        for part in self.parts("journal").await? {
            if part.from.is_some_and(|from| from > end.0) {
                break;
            }
            match self.judge(&part, before, evaluated.min(end)).await? {
                Verdict::Drop => {
                    let (first, last) = self.ends(&part).await?;
                    take_out(pools, "journal", &part).await?;
                    dropped += first.zip(last).map_or(0, |(first, last)| last.abs_diff(first) + 1);
                }
                Verdict::Wait => {}
                Verdict::Rows => {
                    rows.push((part.from.map_or(0, |from| from - 1), evaluated.0.min(part.to - 1)));
                }
            }
        }
        Ok((dropped, rows))
    }

    /// Drops parts of blocks or rollups (28 UTC days each) all of whose days are before a day, counted since 1970,
    /// without a lock that readers or writers wait for. Days before it in a part that reaches it stay until the rest
    /// is old too. A part with days that somebody needs stays: returns the days (from, to) of those.
    pub(crate) async fn drop_day_parts(
        &self,
        table: &'static str,
        before: i64,
        needed: Option<i64>,
    ) -> Result<Vec<(i64, i64)>> {
        let Db::Postgres(pools) = &self.shared.db else { return Ok(Vec::new()) };
        finish(pools, table).await?;
        let mut rest = Vec::new();
        for part in self.parts(table).await?.iter().filter(|part| part.to <= before) {
            if needed.is_none_or(|first| first >= part.to) {
                take_out(pools, table, part).await?;
            } else if let Some(from) = part.from.map_or(self.first_day(table).await?, Some) {
                rest.push((from, part.to));
            }
        }
        Ok(rest)
    }

    async fn first_day(&self, table: &'static str) -> Result<Option<i64>> {
        let sql = if table == "block" {
            "SELECT MIN(day) AS first FROM block"
        } else {
            "SELECT MIN(day) AS first FROM rollup"
        };
        let rows = self.shared.db.fetch_for_work(sql, values![]).await?;
        rows.first().map_or(Ok(None), |row| row.maybe_int("first"))
    }

    async fn judge(&self, part: &Part, before: Time, judged: Seq) -> Result<Verdict> {
        if part.to > judged.0 + 1 {
            return Ok(Verdict::Rows);
        }
        let (from, to) = (part.from.unwrap_or(i64::MIN), part.to);
        let sql =
            "SELECT 1 AS one FROM journal WHERE open_day IS NOT NULL AND seq >= $1 AND seq < $2 LIMIT 1";
        let open = !self.shared.db.fetch_for_work(sql, values![from, to]).await?.is_empty();
        let sql = "SELECT MIN(received) AS oldest, MAX(received) AS newest FROM \
                   ((SELECT received FROM journal WHERE seq >= $1 AND seq < $2 ORDER BY seq DESC LIMIT $3) UNION ALL \
                   (SELECT received FROM journal WHERE seq >= $1 AND seq < $2 ORDER BY seq LIMIT 1)) AS ends";
        let rows = self.shared.db.fetch_for_work(sql, values![from, to, TAIL]).await?;
        let Some(row) = rows.first() else { return Ok(Verdict::Rows) };
        Ok(verdict(open, row.maybe_time("oldest")?.zip(row.maybe_time("newest")?), before))
    }

    /// First and last position in a part.
    async fn ends(&self, part: &Part) -> Result<(Option<i64>, Option<i64>)> {
        let sql = "SELECT MIN(seq) AS first, MAX(seq) AS last FROM journal WHERE seq >= $1 AND seq < $2";
        let from = part.from.unwrap_or(i64::MIN);
        let rows = self.shared.db.fetch_for_work(sql, values![from, part.to]).await?;
        rows.first().map_or(Ok((None, None)), |row| Ok((row.maybe_int("first")?, row.maybe_int("last")?)))
    }
}

/// About a part that is full and judged: whether a day of it is in no block yet, and when its rows came.
fn verdict(open: bool, received: Option<(Time, Time)>, before: Time) -> Verdict {
    match received {
        None => Verdict::Drop,
        Some((_, newest)) if newest < before && !open => Verdict::Drop,
        Some((oldest, newest)) if newest - oldest < QUICK && !open => Verdict::Wait,
        Some(_) => Verdict::Rows,
    }
}

/// Readers and writers go on while a part is taken from its table; the engine wants that outside of a transaction.
async fn take_out(pools: &postgres::Pools, table: &'static str, part: &Part) -> Result<()> {
    let name = &part.name;
    postgres::alone(pools, format!("ALTER TABLE {table} DETACH PARTITION {name} CONCURRENTLY")).await?;
    postgres::alone(pools, format!("DROP TABLE {name}")).await?;
    tracing::info!(table, part = name, "a part was dropped: retention is done with it");
    Ok(())
}

/// Ends what a stop left half way: parts on their way out, and parts that are out and still there.
async fn finish(pools: &postgres::Pools, table: &'static str) -> Result<()> {
    let db = Db::Postgres(pools.clone());
    let sql = "SELECT CAST(c.relname AS TEXT) AS name FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid \
               WHERE i.inhparent = to_regclass($1) AND i.inhdetachpending";
    for row in db.fetch_for_work(sql, values![table]).await? {
        let name = row.text("name")?;
        postgres::alone(pools, format!("ALTER TABLE {table} DETACH PARTITION {name} FINALIZE")).await?;
    }
    let sql = "SELECT CAST(c.relname AS TEXT) AS name FROM pg_class c \
               WHERE c.relkind = 'r' AND NOT c.relispartition \
               AND c.relnamespace = (SELECT relnamespace FROM pg_class WHERE oid = to_regclass($1)) \
               AND (c.relname ~ ('^' || $1 || '_from_(minus_)?[0-9]+$') OR c.relname = $1 || '_base')";
    for row in db.fetch_for_work(sql, values![table]).await? {
        postgres::alone(pools, format!("DROP TABLE {}", row.text("name")?)).await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_goes_when_all_of_it_may() {
        let at = |hours: i64| Time::EPOCH + Span::from_hours(hours);
        let before = at(100);
        assert_eq!(verdict(false, None, before), Verdict::Drop, "nothing in it");
        assert_eq!(verdict(false, Some((at(10), at(99))), before), Verdict::Drop);
        assert_eq!(verdict(true, Some((at(10), at(99))), before), Verdict::Rows, "a day of it is open");
        assert_eq!(verdict(false, Some((at(80), at(101))), before), Verdict::Wait);
        assert_eq!(verdict(false, Some((at(10), at(101))), before), Verdict::Rows, "slow");
    }
}
