//! `POST /api/v1/timeline/{id}/withdraw`: an entry taken back. It stays and is shown as withdrawn.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_model::TimelineId;
use serde::Deserialize;
use utoipa::ToSchema;

use super::timeline::EntryView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Withdraw {
    reason: String,
}

/// Takes an entry back: evaluation goes on as if it had never been recorded. The first withdrawal stands.
#[utoipa::path(
    post, path = "/api/v1/timeline/{id}/withdraw", tag = "timelines", request_body = Withdraw,
    params(("id" = String, Path, description = "number of the entry")),
    responses((status = 200, body = EntryView), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn withdraw(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<Json<EntryView>, Problem> {
    let absent = |_| Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see");
    let id = TimelineId(id.parse().map_err(absent)?);
    let Withdraw { reason } = input::body(&body)?;
    let entry = app.desk.withdraw_entry(&caller.who, id, &reason).await?;
    Ok(Json(EntryView::of(&entry)))
}
