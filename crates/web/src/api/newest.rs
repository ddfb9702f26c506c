//! `GET /api/v1/units/{railway}/{unit}/newest`: the newest sample of each channel.

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;
use utoipa::ToSchema;

use super::ApiCaller;
use super::samples::unit_key;
use crate::app::App;
use crate::problem::Problem;

/// The newest samples of one unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Newest {
    railway: String,
    unit: String,
    /// In the order of the class; channels without a sample are left out, and texts.
    channels: Vec<NewestView>,
}

/// The newest sample of one channel.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = NewestSample)]
pub(crate) struct NewestView {
    channel: String,
    /// Unit of measure of the value.
    uom: &'static str,
    /// Event time.
    time: String,
    value: f64,
}

/// The newest sample of each channel of a unit, by event time, up to now.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/newest", tag = "units",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number")),
    responses((status = 200, body = Newest), (status = 401, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn newest(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
) -> Result<Json<Newest>, Problem> {
    let key = unit_key(&railway, &unit)?;
    let found = app.desk.newest(&caller.who, &key).await?;
    let view =
        |(channel, time, value): &(notchwatch_model::ChannelDef, notchwatch_model::Time, f64)| NewestView {
            channel: channel.name.to_string(),
            uom: channel.uom.name(),
            time: time.to_string(),
            value: *value,
        };
    Ok(Json(Newest {
        railway: key.railway.to_string(),
        unit: key.unit.to_string(),
        channels: found.iter().map(view).collect(),
    }))
}
