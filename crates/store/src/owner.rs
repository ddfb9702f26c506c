//! One process runs on a `PostgreSQL` database: a second one is told so, a process that lost it can write no more.
//!
//! Owns the row that says who runs, and the number (fence) that counters ask for. Session locks would not do: a pooler
//! hands sessions about. Refuses to compare clocks: a holder is taken for gone when its beat did not move for a stated
//! time, or when it ran on this machine and is seen to have ended.

use std::time::Duration;

use tokio::time::{Instant, MissedTickBehavior};

use crate::db::{Db, values};
use crate::{Error, Result, Store};

/// How often the holder shows that it lives.
const BEAT: Duration = Duration::from_secs(1);
/// How long without a beat means gone. Taking over too early loses nothing: the fence keeps the former holder out.
const GONE: Duration = Duration::from_secs(10);
/// How often a newcomer looks.
const LOOK: Duration = Duration::from_millis(250);

/// What a holder knows of itself.
#[derive(Debug, Clone)]
pub(crate) struct Lease {
    fence: i64,
}

/// Takes the database for this process. Errors with [`Error::InUse`] when another one lives on it. `SQLite` has its
/// file lock instead.
pub(crate) async fn take(db: &Db) -> Result<Option<Lease>> {
    let Db::Postgres(pools) = db else { return Ok(None) };
    let me = myself();
    let began = Instant::now();
    let (mut holder, first) = look(db).await?;
    while let Some(other) = holder {
        if has_ended(&other) || began.elapsed() >= GONE {
            tracing::info!(holder = other, "the process that ran on this database is gone");
            break;
        }
        tokio::time::sleep(LOOK).await;
        let (next, beat) = look(db).await?;
        if beat != first {
            return Err(Error::InUse(format!("{} runs on this database", next.unwrap_or(other))));
        }
        holder = next;
    }
    let fence = raise(db, &me, first).await?;
    pools.fence.get_or_init(|| fence);
    Ok(Some(Lease { fence }))
}

/// Makes this process the holder, unless somebody was seen to move since. Every counter is locked, so writers of the former holder have ended by then.
async fn raise(db: &Db, me: &str, seen: i64) -> Result<i64> {
    let mut tx = db.write().await?;
    let sql = "UPDATE owner SET holder = $1, beat = beat + 1 WHERE beat = $2";
    if tx.execute(sql, values![me, seen]).await? == 0 {
        return Err(Error::InUse("another process took this database at the same time".into()));
    }
    // In one order, as writers take them: journal before quarantine, event before decision.
    let sql = "SELECT name FROM counter ORDER BY name = 'journal' DESC, name = 'event' DESC, name LOCKED";
    tx.fetch(sql, values![]).await?;
    let rows = tx.fetch("UPDATE counter SET fence = fence + 1 RETURNING fence", values![]).await?;
    let fence = rows.first().map_or(Ok(0), |row| row.int("fence"))?;
    tx.commit().await?;
    Ok(fence)
}

async fn look(db: &Db) -> Result<(Option<String>, i64)> {
    let rows = db.fetch_for_work("SELECT holder, beat FROM owner", values![]).await?;
    let row = rows.first().ok_or_else(|| Error::Damaged { place: "owner".into(), what: "no row".into() })?;
    Ok((row.maybe_text("holder")?, row.int("beat")?))
}

impl Store {
    /// Shows others that this process lives, until it stops or has lost the database.
    pub(crate) fn start_heartbeat(&self, lease: Option<Lease>) {
        let Some(Lease { fence }) = lease else { return };
        let (db, stop) = (self.shared.db.clone(), self.shared.stop.clone());
        self.shared.tasks.spawn(async move {
            stop.run_until_cancelled(Box::pin(live(&db, fence))).await;
            let sql = "UPDATE owner SET holder = NULL WHERE (SELECT fence FROM counter WHERE name = 'journal') = $1";
            if let Err(error) = signed(&db, sql, fence).await {
                tracing::debug!(%error, "the next process has to wait for the database");
            }
        });
    }
}

/// Beats until the database is another process's.
async fn live(db: &Db, fence: i64) {
    let mut tick = tokio::time::interval(BEAT);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let sql =
        "UPDATE owner SET beat = beat + 1 WHERE (SELECT fence FROM counter WHERE name = 'journal') = $1";
    loop {
        tick.tick().await;
        match signed(db, sql, fence).await {
            Ok(0) => {
                tracing::error!("another process has taken the database over: nothing is written any more");
                return;
            }
            Ok(_) => {}
            Err(error) => tracing::debug!(%error, "no sign of life could be given"),
        }
    }
}

/// Runs a statement that counts only while the database is ours. Returns how many rows it touched.
async fn signed(db: &Db, sql: &'static str, fence: i64) -> Result<u64> {
    let mut tx = db.write().await?;
    let touched = tx.execute(sql, values![fence]).await?;
    tx.commit().await?;
    Ok(touched)
}

/// This process, in words that say on which running kernel and in which process space its number counts, and when it
/// began, since numbers are used again.
fn myself() -> String {
    let id = std::process::id();
    format!("process {id} started {} on {}", started(id).unwrap_or_default(), place().unwrap_or_default())
}

/// Whether a holder ran here and is seen to have ended. What cannot be told is taken for living.
fn has_ended(holder: &str) -> bool {
    let told = || {
        let (process, on) = holder.strip_prefix("process ")?.split_once(" on ")?;
        let (id, began) = process.split_once(" started ")?;
        let here = !on.is_empty() && on == place()?;
        Some(here && !began.is_empty() && started(id.parse().ok()?).is_none_or(|now| now != began))
    };
    told().unwrap_or(false)
}

/// The running kernel and the process space. `None` where the system does not tell.
fn place() -> Option<String> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let space = std::fs::read_link("/proc/self/ns/pid").ok()?;
    Some(format!("{} {}", boot.trim(), space.display()))
}

/// When a process began, in ticks since the start of the machine: field 22 of `/proc/PID/stat`, see proc(5). `None`
/// when there is no such process, or when it has ended and only waits to be noticed.
fn started(process: u32) -> Option<String> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    let (_, after_name) = stat.rsplit_once(')')?;
    let mut fields = after_name.split_whitespace();
    let state = fields.next()?;
    let began = fields.nth(18)?;
    (!matches!(state, "Z" | "X")).then(|| began.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_process_of_this_machine_that_ended_is_told_to_have() {
        let me = myself();
        assert!(!has_ended(&me), "{me}");
        let elsewhere = "process 1 started 1 on another-boot pid:[1]";
        assert!(!has_ended(elsewhere));
        assert!(!has_ended(""));
        let place = place().unwrap();
        assert!(
            has_ended(&format!("process {} started 1 on {place}", std::process::id())),
            "number used again"
        );
        assert!(has_ended(&format!("process 4000000000 started 1 on {place}")), "no such process");
        assert!(!has_ended("process 4000000000 started 1 on "));
    }
}
