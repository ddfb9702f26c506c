//! Feed health: can I trust what I see? What came in and when, what is silent, what still learns, what was refused.
//!
//! Owns the order: what asks for somebody first.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use jiff::tz::TimeZone;
use notchwatch_model::{CommsState, RailwayFilter, Reason, Register, Time, UnitComms, UnitKey};
use notchwatch_store::{OwnOutage, QuarantineQuery, UnitProgress};
use serde::Deserialize;

use super::finding::zone_of;
use super::format::{Stamp, count, percent, span, stamp};
use super::page::{Frame, Visitor, answer};
use super::quarantine::{RefusedRow, may_register};
use super::trouble::Trouble;
use crate::app::App;
use crate::stages::{Stage, Stages};

/// Units shown; the longest silent first.
const UNITS: usize = 60;
/// Refused things shown.
const REFUSED: usize = 50;

/// Which reason of quarantine.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Filter {
    reason: String,
}

#[derive(Debug)]
struct UnitRow {
    unit: String,
    railway: String,
    status: &'static str,
    heard: Option<Stamp>,
    judged: Option<Stamp>,
    samples: String,
    conflicts: String,
    silent: bool,
    /// State of the link, in words.
    comms: &'static str,
    clock: String,
    /// Channels that learn, and the progress of the slowest.
    learning: String,
    progress: String,
}

#[derive(Debug)]
struct StateRow {
    words: &'static str,
    count: String,
}

#[derive(Debug)]
struct OutageRow {
    since: Stamp,
    lasted: String,
    title: String,
}

#[derive(Debug)]
struct ReasonRow {
    code: &'static str,
    count: String,
    chosen: bool,
}

#[derive(Debug, Template)]
#[template(path = "feed.html")]
struct Page {
    frame: Frame,
    not_ready: Vec<&'static str>,
    /// Places of the store that are damaged; 0 for none.
    damaged: usize,
    /// MiB of the store's log while something keeps it from being cut back.
    log_held: Option<u64>,
    registered: String,
    silent: String,
    states: Vec<StateRow>,
    outages: Vec<OutageRow>,
    learning: String,
    newest: Option<Stamp>,
    lag: String,
    samples: String,
    repeats: String,
    conflicts: String,
    units: Vec<UnitRow>,
    more_units: usize,
    reasons: Vec<ReasonRow>,
    refused: Vec<RefusedRow>,
    may_register: bool,
    /// What the bounds of quarantine dropped, for who sees every railway.
    dropped: Option<String>,
    reason: String,
    /// What the stages have done, for who sees every railway: they count all of them together.
    stages: Vec<StageRow>,
    waiting: Vec<StageRow>,
}

/// A stage with its total and its rate, or something that waits.
#[derive(Debug)]
struct StageRow {
    name: String,
    total: String,
    rate: String,
}

/// `GET /feed`
pub(crate) async fn feed(
    State(app): State<App>,
    visitor: Visitor,
    Query(filter): Query<Filter>,
) -> Result<Response, Trouble> {
    let trouble = |e: notchwatch_desk::DeskError| Trouble::of(&app, &e);
    let frame = Frame::of(&app, &visitor, "feed").await?;
    let feed = app.desk.feed(&visitor.who).await.map_err(trouble)?;
    let register = app.desk.register(&visitor.who).await.map_err(trouble)?;
    let reason = Reason::from_code(&filter.reason);
    let query = QuarantineQuery { reason, limit: REFUSED, ..QuarantineQuery::default() };
    let refused = app.desk.quarantine(&visitor.who, query).await.map_err(trouble)?;
    let (now, progress) = (feed.now, &feed.progress);
    let total = |of: fn(&UnitProgress) -> u64| count(progress.iter().map(of).sum());
    let (units, silent) = units(&register, progress, &feed.comms, now);
    let told = app.options.stages.borrow().clone();
    let newest = progress.iter().filter_map(|p| p.received).max();
    let judged = progress.iter().filter_map(|p| p.judged).max();
    let page = Page {
        frame,
        not_ready: app.options.health.borrow().iter().copied().collect(),
        damaged: app.desk.store_damage(),
        log_held: app.desk.store_log_held().map(|bytes| bytes >> 20),
        registered: count(to_u64(register.units.len())),
        silent: count(to_u64(silent)),
        states: states(&register, &feed.comms),
        outages: feed.own_outages.iter().map(|o| outage_row(o, now)).collect(),
        learning: count(to_u64(progress.iter().filter(|p| p.learning().next().is_some()).count())),
        newest: newest.map(|t| stamp(t, &TimeZone::UTC, now)),
        lag: judged.map(|t| span(now - t)).unwrap_or_default(),
        samples: total(|p| p.samples),
        repeats: total(|p| p.repeats),
        conflicts: total(|p| p.conflicts),
        more_units: units.len().saturating_sub(UNITS),
        units: units.into_iter().take(UNITS).collect(),
        reasons: feed
            .quarantine
            .iter()
            .filter(|(_, n)| *n > 0)
            .map(|(r, n)| ReasonRow { code: r.code(), count: count(*n), chosen: Some(*r) == reason })
            .collect(),
        refused: refused.items.iter().map(|r| RefusedRow::new(r, now)).collect(),
        may_register: may_register(&visitor.who),
        dropped: feed.quarantine_dropped.map(count),
        reason: reason.map(|r| r.code().to_owned()).unwrap_or_default(),
        stages: if visitor.who.railways == RailwayFilter::All { stages(&told) } else { vec![] },
        waiting: if visitor.who.railways == RailwayFilter::All { waiting(&told) } else { vec![] },
    };
    Ok(answer(StatusCode::OK, &page))
}

/// Stages in order, then what was refused by reason.
fn stages(told: &Stages) -> Vec<StageRow> {
    let row = |stage: &Stage, name: String| StageRow {
        name,
        total: count(stage.total),
        rate: stage.per_second.map(|rate| format!("{rate:.1}")).unwrap_or_default(),
    };
    let passed = told.stages.iter().map(|stage| row(stage, stage.name.to_owned()));
    let refused = told.refused.iter().map(|stage| row(stage, format!("refused: {}", stage.name)));
    passed.chain(refused).collect()
}

/// What waits, stage by stage, and how long a commit takes.
fn waiting(told: &Stages) -> Vec<StageRow> {
    let row = |name: &str, total: String| StageRow { name: name.to_owned(), total, rate: String::new() };
    vec![
        row("messages to be decoded", count(told.undecoded)),
        row("messages to be committed", count(told.held)),
        row("messages to be judged", count(told.behind_messages)),
        row("seconds that judgement is behind", count(told.behind_s)),
        row(
            "milliseconds a commit",
            told.commit_ms.map_or_else(|| "none in the last minute".to_owned(), |ms| format!("{ms:.1}")),
        ),
    ]
}

/// Rows of all units, those never or longest not heard first, and how many are silent.
fn units(
    register: &Register,
    progress: &[UnitProgress],
    comms: &[UnitComms],
    now: Time,
) -> (Vec<UnitRow>, usize) {
    let links: BTreeMap<&UnitKey, &UnitComms> = comms.iter().map(|c| (&c.unit, c)).collect();
    let by_key: BTreeMap<&UnitKey, &UnitProgress> = progress.iter().map(|p| (&p.unit, p)).collect();
    let mut all: Vec<_> = register
        .units
        .iter()
        .map(|unit| (unit, unit.key()))
        .map(|(u, k)| (u, by_key.get(&k).copied(), k))
        .collect();
    all.sort_by(|a, b| {
        let heard = |p: Option<&UnitProgress>| p.and_then(|p| p.received);
        heard(a.1).cmp(&heard(b.1)).then_with(|| a.2.cmp(&b.2))
    });
    let mut silent = 0;
    let rows = all
        .into_iter()
        .map(|(unit, progress, key)| {
            let railway = register.railway(&unit.railway);
            let zone = zone_of(Some(unit), railway.map(|r| r.zone.as_str()));
            let heard = progress.and_then(|p| p.received);
            let link = links.get(&key).copied();
            let state = link.map(|c| c.state).unwrap_or_default();
            let is_silent = state == CommsState::Silent;
            silent += usize::from(is_silent);
            let slowest = progress.and_then(|p| p.learning().map(|(_, done)| done).reduce(f64::min));
            UnitRow {
                unit: unit.id.to_string(),
                railway: railway.map_or_else(|| unit.railway.to_string(), |r| r.name.clone()),
                status: status_words(unit.status),
                heard: heard.map(|t| stamp(t, &zone, now)),
                judged: progress.and_then(|p| p.judged).map(|t| stamp(t, &zone, now)),
                samples: count(progress.map_or(0, |p| p.samples)),
                conflicts: count(progress.map_or(0, |p| p.conflicts)),
                silent: is_silent,
                comms: state_words(state),
                clock: link
                    .filter(|_| state == CommsState::ClockWrong)
                    .and_then(|c| c.clock_offset)
                    .map(|offset| format!("{} s off", offset.micros() / 1_000_000))
                    .unwrap_or_default(),
                learning: progress
                    .map(|p| p.learning().count())
                    .filter(|channels| *channels > 0)
                    .map(|channels| format!("{channels} channels"))
                    .unwrap_or_default(),
                progress: slowest.map(percent).unwrap_or_default(),
            }
        })
        .collect();
    (rows, silent)
}

/// Units by state, those of which no state is known yet among the never heard.
fn states(register: &Register, comms: &[UnitComms]) -> Vec<StateRow> {
    let unknown = register.units.len().saturating_sub(comms.len());
    let of = |state: CommsState| {
        let known = comms.iter().filter(|c| c.state == state).count();
        if state == CommsState::NeverHeard { known + unknown } else { known }
    };
    CommsState::ALL
        .into_iter()
        .map(|state| StateRow { words: state_words(state), count: count(to_u64(of(state))) })
        .collect()
}

fn outage_row(outage: &OwnOutage, now: Time) -> OutageRow {
    OutageRow {
        since: stamp(outage.since, &TimeZone::UTC, now),
        lasted: outage.until.map_or_else(|| "lasts".to_owned(), |until| span(until - outage.since)),
        title: outage.title.clone(),
    }
}

const fn state_words(state: CommsState) -> &'static str {
    match state {
        CommsState::NeverHeard => "never heard",
        CommsState::Reporting => "reporting",
        CommsState::Late => "late",
        CommsState::Silent => "silent",
        CommsState::ClockWrong => "clock wrong",
        CommsState::NotExpected => "not expected",
    }
}

const fn status_words(status: notchwatch_model::ServiceStatus) -> &'static str {
    use notchwatch_model::ServiceStatus as S;
    match status {
        S::InService => "in service",
        S::InShop => "in shop",
        S::Stored => "stored",
        S::HauledDead => "hauled dead",
    }
}

fn to_u64(n: usize) -> u64 {
    u64::try_from(n).unwrap_or(u64::MAX)
}
