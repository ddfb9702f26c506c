//! `POST /api/v1/quarantine/{id}/register`: registers the unit that a message was refused for.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_desk::RefusedUnit;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::quarantine::number;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// What is said of the unit; its railway and number stand in the topic of the message.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct RefusedUnitInput {
    /// Class of the unit.
    class: String,
    /// Region; absent: none.
    #[serde(default)]
    region: String,
    /// Serial number of the engine in it, from the receipt of the message on; absent: not known.
    #[serde(default)]
    engine: Option<String>,
}

/// The unit that is registered now.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RegisteredUnit {
    railway: String,
    unit: String,
}

/// Registers the unit of a message that was refused as `unknown-unit`. For administrators of all railways; audited. The
/// message itself is read again by `/quarantine/{id}/replay`.
#[utoipa::path(
    post, path = "/api/v1/quarantine/{id}/register", tag = "quarantine", request_body = RefusedUnitInput,
    params(("id" = String, Path, description = "number of the row")),
    responses(
        (status = 201, body = RegisteredUnit), (status = 400, body = Problem), (status = 401, body = Problem),
        (status = 403, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem),
    )
)]
pub(crate) async fn register(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<(StatusCode, Json<RegisteredUnit>), Problem> {
    let input: RefusedUnitInput = input::body(&body)?;
    let unit = RefusedUnit {
        class: input.class.parse().map_err(|e| Problem::pointer("/class", format!("{e}")))?,
        region: input.region,
        engine: input
            .engine
            .map(|serial| serial.parse().map_err(|e| Problem::pointer("/engine", format!("{e}"))))
            .transpose()?,
    };
    let key = app.desk.register_refused(&caller.who, number(&id)?, unit).await?;
    let registered = RegisteredUnit { railway: key.railway.to_string(), unit: key.unit.to_string() };
    Ok((StatusCode::CREATED, Json(registered)))
}
