//! `GET /api/v1/units`: the units of the caller, how far each is judged, its link, its grade, its open findings.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use notchwatch_desk::{FleetOrder, FleetUnit};
use notchwatch_model::{ChannelName, ClassId, CommsState, RailwayId, Register, Span, Time, UnitKey};
use notchwatch_store::UnitProgress;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::health::MarkView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Items a page when none is asked for.
const DEFAULT_LIMIT: usize = 200;
/// Most items a page.
const MAX_LIMIT: usize = 1000;

/// Filters; every one narrows.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct UnitParams {
    /// Of this railway.
    railway: Option<String>,
    /// Of this class.
    class: Option<String>,
    /// With this state of the link: `reporting`, `late`, `silent`, `clock-wrong`, `not-expected`, `never-heard`.
    comms: Option<String>,
    /// `unit` (railway and number, as when absent), `health` (the weakest first), `findings` (the most urgent first) or
    /// `heard` (longest not heard first).
    sort: Option<String>,
    /// `next` of the page before, with the same filters and order. By `unit` every unit comes once; in the other orders
    /// a unit that moves between two pages may come twice or not at all.
    cursor: Option<String>,
    /// Most items, 1 to 1000.
    limit: Option<String>,
}

/// One unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Unit)]
pub(crate) struct UnitView {
    railway: String,
    unit: String,
    class: String,
    region: String,
    /// IANA time zone of the unit or its railway.
    zone: String,
    /// `in-service`, `in-shop`, `stored` or `hauled-dead`.
    #[schema(value_type = String)]
    status: notchwatch_model::ServiceStatus,
    /// Serial number of the engine fitted now.
    engine: Option<String>,
    /// Newest event time judged; null when nothing ever was.
    judged: Option<String>,
    /// Newest receive time; messages that the broker kept (retained) do not count.
    received: Option<String>,
    /// Samples judged, each once.
    samples: String,
    /// Samples that repeated stored ones.
    repeats: String,
    /// Samples that contradicted a stored one.
    conflicts: String,
    /// Channels that have too little history to be judged, with their progress from 0 to 1.
    learning: BTreeMap<String, f64>,
    /// Channels that are judged by as-built levels alone, with the progress of their own learning.
    seeded: BTreeMap<String, f64>,
    /// Calibrated probabilities of a lasting change; null before the first judgement.
    probability: Option<ProbabilityView>,
    /// Software that it runs, as its controller or its timeline says; null where neither did.
    software: Option<SoftwareView>,
    /// State of its link.
    comms: CommsView,
    /// Grade recorded last, at most five minutes old; null before the first.
    health: Option<MarkView>,
    /// Open findings by priority.
    open: OpenView,
}

/// How likely something of the unit is not what it was, by all evidence so far, when each channel changes once a year. What it is
/// calibrated on: `crates/detect/doc/methods.md`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Probabilities)]
pub(crate) struct ProbabilityView {
    /// Of any channel, whichever.
    unit: f64,
    /// Of channels for which something speaks; of the others it is below 0.008.
    channels: BTreeMap<String, f64>,
}

/// Software that a unit runs.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Software)]
pub(crate) struct SoftwareView {
    version: String,
    /// Event time from which on it is.
    since: String,
}

/// Open findings of a unit by priority.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = OpenCounts)]
pub(crate) struct OpenView {
    critical: u64,
    high: u64,
    medium: u64,
    low: u64,
}

/// State of a unit's link. Rules and values: `crates/findings/doc/comms.md`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Comms)]
pub(crate) struct CommsView {
    /// `reporting`, `late`, `silent`, `clock-wrong`, `not-expected` or `never-heard`.
    state: &'static str,
    /// Since when, receive time; null before the first judgement.
    since: Option<String>,
    /// Usual seconds between receipts; null while that is learned.
    usual_s: Option<f64>,
    /// Seconds of quiet after which it is silent.
    silent_after_s: Option<f64>,
    /// Claimed time less receive time of what was refused last for its time, in seconds.
    clock_offset_s: Option<f64>,
}

impl CommsView {
    fn of(unit: &FleetUnit) -> Self {
        let link = unit.link.as_ref();
        // Where more was heard since the judgement, that is since when.
        let judged = link.filter(|c| c.state == unit.comms).map(|c| c.since);
        let heard = unit.received.filter(|_| unit.comms != CommsState::NeverHeard);
        Self {
            state: unit.comms.word(),
            since: judged.or(heard).map(|t| t.to_string()),
            usual_s: link.and_then(|c| c.usual).map(Span::secs_f64),
            silent_after_s: link.map(|c| c.limit.secs_f64()),
            clock_offset_s: link.and_then(|c| c.clock_offset).map(Span::secs_f64),
        }
    }
}

/// A page of units, in the order asked for.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitPage {
    items: Vec<UnitView>,
    next: Option<String>,
}

/// Units with their link, grade and open findings.
#[utoipa::path(
    get, path = "/api/v1/units", tag = "units", params(UnitParams),
    responses((status = 200, body = UnitPage), (status = 400, body = Problem), (status = 401, body = Problem))
)]
pub(crate) async fn list(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<UnitPage>, Problem> {
    let params: UnitParams = input::query(&uri)?;
    let railway: Option<RailwayId> = input::maybe("railway", params.railway.as_ref())?;
    let class: Option<ClassId> = input::maybe("class", params.class.as_ref())?;
    let limit = input::maybe("limit", params.limit.as_ref())?.unwrap_or(DEFAULT_LIMIT).clamp(1, MAX_LIMIT);
    let wanted = params.comms.as_deref().map(state).transpose()?;
    let sort = params.sort.as_deref().map_or(Ok(FleetOrder::Unit), order)?;
    let after = params.cursor.as_deref().map(|cursor| place(sort, cursor)).transpose()?;
    let (register, mut units) = app.desk.fleet(&caller.who).await?;
    units.retain(|u| {
        railway.as_ref().is_none_or(|r| *r == u.unit.railway)
            && class.as_ref().is_none_or(|c| *c == u.unit.class)
            && wanted.is_none_or(|w| w == u.comms)
    });
    sort.sort(&mut units);
    let begin = match &after {
        None => 0,
        Some(Place::After(key)) => units.partition_point(|u| u.unit.key() <= *key),
        Some(Place::At(number)) => *number,
    };
    let now = app.desk.now();
    let here = units.get(begin..).unwrap_or_default();
    let next = here.get(limit..).filter(|more| !more.is_empty()).and_then(|_| {
        let last = here.get(limit - 1)?;
        Some(if sort == FleetOrder::Unit { last.unit.key().to_string() } else { (begin + limit).to_string() })
    });
    let items = here.iter().take(limit).map(|unit| view(unit, &register, now)).collect();
    Ok(Json(UnitPage { items, next }))
}

fn view(fleet: &FleetUnit, register: &Register, now: Time) -> UnitView {
    let (unit, progress) = (&fleet.unit, fleet.progress.as_ref());
    let zone = unit.zone.clone().or_else(|| register.railway(&unit.railway).map(|r| r.zone.clone()));
    let models = progress.and_then(|p| p.models.as_ref());
    let count = |of: fn(&UnitProgress) -> u64| progress.map_or(0, of).to_string();
    let [critical, high, medium, low] = fleet.open;
    UnitView {
        railway: unit.railway.to_string(),
        unit: unit.id.to_string(),
        class: unit.class.to_string(),
        region: unit.region.clone(),
        zone: zone.unwrap_or_else(|| "UTC".to_owned()),
        status: unit.status,
        engine: unit.engine_at(now).map(ToString::to_string),
        judged: progress.and_then(|p| p.judged).map(|t| t.to_string()),
        received: fleet.received.map(|t| t.to_string()),
        samples: count(|p| p.samples),
        repeats: count(|p| p.repeats),
        conflicts: count(|p| p.conflicts),
        learning: models.map(|m| by_name(&m.learning)).unwrap_or_default(),
        seeded: models.map(|m| by_name(&m.seeded)).unwrap_or_default(),
        probability: models
            .and_then(|m| m.chances.as_ref())
            .map(|c| ProbabilityView { unit: c.unit, channels: by_name(&c.channels) }),
        software: models
            .and_then(|m| m.software.clone())
            .map(|s| SoftwareView { version: s.version, since: s.since.to_string() }),
        comms: CommsView::of(fleet),
        health: fleet.health.as_ref().and_then(|h| h.parts.get("unit")).map(MarkView::of),
        open: OpenView { critical, high, medium, low },
    }
}

fn by_name(channels: &BTreeMap<ChannelName, f64>) -> BTreeMap<String, f64> {
    channels.iter().map(|(name, part)| (name.to_string(), *part)).collect()
}

fn state(word: &str) -> Result<CommsState, Problem> {
    CommsState::from_word(word).ok_or_else(|| {
        let known: Vec<&str> = CommsState::ALL.iter().map(|s| s.word()).collect();
        Problem::parameter("comms", format!("one of {}", known.join(", ")))
    })
}

fn order(word: &str) -> Result<FleetOrder, Problem> {
    let wrong = || Problem::parameter("sort", "one of unit, health, findings, heard");
    FleetOrder::from_word(word).ok_or_else(wrong)
}

/// Where a page begins.
#[derive(Debug)]
enum Place {
    /// Behind this unit.
    After(UnitKey),
    /// At this number from the first.
    At(usize),
}

fn place(sort: FleetOrder, cursor: &str) -> Result<Place, Problem> {
    let wrong = || Problem::parameter("cursor", "not a cursor of this list");
    if sort != FleetOrder::Unit {
        return cursor.parse().map(Place::At).map_err(|_| wrong());
    }
    let (railway, unit) = cursor.split_once('/').ok_or_else(wrong)?;
    let railway = railway.parse().map_err(|_| wrong())?;
    Ok(Place::After(UnitKey { railway, unit: unit.parse().map_err(|_| wrong())? }))
}
