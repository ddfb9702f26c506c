//! Comms: clock ticks, states of links, and the snapshot of their fold.
//!
//! Owns what a tick says of the logs beside it: every journal row, decision and refusal up to its positions was
//! committed before it. Refuses to judge.

use notchwatch_model::{
    ClockTick, CommsState, DecisionId, MachinePart, OWN_RAILWAY, RailwayFilter, RefusedOfUnit, Seq, Span,
    Time, UnitComms, UnitKey,
};
use std::collections::{BTreeSet, HashMap};

use crate::access::seen;
use crate::damage::Place;
use crate::db::{Column, Row, Tx, values};
use crate::log::{Log, LogPart};
use crate::pack::bytes::{compress, decompress};
use crate::register::{give, json, unit_key};
use crate::{Error, Result, Store, int};

/// State of the comms fold between two ticks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommsSnapshot {
    /// Journal position whose messages it holds.
    pub seq: Seq,
    /// Newest tick in it.
    pub tick: i64,
    /// Form of `state`; one of another form is not read.
    pub form: u32,
    /// Opaque to the store.
    pub state: Vec<u8>,
}

/// An outage of this service, as its finding tells it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnOutage {
    /// Began.
    pub since: Time,
    /// Ended; absent while it lasts.
    pub until: Option<Time>,
    /// In words.
    pub title: String,
}

/// Links of the units for which a condition holds.
macro_rules! links_sql {
    ($which:literal) => {
        concat!(
            "SELECT c.unit_no, u.railway, u.unit, c.state, c.since, c.heard, c.usual, c.quiet_limit, c.clock_offset ",
            "FROM comms c JOIN unit u ON u.unit_no = c.unit_no WHERE ",
            $which,
            " ORDER BY u.railway, u.unit"
        )
    };
}

pub(crate) const TICKS: Log<ClockTick> = Log {
    counter: "tick",
    rows: "SELECT id AS position, id, at, seq, decided, trouble, refused FROM clock_tick \
           WHERE id > $1 AND id <= $2 ORDER BY id LIMIT $3",
    place: |id| Place::Tick { id },
    read: |_, row| tick(row),
};

impl Store {
    /// Records a reading of the clock, with what happened before it. Refusals that cannot be read are noted as damage, and
    /// the reading tells of none.
    pub async fn put_tick(&self, at: Time, trouble: &[String]) -> Result<ClockTick> {
        let told = self.put_tick_with(at, trouble, true).await.map(Some);
        match self.shared.known.spare(Place::Table("quarantine"), told)? {
            Some(tick) => Ok(tick),
            None => self.put_tick_with(at, trouble, false).await,
        }
    }

    async fn put_tick_with(&self, at: Time, trouble: &[String], refusals: bool) -> Result<ClockTick> {
        let mut tx = self.shared.db.write().await?;
        // Holds back journal rows and ticks of others until this is committed.
        let seq = give(&mut tx, "journal", 0).await? - 1;
        let id = give(&mut tx, "tick", 1).await?;
        let sql = "SELECT name, value FROM counter WHERE name IN ('decision', 'quarantine')";
        let mut ends = HashMap::new();
        for row in tx.fetch(sql, values![]).await? {
            ends.insert(row.text("name")?, row.int("value")?);
        }
        let end = |name: &str| ends.get(name).copied().unwrap_or_default();
        let (decided, quarantined) = (end("decision"), end("quarantine"));
        let refused = if refusals { refused(&mut tx, id, quarantined).await? } else { vec![] };
        let sql = "INSERT INTO clock_tick (id, at, seq, decided, quarantined, trouble, refused) \
                   VALUES ($1, $2, $3, $4, $5, $6, $7)";
        let (words, told) = (json(&trouble)?, json(&refused)?);
        tx.execute(sql, values![id, at, seq, decided, quarantined, words, told]).await?;
        tx.commit().await?;
        let (seq, decided) = (Seq(seq), DecisionId(decided));
        Ok(ClockTick { id, at, seq, decided, trouble: trouble.to_vec(), refused })
    }

    /// Ticks after one, in order.
    pub async fn ticks_after(&self, after: i64, limit: usize) -> Result<LogPart<ClockTick, i64>> {
        self.log_part(&TICKS, after, limit, vec![]).await
    }

    /// Newest tick whose findings are committed.
    pub async fn ticked(&self) -> Result<i64> {
        let rows = self.fetch("SELECT ticked FROM evaluation", values![]).await?;
        rows.first().map_or(Ok(0), |row| row.int("ticked"))
    }

    /// Newest tick recorded: its time and whether it told of trouble. `None` when there is none, or when it cannot be read.
    pub async fn newest_tick(&self) -> Result<Option<ClockTick>> {
        let newest = self.log_end(&TICKS).await?;
        Ok(self.ticks_after(newest - 1, 1).await?.items.pop())
    }

    /// Drops ticks before a time that a snapshot already holds. Returns how many.
    pub async fn drop_ticks(&self, before: Time) -> Result<u64> {
        let mut tx = self.shared.db.write().await?;
        let sql = "DELETE FROM clock_tick WHERE at < $1 AND id < (SELECT MIN(tick) FROM comms_snapshot) \
                   RETURNING id";
        let gone = tx.fetch(sql, values![before]).await?;
        tx.commit().await?;
        let place = |row: &Row| Ok(Place::Tick { id: row.int("id")? });
        let gone: BTreeSet<Place> = gone.iter().map(place).collect::<Result<_>>()?;
        self.shared.known.forget(|place| gone.contains(place));
        Ok(gone.len() as u64)
    }

    /// State of the comms fold as committed last.
    pub async fn comms_snapshot(&self) -> Result<Option<CommsSnapshot>> {
        let sql = "SELECT seq, tick, form, state FROM comms_snapshot";
        let rows = self.fetch(sql, values![]).await?;
        let Some(row) = rows.first() else { return Ok(None) };
        let place = || "comms snapshot".to_owned();
        let state = decompress(&row.blob("state")?).map_err(|b| b.at(place()))?;
        let form = u32::try_from(row.int("form")?)
            .map_err(|e| Error::Damaged { place: place(), what: e.to_string() })?;
        Ok(Some(CommsSnapshot { seq: Seq(row.int("seq")?), tick: row.int("tick")?, form, state }))
    }

    /// States of links, by railway and unit.
    pub async fn comms(&self, filter: &RailwayFilter) -> Result<Vec<UnitComms>> {
        let sql = links_sql!("($1 OR u.railway IN TEXTS($2))");
        let (all, railways) = seen(filter);
        let rows = self.fetch(sql, values![all, railways]).await?;
        self.spared_comms(&rows)
    }

    /// The same for some units.
    pub async fn comms_of(&self, units: &[UnitKey]) -> Result<Vec<UnitComms>> {
        let sql = links_sql!("c.unit_no IN INTS($1)");
        let numbers: Vec<i64> = self.unit_numbers(units).await?.into_values().collect();
        self.spared_comms(&self.fetch(sql, values![numbers]).await?)
    }

    /// The newest outages of this service. They concern every railway, and name none.
    pub async fn own_outages(&self, limit: usize) -> Result<Vec<OwnOutage>> {
        let sql = "SELECT id, machine FROM finding WHERE railway = $1 ORDER BY opened DESC, id LIMIT $2";
        let rows = self.fetch(sql, values![OWN_RAILWAY, int(limit)]).await?;
        let outage = |row: &Row| {
            let machine: MachinePart = row.json("machine")?;
            let until = machine.ended.map(|(at, _)| at);
            Ok(OwnOutage { since: machine.onset, until, title: machine.title })
        };
        self.shared.known.spare_each(&rows, |row| Ok(Place::Finding(row.text("id")?)), outage)
    }

    fn spared_comms(&self, rows: &[Row]) -> Result<Vec<UnitComms>> {
        let place = |row: &Row| Ok(Place::Comms { unit_no: row.int("unit_no")? });
        self.shared.known.spare_each(rows, place, unit_comms)
    }
}

/// Refused since the tick before, of registered units, for reasons that concern a link.
async fn refused(tx: &mut Tx, tick: i64, to: i64) -> Result<Vec<RefusedOfUnit>> {
    let sql = "SELECT g.railway, g.unit, g.reason, g.messages, q.received, q.detail FROM ( \
               SELECT r.railway AS railway, r.unit AS unit, r.reason AS reason, COUNT(*) AS messages, \
               MAX(r.id) AS newest FROM quarantine r JOIN unit u ON u.railway = r.railway AND u.unit = r.unit \
               WHERE r.id > COALESCE((SELECT MAX(quarantined) FROM clock_tick WHERE id = $1), $2) AND r.id <= $2 \
               AND r.reason IN ('clock-ahead', 'clock-behind', 'wrong-unit') \
               GROUP BY r.railway, r.unit, r.reason) g JOIN quarantine q ON q.id = g.newest \
               ORDER BY g.railway, g.unit, g.reason";
    let rows = tx.fetch(sql, values![tick - 1, to]).await?;
    let damaged = |what: String| Error::Damaged { place: "quarantine".into(), what };
    rows.iter()
        .map(|row| {
            let code = row.text("reason")?;
            Ok(RefusedOfUnit {
                railway: row.parsed("railway")?,
                unit: row.parsed("unit")?,
                reason: notchwatch_model::Reason::from_code(&code)
                    .ok_or_else(|| damaged(format!("{code:?} is not a reason")))?,
                messages: u32::try_from(row.int("messages")?).map_err(|e| damaged(e.to_string()))?,
                received: row.time("received")?,
                detail: row.text("detail")?,
            })
        })
        .collect()
}

fn tick(row: &Row) -> Result<ClockTick> {
    Ok(ClockTick {
        id: row.int("id")?,
        at: row.time("at")?,
        seq: Seq(row.int("seq")?),
        decided: DecisionId(row.int("decided")?),
        trouble: row.json("trouble")?,
        refused: row.json("refused")?,
    })
}

fn unit_comms(row: &Row) -> Result<UnitComms> {
    let word = row.text("state")?;
    let state = CommsState::from_word(&word)
        .ok_or_else(|| Error::Damaged { place: "comms".into(), what: format!("{word:?} is not a state") })?;
    let span = |micros: Option<i64>| micros.map(Span::from_micros);
    Ok(UnitComms {
        unit: unit_key(row)?,
        state,
        since: row.time("since")?,
        heard: row.maybe_time("heard")?,
        usual: span(row.maybe_int("usual")?),
        limit: Span::from_micros(row.int("quiet_limit")?),
        clock_offset: span(row.maybe_int("clock_offset")?),
    })
}

/// Writes states of links.
pub(crate) async fn put_states(
    tx: &mut Tx,
    units: &HashMap<UnitKey, i64>,
    states: &[UnitComms],
) -> Result<()> {
    let mut fresh: std::collections::BTreeMap<i64, &UnitComms> = std::collections::BTreeMap::new();
    for state in states {
        fresh.extend(units.get(&state.unit).map(|number| (*number, state)));
    }
    if fresh.is_empty() {
        return Ok(());
    }
    let all = || fresh.values().copied();
    let micros = |span: Option<Span>| span.map(Span::micros);
    let columns = vec![
        ("unit_no", Column::ints(fresh.keys().copied())),
        ("state", Column::texts(all().map(|c| c.state.word().to_owned()))),
        ("since", Column::ints(all().map(|c| c.since.micros()))),
        ("heard", Column::Ints(all().map(|c| c.heard.map(Time::micros)).collect())),
        ("usual", Column::Ints(all().map(|c| micros(c.usual)).collect())),
        ("quiet_limit", Column::ints(all().map(|c| c.limit.micros()))),
        ("clock_offset", Column::Ints(all().map(|c| micros(c.clock_offset)).collect())),
    ];
    let merge = "ON CONFLICT (unit_no) DO UPDATE SET state = excluded.state, since = excluded.since, \
                 heard = excluded.heard, usual = excluded.usual, quiet_limit = excluded.quiet_limit, \
                 clock_offset = excluded.clock_offset";
    tx.insert("comms", columns, merge).await.map(drop)
}

/// Writes how far ticks are judged, and the state to go on from.
pub(crate) async fn put_ticked(tx: &mut Tx, ticked: i64, snapshot: Option<CommsSnapshot>) -> Result<()> {
    tx.execute("UPDATE evaluation SET ticked = $1 WHERE ticked < $1", values![ticked]).await?;
    let Some(snapshot) = snapshot else { return Ok(()) };
    let columns = vec![
        ("one", Column::ints([1])),
        ("seq", Column::ints([snapshot.seq.0])),
        ("tick", Column::ints([snapshot.tick])),
        ("form", Column::ints([i64::from(snapshot.form)])),
        ("state", Column::blobs([compress(&snapshot.state)])),
    ];
    let merge = "ON CONFLICT (one) DO UPDATE SET seq = excluded.seq, tick = excluded.tick, form = excluded.form, \
                 state = excluded.state";
    tx.insert("comms_snapshot", columns, merge).await.map(drop)
}
