//! Health grades: the newest of each unit, and their history by unit and by engine.
//!
//! Owns when a grade makes a row of history, and the railway filter of every read. Refuses to grade.

use std::collections::{BTreeMap, HashMap};

use notchwatch_model::{EngineSerial, Priority, RailwayFilter, Span, Time, UnitKey};
use serde::{Deserialize, Serialize};

use crate::access::seen;
use crate::db::{Column, Row, values};
use crate::register::{json, unit_key};
use crate::{Result, Store};

/// Most rows of history in one answer: five years of days, with some that moved.
pub const MAX_HEALTH_ROWS: i64 = 2000;
/// Movement of a part that makes a row of history, in thousandths: a third of what the lightest finding takes.
const STEP: u16 = 50;

/// The newest row of history of a unit: when, of which engine, what.
type Kept = (Time, Option<String>, BTreeMap<String, HealthMark>);

/// Grade of one part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HealthMark {
    /// From 0 (failed) to 1000 (as good as new); absent when it is not known.
    #[serde(rename = "g")]
    pub grade: Option<u16>,
    /// How far to trust it, 0 to 1000.
    #[serde(rename = "c")]
    pub confidence: u16,
    /// It is an upper bound.
    #[serde(rename = "m", default)]
    pub at_most: bool,
    /// Why it is not known, or what counts most; empty when nothing does.
    #[serde(rename = "w", default)]
    pub why: String,
}

/// Grades of one unit at one time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HealthRecord {
    /// The unit.
    pub unit: UnitKey,
    /// When it was graded.
    pub at: Time,
    /// The engine fitted then.
    pub engine: Option<EngineSerial>,
    /// Marks by part: `unit`, `engine` and the words of systems.
    pub parts: BTreeMap<String, HealthMark>,
}

impl Store {
    /// Records grades: the newest always, a row of history at the first of a UTC day, when a part moved by 0.05 or more
    /// since the newest row, became known or unknown, or when the engine is another one. Units that are not registered
    /// are left out. Returns how many rows of history were written.
    pub async fn put_health(&self, records: &[HealthRecord]) -> Result<usize> {
        let numbers = self.unit_numbers(records.iter().map(|r| &r.unit)).await?;
        let fresh: BTreeMap<i64, &HealthRecord> =
            records.iter().filter_map(|r| Some((*numbers.get(&r.unit)?, r))).collect();
        let mut tx = self.shared.db.write().await?;
        let sql = "SELECT h.unit_no, h.recorded, p.engine, p.parts FROM health_now h \
                   JOIN health p ON p.unit_no = h.unit_no AND p.at = h.recorded WHERE h.unit_no IN INTS($1)";
        let mut before: HashMap<i64, Kept> = HashMap::new();
        for row in tx.fetch(sql, values![fresh.keys().copied().collect::<Vec<_>>()]).await? {
            let told = (row.time("recorded")?, row.maybe_text("engine")?, row.json("parts")?);
            before.insert(row.int("unit_no")?, told);
        }
        let (mut moved, mut recorded) = (Vec::new(), Vec::with_capacity(fresh.len()));
        for (number, record) in &fresh {
            let kept = before.get(number).filter(|(at, engine, parts)| {
                at.day() == record.at.day()
                    && engine.as_deref() == record.engine.as_ref().map(EngineSerial::as_str)
                    && !differs(parts, &record.parts)
            });
            recorded.push(kept.map_or(record.at, |k| k.0).micros());
            if kept.is_none() {
                moved.push((*number, *record));
            }
        }
        let history = vec![
            ("unit_no", Column::ints(moved.iter().map(|m| m.0))),
            ("at", Column::ints(moved.iter().map(|m| m.1.at.micros()))),
            ("railway", Column::texts(moved.iter().map(|m| m.1.unit.railway.to_string()))),
            ("engine", engines(moved.iter().map(|m| m.1))),
            ("parts", Column::texts(moved.iter().map(|m| json(&m.1.parts)).collect::<Result<Vec<_>>>()?)),
        ];
        let again =
            "ON CONFLICT (unit_no, at) DO UPDATE SET engine = excluded.engine, parts = excluded.parts";
        tx.insert("health", history, again).await?;
        let newest = vec![
            ("unit_no", Column::ints(fresh.keys().copied())),
            ("at", Column::ints(fresh.values().map(|r| r.at.micros()))),
            ("recorded", Column::ints(recorded)),
            ("engine", engines(fresh.values().copied())),
            ("parts", Column::texts(fresh.values().map(|r| json(&r.parts)).collect::<Result<Vec<_>>>()?)),
        ];
        let again = "ON CONFLICT (unit_no) DO UPDATE SET at = excluded.at, recorded = excluded.recorded, \
                     engine = excluded.engine, parts = excluded.parts";
        tx.insert("health_now", newest, again).await?;
        tx.commit().await?;
        Ok(moved.len())
    }

    /// Newest grades of every unit that the filter admits, by railway and number.
    pub async fn health_now(&self, filter: &RailwayFilter) -> Result<Vec<HealthRecord>> {
        let sql = "SELECT u.railway, u.unit, h.at, h.engine, h.parts FROM health_now h \
                   JOIN unit u ON u.unit_no = h.unit_no WHERE ($1 OR u.railway IN TEXTS($2)) \
                   ORDER BY u.railway, u.unit";
        let (all, railways) = seen(filter);
        self.fetch(sql, values![all, railways]).await?.iter().map(record).collect()
    }

    /// History of a unit's grades with `from <= at < to`, oldest first; of more than [`MAX_HEALTH_ROWS`] the newest.
    pub async fn health_of_unit(&self, unit: &UnitKey, from: Time, to: Time) -> Result<Vec<HealthRecord>> {
        let sql = "SELECT u.railway, u.unit, h.at, h.engine, h.parts FROM health h \
                   JOIN unit u ON u.unit_no = h.unit_no WHERE u.railway = $1 AND u.unit = $2 \
                   AND h.at >= $3 AND h.at < $4 ORDER BY h.at DESC LIMIT $5";
        let values = values![unit.railway.as_str(), unit.unit.as_str(), from, to, MAX_HEALTH_ROWS];
        let mut found: Vec<_> = self.fetch(sql, values).await?.iter().map(record).collect::<Result<_>>()?;
        found.reverse();
        Ok(found)
    }

    /// The same of an engine, whatever unit it was fitted to, as far as the filter admits.
    pub async fn health_of_engine(
        &self,
        engine: &EngineSerial,
        filter: &RailwayFilter,
        from: Time,
        to: Time,
    ) -> Result<Vec<HealthRecord>> {
        let sql = "SELECT u.railway, u.unit, h.at, h.engine, h.parts FROM health h \
                   JOIN unit u ON u.unit_no = h.unit_no WHERE ($1 OR h.railway IN TEXTS($2)) AND h.engine = $3 \
                   AND h.at >= $4 AND h.at < $5 ORDER BY h.at DESC LIMIT $6";
        let (all, railways) = seen(filter);
        let values = values![all, railways, engine.as_str(), from, to, MAX_HEALTH_ROWS];
        let mut found: Vec<_> = self.fetch(sql, values).await?.iter().map(record).collect::<Result<_>>()?;
        found.reverse();
        Ok(found)
    }

    /// Open findings of each unit by priority, as far as the filter admits.
    pub async fn open_counts(&self, filter: &RailwayFilter) -> Result<Vec<(UnitKey, Priority, u64)>> {
        let sql = "SELECT railway, unit, priority, COUNT(*) AS found FROM finding \
                   WHERE open AND ($1 OR railway IN TEXTS($2)) GROUP BY railway, unit, priority \
                   ORDER BY railway, unit, priority";
        let (all, railways) = seen(filter);
        let rows = self.fetch(sql, values![all, railways]).await?;
        rows.iter()
            .map(|row| {
                let place = usize::try_from(row.int("priority")?).unwrap_or(usize::MAX);
                let priority = Priority::ALL.get(place).copied().unwrap_or(Priority::Low);
                Ok((unit_key(row)?, priority, row.count("found")?))
            })
            .collect()
    }

    /// Newest grades are older than this when grading has stopped: for pages, to say so.
    pub const HEALTH_OLD: Span = Span::from_mins(20);
}

fn engines<'a>(records: impl Iterator<Item = &'a HealthRecord>) -> Column {
    Column::Texts(records.map(|r| r.engine.as_ref().map(ToString::to_string)).collect())
}

/// Whether a part moved by enough, came, went, or became known or unknown.
fn differs(before: &BTreeMap<String, HealthMark>, after: &BTreeMap<String, HealthMark>) -> bool {
    before.len() != after.len()
        || after.iter().any(|(part, mark)| {
            before.get(part).is_none_or(|was| match (was.grade, mark.grade) {
                (Some(was), Some(is)) => was.abs_diff(is) >= STEP,
                (was, is) => was.is_some() != is.is_some(),
            })
        })
}

fn record(row: &Row) -> Result<HealthRecord> {
    let engine = row.maybe_text("engine")?.map(|_| row.parsed("engine")).transpose()?;
    Ok(HealthRecord { unit: unit_key(row)?, at: row.time("at")?, engine, parts: row.json("parts")? })
}
