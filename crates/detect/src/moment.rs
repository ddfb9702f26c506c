//! The row that a sample belongs to, as every part of a channel's chain reads it.
//!
//! Owns nothing but the words; refuses to judge.

use notchwatch_model::{OperatingState, Regime, Span, Time};

use crate::Settings;
use crate::operation::Stood;

/// The row that a sample belongs to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment<'a> {
    pub(crate) settings: &'a Settings,
    pub(crate) time: Time,
    pub(crate) state: OperatingState,
    /// How long the regime has lasted.
    pub(crate) lasted: Span,
    /// How long the engine has run; nought while it stands.
    pub(crate) running: Span,
    /// The standstill that lasts, else the last one that was long enough for work on the engine.
    pub(crate) stood: Option<Stood>,
}

impl Moment<'_> {
    /// Whether the engine was started less than `after` ago.
    pub(crate) fn starting(&self, after: Span) -> bool {
        self.state.regime != Regime::Stopped && self.running < after
    }
}
