//! What every handler shares: the desk, the files of pages, the places for streams, the counters.
//!
//! Owns their wiring. Refuses state of its own about callers: that is the store's.

use std::sync::Arc;

use notchwatch_desk::Desk;

use crate::WebOptions;
use crate::assets::Assets;
use crate::metrics::Metrics;
use crate::streams::Streams;

/// Shared state. Clones share it.
#[derive(Debug, Clone)]
pub(crate) struct App {
    pub(crate) desk: Desk,
    pub(crate) options: WebOptions,
    pub(crate) assets: Arc<Assets>,
    pub(crate) streams: Streams,
    pub(crate) metrics: Metrics,
}

impl App {
    pub(crate) fn new(desk: Desk, options: WebOptions) -> Self {
        let metrics = Metrics::new(&options.metrics);
        let limits = options.limits;
        let streams = Streams::new(limits.streams_per_caller, limits.streams, metrics.streams.clone());
        Self { desk, options, assets: Arc::new(Assets::load()), streams, metrics }
    }
}
