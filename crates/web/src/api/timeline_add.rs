//! `POST /api/v1/units/{railway}/{unit}/timeline` and `POST /api/v1/timeline`: entries recorded, one or many at a time.
//!
//! The two differ in how many entries they take and in who names the unit, so they share one file and one way through.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_model::{
    AsBuilt, ChannelName, EngineSerial, NewEntry, OilResult, Origin, Time, UnitKey, Written,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::timeline::EntryView;
use super::{ApiCaller, input, samples};
use crate::app::App;
use crate::problem::Problem;

/// An entry. Which fields belong to it follows from `kind`; a field that does not is refused.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewTimelineEntry)]
pub(crate) struct EntryBody {
    /// Railway, in a list of entries.
    #[serde(default)]
    railway: Option<String>,
    /// Unit number, in a list of entries; the unit that the engine was fitted to when absent.
    #[serde(default)]
    unit: Option<String>,
    /// Serial number of the engine; the one fitted at the event time when absent.
    #[serde(default)]
    engine: Option<String>,
    /// Event time, RFC 3339.
    at: String,
    /// `fault-code`, `oil-sample`, `maintenance`, `software`, `visit`, `as-built` or `note`.
    kind: String,
    /// Of a fault code.
    #[serde(default)]
    code: Option<String>,
    /// Of a fault code: it came (as when absent) or went.
    #[serde(default)]
    active: Option<bool>,
    /// Words: of every kind but oil sample and software.
    #[serde(default)]
    text: Option<String>,
    /// Number of an oil sample.
    #[serde(default)]
    sample: Option<String>,
    /// Results of an oil sample.
    #[serde(default)]
    results: Option<Vec<ResultBody>>,
    /// Of a maintenance action: `replace`, `repair`, `modify`, `adjust`, `refit`, `check`, `service`, `test`,
    /// `inspection`, `overhaul`, `combination` or `other`.
    #[serde(default)]
    activity: Option<String>,
    /// Of a maintenance action: the system.
    #[serde(default)]
    system: Option<String>,
    /// Of a maintenance action: the item.
    #[serde(default)]
    item: Option<String>,
    /// Of a maintenance action: channels whose sensor was exchanged or whose level is new by the work. They learn anew.
    #[serde(default)]
    channels: Option<Vec<String>>,
    /// Of software.
    #[serde(default)]
    version: Option<String>,
    /// Of a visit.
    #[serde(default)]
    place: Option<String>,
    /// Of a visit: `fuelling`, `service`, `shop` or `other`.
    #[serde(default)]
    purpose: Option<String>,
    /// Of an entry of as-built levels, 1 to 1,000. Their channels begin with them: what they learned before is dropped, and they
    /// judge by the levels until they have learned from their own samples.
    #[serde(default)]
    levels: Option<Vec<LevelBody>>,
}

/// Level of a channel as measured in the acceptance run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = AsBuiltLevel)]
pub(crate) struct LevelBody {
    /// A channel that the class judges by its level.
    channel: String,
    /// Operating state: `stopped`, `idle`, `notch-1` to `notch-8`, `dynamic-brake` or `running`; every one that is not given a
    /// level of its own when absent.
    #[serde(default)]
    state: Option<String>,
    /// In the channel's stored unit of measure.
    level: f64,
    /// Standard deviation of single samples, in the same; above 0.
    spread: f64,
}

/// One result of an oil sample.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = OilResult)]
pub(crate) struct ResultBody {
    /// Lower-case words joined by hyphens: `iron`, `copper`, `water`, `fuel-dilution`, `soot`, `viscosity-100c` and others.
    quantity: String,
    value: f64,
    /// Unit of measure, as the laboratory writes it.
    uom: String,
    /// `normal`, `high` or `low`; stated limits judge it when absent.
    #[serde(default)]
    verdict: Option<String>,
}

/// Entries of one or many units, at most 1,000: all are recorded, or none.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewTimelineEntries)]
pub(crate) struct EntriesBody {
    entries: Vec<EntryBody>,
}

/// Entries as recorded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Recorded {
    items: Vec<EntryView>,
    /// How many were new; the others had been recorded before.
    new: usize,
}

/// Records an entry on a unit. The same again records nothing and answers with the first.
#[utoipa::path(
    post, path = "/api/v1/units/{railway}/{unit}/timeline", tag = "timelines", request_body = EntryBody,
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number")),
    responses((status = 201, body = EntryView), (status = 200, body = EntryView, description = "it had been recorded before"), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn one(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
    body: Bytes,
) -> Result<(StatusCode, Json<EntryView>), Problem> {
    let key = samples::unit_key(&railway, &unit)?;
    let body: EntryBody = input::body(&body)?;
    if body.railway.is_some() || body.unit.is_some() {
        return Err(Problem::pointer("/unit", "the address names the unit"));
    }
    let entry = read(body, "", |_, _| std::future::ready(Ok(key))).await?;
    let recorded = app.desk.record_entries(&caller.who, vec![entry], Origin::Api).await?;
    let Some((entry, new)) = recorded.first() else {
        return Err(Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "nothing was recorded"));
    };
    let status = if *new { StatusCode::CREATED } else { StatusCode::OK };
    Ok((status, Json(EntryView::of(entry))))
}

/// Records entries of one or many units, all or none. An entry recorded before changes nothing.
#[utoipa::path(
    post, path = "/api/v1/timeline", tag = "timelines", request_body = EntriesBody,
    responses((status = 200, body = Recorded), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn many(
    State(app): State<App>,
    caller: ApiCaller,
    body: Bytes,
) -> Result<Json<Recorded>, Problem> {
    let body: EntriesBody = input::body(&body)?;
    let mut entries = Vec::with_capacity(body.entries.len());
    for (place, mut entry) in body.entries.into_iter().enumerate() {
        let at = format!("/entries/{place}");
        let named = (entry.railway.take(), entry.unit.take());
        let (app, who, pointer) = (&app, &caller.who, at.clone());
        let unit = move |engine: Option<EngineSerial>, time: Time| async move {
            match (named, engine) {
                ((Some(railway), Some(unit)), _) => samples::unit_key(&railway, &unit),
                ((None, None), Some(engine)) => Ok(app.desk.unit_of_engine(who, &engine, time).await?),
                _ => Err(Problem::pointer(&pointer, "names railway and unit, or the engine alone")),
            }
        };
        entries.push(read(entry, &at, unit).await?);
    }
    let recorded = app.desk.record_entries(&caller.who, entries, Origin::Api).await?;
    let new = recorded.iter().filter(|(_, new)| *new).count();
    Ok(Json(Recorded { items: recorded.iter().map(|(entry, _)| EntryView::of(entry)).collect(), new }))
}

async fn read<F>(
    body: EntryBody,
    pointer: &str,
    unit: impl FnOnce(Option<EngineSerial>, Time) -> F,
) -> Result<NewEntry, Problem>
where
    F: Future<Output = Result<UnitKey, Problem>>,
{
    let wrong = |field: &str, what: String| Problem::pointer(&format!("{pointer}/{field}"), what);
    let at: Time = body.at.parse().map_err(|e: notchwatch_model::TimeError| wrong("at", e.to_string()))?;
    let kind = body.kind.parse().map_err(|e| wrong("kind", e))?;
    let engine: Option<EngineSerial> = body
        .engine
        .map(|text| text.parse().map_err(|e: notchwatch_model::IdError| wrong("engine", e.to_string())))
        .transpose()?;
    let results = body
        .results
        .map(|all| all.into_iter().map(result).collect::<Result<Vec<_>, _>>())
        .transpose()
        .map_err(|e| wrong("results", e))?;
    let levels = body
        .levels
        .map(|all| all.into_iter().map(level).collect::<Result<Vec<_>, _>>())
        .transpose()
        .map_err(|e| wrong("levels", e))?;
    let written = Written {
        levels,
        code: body.code,
        active: body.active,
        text: body.text,
        sample: body.sample,
        results,
        activity: body.activity,
        system: body.system,
        item: body.item,
        channels: body.channels,
        version: body.version,
        place: body.place,
        purpose: body.purpose,
    };
    let fact = written.fact(kind).map_err(|(field, what)| wrong(field, what))?;
    Ok(NewEntry { unit: unit(engine.clone(), at).await?, engine, at, fact })
}

fn result(body: ResultBody) -> Result<OilResult, String> {
    let verdict = body.verdict.map(|text| text.parse()).transpose()?;
    Ok(OilResult { quantity: body.quantity, value: body.value, uom: body.uom, verdict })
}

fn level(body: LevelBody) -> Result<AsBuilt, String> {
    let channel = ChannelName::new(&body.channel).map_err(|e| e.to_string())?;
    let state = body.state.map(|text| text.parse()).transpose()?;
    Ok(AsBuilt { channel, state, level: body.level, spread: body.spread })
}
