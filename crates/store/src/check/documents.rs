//! Looking at what stands as documents: findings, events, decisions, timelines, clock ticks, snapshots. Each is read as its readers read it.

use notchwatch_model::RailwayFilter;

use super::{AT_ONCE, Checked};
use crate::comms::TICKS;
use crate::damage::{Known, Place};
use crate::db::{Db, values};
use crate::findings::log::{DECISIONS, EVENTS};
use crate::findings::rows::{finding, finding_columns};
use crate::pack::bytes::decompress;
use crate::timeline::STEPS;
use crate::{Error, Result, Store, int};

/// Findings, newest id first in the order of text: any order walks them all.
const FINDINGS: &str = concat!(
    "SELECT id AS key, ",
    finding_columns!(),
    " FROM finding WHERE ($1 IS NULL OR id < $1) ORDER BY id DESC LIMIT $2"
);
const SNAPSHOTS: &str = "SELECT unit_no, at, state FROM snapshot \
    WHERE $1 IS NULL OR unit_no < $1 OR (unit_no = $1 AND at < $2) ORDER BY unit_no DESC, at DESC LIMIT $3";

/// Walks the newest `most` of each.
pub(super) async fn walk(store: &Store, most: u64, done: &mut Checked) -> Result<()> {
    let (db, known) = (&store.shared.db, &store.shared.known);
    known.spare(Place::Table("finding"), findings(db, known, most, &mut done.findings).await)?;
    done.events = store.log_walked(&EVENTS, most, values![true, Vec::<String>::new()]).await?;
    done.decisions = store.log_walked(&DECISIONS, most, vec![]).await?;
    done.timelines = store.log_walked(&STEPS, most, vec![]).await?;
    done.ticks = store.log_walked(&TICKS, most, vec![]).await?;
    let all = &RailwayFilter::All;
    known.spare(Place::Table("progress"), store.progress(all).await.map(drop))?;
    known.spare(Place::Table("comms"), store.comms(all).await.map(drop))?;
    known.spare(Place::Table("snapshot"), snapshots(db, known, most, &mut done.snapshots).await)
}

async fn findings(db: &Db, known: &Known, most: u64, looked: &mut u64) -> Result<()> {
    let mut before: Option<String> = None;
    loop {
        let page = AT_ONCE.min(most - *looked);
        let rows = db.fetch(FINDINGS, values![before.as_deref(), int(page)]).await?;
        for row in &rows {
            let id = row.text("key")?;
            before = Some(id.clone());
            known.spare(Place::Finding(id), finding(row).map(drop))?;
            *looked += 1;
        }
        if (rows.len() as u64) < page || *looked == most {
            return Ok(());
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
