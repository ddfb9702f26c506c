//! Blocks and rollups whose time is over: whole parts where the engine has them, rows of a few units at a time elsewhere.
//!
//! A freed row's pages are used again by the next day's, so a file stops growing once as much goes as comes.

use std::collections::BTreeMap;

use notchwatch_model::{Span, Time};

use crate::db::{Db, values};
use crate::{Result, Store};

/// How long before the onset of an open finding samples stay: the week that its picture shows before it, and four from
/// which its models learned.
const BEFORE_ONSET: Span = Span::from_days(35);
/// Share of the time since the onset that a long picture shows before it, as a divisor.
const PICTURE_SHARE: i64 = 5;
/// Units whose rows go in one transaction.
pub(super) const UNITS_AT_ONCE: usize = 16;
/// Days of each of them that do.
const DAYS_AT_ONCE: i64 = 8;

/// First day that is needed, by unit.
pub(super) type Needed = BTreeMap<i64, i64>;

/// What is said to one of the two tables.
struct Table {
    /// First day of each unit.
    firsts: &'static str,
    /// Drops rows of some units before a day.
    drop: &'static str,
    /// Drops a day of a part, but for some units.
    drop_others: &'static str,
}

const BLOCK: Table = Table {
    firsts: "SELECT u.unit_no, (SELECT MIN(b.day) FROM block b WHERE b.unit_no = u.unit_no) AS first FROM unit u",
    drop: "DELETE FROM block WHERE unit_no IN INTS($1) AND day < $2",
    drop_others: "DELETE FROM block WHERE day = $2 AND NOT unit_no IN INTS($1)",
};
const ROLLUP: Table = Table {
    firsts: "SELECT u.unit_no, (SELECT MIN(r.day) FROM rollup r WHERE r.unit_no = u.unit_no) AS first FROM unit u",
    drop: "DELETE FROM rollup WHERE unit_no IN INTS($1) AND day < $2",
    drop_others: "DELETE FROM rollup WHERE day = $2 AND NOT unit_no IN INTS($1)",
};

impl Store {
    /// Drops blocks of days before one, except those needed. Returns how many rows went one by one.
    pub(super) async fn drop_blocks(&self, before: i64, needed: &Needed) -> Result<u64> {
        match &self.shared.db {
            Db::Sqlite(_) => self.drop_unit_days(&BLOCK, before, needed).await,
            Db::Postgres(_) => self.drop_parts("block", &BLOCK, before, needed).await,
        }
    }

    /// Drops rollups of days before one.
    pub(super) async fn drop_rollups(&self, before: i64) -> Result<u64> {
        match &self.shared.db {
            Db::Sqlite(_) => self.drop_unit_days(&ROLLUP, before, &Needed::new()).await,
            Db::Postgres(_) => self.drop_parts("rollup", &ROLLUP, before, &Needed::new()).await,
        }
    }

    /// First day of which open findings show samples, by unit.
    pub(super) async fn shown_since(&self, now: Time) -> Result<Needed> {
        let sql = "SELECT u.unit_no, MIN(f.onset) AS onset FROM finding f \
                   JOIN unit u ON u.railway = f.railway AND u.unit = f.unit WHERE f.open = $1 GROUP BY u.unit_no";
        let rows = self.shared.db.fetch_for_work(sql, values![true]).await?;
        rows.iter()
            .map(|row| {
                let onset = row.time("onset")?;
                let picture = Span::from_micros((now - onset).micros().max(0) / PICTURE_SHARE);
                Ok((row.int("unit_no")?, (onset - BEFORE_ONSET.max(picture)).day()))
            })
            .collect()
    }

    /// First day from which a message that is not judged yet may need samples; the last of all when every one is.
    pub(super) async fn unjudged_since(&self) -> Result<i64> {
        let judged = self.evaluated().await?;
        let sql = "SELECT MIN(first_event) AS first FROM journal WHERE seq > $1";
        let rows = self.shared.db.fetch_for_work(sql, values![judged.0]).await?;
        let first = rows.first().map_or(Ok(None), |row| row.maybe_time("first"))?;
        Ok(first.map_or(i64::MAX, |first| (first - BEFORE_ONSET).day()))
    }

    async fn drop_unit_days(&self, table: &Table, before: i64, needed: &Needed) -> Result<u64> {
        let mut dropped = 0;
        loop {
            let rows = self.shared.db.fetch_for_work(table.firsts, values![]).await?;
            let mut due: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
            for row in &rows {
                let Some(first) = row.maybe_int("first")? else { continue };
                let unit_no = row.int("unit_no")?;
                let end = needed.get(&unit_no).copied().unwrap_or(i64::MAX).min(before);
                if first < end {
                    due.entry(end.min(first + DAYS_AT_ONCE)).or_default().push(unit_no);
                }
            }
            if due.is_empty() {
                return Ok(dropped);
            }
            for (end, units) in due {
                for some in units.chunks(UNITS_AT_ONCE) {
                    let mut tx = self.shared.db.write().await?;
                    dropped += tx.execute(table.drop, values![some.to_vec(), end]).await?;
                    tx.commit().await?;
                }
            }
        }
    }

    /// A part of which somebody needs rows loses the others', and goes whole once nobody does.
    async fn drop_parts(
        &self,
        name: &'static str,
        table: &Table,
        before: i64,
        needed: &Needed,
    ) -> Result<u64> {
        let mut dropped = 0;
        for (from, to) in self.drop_day_parts(name, before, needed.values().copied().min()).await? {
            for day in from..to {
                let units: Vec<i64> =
                    needed.iter().filter(|(_, first)| **first <= day).map(|(unit, _)| *unit).collect();
                let mut tx = self.shared.db.write().await?;
                dropped += tx.execute(table.drop_others, values![units, day]).await?;
                tx.commit().await?;
            }
        }
        Ok(dropped)
    }
}
