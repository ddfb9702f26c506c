//! `GET /api/v1/units/{railway}/{unit}/samples.csv`: samples of a unit as a file, streamed.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::{Desk, DeskError, Export};
use notchwatch_model::{ChannelDef, ChannelIx, ChannelName, Time};
use notchwatch_store::ToldSample;
use serde::Deserialize;
use tokio_util::sync::CancellationToken;
use utoipa::IntoParams;

use super::samples::unit_key;
use super::{ApiCaller, input};
use crate::app::App;
use crate::caller::Credential;
use crate::problem::Problem;
use crate::streams::Place;

/// First line of the file.
const HEAD: &str = "railway,unit,channel,uom,time,value,time_approximate\n";

/// Which channels, from when to when.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ExportParams {
    /// RFC 3339, included.
    from: String,
    /// RFC 3339, not included. At most 92 days after `from`.
    to: String,
    /// Channels with commas between; all of the class without it. Texts are left out.
    #[serde(default)]
    channel: Option<String>,
}

/// Samples of a unit as comma-separated values (RFC 4180, UTF-8, lines end with LF), by event time and channel: `railway`,
/// `unit`, `channel`, `uom`, `time` (RFC 3339, UTC), `value`, and `time_approximate` (`true` where the time was taken from
/// receipt). A file that ends early ends in an error of the connection, never as if it were whole.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/samples.csv", tag = "units",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number"), ExportParams),
    responses(
        (status = 200, content_type = "text/csv", body = String), (status = 400, body = Problem), (status = 401, body = Problem),
        (status = 404, body = Problem), (status = 422, body = Problem, description = "the span is too long"), (status = 429, body = Problem),
    )
)]
pub(crate) async fn export(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
    uri: Uri,
) -> Result<Response, Problem> {
    let key = unit_key(&railway, &unit)?;
    let params: ExportParams = input::query(&uri)?;
    let span: (Time, Time) = (input::parse("from", &params.from)?, input::parse("to", &params.to)?);
    let named = params.channel.as_deref().unwrap_or_default().split(',').map(str::trim);
    let named = named.filter(|name| !name.is_empty()).map(|name| input::parse("channel", name));
    let named = named.collect::<Result<Vec<ChannelName>, _>>()?;
    let export = app.desk.export(&caller.who, &key, &named, span).await?;
    let place = app.streams.enter(&caller.who.name).map_err(|_| {
        Problem::new(StatusCode::TOO_MANY_REQUESTS, "too many streams and files at one time; close one")
    })?;
    let name = format!("attachment; filename=\"{railway}-{unit}.csv\"");
    let file = File {
        desk: app.desk.clone(),
        credential: caller.credential,
        shutdown: app.options.shutdown.clone(),
        defs: export.channels.iter().cloned().collect(),
        export,
        begun: false,
        _place: place,
    };
    let body = Body::from_stream(futures::stream::try_unfold(file, File::next));
    let mut response = body.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8"));
    if let Ok(name) = HeaderValue::from_str(&name) {
        headers.insert(header::CONTENT_DISPOSITION, name);
    }
    Ok(response)
}

/// A file under way.
struct File {
    desk: Desk,
    credential: Credential,
    shutdown: CancellationToken,
    defs: BTreeMap<ChannelIx, ChannelDef>,
    export: Export,
    begun: bool,
    _place: Place,
}

impl File {
    /// The next lines. The proof is taken anew each time, so that a revoked token ends a running file.
    async fn next(mut self) -> Result<Option<(String, Self)>, DeskError> {
        if !self.begun {
            self.begun = true;
            return Ok(Some((HEAD.to_owned(), self)));
        }
        if self.shutdown.is_cancelled() {
            return Err(DeskError::Unavailable("this service stops".to_owned()));
        }
        if self.credential.prove(&self.desk).await?.is_none() {
            return Err(DeskError::Forbidden("nobody is proved any more".to_owned()));
        }
        let Some(samples) = self.desk.export_more(&mut self.export).await? else { return Ok(None) };
        let text = self.lines(&samples);
        Ok(Some((text, self)))
    }

    fn lines(&self, samples: &[ToldSample]) -> String {
        let unit = &self.export.unit;
        let mut text = String::with_capacity(samples.len() * 64);
        for told in samples {
            let Some(def) = self.defs.get(&told.sample.channel) else { continue };
            let (name, uom, time) = (&def.name, quoted(def.uom.name()), told.sample.time);
            let (value, about) = (told.sample.value, told.approximate);
            // Writing to a string cannot fail.
            let _written =
                writeln!(text, "{},{},{name},{uom},{time},{value},{about}", unit.railway, unit.unit);
        }
        text
    }
}

/// A field as RFC 4180 wants it. Ids hold nothing that needs it; a unit of measure may.
fn quoted(field: &str) -> String {
    if field.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_where_they_must_be() {
        assert_eq!((quoted("1/min").as_str(), quoted("a,\"b\"").as_str()), ("1/min", "\"a,\"\"b\"\"\""));
    }
}
