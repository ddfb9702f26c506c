//! `/api/v1/positions/{id}`: operator positions, for administrators of all railways. `GET /api/v1/load` lists them.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_model::{ClassId, Position, PositionId, RailwayId};
use serde::Deserialize;
use utoipa::ToSchema;

use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// A position.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct PositionInput {
    /// Name for people.
    title: String,
    /// Railways covered; absent or empty: all.
    #[serde(default)]
    railways: Vec<String>,
    /// Classes covered; absent or empty: all.
    #[serde(default)]
    classes: Vec<String>,
}

/// Creates or replaces a position.
#[utoipa::path(
    put, path = "/api/v1/positions/{id}", tag = "load", request_body = PositionInput,
    params(("id" = String, Path, description = "id of the position")),
    responses((status = 204), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn put(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<StatusCode, Problem> {
    let input: PositionInput = input::body(&body)?;
    let id = input::parse("id", &id)?;
    let railways = named::<RailwayId>("railways", &input.railways)?;
    let classes = named::<ClassId>("classes", &input.classes)?;
    app.desk.put_position(&caller.who, Position { id, title: input.title, railways, classes }).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Removes a position.
#[utoipa::path(
    delete, path = "/api/v1/positions/{id}", tag = "load", params(("id" = String, Path, description = "id of the position")),
    responses((status = 204), (status = 401, body = Problem), (status = 403, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn remove(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<StatusCode, Problem> {
    let id: PositionId = input::parse("id", &id)?;
    app.desk.remove_position(&caller.who, &id).await?;
    Ok(StatusCode::NO_CONTENT)
}

fn named<T: std::str::FromStr>(field: &str, names: &[String]) -> Result<Vec<T>, Problem>
where
    T::Err: std::fmt::Display,
{
    let parse = |(place, name): (usize, &String)| {
        name.parse().map_err(|e: T::Err| Problem::pointer(&format!("/{field}/{place}"), e.to_string()))
    };
    names.iter().enumerate().map(parse).collect()
}
