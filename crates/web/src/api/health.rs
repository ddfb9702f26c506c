//! `GET /api/v1/units/{railway}/{unit}/health`: grades of a unit with their reasons; and their history.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::Uri;
use notchwatch_desk::{Health, HealthReason};
use notchwatch_model::{EngineSerial, Span, Time};
use notchwatch_store::{HealthMark, HealthRecord};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::samples::unit_key;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Span of the history when none is asked for.
const USUAL_SPAN: Span = Span::from_days(92);

/// Grades as of now.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitHealth)]
pub(crate) struct HealthView {
    railway: String,
    unit: String,
    /// Serial number of the engine fitted now.
    engine_serial: Option<String>,
    /// When it was graded.
    at: String,
    /// Grades by part: `unit`, `engine` and the words of systems.
    parts: BTreeMap<String, PartView>,
}

/// Grade of one part. Formula and parameters: `crates/findings/doc/health.md`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = HealthPart)]
pub(crate) struct PartView {
    /// From 0 (failed) to 1 (as good as new); null when it is not known.
    grade: Option<f64>,
    /// Why it is not known.
    unknown: Option<String>,
    /// The grade is an upper bound: something that counts is not known.
    at_most: bool,
    /// How far to trust it, 0 to 1.
    confidence: f64,
    /// What counts, the heaviest first.
    reasons: Vec<ReasonView>,
}

/// One thing that counts.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = HealthReason)]
pub(crate) struct ReasonView {
    what: String,
    /// The finding, when it is one.
    finding: Option<String>,
    /// Share of health that it takes.
    takes: f64,
    /// Share of confidence that it takes.
    doubts: f64,
}

/// Span of a history.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct HistoryParams {
    /// RFC 3339, included; 92 days before `to` when absent.
    from: Option<String>,
    /// RFC 3339, not included; now when absent. At most five years after `from`.
    to: Option<String>,
}

/// Recorded grades, oldest first: one at the begin of each UTC day and one whenever a part moved by 0.05.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HealthHistory {
    items: Vec<RecordedView>,
}

/// Grades as they were recorded.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RecordedHealth)]
pub(crate) struct RecordedView {
    at: String,
    railway: String,
    unit: String,
    /// Serial number of the engine fitted then.
    engine_serial: Option<String>,
    /// By part: `unit`, `engine` and the words of systems.
    parts: BTreeMap<String, MarkView>,
}

/// Recorded grade of one part.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = HealthMark)]
pub(crate) struct MarkView {
    /// From 0 to 1; null when it was not known.
    pub(crate) grade: Option<f64>,
    pub(crate) at_most: bool,
    pub(crate) confidence: f64,
    /// Why it was not known, or what counted most; empty when nothing did.
    pub(crate) why: String,
}

impl PartView {
    fn of(health: &Health) -> Self {
        let reason = |r: &HealthReason| ReasonView {
            what: r.what.clone(),
            finding: r.finding.as_ref().map(ToString::to_string),
            takes: r.takes,
            doubts: r.doubts,
        };
        Self {
            grade: health.grade,
            unknown: health.unknown.clone(),
            at_most: health.at_most,
            confidence: health.confidence,
            reasons: health.reasons.iter().map(reason).collect(),
        }
    }
}

impl MarkView {
    pub(crate) fn of(mark: &HealthMark) -> Self {
        Self {
            grade: mark.grade.map(|g| f64::from(g) / 1000.0),
            at_most: mark.at_most,
            confidence: f64::from(mark.confidence) / 1000.0,
            why: mark.why.clone(),
        }
    }
}

impl HealthHistory {
    fn of(records: &[HealthRecord]) -> Self {
        let view = |r: &HealthRecord| RecordedView {
            at: r.at.to_string(),
            railway: r.unit.railway.to_string(),
            unit: r.unit.unit.to_string(),
            engine_serial: r.engine.as_ref().map(ToString::to_string),
            parts: r.parts.iter().map(|(part, mark)| (part.clone(), MarkView::of(mark))).collect(),
        };
        Self { items: records.iter().map(view).collect() }
    }
}

/// Grades of a unit as of now, with their reasons.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/health", tag = "units",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number")),
    responses((status = 200, body = HealthView), (status = 401, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn health(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
) -> Result<Json<HealthView>, Problem> {
    let key = unit_key(&railway, &unit)?;
    let (unit, _) = app.desk.unit(&caller.who, &key).await?;
    let health = app.desk.health(&caller.who, &key).await?;
    let now = app.desk.now();
    let mut parts: BTreeMap<String, PartView> =
        health.systems.iter().map(|(system, part)| (system.word().to_owned(), PartView::of(part))).collect();
    parts.insert("unit".to_owned(), PartView::of(&health.unit));
    parts.extend(health.engine.as_ref().map(|engine| ("engine".to_owned(), PartView::of(engine))));
    Ok(Json(HealthView {
        railway: key.railway.to_string(),
        unit: key.unit.to_string(),
        engine_serial: unit.engine_at(now).map(ToString::to_string),
        at: now.to_string(),
        parts,
    }))
}

/// Recorded grades of a unit.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/health/history", tag = "units",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number"), HistoryParams),
    responses((status = 200, body = HealthHistory), (status = 400, body = Problem), (status = 401, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn of_unit(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
    uri: Uri,
) -> Result<Json<HealthHistory>, Problem> {
    let key = unit_key(&railway, &unit)?;
    let records = app.desk.health_history(&caller.who, &key, span(&uri, app.desk.now())?).await?;
    Ok(Json(HealthHistory::of(&records)))
}

/// Recorded grades of an engine, through every unit of the caller that it was fitted to.
#[utoipa::path(
    get, path = "/api/v1/engines/{serial}/health/history", tag = "units",
    params(("serial" = String, Path, description = "serial number"), HistoryParams),
    responses((status = 200, body = HealthHistory), (status = 400, body = Problem), (status = 401, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn of_engine(
    State(app): State<App>,
    caller: ApiCaller,
    Path(serial): Path<String>,
    uri: Uri,
) -> Result<Json<HealthHistory>, Problem> {
    let engine: EngineSerial = input::parse("serial", &serial)?;
    let records = app.desk.engine_health(&caller.who, &engine, span(&uri, app.desk.now())?).await?;
    Ok(Json(HealthHistory::of(&records)))
}

fn span(uri: &Uri, now: Time) -> Result<(Time, Time), Problem> {
    let params: HistoryParams = input::query(uri)?;
    let to = input::maybe("to", params.to.as_ref())?.unwrap_or(now + Span::from_micros(1));
    let from = input::maybe("from", params.from.as_ref())?.unwrap_or(to - USUAL_SPAN);
    Ok((from, to))
}
