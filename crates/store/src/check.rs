//! Looking whether what is stored can be read: a bounded look at the start, or everything on demand.
//!
//! Owns the pages in which tables are walked, each a short transaction. Refuses to change anything.

mod documents;

use notchwatch_model::ChannelIx;

use crate::damage::{Damage, Known, Place};
use crate::db::{Db, Row, values};
use crate::evaluation::unjudged::unpack;
use crate::journal::read::{
    block_day, block_samples, block_texts, latest_samples, row_samples, texts_and_uoms,
};
use crate::pack::{payloads, rollup};
use crate::{Error, Result, Store, int};

/// Rows read in one transaction.
const AT_ONCE: u64 = 64;
/// Rows of each table that the bounded look reads at most.
const QUICK: u64 = 256;

/// How much is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// The newest block and rollup of at most 256 units, at most 256 rows of newest values, the last 256 journal
    /// rows, 256 findings, events, decisions, steps of timelines, clock ticks, snapshots and lists of samples not judged
    /// each, the progress and the link of every unit, the snapshot of comms, the counters.
    Quick,
    /// Every row of these tables, and the whole file's own check on `SQLite`.
    Deep,
}

/// What a check found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Checked {
    /// Blocks read.
    pub blocks: u64,
    /// Rollups read.
    pub rollups: u64,
    /// Rows of newest values read.
    pub latest: u64,
    /// Journal rows read.
    pub journal: u64,
    /// Findings read.
    pub findings: u64,
    /// Events read.
    pub events: u64,
    /// Decisions read.
    pub decisions: u64,
    /// Steps of timelines read.
    pub timelines: u64,
    /// Clock ticks read.
    pub ticks: u64,
    /// Snapshots read.
    pub snapshots: u64,
    /// What is not as it was written.
    pub damage: Vec<Damage>,
}

const DEEP_BLOCKS: &str = "SELECT unit_no, day, samples, packed FROM block \
    WHERE unit_no > $1 OR (unit_no = $1 AND day > $2) ORDER BY unit_no, day LIMIT $3";
const DEEP_ROLLUPS: &str = "SELECT unit_no, day, packed FROM rollup \
    WHERE unit_no > $1 OR (unit_no = $1 AND day > $2) ORDER BY unit_no, day LIMIT $3";
const QUICK_BLOCKS: &str = "SELECT b.unit_no, b.day, b.samples, b.packed FROM unit u JOIN block b \
    ON b.unit_no = u.unit_no AND b.day = (SELECT MAX(day) FROM block WHERE unit_no = u.unit_no) \
    WHERE b.unit_no > $1 OR (b.unit_no = $1 AND b.day > $2) ORDER BY b.unit_no LIMIT $3";
const QUICK_ROLLUPS: &str = "SELECT r.unit_no, r.day, r.packed FROM unit u JOIN rollup r \
    ON r.unit_no = u.unit_no AND r.day = (SELECT MAX(day) FROM rollup WHERE unit_no = u.unit_no) \
    WHERE r.unit_no > $1 OR (r.unit_no = $1 AND r.day > $2) ORDER BY r.unit_no LIMIT $3";
/// The position stands where [`Store::walk`] has the day.
const UNJUDGED: &str = "SELECT unit_no, seq AS day, packed FROM unjudged \
    WHERE unit_no > $1 OR (unit_no = $1 AND seq > $2) ORDER BY unit_no, seq LIMIT $3";

impl Store {
    /// Reads what is stored and names what cannot be read. Damage found is remembered as if a read had met it. A table of
    /// which pages cannot be read is named, and the others are looked at.
    pub async fn check(&self, depth: Depth) -> Result<Checked> {
        let (blocks, rollups, most) = match depth {
            Depth::Quick => (QUICK_BLOCKS, QUICK_ROLLUPS, QUICK),
            Depth::Deep => (DEEP_BLOCKS, DEEP_ROLLUPS, u64::MAX),
        };
        let (db, known) = (&self.shared.db, &self.shared.known);
        let mut done = Checked::default();
        documents::walk(self, most, &mut done).await?;
        let walked = self.walk(blocks, most, look_at_block, &mut done.blocks).await;
        known.spare(Place::Table("block"), walked)?;
        let walked = self.walk(rollups, most, look_at_rollup, &mut done.rollups).await;
        known.spare(Place::Table("rollup"), walked)?;
        known.spare(Place::Table("latest"), self.walk_latest(most, &mut done.latest).await)?;
        known.spare(Place::Table("journal"), self.walk_journal(most, &mut done.journal).await)?;
        let walked = self.walk(UNJUDGED, most, look_at_unjudged, &mut 0).await;
        known.spare(Place::Table("unjudged"), walked)?;
        match self.comms_snapshot().await {
            // As with snapshots of units, its reader alone knows whether it is a state.
            Ok(_) => {}
            Err(Error::Damaged { what, .. }) => {
                known.note(Place::CommsSnapshot, what);
            }
            Err(other) => return Err(other),
        }
        let counters = known.spare(Place::Table("counter"), counters(db).await)?;
        done.damage.extend(known.list());
        done.damage.extend(counters);
        if depth == Depth::Deep && matches!(db, Db::Sqlite(_)) {
            done.damage.extend(whole_file(db).await?);
        }
        Ok(done)
    }

    /// What was found damaged since the start, by reads and checks, and was not read well since.
    #[must_use]
    pub fn damage(&self) -> Vec<Damage> {
        self.shared.known.list()
    }

    /// Walks a table of units and days, counting the rows looked at.
    async fn walk(
        &self,
        sql: &'static str,
        most: u64,
        look: fn(&Known, &Row) -> Result<()>,
        looked: &mut u64,
    ) -> Result<()> {
        let (mut unit_no, mut day) = (i64::MIN, i64::MIN);
        loop {
            let page = AT_ONCE.min(most - *looked);
            let rows = self.shared.db.fetch(sql, values![unit_no, day, int(page)]).await?;
            for row in &rows {
                (unit_no, day) = (row.int("unit_no")?, row.int("day")?);
                look(&self.shared.known, row)?;
                *looked += 1;
            }
            if (rows.len() as u64) < page || *looked == most {
                return Ok(());
            }
        }
    }

    async fn walk_latest(&self, most: u64, looked: &mut u64) -> Result<()> {
        let sql = "SELECT unit_no, packed, crc FROM latest ORDER BY unit_no LIMIT $1";
        let rows = self.shared.db.fetch(sql, values![int(most)]).await?;
        for row in &rows {
            let place = Place::Latest { unit_no: row.int("unit_no")? };
            self.shared.known.spare(place, latest_samples(row))?;
            *looked += 1;
        }
        Ok(())
    }

    async fn walk_journal(&self, most: u64, looked: &mut u64) -> Result<()> {
        let sql = "SELECT seq, samples, packed, extras, crc, raw FROM journal WHERE seq < $1 ORDER BY seq DESC LIMIT $2";
        let mut before = i64::MAX;
        loop {
            let page = AT_ONCE.min(most - *looked);
            let rows = self.shared.db.fetch(sql, values![before, int(page)]).await?;
            for row in &rows {
                before = row.int("seq")?;
                let samples = row_samples(row).and_then(|s| counted(s.len(), row.count("samples")?));
                let read = samples.and_then(|()| texts_and_uoms(row).map(drop));
                self.shared.known.spare(Place::Payloads { seq: before }, payloads_read(row))?;
                self.shared.known.spare(Place::Journal { seq: before }, read)?;
                *looked += 1;
            }
            if (rows.len() as u64) < page || *looked == most {
                return Ok(());
            }
        }
    }
}

/// Payloads read back whole: their frames have a checksum.
fn payloads_read(row: &Row) -> Result<()> {
    payloads::unpack(&row.blob("raw")?).map(drop).map_err(|broken| broken.at("payloads"))
}

/// Channel by channel; where all of them read well, the number of samples is compared with what the row says.
fn look_at_block(known: &Known, row: &Row) -> Result<()> {
    let place = Place::Block { unit_no: row.int("unit_no")?, day: row.int("day")? };
    block_samples(known, row, None, None)?;
    block_texts(known, row, None)?;
    match block_day(row) {
        Ok(day) => known.spare(place, counted(day.samples.len(), row.count("samples")?)),
        // What is wrong was noted above, by channel.
        Err(Error::Damaged { .. }) => Ok(()),
        Err(other) => Err(other),
    }
}

fn look_at_rollup(known: &Known, row: &Row) -> Result<()> {
    let (unit_no, day) = (row.int("unit_no")?, row.int("day")?);
    let read = rollup::unpack(&row.blob("packed")?, day, |_: ChannelIx| true).map_err(|b| b.at("rollup"));
    known.spare(Place::Rollup { unit_no, day }, read).map(drop)
}

fn look_at_unjudged(known: &Known, row: &Row) -> Result<()> {
    let place = Place::Unjudged { unit_no: row.int("unit_no")?, seq: row.int("day")? };
    known.spare(place, unpack(row)).map(drop)
}

fn counted(found: usize, told: u64) -> Result<()> {
    if found as u64 == told {
        return Ok(());
    }
    let what = format!("{found} samples where the row says {told}");
    Err(Error::Damaged { place: String::new(), what })
}

/// A counter stands at or above the newest number given.
async fn counters(db: &Db) -> Result<Vec<Damage>> {
    let sql = "SELECT c.name, c.value, n.newest FROM counter c JOIN ( \
               SELECT 'journal' AS name, COALESCE(MAX(seq), 0) AS newest FROM journal \
               UNION ALL SELECT 'event', COALESCE(MAX(id), 0) FROM event \
               UNION ALL SELECT 'decision', COALESCE(MAX(id), 0) FROM decision \
               UNION ALL SELECT 'quarantine', COALESCE(MAX(id), 0) FROM quarantine \
               UNION ALL SELECT 'unit', COALESCE(MAX(unit_no), 0) FROM unit) n ON n.name = c.name \
               WHERE c.value < n.newest";
    let rows = db.fetch(sql, values![]).await?;
    rows.iter()
        .map(|row| {
            let (value, newest) = (row.int("value")?, row.int("newest")?);
            Ok(Damage {
                place: format!("counter {}", row.text("name")?),
                what: format!("stands at {value}, and {newest} is given already"),
                lost: "nothing yet: the next numbers are refused as given twice",
                remedy: "stop the program and set the counter to the newest number",
            })
        })
        .collect()
}

/// `SQLite`'s own check of pages and indexes.
async fn whole_file(db: &Db) -> Result<Vec<Damage>> {
    let said = match db.fetch("PRAGMA integrity_check", values![]).await {
        Ok(rows) => rows.iter().map(|row| row.text("integrity_check")).collect::<Result<Vec<_>>>()?,
        // It cannot even begin.
        Err(Error::Damaged { what, .. }) => vec![what],
        Err(other) => return Err(other),
    };
    let told = |what: String| Damage {
        place: "database file".into(),
        what,
        lost: "rows on the pages named",
        remedy: "restore a backup; an index alone is mended by REINDEX",
    };
    Ok(said.into_iter().filter(|said| said != "ok").map(told).collect())
}
