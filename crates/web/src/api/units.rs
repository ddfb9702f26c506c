//! `GET /api/v1/units`: the units of the caller, how far each is judged and what it still has to learn.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use notchwatch_model::{ClassId, RailwayId, Register, Time, Unit, UnitKey};
use notchwatch_store::UnitProgress;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

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
    let progress = app.desk.feed(&caller.who).await?.progress;
    let progress: BTreeMap<_, _> = progress.into_iter().map(|p| (p.unit.clone(), p)).collect();
    let mut keys: Vec<(UnitKey, &Unit)> = register
        .units
        .iter()
        .filter(|u| railway.as_ref().is_none_or(|r| *r == u.railway))
        .filter(|u| class.as_ref().is_none_or(|c| *c == u.class))
        .map(|u| (u.key(), u))
        .filter(|(key, _)| after.as_ref().is_none_or(|a| key > a))
        .collect();
    keys.sort_by(|a, b| a.0.cmp(&b.0));
    let more = keys.len() > limit;
    keys.truncate(limit);
    let next = keys.last().filter(|_| more).map(|(key, _)| key.to_string());
    let now = app.desk.now();
    let items = keys.iter().map(|(key, unit)| view(unit, &register, progress.get(key), now)).collect();
    Ok(Json(UnitPage { items, next }))
}

fn view(unit: &Unit, register: &Register, progress: Option<&UnitProgress>, now: Time) -> UnitView {
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
    }
}

fn key(cursor: &str) -> Result<UnitKey, Problem> {
    let wrong = || Problem::parameter("cursor", "not a cursor of this list");
    let (railway, unit) = cursor.split_once('/').ok_or_else(wrong)?;
    Ok(UnitKey { railway: railway.parse().map_err(|_| wrong())?, unit: unit.parse().map_err(|_| wrong())? })
}
