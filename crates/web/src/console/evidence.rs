//! Figures of the evidence plot, for the console's script: `GET /findings/{id}/evidence?channel=…`.
//!
//! Owns the conversion into the unit of measure that is shown, so that the picture and the words beside it agree.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::{Range, Trace};
use notchwatch_model::{ChannelName, FindingId, Regime, Time};
use serde::{Deserialize, Serialize};

use super::finding::zone_of;
use super::format::{offset_minutes, shown_unit};
use super::gauge::BAND_SPREADS;
use super::page::Visitor;
use super::unit::unit_key;
use crate::app::App;
use crate::problem::Problem;

/// Which channel.
#[derive(Debug, Deserialize)]
struct Params {
    channel: String,
}

/// Everything that is drawn. Times in milliseconds since 1970, values in `uom`.
#[derive(Debug, Serialize)]
struct Picture {
    channel: String,
    label: String,
    uom: &'static str,
    from: i64,
    to: i64,
    /// Furthest time that a projection is drawn to.
    horizon: i64,
    /// Minutes that the railway's zone is ahead of UTC at the end.
    local_offset_min: i32,
    zone: &'static str,
    band_spreads: f64,
    /// Absent when the picture is of a channel and not of a finding.
    onset: Option<i64>,
    detected: Option<i64>,
    /// Operating states in which the symptoms were seen.
    symptom_states: Vec<String>,
    limits: Vec<LimitLine>,
    projection: Option<Projection>,
    /// The span holds more rows than are drawn.
    thinned: bool,
    points: Points,
}

#[derive(Debug, Serialize)]
struct LimitLine {
    name: String,
    at: f64,
    high: bool,
    states: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Projection {
    from: i64,
    at: f64,
    p10: f64,
    p50: f64,
    p90: f64,
}

/// Columns of equal length.
#[derive(Debug, Default, Serialize)]
struct Points {
    t: Vec<i64>,
    y: Vec<f64>,
    /// Expected, and its spread.
    e: Vec<Option<f64>>,
    s: Vec<Option<f64>>,
    state: Vec<String>,
    /// Height in the ribbon of operating states: 0 idle to 8, -1 dynamic brake, absent when stopped or not known.
    notch: Vec<Option<i8>>,
    judged: Vec<bool>,
}

/// `GET /findings/{id}/evidence`
pub(crate) async fn evidence(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
    uri: Uri,
) -> Response {
    match picture(&app, &visitor, &id, &uri).await {
        Ok(picture) => Json(picture).into_response(),
        Err(problem) => problem.into_response(),
    }
}

/// Which channel, and how far back.
#[derive(Debug, Deserialize)]
struct UnitParams {
    channel: String,
    range: String,
}

/// `GET /units/{railway}/{unit}/evidence?channel=…&range=…`: the same of a channel without a finding.
pub(crate) async fn of_unit(
    State(app): State<App>,
    visitor: Visitor,
    Path((railway, unit)): Path<(String, String)>,
    uri: Uri,
) -> Response {
    match unit_picture(&app, &visitor, (&railway, &unit), &uri).await {
        Ok(picture) => Json(picture).into_response(),
        Err(problem) => problem.into_response(),
    }
}

async fn unit_picture(
    app: &App,
    visitor: &Visitor,
    (railway, unit): (&str, &str),
    uri: &Uri,
) -> Result<Picture, Problem> {
    let none = || Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see");
    let key = unit_key(railway, unit).ok_or_else(none)?;
    let params = axum::extract::Query::<UnitParams>::try_from_uri(uri)
        .map_err(|e| Problem::parameter("channel", e.body_text()))?;
    let channel =
        ChannelName::new(&params.channel).map_err(|e| Problem::parameter("channel", e.to_string()))?;
    let range: Range = params.range.parse().map_err(|e: String| Problem::parameter("range", e))?;
    let trace = app.desk.unit_trace(&visitor.who, &key, &channel, range).await?;
    of_trace(app, visitor, &trace).await
}

async fn picture(app: &App, visitor: &Visitor, id: &str, uri: &Uri) -> Result<Picture, Problem> {
    let none = || Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see");
    let id = FindingId::new(id).map_err(|_| none())?;
    let params = axum::extract::Query::<Params>::try_from_uri(uri)
        .map_err(|e| Problem::parameter("channel", e.body_text()))?;
    let channel =
        ChannelName::new(&params.channel).map_err(|e| Problem::parameter("channel", e.to_string()))?;
    let trace = app.desk.trace(&visitor.who, &id, &channel, None).await?;
    of_trace(app, visitor, &trace).await
}

async fn of_trace(app: &App, visitor: &Visitor, trace: &Trace) -> Result<Picture, Problem> {
    let register = app.desk.register(&visitor.who).await?;
    let railway = register.railway(&trace.unit.railway).map(|r| r.zone.as_str());
    let zone = zone_of(register.unit(&trace.unit), railway);
    let offset = offset_minutes(trace.to, &zone);
    Ok(Picture::of(trace, offset))
}

impl Picture {
    fn of(trace: &Trace, local_offset_min: i32) -> Self {
        let largest = trace.points.iter().map(|p| p.measured.abs()).fold(0.0, f64::max);
        let (factor, uom) = shown_unit(trace.channel.uom, largest);
        let (from, to) = (millis(trace.from), millis(trace.to));
        let onset = trace.symptoms.iter().map(|s| s.onset).min().or(trace.onset);
        let detected = trace.symptoms.iter().map(|s| s.detected).min().or(onset);
        let mut states: Vec<String> =
            trace.symptoms.iter().flat_map(|s| s.states.iter().map(ToString::to_string)).collect();
        states.sort();
        states.dedup();
        Self {
            channel: trace.channel.name.to_string(),
            label: trace.channel.label().to_owned(),
            uom,
            from,
            to,
            // Half the span beyond its end: a projection longer than that would press the measured part together.
            horizon: to + (to - from) / 2,
            local_offset_min,
            zone: "local",
            band_spreads: BAND_SPREADS,
            onset: onset.map(millis),
            detected: detected.map(millis),
            symptom_states: states,
            limits: trace
                .limits()
                .iter()
                .map(|l| LimitLine {
                    name: l.name.clone(),
                    at: l.at * factor,
                    high: l.high,
                    states: l.states.regimes.iter().map(ToString::to_string).collect(),
                })
                .collect(),
            projection: trace.time_to_limit.as_ref().map(|t| Projection {
                from: millis(t.from),
                at: t.at * factor,
                p10: t.p10,
                p50: t.p50,
                p90: t.p90,
            }),
            thinned: trace.rows > trace.points.len(),
            points: Points::of(trace, factor),
        }
    }
}

impl Points {
    fn of(trace: &Trace, factor: f64) -> Self {
        let mut points = Points::default();
        for point in &trace.points {
            points.t.push(millis(point.time));
            points.y.push(point.measured * factor);
            points.e.push(point.expected.map(|v| v * factor));
            points.s.push(point.spread.map(|v| v * factor));
            points.state.push(point.regime.to_string());
            points.notch.push(height(point.regime));
            points.judged.push(point.judged);
        }
        points
    }
}

fn height(regime: Regime) -> Option<i8> {
    match regime {
        Regime::Notch(n) => i8::try_from(n).ok(),
        Regime::DynamicBrake => Some(-1),
        Regime::Running => Some(0),
        Regime::Stopped | Regime::Unknown => None,
    }
}

const fn millis(time: Time) -> i64 {
    time.micros() / 1000
}
