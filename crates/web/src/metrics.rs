//! Counters of the web side. Labels come from fixed sets: neither a path nor a caller ever becomes one.
//!
//! Owns their names. The process's other parts register theirs in the same registry.

use prometheus::{IntCounterVec, IntGauge, Opts, Registry};

/// The counters.
#[derive(Debug, Clone)]
pub(crate) struct Metrics {
    /// Answers by area and class of status.
    pub(crate) answers: IntCounterVec,
    /// Live streams open now.
    pub(crate) streams: IntGauge,
}

/// Part of the web side that a path belongs to.
pub(crate) fn area(path: &str) -> &'static str {
    if path.starts_with("/api/") {
        "api"
    } else if path.starts_with("/assets/") {
        "assets"
    } else if matches!(path, "/livez" | "/readyz" | "/metrics") {
        "operations"
    } else {
        "console"
    }
}

/// Class of a status code.
pub(crate) fn class(status: axum::http::StatusCode) -> &'static str {
    match status.as_u16() {
        100..=399 => "done",
        400..=499 => "refused",
        _ => "failed",
    }
}

impl Metrics {
    /// Makes and registers them. A second router over one registry keeps counters that nobody gathers, and says so.
    pub(crate) fn new(registry: &Registry) -> Self {
        let made = IntCounterVec::new(
            Opts::new("notchwatch_http_answers_total", "answers given, by area and class of status"),
            &["area", "class"],
        )
        .and_then(|answers| {
            let streams = IntGauge::new("notchwatch_http_streams", "live event streams open now")?;
            Ok(Self { answers, streams })
        });
        let metrics = match made {
            Ok(metrics) => metrics,
            Err(error) => unreachable!("names and labels are literals of this file: {error}"),
        };
        let parts: [Box<dyn prometheus::core::Collector>; 2] =
            [Box::new(metrics.answers.clone()), Box::new(metrics.streams.clone())];
        for part in parts {
            if let Err(error) = registry.register(part) {
                tracing::warn!(%error, "a metric of the web side is not gathered");
            }
        }
        metrics
    }
}

#[cfg(test)]
mod tests {
    use axum::http::StatusCode;

    use super::*;

    #[test]
    fn labels_come_from_fixed_sets() {
        assert_eq!(area("/api/v1/findings/f-1"), "api");
        assert_eq!(area("/findings/anything"), "console");
        assert_eq!(area("/livez"), "operations");
        assert_eq!(class(StatusCode::CONFLICT), "refused");
        assert_eq!(class(StatusCode::SERVICE_UNAVAILABLE), "failed");
        assert_eq!(class(StatusCode::SEE_OTHER), "done");
    }
}
