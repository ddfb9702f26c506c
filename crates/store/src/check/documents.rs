//! Looking at what stands as documents: findings, events, decisions, snapshots. Each is read as its readers read it.
//!
//! Refuses to leave any out of reads: a finding that cannot be read is an error for who asks for it, and is named here.

use super::AT_ONCE;
use crate::damage::Damage;
use crate::db::{Db, Row, Value, values};
use crate::findings::rows::{decision, event, finding, finding_columns};
use crate::pack::bytes::decompress;
use crate::{Error, Result, int};

/// Findings, newest id first in the order of text: any order walks them all.
const FINDINGS: &str = concat!(
    "SELECT id AS key, ",
    finding_columns!(),
    " FROM finding WHERE ($1 IS NULL OR id < $1) ORDER BY id DESC LIMIT $2"
);
const EVENTS: &str = "SELECT id AS key, id, at, kind, document FROM event \
    WHERE ($1 IS NULL OR id < $1) ORDER BY id DESC LIMIT $2";
const DECISIONS: &str = "SELECT id AS key, id, at, account, railway, unit, finding, act, seen, effective FROM decision \
    WHERE ($1 IS NULL OR id < $1) ORDER BY id DESC LIMIT $2";
const SNAPSHOTS: &str = "SELECT unit_no, at, state FROM snapshot \
    WHERE $1 IS NULL OR unit_no < $1 OR (unit_no = $1 AND at < $2) ORDER BY unit_no DESC, at DESC LIMIT $3";

/// How many were looked at, and what is wrong.
#[derive(Debug, Default)]
pub(super) struct Documents {
    pub(super) findings: u64,
    pub(super) events: u64,
    pub(super) decisions: u64,
    pub(super) snapshots: u64,
    pub(super) damage: Vec<Damage>,
}

/// Walks the newest `most` of each.
pub(super) async fn walk(db: &Db, most: usize) -> Result<Documents> {
    let mut done = Documents::default();
    let damage = &mut done.damage;
    let text = |row: &Row| Ok(Value::from(row.text("key")?));
    let number = |row: &Row| Ok(Value::from(row.int("key")?));
    done.findings = each(db, FINDINGS, most, Value::Text(None), text, damage, look_at_finding).await?;
    done.events = each(db, EVENTS, most, Value::Int(None), number, damage, look_at_event).await?;
    done.decisions = each(db, DECISIONS, most, Value::Int(None), number, damage, look_at_decision).await?;
    done.snapshots = snapshots(db, most, damage).await?;
    Ok(done)
}

/// Pages through a table by its key, downwards.
async fn each(
    db: &Db,
    sql: &'static str,
    most: usize,
    mut before: Value,
    key: impl Fn(&Row) -> Result<Value>,
    damage: &mut Vec<Damage>,
    look: fn(&Row) -> Result<Option<Damage>>,
) -> Result<u64> {
    let mut looked = 0;
    loop {
        let page = AT_ONCE.min(most - looked);
        let rows = db.fetch(sql, vec![before, Value::from(int(page))]).await?;
        for row in &rows {
            damage.extend(look(row)?);
        }
        looked += rows.len();
        match rows.last() {
            Some(last) if rows.len() == page && looked < most => before = key(last)?,
            _ => return Ok(looked as u64),
        }
    }
}

async fn snapshots(db: &Db, most: usize, damage: &mut Vec<Damage>) -> Result<u64> {
    let (mut before, mut looked) = (None, 0);
    loop {
        let page = AT_ONCE.min(most - looked);
        let (unit_no, at) = before.map_or((None, 0), |(unit_no, at): (i64, i64)| (Some(unit_no), at));
        let rows = db.fetch(SNAPSHOTS, values![unit_no, at, int(page)]).await?;
        for row in &rows {
            let (unit_no, at) = (row.int("unit_no")?, row.time("at")?);
            before = Some((unit_no, at.micros()));
            let read = decompress(&row.blob("state")?).map_err(|b| b.at("snapshot"));
            let lost =
                "a state of the unit's models: the one before is used, and what came since is folded again";
            let remedy = "none needed; if it stays, delete the row";
            damage.extend(named(read, || format!("snapshot of unit_no {unit_no} at {at}"), lost, remedy)?);
        }
        looked += rows.len();
        if rows.len() < page || looked == most {
            return Ok(looked as u64);
        }
    }
}

fn look_at_finding(row: &Row) -> Result<Option<Damage>> {
    let id = row.text("key")?;
    let lost = "the finding, and lists that hold it";
    named(finding(row), || format!("finding {id}"), lost, "restore a backup")
}

fn look_at_event(row: &Row) -> Result<Option<Damage>> {
    let id = row.int("key")?;
    let lost = "what the event told, and streams that read past it";
    named(event(row), || format!("event {id}"), lost, "restore a backup")
}

fn look_at_decision(row: &Row) -> Result<Option<Damage>> {
    let id = row.int("key")?;
    let lost = "the decision, and judging what it concerns";
    named(decision(row), || format!("decision {id}"), lost, "restore a backup")
}

/// Damage as it is told; other errors stay errors.
fn named<T>(
    read: Result<T>,
    place: impl FnOnce() -> String,
    lost: &'static str,
    remedy: &'static str,
) -> Result<Option<Damage>> {
    match read {
        Ok(_) => Ok(None),
        Err(Error::Damaged { what, .. }) => Ok(Some(Damage { place: place(), what, lost, remedy })),
        Err(other) => Err(other),
    }
}
