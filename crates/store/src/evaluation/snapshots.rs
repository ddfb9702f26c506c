//! Snapshots of the units' folds, and how far each unit is judged.
//!
//! Owns how many snapshots are kept: the newest few of a unit, and one a day for a month, from which late data
//! starts a fold again.

use std::collections::{BTreeMap, HashMap, HashSet};

use notchwatch_model::{RailwayFilter, Seq, Span, Time, UnitKey};

use super::{ModelReport, Snapshot, UnitProgress};
use crate::access::seen;
use crate::damage::Place;
use crate::db::{Column, Row, Tx, values};
use crate::pack::bytes::compress;
use crate::register::{json, unit_key};
use crate::{Error, Result, Store, int};

/// Newest snapshots kept of each unit.
const KEEP_NEWEST: usize = 3;
/// How far back one a day is kept: the time behind which data is refused as of a wrong clock (30 days).
const KEEP_DAILY: Span = Span::from_days(30);

/// Progress of the units for which a condition holds.
macro_rules! progress_sql {
    ($which:literal) => {
        concat!(
            "SELECT p.unit_no, u.railway, u.unit, p.judged, p.received, p.samples, p.repeats, p.conflicts, r.learning, ",
            "r.seeded, r.chances, r.software FROM progress p JOIN unit u ON u.unit_no = p.unit_no ",
            "LEFT JOIN model_report r ON r.unit_no = p.unit_no WHERE ",
            $which,
            " ORDER BY u.railway, u.unit"
        )
    };
}

impl Store {
    /// Of these units, those of which anything was kept before: a snapshot, a block, or open messages up to a journal
    /// position. The fold of any other begins empty, without a look at the store.
    pub async fn with_history(&self, units: &[UnitKey], up_to: Seq) -> Result<HashSet<UnitKey>> {
        let known = self.unit_numbers(units).await?;
        let numbers: Vec<i64> = units.iter().filter_map(|unit| known.get(unit).copied()).collect();
        // One look into an index a unit and table. With EXISTS PostgreSQL may read the whole journal into a hash, each time.
        let sql = "SELECT u.railway, u.unit FROM unit u WHERE u.unit_no IN INTS($1) AND COALESCE( \
                   (SELECT 1 FROM snapshot s WHERE s.unit_no = u.unit_no LIMIT 1), \
                   (SELECT 1 FROM block b WHERE b.unit_no = u.unit_no LIMIT 1), \
                   (SELECT 1 FROM journal j WHERE j.unit_no = u.unit_no AND j.open_day IS NOT NULL \
                   AND j.seq <= $2 LIMIT 1)) IS NOT NULL";
        let rows = self.shared.db.fetch_for_work(sql, values![numbers, up_to.0]).await?;
        rows.iter().map(unit_key).collect()
    }

    /// How far each unit is judged, and what it still has to learn.
    pub async fn progress(&self, filter: &RailwayFilter) -> Result<Vec<UnitProgress>> {
        let (all, railways) = seen(filter);
        let sql = progress_sql!("($1 OR u.railway IN TEXTS($2))");
        match self.fetch(sql, values![all, railways.clone()]).await {
            Err(Error::Damaged { .. }) => {
                let sql = "SELECT unit_no, railway, unit FROM unit WHERE $1 OR railway IN TEXTS($2)";
                let units = self.fetch(sql, values![all, railways]).await?;
                let units = units.iter().map(|row| Ok((unit_key(row)?, row.int("unit_no")?)));
                self.progress_apart(units.collect::<Result<_>>()?).await
            }
            rows => self.spared_progress(&rows?),
        }
    }

    /// The same for some units.
    pub async fn progress_of(&self, units: &[UnitKey]) -> Result<Vec<UnitProgress>> {
        let numbers = self.unit_numbers(units).await?;
        match self.fetch(PROGRESS_OF, values![numbers.values().copied().collect::<Vec<_>>()]).await {
            Err(Error::Damaged { .. }) => self.progress_apart(numbers).await,
            rows => self.spared_progress(&rows?),
        }
    }

    /// The same where what is told of a unit stands on a page that cannot be read.
    async fn progress_apart(&self, units: HashMap<UnitKey, i64>) -> Result<Vec<UnitProgress>> {
        let (rows, lost) = self.apart(PROGRESS_OF, units.values().copied().collect()).await?;
        let mut all = self.spared_progress(&rows)?;
        let named: HashMap<i64, UnitKey> = units.into_iter().map(|(unit, unit_no)| (unit_no, unit)).collect();
        for (unit_no, why) in lost {
            self.shared.known.spare(Place::Progress { unit_no }, Err::<(), _>(why))?;
            all.extend(named.get(&unit_no).cloned().map(nothing_known));
        }
        all.sort_by(|a, b| a.unit.cmp(&b.unit));
        Ok(all)
    }

    fn spared_progress(&self, rows: &[Row]) -> Result<Vec<UnitProgress>> {
        let known = &self.shared.known;
        let read = |row: &Row| {
            let unit_no = row.int("unit_no")?;
            let models = known.spare(Place::ModelReport { unit_no }, model_report(row))?;
            let told = known.spare(Place::Progress { unit_no }, progress(row, models).map(Some))?;
            // The unit is there all the same, and has to be judged.
            told.map_or_else(|| unit_key(row).map(nothing_known), Ok)
        };
        rows.iter().map(read).collect()
    }

    /// What a read of a unit gave; nothing when what is kept of it cannot be read, which is noted as damage.
    pub fn spare_unit<T>(&self, unit: &UnitKey, read: Result<T>) -> Result<Option<T>> {
        self.shared.known.spare(Place::Unit(unit.clone()), read.map(Some))
    }
}

const PROGRESS_OF: &str = progress_sql!("p.unit_no IN INTS($1)");

/// Columns of a table.
type Columns = Vec<(&'static str, Column)>;

/// Columns of the table of snapshots, and of which units and times they are.
type Packed = (Vec<(i64, i64)>, Columns);

/// Snapshots as they are written. Made before a transaction is open: compressing a fleet's states takes longer than
/// writing them, and everybody else would wait for it.
pub(crate) fn pack(units: &HashMap<UnitKey, i64>, snapshots: Vec<Snapshot>) -> Result<Packed> {
    let mut fresh: BTreeMap<(i64, Time), Snapshot> = BTreeMap::new();
    for snapshot in snapshots {
        fresh.insert((number(units, &snapshot.unit)?, snapshot.at), snapshot);
    }
    let columns = vec![
        ("unit_no", Column::ints(fresh.keys().map(|k| k.0))),
        ("at", Column::ints(fresh.keys().map(|k| k.1.micros()))),
        ("seq", Column::ints(fresh.values().map(|s| s.seq.0))),
        ("form", Column::ints(fresh.values().map(|s| i64::from(s.form)))),
        ("state", Column::blobs(fresh.values().map(|s| compress(&s.state)))),
    ];
    Ok((fresh.into_keys().map(|(unit_no, at)| (unit_no, at.micros())).collect(), columns))
}

/// Snapshots that a transaction wrote anew or dropped: damage that was known of them is no more.
#[derive(Debug, Default)]
pub(crate) struct Replaced {
    /// Units, and from when on all of theirs were dropped.
    stale: Vec<(i64, i64)>,
    /// Written, or dropped one by one.
    places: HashSet<(i64, i64)>,
}

impl Replaced {
    pub(crate) fn holds(&self, place: &Place) -> bool {
        let Place::Snapshot { unit_no, at } = place else { return false };
        self.places.contains(&(*unit_no, *at))
            || self.stale.iter().any(|(unit, from)| unit == unit_no && from <= at)
    }
}

/// Drops stale snapshots, writes new ones and drops what is beyond the number kept.
pub(crate) async fn put(
    tx: &mut Tx,
    units: &HashMap<UnitKey, i64>,
    stale: &[(UnitKey, Time)],
    (written, columns): Packed,
) -> Result<Replaced> {
    let mut replaced = Replaced::default();
    for (unit, from) in stale {
        let unit_no = number(units, unit)?;
        let sql = "DELETE FROM snapshot WHERE unit_no = $1 AND at >= $2";
        tx.execute(sql, values![unit_no, *from]).await?;
        replaced.stale.push((unit_no, from.micros()));
    }
    if written.is_empty() {
        return Ok(replaced);
    }
    let merge = "ON CONFLICT (unit_no, at) DO UPDATE SET seq = excluded.seq, form = excluded.form, \
                 state = excluded.state";
    tx.insert("snapshot", columns, merge).await?;
    let touched = written.iter().map(|(unit_no, _)| *unit_no).collect();
    replaced.places.extend(written);
    replaced.places.extend(prune(tx, touched).await?);
    Ok(replaced)
}

/// How far units are judged, and what their models newly say, as it is written.
pub(crate) struct PackedProgress {
    judged: Columns,
    reports: Columns,
}

/// Progress as it is written, made before a transaction is open as [`pack`] makes snapshots.
pub(crate) fn pack_progress(
    units: &HashMap<UnitKey, i64>,
    progress: Vec<UnitProgress>,
) -> Result<PackedProgress> {
    let mut fresh: BTreeMap<i64, UnitProgress> = BTreeMap::new();
    for one in progress {
        fresh.insert(number(units, &one.unit)?, one);
    }
    let judged = vec![
        ("unit_no", Column::ints(fresh.keys().copied())),
        ("judged", Column::Ints(fresh.values().map(|p| p.judged.map(Time::micros)).collect())),
        ("received", Column::Ints(fresh.values().map(|p| p.received.map(Time::micros)).collect())),
        ("samples", Column::ints(fresh.values().map(|p| int(p.samples)))),
        ("repeats", Column::ints(fresh.values().map(|p| int(p.repeats)))),
        ("conflicts", Column::ints(fresh.values().map(|p| int(p.conflicts)))),
    ];
    let told: Vec<(i64, ModelReport)> =
        fresh.into_iter().filter_map(|(unit_no, p)| Some((unit_no, p.models?))).collect();
    let reports = vec![
        ("unit_no", Column::ints(told.iter().map(|(unit_no, _)| *unit_no))),
        ("learning", documents(&told, |models| json(&models.learning))?),
        ("seeded", documents(&told, |models| json(&models.seeded))?),
        ("chances", documents(&told, |models| json(&models.chances))?),
        ("software", documents(&told, |models| json(&models.software))?),
    ];
    Ok(PackedProgress { judged, reports })
}

fn documents(told: &[(i64, ModelReport)], of: impl Fn(&ModelReport) -> Result<String>) -> Result<Column> {
    let documents: Vec<String> = told.iter().map(|(_, models)| of(models)).collect::<Result<_>>()?;
    Ok(Column::texts(documents))
}

/// Writes how far units are judged and what their models newly say.
pub(crate) async fn put_progress(tx: &mut Tx, packed: PackedProgress) -> Result<()> {
    let merge = "ON CONFLICT (unit_no) DO UPDATE SET judged = excluded.judged, received = excluded.received, \
                 samples = excluded.samples, repeats = excluded.repeats, conflicts = excluded.conflicts";
    tx.insert("progress", packed.judged, merge).await?;
    let merge = "ON CONFLICT (unit_no) DO UPDATE SET learning = excluded.learning, seeded = excluded.seeded, \
                 chances = excluded.chances, software = excluded.software";
    tx.insert("model_report", packed.reports, merge).await.map(drop)
}

/// Drops what is beyond the number kept, of the units named. Returns what that was.
async fn prune(tx: &mut Tx, units: Vec<i64>) -> Result<Vec<(i64, i64)>> {
    let sql = "SELECT unit_no, at FROM snapshot WHERE unit_no IN INTS($1) ORDER BY unit_no, at DESC";
    let mut held: BTreeMap<i64, Vec<Time>> = BTreeMap::new();
    for row in tx.fetch(sql, values![units]).await? {
        held.entry(row.int("unit_no")?).or_default().push(row.time("at")?);
    }
    let beyond = |(unit_no, times): (&i64, &Vec<Time>)| -> Vec<(i64, i64)> {
        beyond(times).iter().map(|at| (*unit_no, at.micros())).collect()
    };
    let gone: Vec<(i64, i64)> = held.iter().flat_map(beyond).collect();
    if gone.is_empty() {
        return Ok(gone);
    }
    // One statement for all units: at a boundary of event time the whole fleet passes here. The set of units leads to
    // the rows, the names pick among them.
    let sql = "DELETE FROM snapshot WHERE unit_no IN INTS($1) \
               AND CAST(unit_no AS TEXT) || ' ' || CAST(at AS TEXT) IN TEXTS($2)";
    let names: Vec<String> = gone.iter().map(|(unit_no, at)| format!("{unit_no} {at}")).collect();
    let mut units: Vec<i64> = gone.iter().map(|(unit_no, _)| *unit_no).collect();
    units.dedup();
    tx.execute(sql, values![units, names]).await?;
    Ok(gone)
}

/// Which of a unit's snapshots go; `times` stand newest first. Of a day the newest is kept.
fn beyond(times: &[Time]) -> Vec<Time> {
    let Some(newest) = times.first() else { return Vec::new() };
    let mut days = HashSet::new();
    times
        .iter()
        .enumerate()
        .filter(|(ix, at)| {
            let first_of_day = days.insert(at.day());
            let daily = first_of_day && *newest - **at <= KEEP_DAILY;
            *ix >= KEEP_NEWEST && !daily
        })
        .map(|(_, at)| *at)
        .collect()
}

fn number(units: &HashMap<UnitKey, i64>, unit: &UnitKey) -> Result<i64> {
    units.get(unit).copied().ok_or_else(|| Error::Refused(format!("unit {unit} is not registered")))
}

fn progress(row: &Row, models: Option<ModelReport>) -> Result<UnitProgress> {
    Ok(UnitProgress {
        unit: unit_key(row)?,
        judged: row.maybe_time("judged")?,
        received: row.maybe_time("received")?,
        samples: row.count("samples")?,
        repeats: row.count("repeats")?,
        conflicts: row.count("conflicts")?,
        models,
    })
}

fn nothing_known(unit: UnitKey) -> UnitProgress {
    UnitProgress { unit, judged: None, received: None, samples: 0, repeats: 0, conflicts: 0, models: None }
}

/// What models said, when they said anything.
fn model_report(row: &Row) -> Result<Option<ModelReport>> {
    if row.maybe_text("learning")?.is_none() {
        return Ok(None);
    }
    Ok(Some(ModelReport {
        learning: row.json("learning")?,
        seeded: row.json("seeded")?,
        chances: row.json("chances")?,
        software: row.json("software")?,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_and_one_a_day_are_kept() {
        let at = |hours| Time::EPOCH + Span::from_hours(hours);
        let times: Vec<Time> = (0..24 * 40).rev().step_by(6).map(at).collect();
        let gone: HashSet<Time> = beyond(&times).into_iter().collect();
        let kept: Vec<Time> = times.iter().copied().filter(|t| !gone.contains(t)).collect();
        assert_eq!(kept.get(..3), times.get(..3), "the newest three");
        assert_eq!(kept.len(), 3 + 30, "and the newest of each of the thirty days before");
        assert!(kept.iter().all(|t| times[0] - *t <= KEEP_DAILY));
        assert!(beyond(&[]).is_empty());
    }
}
