//! Timelines in the store: entries, their withdrawal, and the log that evaluation reads.
//!
//! Owns that a repeat records nothing, that the log becomes visible in order, and the railway filter of every read.
//! Refuses to change an entry.

use notchwatch_model::{
    AccountName, EngineSerial, FactKind, NewEntry, Origin, RailwayFilter, Time, TimelineEntry, TimelineId,
    UnitKey, Withdrawal, effective,
};
use sha2::{Digest, Sha256};

use crate::access::{audited, seen};
use crate::clean::clean;
use crate::damage::Place;
use crate::db::{Row, Tx, Value, values};
use crate::log::{Log, LogPart};
use crate::register::{give, json, unit_key};
use crate::{Error, Result, Store, int};

/// Which entries. Every field narrows.
#[derive(Debug, Clone, Default)]
pub struct TimelineQuery {
    /// Of this unit.
    pub unit: Option<UnitKey>,
    /// Of this engine, whatever unit it was fitted to.
    pub engine: Option<EngineSerial>,
    /// Of this kind.
    pub kind: Option<FactKind>,
    /// Event time at or after.
    pub from: Option<Time>,
    /// Event time before.
    pub to: Option<Time>,
    /// Withdrawn ones too.
    pub withdrawn: bool,
    /// Most entries, the newest; 0 means 100.
    pub limit: usize,
}

/// One step of the log: an entry was added or withdrawn. The entry is as it stands now.
#[derive(Debug, Clone, PartialEq)]
pub struct TimelineStep {
    /// Position of the step.
    pub id: TimelineId,
    /// The entry.
    pub entry: TimelineEntry,
}

macro_rules! columns {
    () => {
        "t.id, t.railway, t.unit, t.engine, t.at, t.received, t.account, t.origin, t.fact, \
         w.at AS withdrawn_at, w.account AS withdrawn_by, w.reason"
    };
}

pub(crate) const STEPS: Log<TimelineStep> = Log {
    counter: "timeline",
    rows: concat!(
        "SELECT p.position, ",
        columns!(),
        " FROM (SELECT id AS position, id AS entry FROM timeline WHERE id > $1 AND id <= $2 \
         UNION ALL SELECT id AS position, entry FROM timeline_withdrawal WHERE id > $1 AND id <= $2 \
         ORDER BY position LIMIT $3) p \
         JOIN timeline t ON t.id = p.entry LEFT JOIN timeline_withdrawal w ON w.entry = t.id ORDER BY p.position"
    ),
    place: |id| Place::Timeline { id },
    read: |_, row| step(row),
};

/// Entries and who took them back, some columns of those for which a condition holds.
macro_rules! entries_sql {
    ($columns:expr, $which:literal) => {
        concat!(
            "SELECT ",
            $columns,
            " FROM timeline t LEFT JOIN timeline_withdrawal w ON w.entry = t.id WHERE ",
            $which
        )
    };
}
macro_rules! list_sql {
    ($columns:expr) => {
        entries_sql!(
            $columns,
            "($1 OR t.railway IN TEXTS($2)) AND ($3 IS NULL OR (t.railway = $3 AND t.unit = $4)) \
             AND ($5 IS NULL OR t.engine = $5) AND ($6 IS NULL OR t.kind = $6) \
             AND ($7 IS NULL OR t.at >= $7) AND ($8 IS NULL OR t.at < $8) AND ($9 OR w.id IS NULL) \
             ORDER BY t.at DESC, t.id DESC LIMIT $10"
        )
    };
}
macro_rules! of_unit_sql {
    ($columns:expr) => {
        entries_sql!(
            $columns,
            "t.railway = $1 AND t.unit = $2 AND ($3 IS NULL OR t.effective > $3) AND t.id <= $4 \
             AND (w.id IS NULL OR w.id > $4) ORDER BY t.effective, t.id"
        )
    };
}
const LIST: [&str; 2] = [list_sql!(columns!()), list_sql!("t.id")];
const OF_UNIT: [&str; 2] = [of_unit_sql!(columns!()), of_unit_sql!("t.id")];
const ONE: &str = entries_sql!(columns!(), "t.id = $3 AND ($1 OR t.railway IN TEXTS($2))");

impl Store {
    /// Records entries in one transaction, each once: an entry that says the same of the same unit at the same event time
    /// as one that is not withdrawn records nothing. Returns, in order, the entry as recorded and whether it is new.
    /// Errors with [`Error::Refused`] when a unit is not registered.
    pub async fn record_entries(
        &self,
        entries: &[NewEntry],
        by: &AccountName,
        origin: Origin,
        now: Time,
    ) -> Result<Vec<(TimelineEntry, bool)>> {
        let known = self.unit_numbers(entries.iter().map(|e| &e.unit)).await?;
        if let Some(stranger) = entries.iter().find(|e| !known.contains_key(&e.unit)) {
            return Err(Error::Refused(format!("unit {} is not registered", stranger.unit)));
        }
        let mut tx = self.shared.db.write().await?;
        // Holds the order of the log from here on.
        give(&mut tx, "timeline", 0).await?;
        let mut recorded = Vec::with_capacity(entries.len());
        for entry in entries {
            recorded.push(record(&mut tx, entry, by, origin, now).await?);
        }
        tx.commit().await?;
        Ok(recorded)
    }

    /// Takes an entry back. `None` when there is none that the filter admits; an entry taken back before stays as it was.
    pub async fn withdraw_entry(
        &self,
        id: TimelineId,
        filter: &RailwayFilter,
        withdrawal: &Withdrawal,
    ) -> Result<Option<TimelineEntry>> {
        let mut tx = self.shared.db.write().await?;
        give(&mut tx, "timeline", 0).await?;
        let Some(mut entry) = one(&mut tx, id, filter).await? else { return Ok(None) };
        if entry.withdrawn.is_none() {
            let position = give(&mut tx, "timeline", 1).await?;
            let (by, reason) = (withdrawal.by.as_str(), clean(&withdrawal.reason));
            let sql = "INSERT INTO timeline_withdrawal (id, entry, at, account, reason) VALUES ($1, $2, $3, $4, $5)";
            tx.execute(sql, values![position, id.0, withdrawal.at, by, reason]).await?;
            audited(&mut tx, withdrawal.at, by, "withdraw timeline entry", &id.to_string()).await?;
            entry.withdrawn = Some(withdrawal.clone());
        }
        tx.commit().await?;
        Ok(Some(entry))
    }

    /// Entries that the filter admits, the newest event time first.
    pub async fn timeline(
        &self,
        query: &TimelineQuery,
        filter: &RailwayFilter,
    ) -> Result<Vec<TimelineEntry>> {
        let (all, railways) = seen(filter);
        let unit = query.unit.as_ref();
        let values = values![
            all,
            railways,
            unit.map(|u| u.railway.as_str()),
            unit.map(|u| u.unit.as_str()),
            query.engine.as_ref().map(EngineSerial::as_str),
            query.kind.map(FactKind::word),
            query.from,
            query.to,
            query.withdrawn,
            int(crate::page_size(query.limit)),
        ];
        self.spared_entries(LIST, values).await
    }

    /// Steps of the log after a position, in order, whatever the railway: for evaluation.
    pub async fn timeline_after(
        &self,
        after: TimelineId,
        limit: usize,
    ) -> Result<LogPart<TimelineStep, TimelineId>> {
        Ok(self.log_part(&STEPS, after.0, limit, vec![]).await?.at(TimelineId))
    }

    /// Entries of a unit that take effect after an event time (all without it), as the log had it at a position, by the
    /// time they take effect: for evaluation.
    pub async fn timeline_of(
        &self,
        unit: &UnitKey,
        after: Option<Time>,
        up_to: TimelineId,
    ) -> Result<Vec<TimelineEntry>> {
        let values = values![unit.railway.as_str(), unit.unit.as_str(), after, up_to.0];
        self.spared_entries(OF_UNIT, values).await
    }

    /// Entries that a statement leads to; where one stands on a page that cannot be read, one after the other by their ids.
    async fn spared_entries(
        &self,
        [whole, ids]: [&'static str; 2],
        values: Vec<Value>,
    ) -> Result<Vec<TimelineEntry>> {
        let known = &self.shared.known;
        let place = |row: &Row| Ok(Place::Timeline { id: row.int("id")? });
        let ids = match self.fetch(whole, values.clone()).await {
            Err(Error::Damaged { .. }) => self.fetch(ids, values).await?,
            rows => return known.spare_each(&rows?, place, entry),
        };
        let mut entries = Vec::new();
        for row in &ids {
            let read = self.fetch(ONE, values![true, Vec::<String>::new(), row.int("id")?]).await;
            let read = read.and_then(|rows| rows.first().map(entry).transpose());
            entries.extend(known.spare(place(row)?, read)?);
        }
        Ok(entries)
    }

    /// Units on whose timeline anything was ever recorded.
    pub async fn timeline_units(&self) -> Result<Vec<UnitKey>> {
        let sql = "SELECT DISTINCT railway, unit FROM timeline ORDER BY railway, unit";
        self.shared.db.fetch_for_work(sql, values![]).await?.iter().map(unit_key).collect()
    }

    /// Position in the log of timelines whose findings are committed.
    pub async fn timelined(&self) -> Result<TimelineId> {
        let rows = self.shared.db.fetch_for_work("SELECT timelined FROM evaluation", values![]).await?;
        rows.first().map_or(Ok(TimelineId(0)), |row| row.int("timelined").map(TimelineId))
    }
}

/// Writes how far the log of timelines is judged. Never moves back.
pub(crate) async fn put_timelined(tx: &mut Tx, to: TimelineId) -> Result<()> {
    tx.execute("UPDATE evaluation SET timelined = $1 WHERE timelined < $1", values![to.0]).await.map(drop)
}

async fn record(
    tx: &mut Tx,
    new: &NewEntry,
    by: &AccountName,
    origin: Origin,
    now: Time,
) -> Result<(TimelineEntry, bool)> {
    let fact = json(&new.fact)?;
    // JSON escapes control characters, so a document holds no NUL that PostgreSQL would refuse.
    let said = format!("{}\n{}\n{fact}", new.unit, new.at.micros());
    let same: [u8; 32] = Sha256::digest(said.as_bytes()).into();
    let sql = entries_sql!(columns!(), "t.same = $1 AND w.id IS NULL");
    if let Some(row) = tx.fetch(sql, values![&same]).await?.first() {
        return Ok((entry(row)?, false));
    }
    let id = give(tx, "timeline", 1).await?;
    let sql = "INSERT INTO timeline (id, railway, unit, engine, at, effective, received, account, origin, kind, fact, \
               same) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)";
    let values = values![
        id,
        new.unit.railway.as_str(),
        new.unit.unit.as_str(),
        new.engine.as_ref().map(EngineSerial::as_str),
        new.at,
        effective(new.at, Some(now)),
        now,
        by.as_str(),
        origin.word(),
        new.fact.kind().word(),
        fact,
        &same,
    ];
    tx.execute(sql, values).await?;
    if new.fact.kind() == FactKind::AsBuilt {
        audited(tx, now, by.as_str(), "give as-built levels", &format!("{} {id}", new.unit)).await?;
    }
    let entry = TimelineEntry {
        id: Some(TimelineId(id)),
        unit: new.unit.clone(),
        engine: new.engine.clone(),
        at: new.at,
        received: Some(now),
        by: Some(by.clone()),
        origin,
        fact: new.fact.clone(),
        withdrawn: None,
    };
    Ok((entry, true))
}

async fn one(tx: &mut Tx, id: TimelineId, filter: &RailwayFilter) -> Result<Option<TimelineEntry>> {
    let (all, railways) = seen(filter);
    tx.fetch_one(ONE, values![all, railways, id.0]).await?.as_ref().map(entry).transpose()
}

/// A step of a row of [`STEPS`].
fn step(row: &Row) -> Result<TimelineStep> {
    Ok(TimelineStep { id: TimelineId(row.int("position")?), entry: entry(row)? })
}

fn entry(row: &Row) -> Result<TimelineEntry> {
    let damaged = |what: String| Error::Damaged { place: "timeline".into(), what };
    let serial = |text: String| text.parse().map_err(|e: notchwatch_model::IdError| damaged(e.to_string()));
    let withdrawn = match row.maybe_time("withdrawn_at")? {
        Some(at) => Some(Withdrawal { at, by: row.parsed("withdrawn_by")?, reason: row.text("reason")? }),
        None => None,
    };
    Ok(TimelineEntry {
        id: Some(TimelineId(row.int("id")?)),
        unit: unit_key(row)?,
        engine: row.maybe_text("engine")?.map(serial).transpose()?,
        at: row.time("at")?,
        received: Some(row.time("received")?),
        by: Some(row.parsed("account")?),
        origin: row.parsed("origin")?,
        fact: row.json("fact")?,
        withdrawn,
    })
}
