//! `GET /api/v1/feed`: what came in, how far it is judged, what was refused, and our own state.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;

use super::ApiCaller;
use crate::app::App;
use crate::problem::Problem;

/// Figures of the feed, within the railways of the caller.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Feed)]
pub(crate) struct FeedView {
    /// Time of these figures.
    now: String,
    /// Reasons for not being ready, from a fixed set; empty when ready.
    not_ready: Vec<&'static str>,
    /// Units registered.
    units: u64,
    /// Units heard at least once.
    heard: u64,
    /// Units with channels that still learn.
    learning: u64,
    /// Newest receive time of any unit.
    received: Option<String>,
    /// Newest event time judged of any unit.
    judged: Option<String>,
    /// Samples judged, each once.
    samples: String,
    /// Samples that repeated stored ones.
    repeats: String,
    /// Samples that contradicted a stored one.
    conflicts: String,
    /// Rows of quarantine by reason.
    quarantine: Vec<QuarantineCount>,
    /// Rows of quarantine that its bounds (age, number, bytes) have dropped, ever, of all railways; null for who does not
    /// see every railway.
    quarantine_dropped: Option<String>,
}

/// How much was refused for one reason.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct QuarantineCount {
    reason: &'static str,
    count: String,
}

/// The feed in figures.
#[utoipa::path(
    get, path = "/api/v1/feed", tag = "feed",
    responses((status = 200, body = FeedView), (status = 401, body = Problem), (status = 503, body = Problem))
)]
pub(crate) async fn feed(State(app): State<App>, caller: ApiCaller) -> Result<Json<FeedView>, Problem> {
    let feed = app.desk.feed(&caller.who).await?;
    let register = app.desk.register(&caller.who).await?;
    let not_ready = app.options.health.borrow().iter().copied().collect();
    let count = |n: usize| u64::try_from(n).unwrap_or(u64::MAX);
    let progress = &feed.progress;
    Ok(Json(FeedView {
        now: feed.now.to_string(),
        not_ready,
        units: count(register.units.len()),
        heard: count(progress.iter().filter(|p| p.received.is_some()).count()),
        learning: count(progress.iter().filter(|p| p.learning().next().is_some()).count()),
        received: progress.iter().filter_map(|p| p.received).max().map(|t| t.to_string()),
        judged: progress.iter().filter_map(|p| p.judged).max().map(|t| t.to_string()),
        samples: progress.iter().map(|p| p.samples).sum::<u64>().to_string(),
        repeats: progress.iter().map(|p| p.repeats).sum::<u64>().to_string(),
        conflicts: progress.iter().map(|p| p.conflicts).sum::<u64>().to_string(),
        quarantine: feed
            .quarantine
            .iter()
            .map(|(reason, n)| QuarantineCount { reason: reason.code(), count: n.to_string() })
            .collect(),
        quarantine_dropped: feed.quarantine_dropped.map(|n| n.to_string()),
    }))
}
