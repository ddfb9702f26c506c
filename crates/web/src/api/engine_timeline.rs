//! `GET /api/v1/engines/{serial}/timeline`: what was recorded of an engine, whatever unit it was fitted to.

use axum::Json;
use axum::extract::{Path, State};
use notchwatch_model::EngineSerial;

use super::timeline::Timeline;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Recorded entries on an engine, the newest 500, withdrawn ones too. Empty for an engine that nothing was recorded of.
#[utoipa::path(
    get, path = "/api/v1/engines/{serial}/timeline", tag = "timelines", params(("serial" = String, Path, description = "serial number")),
    responses((status = 200, body = Timeline), (status = 400, body = Problem), (status = 401, body = Problem))
)]
pub(crate) async fn of_engine(
    State(app): State<App>,
    caller: ApiCaller,
    Path(serial): Path<String>,
) -> Result<Json<Timeline>, Problem> {
    let engine: EngineSerial = input::parse("serial", &serial)?;
    let entries = app.desk.engine_timeline(&caller.who, &engine).await?;
    Ok(Json(Timeline::of(&entries)))
}
