//! `GET /api/v1/load`: operator load of each position over the last thirty days (IEC 62682, ISA-18.2).

use axum::Json;
use axum::extract::State;
use notchwatch_desk::{Frequent, Load, Loads};
use notchwatch_model::Position;
use serde::Serialize;
use utoipa::ToSchema;

use super::ApiCaller;
use crate::app::App;
use crate::problem::Problem;

/// Load of every position that the caller may see, from what the caller may see.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Loads)]
pub(crate) struct LoadsView {
    /// The figures are over the time from here.
    from: String,
    /// To here.
    to: String,
    positions: Vec<LoadView>,
    /// New findings of the time that no position covers.
    uncovered: u64,
}

/// Load of one position. New findings count when they were first recorded, receive side.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Load)]
pub(crate) struct LoadView {
    position: String,
    title: String,
    /// Railways covered; empty: all.
    railways: Vec<String>,
    /// Classes covered; empty: all.
    classes: Vec<String>,
    total: u64,
    last_10_min: u64,
    last_hour: u64,
    per_hour: f64,
    per_10_min: f64,
    /// Most in any ten minutes.
    most_10_min: u64,
    /// More than 10 in ten minutes, until fewer than 5.
    flood: bool,
    /// Share of the time in flood, 0 to 1.
    flood_share: f64,
    /// Findings that have lasted for more than a day and are not hidden.
    stale: u64,
    /// The ten most frequent.
    top: Vec<FrequentView>,
    spread: Spread,
}

/// What came again and again.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Frequent)]
pub(crate) struct FrequentView {
    railway: String,
    unit: String,
    /// Fault ranked first; null: none.
    fault: Option<String>,
    count: u64,
}

/// New findings by their priority now.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PrioritySpread)]
pub(crate) struct Spread {
    critical: u64,
    high: u64,
    medium: u64,
    low: u64,
}

/// Operator load of each position.
#[utoipa::path(
    get, path = "/api/v1/load", tag = "load",
    responses((status = 200, body = LoadsView), (status = 401, body = Problem), (status = 503, body = Problem))
)]
pub(crate) async fn load(State(app): State<App>, caller: ApiCaller) -> Result<Json<LoadsView>, Problem> {
    let Loads { from, now, positions, uncovered, .. } = app.desk.load(&caller.who).await?;
    let positions = positions.iter().map(|(position, load)| LoadView::new(position, load)).collect();
    Ok(Json(LoadsView { from: from.to_string(), to: now.to_string(), positions, uncovered }))
}

impl LoadView {
    fn new(position: &Position, load: &Load) -> Self {
        let [critical, high, medium, low] = load.spread;
        Self {
            position: position.id.to_string(),
            title: position.title.clone(),
            railways: position.railways.iter().map(ToString::to_string).collect(),
            classes: position.classes.iter().map(ToString::to_string).collect(),
            total: load.total,
            last_10_min: load.last_10_min,
            last_hour: load.last_hour,
            per_hour: load.per_hour,
            per_10_min: load.per_10_min,
            most_10_min: load.most_10_min,
            flood: load.flood,
            flood_share: load.flood_share,
            stale: load.stale,
            top: load.top.iter().map(FrequentView::new).collect(),
            spread: Spread { critical, high, medium, low },
        }
    }
}

impl FrequentView {
    fn new(frequent: &Frequent) -> Self {
        Self {
            railway: frequent.unit.railway.to_string(),
            unit: frequent.unit.unit.to_string(),
            fault: frequent.fault.as_ref().map(ToString::to_string),
            count: frequent.count,
        }
    }
}
