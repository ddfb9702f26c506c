//! Sealing: closed UTC days become blocks and rollups, and old journal rows behind them go.

use std::collections::HashSet;
use std::time::Duration;

use notchwatch_model::{Span, Time};

use super::SealReport;
use super::seal_day::{Sealed, pack_day, put_sealed};
use crate::db::values;
use crate::{Error, Result, Store, int};

/// A UTC day is closed this long after its end: time for the stragglers of a usual link. A unit that sends what it kept for
/// itself may be on its way through a closed day; the day then waits until the unit is past it by this much too, or has sent
/// nothing for this long, since otherwise each look would write the day anew.
const CLOSED_AFTER: Span = Span::from_hours(1);
/// A day that ended this long ago waits for nothing: the clock of its unit may stand.
const WAITS_FOR_NOTHING: Span = Span::from_days(3);
/// Unit-days packed at one time.
const AT_ONCE: usize = 32;
/// How long a piece waits for others, at most, and how often it looks meanwhile: sealing gets to its end on a machine that has
/// too much to do for days, too.
const GIVES_WAY: Duration = Duration::from_secs(2);
const GIVES_WAY_LOOKS: u32 = 20;
/// Journal rows of a unit-day packed at one time: what one unit sends in a loop all day is not read at once. One that sends
/// once a minute has 1,440.
const ROWS_OF_A_DAY: usize = 20_000;
/// Journal rows closed in one transaction, so that ingest waits a short time only: each is written anew, its payload
/// with it.
const ROWS_AT_ONCE: usize = 1_500;
/// Journal rows looked at and dropped in one transaction.
const DROP_AT_ONCE: usize = 5000;
/// Batch rows kept, by journal and quarantine positions: far beyond any retry.
const KEEP_BATCHES: i64 = 1_000_000;

impl Store {
    /// Seals closed UTC days into blocks and rollups, and drops journal rows behind them that are older than
    /// `keep_raw` (by receive time) and judged. A day whose block or rows are damaged stays as it is, its rows in the
    /// journal, and the others are sealed.
    pub async fn seal(&self, now: Time, keep_raw: Span) -> Result<SealReport> {
        self.seal_giving_way(now, keep_raw, &|| false).await
    }

    /// As [`Store::seal`]. While `others` says that somebody needs the machine more, each piece of some unit-days waits up to
    /// two seconds. Dropped at any instant, it leaves nothing half done.
    pub async fn seal_giving_way(
        &self,
        now: Time,
        keep_raw: Span,
        others: &(dyn Fn() -> bool + Sync),
    ) -> Result<SealReport> {
        let mut report = SealReport::default();
        // Each day is taken once: of one that gets data all the while there would be no end.
        let mut taken = HashSet::new();
        self.make_ahead(Some(now)).await?;
        loop {
            let due = self.due(now, &taken).await?;
            if due.is_empty() {
                break;
            }
            for day in due.chunk_by(|a, b| a.1 == b.1) {
                self.make_days(&day.iter().map(|(_, day)| *day).take(1).collect::<Vec<_>>()).await?;
                for some in day.chunks(AT_ONCE) {
                    give_way(others).await;
                    let more = self.seal_some(some, &mut report).await?;
                    taken.extend(some.iter().copied().filter(|day| !more.contains(day)));
                }
            }
        }
        let before = now - keep_raw;
        let (dropped, ranges) = self.drop_journal_parts(before).await?;
        report.dropped = dropped;
        for (after, up_to) in ranges {
            report.dropped += self.drop_rows(before, after, up_to).await?;
        }
        let sql = "DELETE FROM batch WHERE mark < (SELECT SUM(value) FROM counter \
                   WHERE name IN ('journal', 'quarantine')) - $1";
        let mut tx = self.shared.db.write().await?;
        tx.execute(sql, values![KEEP_BATCHES]).await?;
        tx.commit().await?;
        Ok(report)
    }

    /// Of each unit the first day that is closed and has rows in no block yet, leaving aside those taken and those that
    /// the unit is on its way through; by day. One look into the index a unit, however many rows are open.
    async fn due(&self, now: Time, taken: &HashSet<(i64, i64)>) -> Result<Vec<(i64, i64)>> {
        let sql = "SELECT unit_no, open_day, judged, received FROM (SELECT u.unit_no, p.judged, p.received, \
                   (SELECT MIN(j.open_day) FROM journal j \
                   WHERE j.unit_no = u.unit_no AND j.open_day IS NOT NULL) AS open_day \
                   FROM unit u LEFT JOIN progress p ON p.unit_no = u.unit_no) AS first WHERE open_day < $1";
        let closed_to = |time: Time| (time - CLOSED_AFTER).day();
        let open_from = closed_to(now);
        let waits_from = (now - WAITS_FOR_NOTHING).day();
        let mut due = Vec::new();
        for row in self.shared.db.fetch_for_work(sql, values![open_from]).await? {
            let (unit_no, mut day) = (row.int("unit_no")?, row.maybe_int("open_day")?);
            let silent = row.maybe_time("received")?.is_none_or(|heard| heard < now - CLOSED_AFTER);
            let past =
                row.maybe_time("judged")?.map_or(waits_from, |judged| closed_to(judged).max(waits_from));
            let ready_to = if silent { open_from } else { open_from.min(past) };
            while let Some(first) = day.filter(|day| *day < ready_to) {
                if !taken.contains(&(unit_no, first)) {
                    due.push((unit_no, first));
                    break;
                }
                let sql = "SELECT MIN(open_day) AS open_day FROM journal WHERE unit_no = $1 \
                           AND open_day IS NOT NULL AND open_day > $2";
                let next = self.shared.db.fetch_for_work(sql, values![unit_no, first]).await?;
                day = next.first().map_or(Ok(None), |row| row.maybe_int("open_day"))?;
            }
        }
        due.sort_unstable_by_key(|(unit_no, day)| (*day, *unit_no));
        Ok(due)
    }

    /// Seals some days, each up to its first so many rows; those of which there are more. Damaged days stay as they are.
    async fn seal_some(&self, due: &[(i64, i64)], report: &mut SealReport) -> Result<HashSet<(i64, i64)>> {
        let mut tx = self.shared.db.look().await?;
        let mut sealed: Vec<Sealed> = Vec::with_capacity(due.len());
        for (unit_no, day) in due {
            match pack_day(&mut tx, *unit_no, *day, ROWS_OF_A_DAY).await {
                Err(Error::Damaged { what, place }) => {
                    tracing::error!(unit_no, day, place, what, "a damaged day is not sealed");
                    // After a page that cannot be read PostgreSQL takes no more statements in this one.
                    drop(tx);
                    tx = self.shared.db.look().await?;
                }
                packed => sealed.extend(packed?),
            }
        }
        tx.end().await?;
        for some in within(&sealed, ROWS_AT_ONCE) {
            let mut tx = self.shared.db.write().await?;
            put_sealed(&mut tx, &self.shared.known, some).await?;
            tx.commit().await?;
        }
        for block in sealed.iter().filter_map(|s| s.block.as_ref()) {
            report.blocks += 1;
            report.samples += block.samples as u64;
            report.bytes += block.packed.len() as u64;
        }
        Ok(sealed.iter().filter(|day| day.more).map(Sealed::day).collect())
    }

    /// Drops rows of a range of judged positions that are sealed and received before a time. Rows stand nearly in
    /// order of receipt: the look ends at the first piece that is all younger.
    async fn drop_rows(&self, before: Time, mut after: i64, up_to: i64) -> Result<u64> {
        let mut dropped = 0;
        loop {
            let sql = "SELECT seq, received, open_day FROM journal WHERE seq > $1 AND seq <= $2 \
                       ORDER BY seq LIMIT $3";
            let rows = self.shared.db.fetch_for_work(sql, values![after, up_to, int(DROP_AT_ONCE)]).await?;
            let (mut old, mut any_old) = (Vec::new(), false);
            for row in &rows {
                after = row.int("seq")?;
                if row.time("received")? < before {
                    any_old = true;
                    if row.maybe_int("open_day")?.is_none() {
                        old.push(after);
                    }
                }
            }
            if !old.is_empty() {
                let mut tx = self.shared.db.write().await?;
                dropped += tx.execute("DELETE FROM journal WHERE seq IN INTS($1)", values![old]).await?;
                tx.commit().await?;
            }
            if !any_old || rows.len() < DROP_AT_ONCE {
                return Ok(dropped);
            }
        }
    }
}

async fn give_way(others: &(dyn Fn() -> bool + Sync)) {
    for _ in 0..GIVES_WAY_LOOKS {
        if !others() {
            return;
        }
        tokio::time::sleep(GIVES_WAY / GIVES_WAY_LOOKS).await;
    }
}

/// Pieces that close at most so many rows each, or are one unit-day.
fn within(sealed: &[Sealed], most: usize) -> Vec<&[Sealed]> {
    let mut pieces = Vec::new();
    let (mut begin, mut rows) = (0, 0);
    for (at, one) in sealed.iter().enumerate() {
        if at > begin && rows + one.rows() > most {
            pieces.extend(sealed.get(begin..at));
            (begin, rows) = (at, 0);
        }
        rows += one.rows();
    }
    pieces.extend(sealed.get(begin..).filter(|rest| !rest.is_empty()));
    pieces
}
