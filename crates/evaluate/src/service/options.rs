//! How evaluation runs, and what it gives way to.
//!
//! Owns the defaults. Refuses to change what is found: none of these but the horizon and the rules of links do.

use std::sync::Arc;
use std::time::Duration;

use notchwatch_findings::CommsPolicy;
use notchwatch_model::Span;

/// How evaluation runs.
#[derive(Debug, Clone)]
pub struct EvaluateOptions {
    /// How long the newest row of a unit waits for more samples of its event time.
    pub settle: Duration,
    /// How often the journal is asked for more when it had nothing.
    pub poll: Duration,
    /// Messages read from the journal in one round, at most.
    pub round: usize,
    /// Data older than this, against the newest event time of its unit's messages before it in the journal, is kept and
    /// judges nothing, in this run or in any later one.
    pub horizon: Span,
    /// Evidence received later than this after it was measured makes its finding "late".
    pub lateness: Span,
    /// How links are judged.
    pub comms: CommsPolicy,
}

impl Default for EvaluateOptions {
    fn default() -> Self {
        Self {
            settle: Duration::from_millis(400),
            poll: Duration::from_millis(100),
            round: 4000,
            horizon: Span::from_hours(48),
            lateness: Span::from_mins(30),
            comms: CommsPolicy::default(),
        }
    }
}

/// Whether something else needs the machine more than evaluation does.
#[derive(Clone)]
pub struct Pressure(Arc<dyn Fn() -> bool + Send + Sync>);

impl Pressure {
    /// Asks this before each round.
    pub fn new(ask: impl Fn() -> bool + Send + Sync + 'static) -> Self {
        Self(Arc::new(ask))
    }

    /// Whether there is some now.
    pub(super) fn there(&self) -> bool {
        (self.0)()
    }

    /// None, ever.
    pub fn none() -> Self {
        Self::new(|| false)
    }
}

impl std::fmt::Debug for Pressure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Pressure({})", self.there())
    }
}
