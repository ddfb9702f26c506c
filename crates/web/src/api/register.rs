//! `GET` and `PUT /api/v1/register`: railways, classes and units, in the shape of the register's files.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_desk::DeskError;
use notchwatch_model::Register;

use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// The register: railways and units of the caller, and the classes that these units are of.
#[utoipa::path(
    get, path = "/api/v1/register", tag = "register",
    responses((status = 200, body = Object, description = "`railways`, `classes`, `units`, in the shape of the register's files"), (status = 401, body = Problem))
)]
pub(crate) async fn read(State(app): State<App>, caller: ApiCaller) -> Result<Json<Register>, Problem> {
    Ok(Json(app.desk.register(&caller.who).await?))
}

/// Adds or replaces entries; an entry of the same identity is replaced, nothing is removed.
#[utoipa::path(
    put, path = "/api/v1/register", tag = "register", request_body(content = Object, description = "`railways`, `classes`, `units`"),
    responses((status = 204), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn put(
    State(app): State<App>,
    caller: ApiCaller,
    body: Bytes,
) -> Result<StatusCode, Problem> {
    // Who may not put it is told so before anything of the body is.
    if !caller.who.role.administers() {
        return Err(DeskError::Forbidden("only an administrator may change the register".to_owned()).into());
    }
    app.desk.put_register(&caller.who, input::body(&body)?).await?;
    Ok(StatusCode::NO_CONTENT)
}
