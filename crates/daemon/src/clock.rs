//! The wall clock: the one place that reads it. Everything else is handed a time.

use notchwatch_model::Time;

/// The machine's clock.
#[derive(Debug, Clone, Copy)]
pub(crate) struct WallClock;

/// Now, UTC.
#[expect(clippy::disallowed_methods, reason = "the one place that reads the wall clock")]
pub(crate) fn now() -> Time {
    Time::from_micros(jiff::Timestamp::now().as_microsecond()).unwrap_or(Time::EPOCH)
}

impl notchwatch_desk::Clock for WallClock {
    fn now(&self) -> Time {
        now()
    }
}
