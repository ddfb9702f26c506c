//! One unit: how is it?
//!
//! Owns what stands on the page and in which order. Channels are drawn from buckets, never from single samples.

mod grades;
mod timeline;
mod view;

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use notchwatch_desk::{DeskError, Range};
use notchwatch_model::{ChannelValue, CommsState, Span, Time, UnitId, UnitKey};
use notchwatch_store::FindingQuery;
use serde::Deserialize;

use super::finding::zone_of;
use super::format::{self, Stamp, stamp};
use super::page::{Frame, Visitor, answer};
use super::trouble::Trouble;
use crate::app::App;
use timeline::Line;
use view::{FindingRow, Group, Part};

/// Findings of the unit that are listed.
const MOST_FINDINGS: usize = 200;

/// How far back.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Params {
    range: String,
}

/// One choice of the range.
#[derive(Debug)]
struct RangeLink {
    days: i64,
    chosen: bool,
}

#[derive(Debug, Template)]
#[template(path = "unit.html")]
struct Page {
    frame: Frame,
    unit: String,
    railway_id: String,
    railway: String,
    class: String,
    region: String,
    status: String,
    engine: String,
    comms: &'static str,
    comms_asks: bool,
    comms_since: Option<Stamp>,
    clock: String,
    received: Option<Stamp>,
    judged: Option<Stamp>,
    learning: usize,
    /// Version of its software and since when it runs it.
    software: Option<(String, Stamp)>,
    ranges: Vec<RangeLink>,
    days: i64,
    parts: Vec<Part>,
    groups: Vec<Group>,
    open: Vec<FindingRow>,
    past: Vec<FindingRow>,
    timeline: Vec<Line>,
    timeline_days: i64,
    /// Whether any channel has a band of what was expected.
    banded: bool,
    /// Begin and end of the range as a form's fields for times have them, in UTC.
    from: String,
    to: String,
}

/// A unit out of the path. Parts that cannot be ids name nothing.
pub(crate) fn unit_key(railway: &str, unit: &str) -> Option<UnitKey> {
    Some(UnitKey { railway: railway.parse().ok()?, unit: UnitId::new(unit).ok()? })
}

/// `GET /units/{railway}/{unit}`
pub(crate) async fn unit(
    State(app): State<App>,
    visitor: Visitor,
    Path((railway, unit)): Path<(String, String)>,
    Query(params): Query<Params>,
) -> Result<Response, Trouble> {
    let (Some(key), Ok(range)) = (unit_key(&railway, &unit), range_of(&params.range)) else {
        return Ok(Trouble::of(&app, &DeskError::NotFound).into_response());
    };
    let frame = Frame::of(&app, &visitor, "fleet").await?;
    let page = page(&app, &visitor, frame, &key, range).await.map_err(|e| Trouble::of(&app, &e))?;
    Ok(answer(StatusCode::OK, &page))
}

/// A range by its days; the usual one when none is asked for.
pub(crate) fn range_of(text: &str) -> Result<Range, String> {
    if text.is_empty() { Ok(Range::default()) } else { text.parse() }
}

async fn page(
    app: &App,
    visitor: &Visitor,
    frame: Frame,
    key: &UnitKey,
    range: Range,
) -> Result<Page, DeskError> {
    let (unit, class) = app.desk.unit(&visitor.who, key).await?;
    let register = app.desk.register(&visitor.who).await?;
    let railway = register.railway(&key.railway);
    let zone = zone_of(Some(&unit), railway.map(|r| r.zone.as_str()));
    let now = app.desk.now();
    let at = |time: Time| stamp(time, &zone, now);
    let (progress, comms) = app.desk.link(&visitor.who, key).await?;
    let from = now - Span::from_days(range.days());
    let state = comms.as_ref().map(|c| c.state).unwrap_or_default();
    let query = FindingQuery { unit: Some(key.clone()), limit: MOST_FINDINGS, ..FindingQuery::default() };
    let findings = app.desk.findings(&visitor.who, query).await?.items;
    let health = app.desk.health(&visitor.who, key).await?;
    let recorded = (now - Span::from_days(timeline::DAYS), now);
    let grades = app.desk.health_history(&visitor.who, key, recorded).await?;
    let channels = app.desk.unit_channels(&visitor.who, key, range, now).await?;
    let models = progress.as_ref().and_then(|p| p.models.clone()).unwrap_or_default();
    let learning = models.learning;
    let rows = |open: bool| {
        findings.iter().filter(|f| f.open() == open).map(|f| FindingRow::of(f, &zone, now)).collect()
    };
    let timeline = timeline::of(app, visitor, &unit, &findings, &zone).await?;
    Ok(Page {
        frame,
        unit: key.unit.to_string(),
        railway_id: key.railway.to_string(),
        railway: railway.map_or_else(|| key.railway.to_string(), |r| r.name.clone()),
        class: class.name.clone(),
        region: unit.region.clone(),
        status: view::status_words(unit.status).to_owned(),
        engine: unit.engine_at(now).map_or_else(|| "not registered".to_owned(), ToString::to_string),
        comms: state.word(),
        comms_asks: matches!(state, CommsState::Silent | CommsState::ClockWrong),
        comms_since: comms.as_ref().map(|c| at(c.since)),
        clock: comms.as_ref().and_then(|c| c.clock_offset).map(clock_words).unwrap_or_default(),
        received: progress.as_ref().and_then(|p| p.received).map(at),
        judged: progress.as_ref().and_then(|p| p.judged).map(at),
        learning: learning.len(),
        software: models.software.map(|s| (s.version, at(s.since))),
        ranges: Range::ALL.iter().map(|r| RangeLink { days: r.days(), chosen: *r == range }).collect(),
        days: range.days(),
        parts: view::parts(&health, &grades, recorded),
        groups: view::groups(&channels, &learning, range, &zone, now),
        open: rows(true),
        past: rows(false),
        timeline,
        timeline_days: timeline::DAYS,
        banded: channels.iter().any(|c| !c.bands.is_empty()),
        from: format::field(from),
        to: format::field(now),
    })
}

fn clock_words(offset: Span) -> String {
    let off = format::span(Span::from_micros(offset.micros().saturating_abs()));
    format!("clock {off} {}", if offset < Span::ZERO { "behind" } else { "ahead" })
}

/// From when to when a file goes, as a form sends it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FileParams {
    from: String,
    to: String,
}

/// `GET /units/{railway}/{unit}/samples.csv`: to the API's file, with the times as it wants them.
pub(crate) async fn file(
    State(app): State<App>,
    visitor: Visitor,
    Path((railway, unit)): Path<(String, String)>,
    Query(params): Query<FileParams>,
) -> Result<Response, Trouble> {
    let Some(key) = unit_key(&railway, &unit) else {
        return Ok(Trouble::of(&app, &DeskError::NotFound).into_response());
    };
    app.desk.unit(&visitor.who, &key).await.map_err(|e| Trouble::of(&app, &e))?;
    let time = |text: &str| format::moment(text)?.ok_or_else(|| "both times are needed".to_owned());
    match time(&params.from).and_then(|from| Ok((from, time(&params.to)?))) {
        Ok((from, to)) => {
            let to_file =
                format!("/api/v1/units/{}/{}/samples.csv?from={from}&to={to}", key.railway, key.unit);
            Ok(Redirect::to(&to_file).into_response())
        }
        Err(why) => Ok(Trouble::new(&app, StatusCode::BAD_REQUEST, "No such span", why).into_response()),
    }
}

/// Which channel, and how far back.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct ChannelParams {
    range: String,
}

#[derive(Debug, Template)]
#[template(path = "unit_channel.html")]
struct ChannelPage {
    frame: Frame,
    unit: String,
    railway_id: String,
    channel: String,
    label: String,
    system: &'static str,
    class_id: String,
    /// Whether it is a quantity, which the units of a class can be compared by.
    compared: bool,
    ranges: Vec<RangeLink>,
    days: i64,
}

/// `GET /units/{railway}/{unit}/channels/{channel}`: one channel large, beside what was expected of it.
pub(crate) async fn channel(
    State(app): State<App>,
    visitor: Visitor,
    Path((railway, unit, channel)): Path<(String, String, String)>,
    Query(params): Query<ChannelParams>,
) -> Result<Response, Trouble> {
    let none = || Trouble::of(&app, &DeskError::NotFound).into_response();
    let (Some(key), Ok(range)) = (unit_key(&railway, &unit), range_of(&params.range)) else {
        return Ok(none());
    };
    let frame = Frame { live: false, ..Frame::of(&app, &visitor, "fleet").await? };
    let (_, class) = app.desk.unit(&visitor.who, &key).await.map_err(|e| Trouble::of(&app, &e))?;
    let Some(def) = class.channels.iter().find(|c| c.name.as_str() == channel) else { return Ok(none()) };
    let page = ChannelPage {
        frame,
        unit: key.unit.to_string(),
        railway_id: key.railway.to_string(),
        channel: def.name.to_string(),
        label: def.label().to_owned(),
        system: def.system.word(),
        class_id: class.id.to_string(),
        compared: matches!(def.value, ChannelValue::Number | ChannelValue::Flag),
        ranges: Range::ALL.iter().map(|r| RangeLink { days: r.days(), chosen: *r == range }).collect(),
        days: range.days(),
    };
    Ok(answer(StatusCode::OK, &page))
}
