//! `GET /api/v1/findings/{id}/history`: decisions and machine changes, oldest first.

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;
use utoipa::ToSchema;

use super::view::HistoryView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// History of a finding.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct History {
    /// Oldest first.
    items: Vec<HistoryView>,
}

/// What was decided about a finding and what the machine said of it, oldest first.
#[utoipa::path(
    get, path = "/api/v1/findings/{id}/history", tag = "findings", params(("id" = String, Path, description = "id of the finding")),
    responses((status = 200, body = History), (status = 401, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn history(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<Json<History>, Problem> {
    let entries = app.desk.history(&caller.who, &input::finding_id(&id)?).await?;
    Ok(Json(History { items: HistoryView::all(&entries) }))
}
