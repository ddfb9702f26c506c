//! Rows of findings and of the event log.

use notchwatch_model::{
    Decision, DecisionId, EventId, Finding, MachinePart, OperatorPart, Priority, Symptom, SymptomKind, Time,
    UnitKey,
};

use super::{Event, EventKind};
use crate::db::{Column, Row, Tx, values};
use crate::evaluation::Told;
use crate::pack::bytes::{compress, decompress};
use crate::register::{give, json, unit_key};
use crate::{Error, Result};

/// A finding with what stands beside it in its row.
#[derive(Debug, Clone)]
pub(crate) struct Stored {
    pub(crate) finding: Finding,
    /// The machine half as it is written.
    pub(crate) document: String,
    pub(crate) told: Told,
}

/// An event to append.
pub(crate) struct NewEvent {
    pub(crate) at: Time,
    pub(crate) kind: EventKind,
    pub(crate) finding: Finding,
    pub(crate) decision: Option<DecisionId>,
}

/// Columns that [`finding`] reads.
macro_rules! finding_columns {
    () => {
        "machine, operator, version, recorded, late"
    };
}
pub(crate) use finding_columns;

/// A finding of a row with [`finding_columns`].
pub(crate) fn finding(row: &Row) -> Result<Finding> {
    Ok(Finding {
        machine: row.json("machine")?,
        operator: row.json("operator")?,
        version: version(row)?,
        recorded: row.time("recorded")?,
        late: row.flag("late")?,
    })
}

/// Rows of findings that [`stored`] reads, locked until the transaction ends.
pub(crate) async fn locked(tx: &mut Tx, ids: Vec<String>) -> Result<Vec<Row>> {
    let sql = concat!(
        "SELECT id, ",
        finding_columns!(),
        ", machine AS document, told FROM finding WHERE id IN TEXTS($1) LOCKED"
    );
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    tx.fetch(sql, values![ids]).await
}

/// A finding of a row of [`locked`]. What was told last and cannot be read is taken to be what stands.
pub(crate) fn stored(row: &Row) -> Result<Stored> {
    let finding = finding(row)?;
    let told = row.json("told").unwrap_or_else(|_| Told::of(&finding.machine));
    Ok(Stored { document: row.text("document")?, told, finding })
}

/// Writes the machine halves. The operator half of a finding that exists is not touched.
pub(crate) async fn put_findings(tx: &mut Tx, rows: &[Stored]) -> Result<()> {
    let all = || rows.iter().map(|r| &r.finding);
    let machine = || rows.iter().map(|r| &r.finding.machine);
    let operator = rows.iter().map(|r| json(&r.finding.operator)).collect::<Result<Vec<_>>>()?;
    let told = rows.iter().map(|r| json(&r.told)).collect::<Result<Vec<_>>>()?;
    let columns = vec![
        ("id", Column::texts(machine().map(|m| m.id.to_string()))),
        ("railway", Column::texts(machine().map(|m| m.unit.railway.to_string()))),
        ("unit", Column::texts(machine().map(|m| m.unit.unit.to_string()))),
        ("class", Column::texts(machine().map(|m| m.class.to_string()))),
        ("system", Column::texts(machine().map(|m| m.system.word().to_owned()))),
        ("kind", Column::texts(machine().map(|m| m.kind.word().to_owned()))),
        ("priority", Column::ints(machine().map(|m| rank(m.priority)))),
        ("open", Column::Bools(all().map(Finding::open).collect())),
        ("due", Column::ints(machine().map(due))),
        ("fault", Column::Texts(machine().map(|m| m.faults.first().map(|f| f.id.to_string())).collect())),
        ("onset", Column::ints(machine().map(|m| m.onset.micros()))),
        ("opened", Column::ints(machine().map(|m| m.opened.micros()))),
        ("recorded", Column::ints(all().map(|f| f.recorded.micros()))),
        ("active", Column::Bools(machine().map(|m| m.active).collect())),
        ("occurrence", Column::ints(machine().map(|m| i64::from(m.occurrence)))),
        (
            "acknowledged_occurrence",
            Column::ints(all().map(|f| i64::from(f.operator.acknowledged_occurrence))),
        ),
        ("late", Column::Bools(all().map(|f| f.late).collect())),
        ("version", Column::ints(all().map(|f| i64::from(f.version)))),
        ("machine", Column::texts(rows.iter().map(|r| r.document.clone()))),
        ("operator", Column::texts(operator)),
        ("told", Column::texts(told)),
    ];
    let merge = "ON CONFLICT (id) DO UPDATE SET class = excluded.class, system = excluded.system, \
                 kind = excluded.kind, priority = excluded.priority, open = excluded.open, due = excluded.due, fault = excluded.fault, \
                 onset = excluded.onset, opened = excluded.opened, active = excluded.active, \
                 occurrence = excluded.occurrence, version = excluded.version, machine = excluded.machine, \
                 told = excluded.told";
    tx.insert("finding", columns, merge).await.map(drop)
}

/// Writes the operator half of a finding, and the version that goes with it.
pub(crate) async fn put_operator(tx: &mut Tx, finding: &Finding) -> Result<()> {
    let sql = "UPDATE finding SET operator = $2, acknowledged_occurrence = $3, open = $4, version = $5, \
               taken_by = $6, waiting_until = $7, shelved_until = $8, out_until = $9 WHERE id = $1";
    let operator: &OperatorPart = &finding.operator;
    let values = values![
        finding.machine.id.as_str(),
        json(operator)?,
        i64::from(operator.acknowledged_occurrence),
        finding.open(),
        i64::from(finding.version),
        operator.taken_by.as_ref().map(notchwatch_model::AccountName::as_str),
        operator.waiting_until,
        operator.shelved.as_ref().map(|(until, _)| *until),
        operator.out_of_service.as_ref().map(|(until, _)| *until),
    ];
    match tx.execute(sql, values).await? {
        1 => Ok(()),
        rows => Err(Error::Damaged {
            place: format!("finding {}", finding.machine.id),
            what: format!("{rows} rows were written instead of one"),
        }),
    }
}

/// Appends events in order; returns their ids.
pub(crate) async fn put_events(tx: &mut Tx, events: &[NewEvent]) -> Result<Vec<EventId>> {
    if events.is_empty() {
        return Ok(Vec::new());
    }
    let first = give(tx, "event", events.len()).await?;
    let ids: Vec<i64> = (first..).take(events.len()).collect();
    let documents = events
        .iter()
        .map(|e| json(&e.finding).map(|text| compress(text.as_bytes())))
        .collect::<Result<Vec<_>>>()?;
    let columns = vec![
        ("id", Column::ints(ids.iter().copied())),
        ("at", Column::ints(events.iter().map(|e| e.at.micros()))),
        ("kind", Column::texts(events.iter().map(|e| e.kind.word().to_owned()))),
        ("railway", Column::texts(events.iter().map(|e| e.finding.machine.unit.railway.to_string()))),
        ("finding", Column::texts(events.iter().map(|e| e.finding.machine.id.to_string()))),
        ("version", Column::ints(events.iter().map(|e| i64::from(e.finding.version)))),
        ("decision", Column::Ints(events.iter().map(|e| e.decision.map(|d| d.0)).collect())),
        ("document", Column::blobs(documents)),
    ];
    tx.insert("event", columns, "").await?;
    Ok(ids.into_iter().map(EventId).collect())
}

/// An event of a row.
pub(crate) fn event(row: &Row) -> Result<Event> {
    let id = row.int("id")?;
    let damaged = |what: String| Error::Damaged { place: format!("event {id}"), what };
    let text = decompress(&row.blob("document")?).map_err(|b| damaged(b.to_string()))?;
    let finding = serde_json::from_slice(&text).map_err(|e| damaged(e.to_string()))?;
    Ok(Event { id: EventId(id), at: row.time("at")?, kind: kind(row)?, finding })
}

/// A decision of a row.
pub(crate) fn decision(row: &Row) -> Result<Decision> {
    let account = row.text("account")?;
    let by = notchwatch_model::AccountName::new(&account)
        .map_err(|e| Error::Damaged { place: "decision".into(), what: e.to_string() })?;
    let unit: UnitKey = unit_key(row)?;
    let seen = u32::try_from(row.int("seen")?)
        .map_err(|e| Error::Damaged { place: "decision".into(), what: e.to_string() })?;
    Ok(Decision {
        id: DecisionId(row.int("id")?),
        at: row.time("at")?,
        by,
        unit,
        finding: row.parsed("finding")?,
        act: row.json("act")?,
        seen,
        effective: row.flag("effective")?,
    })
}

pub(crate) fn kind(row: &Row) -> Result<EventKind> {
    let word = row.text("kind")?;
    EventKind::ALL
        .into_iter()
        .find(|k| k.word() == word)
        .ok_or_else(|| Error::Damaged { place: "event".into(), what: format!("{word:?} is not a kind") })
}

pub(crate) fn version(row: &Row) -> Result<u32> {
    u32::try_from(row.int("version")?)
        .map_err(|e| Error::Damaged { place: "column version".into(), what: e.to_string() })
}

/// When a limit was reached, while that lasts, or will be by the middle estimate, in microseconds; the largest number when
/// that is not estimated.
pub(crate) fn due(machine: &MachinePart) -> i64 {
    let beyond = |s: &&Symptom| s.kind == SymptomKind::Limit && machine.lasting.contains(&s.id());
    if let Some(reached) = machine.symptoms.iter().filter(beyond).map(|s| s.onset).min() {
        return reached.micros();
    }
    machine.time_to_limit.as_ref().map_or(i64::MAX, |limit| {
        #[expect(clippy::cast_possible_truncation, reason = "held within what an integer of this size takes")]
        let seconds = limit.p50.clamp(-1e12, 1e12) as i64;
        limit.from.micros().saturating_add(seconds.saturating_mul(1_000_000))
    })
}

/// Order of priorities in lists: critical first.
pub(crate) fn rank(priority: Priority) -> i64 {
    match priority {
        Priority::Critical => 0,
        Priority::High => 1,
        Priority::Medium => 2,
        Priority::Low => 3,
    }
}
