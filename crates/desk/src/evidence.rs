//! What the desk asks of others: the time, what the models expected of the past, and another try at what was refused.
//!
//! Owns the traits, so that the desk depends on neither the daemon's clock nor evaluation nor ingest.

use futures::future::BoxFuture;
use notchwatch_model::{ChannelIx, ClassId, RailwayFilter, Reason, Regime, Time, UnitKey};

/// The wall clock, read by its owner.
pub trait Clock: Send + Sync + std::fmt::Debug {
    /// Now, UTC.
    fn now(&self) -> Time;
}

/// One row of one channel: measured beside expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Event time.
    pub time: Time,
    /// The channel.
    pub channel: ChannelIx,
    /// As measured, in the channel's stored unit of measure.
    pub measured: f64,
    /// As expected, once learned, in the stored unit.
    pub expected: Option<f64>,
    /// Robust spread of the expectation, in the stored unit.
    pub spread: Option<f64>,
    /// Operating state.
    pub regime: Regime,
    /// Whether the row was judged: settled, and in a state that the class names.
    pub judged: bool,
}

/// What one channel of one unit measured in one operating state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Operating state.
    pub regime: Regime,
    /// Settled samples.
    pub samples: u32,
    /// Their median, in the channel's stored unit of measure; of a flag the share of samples with it on, 0 to 1.
    pub middle: f64,
}

/// Why there is no evidence to show.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum EvidenceError {
    /// The unit or its class is not registered.
    #[error("unit is not in the register")]
    UnknownUnit,
    /// A dependency does not answer; the same call may succeed later.
    #[error("{0}")]
    Unavailable(String),
    /// Anything else.
    #[error("{0}")]
    Failed(String),
}

/// What was expected of the past, by the same fold that judged it.
pub trait Evidence: Send + Sync + std::fmt::Debug {
    /// Rows of some channels of a unit with `from <= time < to`, by time. The caller bounds the span.
    fn trace(
        &self,
        unit: UnitKey,
        channels: Vec<ChannelIx>,
        from: Time,
        to: Time,
    ) -> BoxFuture<'_, Result<Vec<TracePoint>, EvidenceError>>;

    /// Levels of a channel by operating state with `from <= time < to`, of units of one class, in their order; a unit
    /// without settled samples has none. The caller bounds units and span.
    fn levels(
        &self,
        class: ClassId,
        units: Vec<UnitKey>,
        channel: ChannelIx,
        span: (Time, Time),
    ) -> BoxFuture<'_, Result<Vec<Vec<Level>>, EvidenceError>>;
}

/// What came of another try at a refused message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Again {
    /// It is in the journal now. Samples that were there already count once.
    Stored,
    /// It is refused still: reasons, and what would be right.
    StillRefused(Vec<(Reason, String)>),
    /// Its bytes were not kept whole, so it cannot be read again.
    Incomplete,
    /// There is no such row, or the filter does not admit it.
    Absent,
}

/// Reads a refused message again with the register of now, as if it had come then: its receive time stays.
pub trait Replay: Send + Sync + std::fmt::Debug {
    /// Another try at one row of quarantine. The row stays, as the record of what happened.
    fn again(&self, id: i64, filter: RailwayFilter) -> BoxFuture<'_, notchwatch_store::Result<Again>>;
}
