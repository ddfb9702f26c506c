//! States from which evaluation goes on, read past those that are damaged.
//!
//! Owns what stands in for a state that cannot be read: the one before it, or none. Refuses to drop any: what is damaged
//! is noted, and goes when it is written anew or by its age.

use notchwatch_model::{Seq, Time, UnitKey};

use super::Snapshot;
use crate::damage::Place;
use crate::db::{Row, values};
use crate::pack::bytes::decompress;
use crate::{CommsSnapshot, Error, Result, Store};

impl Store {
    /// Newest snapshot of a unit taken at or before an event time (`None`: the newest of all) that can be read.
    pub async fn snapshot(&self, unit: &UnitKey, at_or_before: Option<Time>) -> Result<Option<Snapshot>> {
        self.snapshot_with(unit, at_or_before, Ok).await
    }

    /// What `read` makes of the newest snapshot of a unit taken at or before an event time (`None`: the newest of all). One
    /// that cannot be read, or of which `read` says why it is no state, is noted as damage, and the one before it is tried.
    ///
    /// Every snapshot holds: late data drop those at and after their time in the transaction that judges them.
    pub async fn snapshot_with<T>(
        &self,
        unit: &UnitKey,
        at_or_before: Option<Time>,
        read: impl Fn(Snapshot) -> std::result::Result<T, String>,
    ) -> Result<Option<T>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(None) };
        let known = &self.shared.known;
        let mut before = at_or_before.map(Time::micros);
        while let Some((at, found)) = self.newest_snapshot(unit_no, unit, before).await? {
            let place = Place::Snapshot { unit_no, at };
            let no_state = |what| Error::Damaged { place: place.to_string(), what };
            match found.and_then(|snapshot| read(snapshot).map_err(no_state)) {
                Ok(read) => {
                    known.spare(place, Ok(()))?;
                    return Ok(Some(read));
                }
                Err(Error::Damaged { what, .. }) => {
                    if known.note(place.clone(), what) {
                        tracing::warn!(%unit, snapshot = %place, "going on from the snapshot before it, or from none");
                    }
                }
                Err(other) => return Err(other),
            }
            let Some(earlier) = at.checked_sub(1) else { return Ok(None) };
            before = Some(earlier);
        }
        Ok(None)
    }

    /// What `read` makes of the comms fold's state as committed last. `None` where there is none; one that cannot be read,
    /// or of which `read` says why it is no state, is noted as damage and counts as none.
    pub async fn comms_state<T>(
        &self,
        read: impl FnOnce(CommsSnapshot) -> std::result::Result<T, String>,
    ) -> Result<Option<T>> {
        let place = Place::CommsSnapshot;
        let no_state = |what| Error::Damaged { place: place.to_string(), what };
        let found =
            self.comms_snapshot().await.and_then(|found| found.map(read).transpose().map_err(no_state));
        self.shared.known.spare(place, found)
    }

    /// The newest snapshot of a unit up to an event time in microseconds: when it was taken, and it itself if it can be read.
    async fn newest_snapshot(
        &self,
        unit_no: i64,
        unit: &UnitKey,
        before: Option<i64>,
    ) -> Result<Option<(i64, Result<Snapshot>)>> {
        let sql = "SELECT at, seq, form, state FROM snapshot WHERE unit_no = $1 AND ($2 IS NULL OR at <= $2) \
                   ORDER BY at DESC LIMIT 1";
        match self.fetch(sql, values![unit_no, before]).await {
            Ok(rows) => rows.first().map(|row| Ok((row.int("at")?, snapshot(unit, row)))).transpose(),
            // The pages of its state cannot be read: when it was taken stands in the index.
            Err(damaged @ Error::Damaged { .. }) => {
                let sql =
                    "SELECT MAX(at) AS at FROM snapshot WHERE unit_no = $1 AND ($2 IS NULL OR at <= $2)";
                let rows = self.fetch(sql, values![unit_no, before]).await?;
                let at = rows.first().map_or(Ok(None), |row| row.maybe_int("at"))?;
                Ok(at.map(|at| (at, Err(damaged))))
            }
            Err(other) => Err(other),
        }
    }
}

fn snapshot(unit: &UnitKey, row: &Row) -> Result<Snapshot> {
    let place = || format!("snapshot of unit {unit}");
    let state = decompress(&row.blob("state")?).map_err(|broken| broken.at(place()))?;
    let form = u32::try_from(row.int("form")?)
        .map_err(|e| Error::Damaged { place: place(), what: e.to_string() })?;
    Ok(Snapshot { unit: unit.clone(), at: row.time("at")?, seq: Seq(row.int("seq")?), form, state })
}
