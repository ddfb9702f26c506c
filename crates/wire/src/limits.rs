//! Limits of one message, all configurable.
//!
//! Owns the default numbers. Refuses nothing itself: decoders compare against it.

use notchwatch_model::Span;

/// What one message may cost, and how far its times may lie from its receipt.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Largest payload, in bytes.
    pub message_bytes: usize,
    /// Most records in a pack.
    pub records: usize,
    /// Deepest nesting of arrays and maps; the pack is 1, a record 2.
    pub depth: usize,
    /// Longest resolved name, in bytes.
    pub name_bytes: usize,
    /// How far an event time may lie ahead of the receive time.
    pub ahead: Span,
    /// How far an event time may lie behind the receive time. An import of history, which has no receive time of its
    /// own, sets it as wide as its data.
    pub behind: Span,
}

/// The project's own choice: a pack of a whole day at one snapshot a minute fits, and a sender's mistake costs little.
impl Default for Limits {
    fn default() -> Self {
        Self {
            message_bytes: 1 << 20,
            records: 10_000,
            depth: 16,
            name_bytes: 256,
            ahead: Span::from_mins(5),
            behind: Span::from_days(30),
        }
    }
}
