//! Comms: who is heard, who is silent, and which silences share a cause. Pure: receipts and clock ticks in, states and
//! findings out.
//!
//! Owns the rules of `crates/findings/doc/comms.md`. Only a receipt that the broker had not kept counts as a sign of
//! life. Refuses clocks and I/O: time comes with the receipts and the ticks, which are recorded.

mod cause;
mod contact;
mod fleet;
mod habit;
mod ours;
mod part;

pub use fleet::{CommsFleet, Receipt, TickResult};

use notchwatch_model::Span;

/// How comms are judged. Spans of time throughout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommsPolicy {
    /// How often the clock is read and recorded.
    pub tick: Span,
    /// Nobody is silent sooner than this. One hour: five of the slowest usual packs, one every twelve minutes (common
    /// practice).
    pub floor: Span,
    /// A message whose newest sample is older than this at receipt is a backlog, no sign of the present.
    pub fresh: Span,
    /// After an outage of our own, time for backlogs to arrive before anybody is judged.
    pub grace: Span,
    /// An outage of our own is a finding once it has lasted this long (ours: a restart of a broker takes less).
    pub own: Span,
    /// How long a refused time is remembered.
    pub clock_memory: Span,
    /// A silence that comes back within this time after its end is the same finding again.
    pub reopen: Span,
}

impl Default for CommsPolicy {
    fn default() -> Self {
        Self {
            tick: Span::from_mins(1),
            floor: Span::from_hours(1),
            fresh: Span::from_mins(30),
            grace: Span::from_mins(15),
            own: Span::from_mins(2),
            clock_memory: Span::from_hours(1),
            reopen: Span::from_hours(24),
        }
    }
}

#[cfg(test)]
mod tests;
