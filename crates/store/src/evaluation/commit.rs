//! Committing what evaluation found: findings with their events, snapshots, progress and the position, or nothing.
//!
//! Owns the rule which change of a machine half moves the version and which is only told. Never touches the
//! operator half.

use std::collections::{BTreeMap, HashMap};

use notchwatch_model::{EventId, Finding, FindingId, MachinePart, OperatorPart, Seq, Time};

use super::{EvaluationCommit, FindingUpsert, Told};
use crate::damage::{Known, Place};
use crate::db::{Row, Tx, values};
use crate::findings::rows::{NewEvent, Stored, locked, put_events, put_findings, stored};
use crate::register::{give, json};
use crate::{Error, EventKind, Result, Store};

impl Store {
    /// Journal position up to which findings are committed.
    pub async fn evaluated(&self) -> Result<Seq> {
        let rows = self.shared.db.fetch_for_work("SELECT position FROM evaluation", values![]).await?;
        rows.first().map_or(Ok(Seq(0)), |row| row.int("position").map(Seq))
    }

    /// Commits findings, snapshots, progress and the position reached in one transaction. `now` is the receive side.
    /// A finding whose machine part is as recorded changes nothing. Returns the ids of the events appended.
    ///
    /// A change of priority, kind, activity, occurrence or end moves the version and is told as changed (or closed);
    /// a change of the symptoms' set, the onset, the first fault or the time left beyond a tolerance is told as
    /// revised; any other number is recorded without an event. The position never moves back. Errors with
    /// [`Error::Refused`] when a unit is not registered or a number is not finite.
    pub async fn commit_evaluation(&self, commit: EvaluationCommit, now: Time) -> Result<Vec<EventId>> {
        let units = commit.snapshots.iter().map(|s| &s.unit).chain(commit.progress.iter().map(|p| &p.unit));
        let units = units.chain(commit.comms.iter().map(|c| &c.unit));
        let units = units.chain(commit.unjudged.iter().map(|(unit, _)| unit));
        let units = self.unit_numbers(units.chain(commit.stale.iter().map(|(unit, _)| unit))).await?;
        let snapshots = super::snapshots::pack(&units, commit.snapshots)?;
        let progress = super::snapshots::pack_progress(&units, commit.progress)?;
        let mut tx = self.shared.db.write().await?;
        // Taken first by every writer of findings, so that two of them never wait for each other.
        give(&mut tx, "event", 0).await?;
        let (mut wanted, order) = wanted(commit.findings);
        let rows = match locked(&mut tx, order.iter().map(ToString::to_string).collect()).await {
            Err(Error::Damaged { .. }) => {
                // A page cannot be read, and the transaction is lost with that.
                drop(tx);
                for lost in self.unreadable(order.iter().map(ToString::to_string).collect()).await? {
                    wanted.retain(|id, _| id.as_str() != lost);
                }
                tx = self.shared.db.write().await?;
                give(&mut tx, "event", 0).await?;
                locked(&mut tx, wanted.keys().map(ToString::to_string).collect()).await?
            }
            rows => rows?,
        };
        let ids = merge_findings(&self.shared.known, &mut tx, (wanted, order), rows, now).await?;
        let replaced = super::snapshots::put(&mut tx, &units, &commit.stale, snapshots).await?;
        super::snapshots::put_progress(&mut tx, progress).await?;
        super::unjudged::put(&mut tx, &units, commit.position, commit.unjudged).await?;
        crate::comms::put_states(&mut tx, &units, &commit.comms).await?;
        let comms_written = commit.comms_snapshot.is_some();
        crate::comms::put_ticked(&mut tx, commit.ticked, commit.comms_snapshot).await?;
        crate::timeline::put_timelined(&mut tx, commit.timelined).await?;
        let sql = "UPDATE evaluation SET position = $1 WHERE position < $1";
        tx.execute(sql, values![commit.position.0]).await?;
        tx.commit().await?;
        self.shared
            .known
            .forget(|place| replaced.holds(place) || (comms_written && *place == Place::CommsSnapshot));
        if let Some(newest) = ids.last() {
            self.tell(*newest);
        }
        Ok(ids)
    }
}

/// What is to be written, the last of each, and the order in which it is told.
type Wanted = (BTreeMap<FindingId, FindingUpsert>, Vec<FindingId>);

fn wanted(upserts: Vec<FindingUpsert>) -> Wanted {
    let mut wanted = BTreeMap::new();
    let mut order = Vec::with_capacity(upserts.len());
    for upsert in upserts {
        let id = upsert.machine.id.clone();
        if wanted.insert(id.clone(), upsert).is_none() {
            order.push(id);
        }
    }
    (wanted, order)
}

/// A finding of which the row cannot be read stays as it is, and nothing is told of it: what a person decided on it stands
/// in the same row, and one in its place would have forgotten that.
async fn merge_findings(
    known: &Known,
    tx: &mut Tx,
    (mut wanted, order): Wanted,
    rows: Vec<Row>,
    now: Time,
) -> Result<Vec<EventId>> {
    let mut before: HashMap<FindingId, Stored> = HashMap::new();
    for row in rows {
        let id: FindingId = row.parsed("id")?;
        match known.spare(Place::Finding(id.to_string()), stored(&row).map(Some))? {
            Some(stored) => drop(before.insert(id, stored)),
            None => drop(wanted.remove(&id)),
        }
    }
    let (mut fresh, mut events) = (Vec::new(), Vec::new());
    for id in &order {
        let Some(upsert) = wanted.remove(id) else { continue };
        if let Some((row, kinds)) = merge(before.remove(id), upsert, now)? {
            events.extend(kinds.into_iter().map(|kind| NewEvent {
                at: now,
                kind,
                finding: row.finding.clone(),
                decision: None,
            }));
            fresh.push(row);
        }
    }
    if fresh.is_empty() {
        return Ok(Vec::new());
    }
    put_findings(tx, &fresh).await?;
    put_events(tx, &events).await
}

/// The finding to write and what to tell of it; `None` when nothing changed.
fn merge(
    known: Option<Stored>,
    upsert: FindingUpsert,
    now: Time,
) -> Result<Option<(Stored, Vec<EventKind>)>> {
    let document = document(&upsert.machine)?;
    let told = Told::of(&upsert.machine);
    let Some(known) = known else {
        let mut kinds = vec![EventKind::Opened];
        kinds.extend(upsert.machine.ended.map(|_| EventKind::Closed));
        let finding = Finding {
            machine: upsert.machine,
            operator: OperatorPart::default(),
            version: 1,
            recorded: now,
            late: upsert.late,
        };
        return Ok(Some((Stored { finding, document, told }, kinds)));
    };
    if known.document == document {
        return Ok(None);
    }
    let (before, after) = (&known.finding.machine, &upsert.machine);
    if before.unit != after.unit {
        let what = format!("finding {} is of unit {}, not {}", before.id, before.unit, after.unit);
        return Err(Error::Refused(what));
    }
    let (moves, differs) = (matters(before, after), known.told.differs(&told));
    let (was_open, told_priority) = (known.finding.open(), before.priority);
    let mut finding = Finding { machine: upsert.machine, ..known.finding };
    let mut kinds = Vec::new();
    if moves {
        finding.version = finding.version.saturating_add(1);
        kinds.push(match finding.open() {
            false if was_open => EventKind::Closed,
            true if finding.machine.priority > told_priority => EventKind::Lowered,
            _ => EventKind::Changed,
        });
    } else if differs {
        kinds.push(EventKind::Revised);
    }
    let told = if kinds.is_empty() { known.told } else { told };
    Ok(Some((Stored { finding, document, told }, kinds)))
}

/// Whether a change matters to a decision.
fn matters(before: &MachinePart, after: &MachinePart) -> bool {
    (before.priority, before.kind, before.active, before.occurrence, before.ended, &before.part_of)
        != (after.priority, after.kind, after.active, after.occurrence, after.ended, &after.part_of)
}

/// The machine half as JSON, which has to come back: a number that is not finite would not.
fn document(machine: &MachinePart) -> Result<String> {
    let text = json(machine)?;
    serde_json::from_str::<MachinePart>(&text)
        .map(|_| text)
        .map_err(|e| Error::Refused(format!("finding {} does not come back from JSON: {e}", machine.id)))
}
