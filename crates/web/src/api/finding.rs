//! `GET /api/v1/findings/{id}`: one finding, with its version as the entity tag.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use notchwatch_model::{Finding, Time};

use super::view::FindingView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// One finding. The `ETag` is the version that decisions send back as `If-Match`.
#[utoipa::path(
    get, path = "/api/v1/findings/{id}", tag = "findings", params(("id" = String, Path, description = "id of the finding")),
    responses((status = 200, body = FindingView), (status = 401, body = Problem), (status = 404, body = Problem), (status = 503, body = Problem))
)]
pub(crate) async fn detail(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    let finding = app.desk.finding(&caller.who, &input::finding_id(&id)?).await?;
    Ok(record(&finding, app.desk.now()))
}

/// The record with its version as the entity tag.
pub(super) fn record(finding: &Finding, now: Time) -> Response {
    let view = FindingView::new(finding, now);
    ([(header::ETAG, format!("\"{}\"", view.version))], Json(view)).into_response()
}
