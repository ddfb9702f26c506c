//! Looking at what stands as documents: findings, events, decisions, snapshots. Each is read as its readers read it.
//!
//! Refuses to leave any out of reads: a finding that cannot be read is an error for who asks for it, and is named here.

use super::{AT_ONCE, Checked};
use crate::damage::{Damage, Known, Place};
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

/// Walks the newest `most` of each.
pub(super) async fn walk(db: &Db, known: &Known, most: u64, done: &mut Checked) -> Result<()> {
    let text = |row: &Row| Ok(Value::from(row.text("key")?));
    let number = |row: &Row| Ok(Value::from(row.int("key")?));
    let look = |row: &Row| look_at_finding(row).map(|found| done.damage.extend(found));
    let walked = each(db, FINDINGS, most, Value::Text(None), text, look, &mut done.findings).await;
    known.spare(Place::Table("finding"), walked)?;
    let look = |row: &Row| look_at_event(row).map(|found| done.damage.extend(found));
    let walked = each(db, EVENTS, most, Value::Int(None), number, look, &mut done.events).await;
    known.spare(Place::Table("event"), walked)?;
    let look = |row: &Row| look_at_decision(known, row);
    let walked = each(db, DECISIONS, most, Value::Int(None), number, look, &mut done.decisions).await;
    known.spare(Place::Table("decision"), walked)?;
    known.spare(Place::Table("snapshot"), snapshots(db, known, most, &mut done.snapshots).await)
}

/// Pages through a table by its key, downwards.
async fn each(
    db: &Db,
    sql: &'static str,
    most: u64,
    mut before: Value,
    key: impl Fn(&Row) -> Result<Value>,
    mut look: impl FnMut(&Row) -> Result<()>,
    looked: &mut u64,
) -> Result<()> {
    loop {
        let page = AT_ONCE.min(most - *looked);
        let rows = db.fetch(sql, vec![before, Value::from(int(page))]).await?;
        for row in &rows {
            look(row)?;
            *looked += 1;
        }
        match rows.last() {
            Some(last) if rows.len() as u64 == page && *looked < most => before = key(last)?,
            _ => return Ok(()),
        }
    }
}

/// What reads noted is not forgotten here: of a state that unpacks, its readers alone know whether it is one.
async fn snapshots(db: &Db, known: &Known, most: u64, looked: &mut u64) -> Result<()> {
    let mut before = None;
    loop {
        let page = AT_ONCE.min(most - *looked);
        let (unit_no, at) = before.map_or((None, 0), |(unit_no, at): (i64, i64)| (Some(unit_no), at));
        let rows = db.fetch(SNAPSHOTS, values![unit_no, at, int(page)]).await?;
        for row in &rows {
            let (unit_no, at) = (row.int("unit_no")?, row.int("at")?);
            before = Some((unit_no, at));
            let read = row.blob("state").and_then(|state| decompress(&state).map_err(|b| b.at("snapshot")));
            match read {
                Ok(_) => {}
                Err(Error::Damaged { what, .. }) => {
                    known.note(Place::Snapshot { unit_no, at }, what);
                }
                Err(other) => return Err(other),
            }
            *looked += 1;
        }
        if (rows.len() as u64) < page || *looked == most {
            return Ok(());
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

fn look_at_decision(known: &Known, row: &Row) -> Result<()> {
    known.spare(Place::Decision { id: row.int("key")? }, decision(row).map(Some)).map(drop)
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
