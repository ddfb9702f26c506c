//! Timer: a condition that counts once it has lasted, and counts no more once it has been gone for long enough.
//!
//! IEC 62682 names the two spans on-delay and off-delay. Both run in event time and only over an unbroken stream: a
//! silence proves nothing, so it starts them anew.

use notchwatch_model::{Span, Time};
use serde::{Deserialize, Serialize};

/// On- and off-delay of one condition.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Timer {
    turning: Option<Time>,
    last: Option<Time>,
    /// Whether the condition counts.
    pub(crate) on: bool,
}

/// The spans of a timer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Delays {
    pub(crate) on: Span,
    pub(crate) off: Span,
    /// A longer silence starts both anew.
    pub(crate) gap: Span,
}

impl Timer {
    /// Takes one observation: `beyond` speaks for on, `back` for off; between the two (deadband) nothing turns.
    /// Returns the new state when it changed, with the time at which the turn began.
    pub(crate) fn step(
        &mut self,
        time: Time,
        beyond: bool,
        back: bool,
        delays: Delays,
    ) -> Option<(bool, Time)> {
        let silent = self.last.replace(time).is_some_and(|last| time - last > delays.gap);
        let (turns, delay) = if self.on { (back, delays.off) } else { (beyond, delays.on) };
        if !turns {
            self.turning = None;
            return None;
        }
        let since = match self.turning {
            Some(since) if !silent => since,
            _ => time,
        };
        self.turning = Some(since);
        if time - since < delay {
            return None;
        }
        self.turning = None;
        self.on = !self.on;
        Some((self.on, since))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn delays_and_deadband() {
        let delays = Delays { on: Span::from_mins(2), off: Span::from_mins(3), gap: Span::from_mins(5) };
        // Minute, beyond, back, state afterwards.
        let table = [
            (0, true, false, false),
            (1, false, false, false),
            (2, true, false, false),
            (4, true, false, true),
            (5, false, true, true),
            (6, false, false, true),
            (7, false, true, true),
            (10, false, true, false),
            (20, true, false, false),
            (30, true, false, false),
            (32, true, false, true),
        ];
        let mut timer = Timer::default();
        for (minute, beyond, back, on) in table {
            timer.step(Time::EPOCH + Span::from_mins(minute), beyond, back, delays);
            assert_eq!(timer.on, on, "minute {minute}");
        }
    }
}
