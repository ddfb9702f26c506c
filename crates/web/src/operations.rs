//! What a supervisor asks: alive, ready, metrics; and the page that explains a type of problem.
//!
//! Owns their form. Reasons for not being ready and notes come from fixed sets and say nothing of any
//! railway.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use prometheus::{Encoder, TextEncoder};
use serde::Serialize;

use crate::app::App;
use crate::problem::KINDS;

/// Routes.
pub(crate) fn routes() -> axum::Router<App> {
    axum::Router::new()
        .route("/livez", get(|| async { "alive\n" }))
        .route("/readyz", get(ready))
        .route("/metrics", get(metrics))
        .route("/problems/{kind}", get(problem))
}

#[derive(Debug, Serialize)]
struct Ready {
    reasons: Vec<&'static str>,
    /// What somebody should look at and that keeps nothing from working.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    notes: Vec<&'static str>,
}

/// Rows of the store were found damaged: what they hold is left out, everything else is served.
const STORE_DAMAGED: &str = "store-damaged";

/// Somebody outside keeps the store's write-ahead log from being cut back: it grows until that ends.
const STORE_LOG_HELD: &str = "store-log-held";

/// What somebody should look at.
fn notes(damaged: bool, log_held: bool) -> Vec<&'static str> {
    let notes = [(damaged, STORE_DAMAGED), (log_held, STORE_LOG_HELD)];
    notes.into_iter().filter(|(there, _)| *there).map(|(_, note)| note).collect()
}

/// 200 when ready, 503 with the reasons when not.
async fn ready(State(app): State<App>) -> Response {
    let reasons: Vec<&'static str> = app.options.health.borrow().iter().copied().collect();
    let status = if reasons.is_empty() { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    let notes = notes(app.desk.store_damage() > 0, app.desk.store_log_held().is_some());
    (status, Json(Ready { reasons, notes })).into_response()
}

/// Everything gathered, in the text form of Prometheus.
async fn metrics(State(app): State<App>) -> Response {
    let mut text = Vec::new();
    let encoder = TextEncoder::new();
    if let Err(error) = encoder.encode(&app.options.metrics.gather(), &mut text) {
        tracing::error!(%error, "metrics cannot be written");
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    }
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// What a type of problem means.
async fn problem(Path(kind): Path<String>) -> Response {
    match KINDS.iter().find(|k| k.0.strip_prefix("/problems/") == Some(kind.as_str())) {
        Some((_, status, title, text)) => {
            format!("{kind} ({}): {title}\n\n{text}\n", status.as_u16()).into_response()
        }
        None => (StatusCode::NOT_FOUND, "no such type of problem\n").into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_there_while_their_cause_is() {
        for (damaged, log_held, told) in [
            (false, false, vec![]),
            (true, false, vec!["store-damaged"]),
            (false, true, vec!["store-log-held"]),
            (true, true, vec!["store-damaged", "store-log-held"]),
        ] {
            assert_eq!(notes(damaged, log_held), told);
        }
    }
}
