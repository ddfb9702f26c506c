//! `GET /api/v1/units/{railway}/{unit}/samples`: samples of some channels of a unit, within a bounded span.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, Uri};
use notchwatch_model::{ChannelName, RailwayId, Span, Time, UnitId, UnitKey};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Which channels, from when to when.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct SampleParams {
    /// One channel, or several with commas between.
    channel: String,
    /// RFC 3339, included.
    from: String,
    /// RFC 3339, not included. At most 7 days after `from` for single samples.
    to: String,
    /// Length of a bucket in seconds: answers count, least, mean, most and last of each instead of single samples.
    #[serde(default)]
    bucket: Option<String>,
}

/// Samples of one unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Samples {
    railway: String,
    unit: String,
    from: String,
    to: String,
    series: Vec<SeriesView>,
}

/// Samples of one channel: `points` or `buckets`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Series)]
pub(crate) struct SeriesView {
    channel: String,
    /// Unit of measure of the values.
    uom: &'static str,
    /// Event time and value, by time.
    #[serde(skip_serializing_if = "Option::is_none")]
    points: Option<Vec<PointView>>,
    /// By time; empty ones are left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    buckets: Option<Vec<BucketView>>,
}

/// One sample.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Point)]
pub(crate) struct PointView {
    time: String,
    value: f64,
    /// True where the time was taken from receipt, since the message told none or a relative one; else left out.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    approximate: bool,
}

/// One bucket.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Bucket)]
pub(crate) struct BucketView {
    from: String,
    count: u32,
    min: f64,
    mean: f64,
    max: f64,
    last: f64,
}

/// Samples of some channels of a unit.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/samples", tag = "units",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number"), SampleParams),
    responses((status = 200, body = Samples), (status = 400, body = Problem), (status = 401, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem, description = "the span or the answer would be too long"))
)]
pub(crate) async fn samples(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
    uri: Uri,
) -> Result<Json<Samples>, Problem> {
    let key = unit_key(&railway, &unit)?;
    let params: SampleParams = input::query(&uri)?;
    let from: Time = input::parse("from", &params.from)?;
    let to: Time = input::parse("to", &params.to)?;
    let channels = params
        .channel
        .split(',')
        .map(|name| input::parse::<ChannelName>("channel", name.trim()))
        .collect::<Result<Vec<_>, _>>()?;
    let series = match input::maybe::<u32>("bucket", params.bucket.as_ref())? {
        None => points(&app, &caller, &key, &channels, from, to).await?,
        Some(seconds) => buckets(&app, &caller, &key, &channels, (from, to), seconds).await?,
    };
    Ok(Json(Samples {
        railway: key.railway.to_string(),
        unit: key.unit.to_string(),
        from: from.to_string(),
        to: to.to_string(),
        series,
    }))
}

async fn points(
    app: &App,
    caller: &ApiCaller,
    key: &UnitKey,
    channels: &[ChannelName],
    from: Time,
    to: Time,
) -> Result<Vec<SeriesView>, Problem> {
    let found = app.desk.samples(&caller.who, key, channels, from, to).await?;
    Ok(found
        .into_iter()
        .map(|series| SeriesView {
            channel: series.channel.to_string(),
            uom: series.uom.name(),
            points: Some(
                series
                    .points
                    .iter()
                    .map(|told| PointView {
                        time: told.sample.time.to_string(),
                        value: told.sample.value,
                        approximate: told.approximate,
                    })
                    .collect(),
            ),
            buckets: None,
        })
        .collect())
}

async fn buckets(
    app: &App,
    caller: &ApiCaller,
    key: &UnitKey,
    channels: &[ChannelName],
    span: (Time, Time),
    seconds: u32,
) -> Result<Vec<SeriesView>, Problem> {
    let [channel] = channels else {
        return Err(Problem::parameter("channel", "buckets are answered for one channel at a time"));
    };
    let (_, class) = app.desk.unit(&caller.who, key).await?;
    let bucket = Span::from_secs(i64::from(seconds));
    let found = app.desk.rollup(&caller.who, key, channel, span, bucket).await?;
    let uom = class.channels.iter().find(|c| c.name == *channel).map_or("", |c| c.uom.name());
    let view = |r: &notchwatch_store::Rollup| BucketView {
        from: r.from.to_string(),
        count: r.count,
        min: r.min,
        mean: r.mean,
        max: r.max,
        last: r.last,
    };
    Ok(vec![SeriesView {
        channel: channel.to_string(),
        uom,
        points: None,
        buckets: Some(found.iter().map(view).collect()),
    }])
}

/// A unit out of the path. Parts that cannot be ids name nothing.
pub(crate) fn unit_key(railway: &str, unit: &str) -> Result<UnitKey, Problem> {
    let none = || Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see");
    Ok(UnitKey {
        railway: RailwayId::new(railway).map_err(|_| none())?,
        unit: UnitId::new(unit).map_err(|_| none())?,
    })
}
