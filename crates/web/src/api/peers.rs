//! `GET /api/v1/peers`: one channel compared over the units of a class, in like operating states.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use notchwatch_desk::{Peer, PeerQuery, Peers};
use notchwatch_model::Regime;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// What is compared.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PeerParams {
    /// Units of this class.
    class: String,
    /// This channel.
    channel: String,
    /// In this operating state; without it the one of a running engine in which the most units have a value.
    #[serde(default)]
    state: Option<String>,
    /// Over the last 1 (as when absent) or 7 days of event time.
    #[serde(default)]
    days: Option<String>,
    /// Of this railway.
    #[serde(default)]
    railway: Option<String>,
    /// Of this region.
    #[serde(default)]
    region: Option<String>,
}

/// Units beside one another. An answer is at most five minutes old.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Peers)]
pub(crate) struct PeersView {
    class: String,
    channel: String,
    /// Unit of measure of every value here; empty for none. Of a flag the values are the share of samples with it on.
    uom: &'static str,
    /// Event time from here.
    from: String,
    /// To before here.
    to: String,
    /// Operating states in which units have a value, and how many.
    states: Vec<PeerState>,
    /// The state compared; null when no unit has a value in any.
    state: Option<String>,
    /// Median of the units' values; null when there is none.
    median: Option<f64>,
    /// Robust spread of the units about it (1.4826 times the median absolute deviation, not below the channel's
    /// resolution); null for fewer than three units.
    spread: Option<f64>,
    /// Units without ten settled samples in the state.
    without: usize,
    /// Units with a value, those furthest from the median first.
    units: Vec<PeerView>,
}

/// An operating state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PeerState {
    state: String,
    units: usize,
}

/// One unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Peer)]
pub(crate) struct PeerView {
    railway: String,
    unit: String,
    /// Median of its settled samples in the state.
    median: f64,
    /// Settled samples in the state.
    samples: u32,
    /// Its distance from the median of all, in their spreads, signed; null while there is no spread.
    spreads: Option<f64>,
}

/// One channel over the units of a class in like operating states: which of them stands apart. At most 500 units are
/// compared in one answer.
#[utoipa::path(
    get, path = "/api/v1/peers", tag = "units", params(PeerParams),
    responses(
        (status = 200, body = PeersView), (status = 400, body = Problem), (status = 401, body = Problem),
        (status = 404, body = Problem), (status = 422, body = Problem, description = "too many units, or a channel that is no quantity"),
        (status = 503, body = Problem),
    )
)]
pub(crate) async fn peers(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<PeersView>, Problem> {
    let params: PeerParams = input::query(&uri)?;
    let query = PeerQuery {
        class: input::parse("class", &params.class)?,
        channel: input::parse("channel", &params.channel)?,
        railway: input::maybe("railway", params.railway.as_ref())?,
        region: params.region.filter(|r| !r.is_empty()),
        state: input::maybe::<Regime>("state", params.state.as_ref())?,
        week: match params.days.as_deref() {
            None | Some("" | "1") => false,
            Some("7") => true,
            Some(_) => return Err(Problem::parameter("days", "1 or 7")),
        },
    };
    let found = app.desk.peers(&caller.who, &query).await?;
    Ok(Json(PeersView::new(&query, found)))
}

impl PeersView {
    fn new(query: &PeerQuery, found: Peers) -> Self {
        Self {
            class: query.class.to_string(),
            channel: found.channel.name.to_string(),
            uom: found.channel.uom.name(),
            from: found.from.to_string(),
            to: found.to.to_string(),
            states: found
                .states
                .iter()
                .map(|(state, units)| PeerState { state: state.to_string(), units: *units })
                .collect(),
            state: found.state.map(|s| s.to_string()),
            median: found.middle,
            spread: found.spread,
            without: found.without,
            units: found.units.iter().map(PeerView::new).collect(),
        }
    }
}

impl PeerView {
    fn new(peer: &Peer) -> Self {
        Self {
            railway: peer.unit.railway.to_string(),
            unit: peer.unit.unit.to_string(),
            median: peer.level.middle,
            samples: peer.level.samples,
            spreads: peer.spreads,
        }
    }
}
