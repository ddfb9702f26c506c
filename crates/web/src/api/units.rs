//! `GET /api/v1/units`: the units of the caller, how far each is judged and what it still has to learn.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use notchwatch_model::{ClassId, CommsState, RailwayId, Register, Span, Time, Unit, UnitComms, UnitKey};
use notchwatch_store::UnitProgress;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::health::MarkView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Items a page when none is asked for.
const DEFAULT_LIMIT: usize = 200;
/// Most items a page.
const MAX_LIMIT: usize = 1000;

/// Filters; every one narrows.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct UnitParams {
    /// Of this railway.
    railway: Option<String>,
    /// Of this class.
    class: Option<String>,
    /// With this state of the link: `reporting`, `late`, `silent`, `clock-wrong`, `not-expected`, `never-heard`.
    comms: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
    /// Most items, 1 to 1000.
    limit: Option<String>,
}

/// One unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Unit)]
pub(crate) struct UnitView {
    railway: String,
    unit: String,
    class: String,
    region: String,
    /// IANA time zone of the unit or its railway.
    zone: String,
    /// `in-service`, `in-shop`, `stored` or `hauled-dead`.
    #[schema(value_type = String)]
    status: notchwatch_model::ServiceStatus,
    /// Serial number of the engine fitted now.
    engine: Option<String>,
    /// Newest event time judged; null when nothing ever was.
    judged: Option<String>,
    /// Newest receive time; messages that the broker kept (retained) do not count.
    received: Option<String>,
    /// Samples judged, each once.
    samples: String,
    /// Samples that repeated stored ones.
    repeats: String,
    /// Samples that contradicted a stored one.
    conflicts: String,
    /// Channels that have too little history to be judged, with their progress from 0 to 1.
    learning: BTreeMap<String, f64>,
    /// State of its link.
    comms: CommsView,
    /// Grade recorded last, at most five minutes old; null before the first.
    health: Option<MarkView>,
}

/// State of a unit's link. Rules and values: `crates/findings/doc/comms.md`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Comms)]
pub(crate) struct CommsView {
    /// `reporting`, `late`, `silent`, `clock-wrong`, `not-expected` or `never-heard`.
    state: &'static str,
    /// Since when, receive time; null before the first judgement.
    since: Option<String>,
    /// Usual seconds between receipts; null while that is learned.
    usual_s: Option<f64>,
    /// Seconds of quiet after which it is silent.
    silent_after_s: Option<f64>,
    /// Claimed time less receive time of what was refused last for its time, in seconds.
    clock_offset_s: Option<f64>,
}

impl CommsView {
    fn of(comms: Option<&UnitComms>) -> Self {
        Self {
            state: comms.map(|c| c.state).unwrap_or_default().word(),
            since: comms.map(|c| c.since.to_string()),
            usual_s: comms.and_then(|c| c.usual).map(Span::secs_f64),
            silent_after_s: comms.map(|c| c.limit.secs_f64()),
            clock_offset_s: comms.and_then(|c| c.clock_offset).map(Span::secs_f64),
        }
    }
}

/// A page of units, by railway and number.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitPage {
    items: Vec<UnitView>,
    next: Option<String>,
}

/// Units by railway and number.
#[utoipa::path(
    get, path = "/api/v1/units", tag = "units", params(UnitParams),
    responses((status = 200, body = UnitPage), (status = 400, body = Problem), (status = 401, body = Problem))
)]
pub(crate) async fn list(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<UnitPage>, Problem> {
    let params: UnitParams = input::query(&uri)?;
    let railway: Option<RailwayId> = input::maybe("railway", params.railway.as_ref())?;
    let class: Option<ClassId> = input::maybe("class", params.class.as_ref())?;
    let limit = input::maybe("limit", params.limit.as_ref())?.unwrap_or(DEFAULT_LIMIT).clamp(1, MAX_LIMIT);
    let after = params.cursor.as_deref().map(key).transpose()?;
    let register = app.desk.register(&caller.who).await?;
    let wanted = params.comms.as_deref().map(state).transpose()?;
    let feed = app.desk.feed(&caller.who).await?;
    let comms: BTreeMap<_, _> = feed.comms.into_iter().map(|c| (c.unit.clone(), c)).collect();
    let progress: BTreeMap<_, _> = feed.progress.into_iter().map(|p| (p.unit.clone(), p)).collect();
    let health: BTreeMap<_, _> =
        app.desk.health_now(&caller.who).await?.into_iter().map(|h| (h.unit.clone(), h)).collect();
    let mut keys: Vec<(UnitKey, &Unit)> = register
        .units
        .iter()
        .filter(|u| railway.as_ref().is_none_or(|r| *r == u.railway))
        .filter(|u| class.as_ref().is_none_or(|c| *c == u.class))
        .map(|u| (u.key(), u))
        .filter(|(key, _)| wanted.is_none_or(|w| comms.get(key).map(|c| c.state).unwrap_or_default() == w))
        .filter(|(key, _)| after.as_ref().is_none_or(|a| key > a))
        .collect();
    keys.sort_by(|a, b| a.0.cmp(&b.0));
    let more = keys.len() > limit;
    keys.truncate(limit);
    let next = keys.last().filter(|_| more).map(|(key, _)| key.to_string());
    let now = app.desk.now();
    let items = keys
        .iter()
        .map(|(key, unit)| UnitView {
            health: health.get(key).and_then(|h| h.parts.get("unit")).map(MarkView::of),
            ..view(unit, &register, progress.get(key), comms.get(key), now)
        })
        .collect();
    Ok(Json(UnitPage { items, next }))
}

fn view(
    unit: &Unit,
    register: &Register,
    progress: Option<&UnitProgress>,
    comms: Option<&UnitComms>,
    now: Time,
) -> UnitView {
    let zone = unit.zone.clone().or_else(|| register.railway(&unit.railway).map(|r| r.zone.clone()));
    let count = |of: fn(&UnitProgress) -> u64| progress.map_or(0, of).to_string();
    UnitView {
        railway: unit.railway.to_string(),
        unit: unit.id.to_string(),
        class: unit.class.to_string(),
        region: unit.region.clone(),
        zone: zone.unwrap_or_else(|| "UTC".to_owned()),
        status: unit.status,
        engine: unit.engine_at(now).map(ToString::to_string),
        judged: progress.and_then(|p| p.judged).map(|t| t.to_string()),
        received: progress.and_then(|p| p.received).map(|t| t.to_string()),
        samples: count(|p| p.samples),
        repeats: count(|p| p.repeats),
        conflicts: count(|p| p.conflicts),
        learning: progress
            .map(|p| p.learning.iter().map(|(name, part)| (name.to_string(), *part)).collect())
            .unwrap_or_default(),
        comms: CommsView::of(comms),
        health: None,
    }
}

fn state(word: &str) -> Result<CommsState, Problem> {
    CommsState::from_word(word).ok_or_else(|| {
        let known: Vec<&str> = CommsState::ALL.iter().map(|s| s.word()).collect();
        Problem::parameter("comms", format!("one of {}", known.join(", ")))
    })
}

fn key(cursor: &str) -> Result<UnitKey, Problem> {
    let wrong = || Problem::parameter("cursor", "not a cursor of this list");
    let (railway, unit) = cursor.split_once('/').ok_or_else(wrong)?;
    Ok(UnitKey { railway: railway.parse().map_err(|_| wrong())?, unit: unit.parse().map_err(|_| wrong())? })
}
