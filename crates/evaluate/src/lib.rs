//! Evaluation: a fold over two recorded logs, messages and decisions, in one stated order.
//!
//! Owns the order of event time, lateness, snapshots and what is committed together. Live evaluation, replay and
//! traces call the same fold. Refuses HTTP, MQTT and SQL.

mod fold;
mod levels;
mod line;
mod restore;
mod rows;
mod service;
mod step;
mod texts;
mod trace;

pub use fold::{Fold, FoldContext, SnapshotError};
pub use line::{Folded, Line, Mark, SNAPSHOT_EVERY};
pub use rows::{Added, Rows};
pub use service::{Counters, EvaluateOptions, Evaluator, Lag, Pressure};
pub use trace::{TraceError, TraceRow, Tracer};

use notchwatch_store as store;

/// Why evaluation stopped a step. The service tries again; nothing is lost by it.
#[derive(Debug, thiserror::Error)]
pub enum EvaluateError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// A state did not go into or come out of its bytes.
    #[error(transparent)]
    Snapshot(#[from] SnapshotError),
    /// A worker ended before its work did.
    #[error("a worker of evaluation failed: {0}")]
    Worker(String),
}
