//! Operating state from a unit's own channels, by its class's rule.
//!
//! Owns the last known notch, brake and engine flags and how long each may stand in for a row that lacks it.
//! Refuses to guess: when a needed channel is older than [`HOLD`], the regime is unknown and nothing is judged.

use notchwatch_model::{OperatingState, Regime, Span, Time};
use serde::{Deserialize, Serialize};

use crate::plan::OperationPlan;

/// How long the last known value of a state channel stands in for a missing one, and how long a silence may last
/// before the state starts anew: a notch is rarely held unchanged much longer (40 CFR 1033.530's duty cycle has
/// mean dwell times of minutes). Slower senders are given five of their own intervals.
pub(crate) const HOLD: Span = Span::from_mins(15);

/// An engine that was not seen to run for so long may have been worked on in the meantime (common practice: nothing is
/// exchanged in less than an hour).
const STOOD_LEAST: Span = Span::from_hours(1);

/// Highest throttle position.
const TOP_NOTCH: f64 = 8.0;

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Held {
    at: Time,
    value: f64,
}

/// What the unit was doing at the last row, and since when.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Operation {
    notch: Option<Held>,
    dynamic_brake: Option<Held>,
    engine_running: Option<Held>,
    warm: Option<Held>,
    now: Option<(Regime, Time)>,
    /// When the engine was started, or first seen to run.
    started: Option<Time>,
    last: Option<Time>,
    /// Since when it has not been seen to run.
    rests: Option<Time>,
    stood: Option<Stood>,
}

/// A time for which an engine was not seen to run: it stood, or nothing came from the unit, as when its battery is off.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Stood {
    /// When it was seen to stop, or the last row before the silence.
    pub(crate) from: Time,
    /// First row with the engine running again; the last row while it has not been seen to.
    pub(crate) to: Time,
}

impl Stood {
    /// Whether it was long enough for work on the engine.
    pub(crate) fn long(self) -> bool {
        self.to - self.from >= STOOD_LEAST
    }
}

impl Operation {
    /// Takes a row; `hold` is how long a value may be held. Returns the state and for how long its regime has lasted.
    pub(crate) fn step(
        &mut self,
        plan: &OperationPlan,
        values: &[Option<f64>],
        time: Time,
        hold: Span,
    ) -> (OperatingState, Span) {
        keep(&mut self.notch, plan.notch, values, time);
        keep(&mut self.dynamic_brake, plan.dynamic_brake, values, time);
        keep(&mut self.engine_running, plan.engine_running, values, time);
        keep(&mut self.warm, plan.warm.map(|w| w.0), values, time);
        let regime = self.regime(plan, time, hold);
        let before = self.last.replace(time).filter(|last| time - *last > hold);
        let silent = before.is_some();
        let since = match self.now {
            Some((before, since)) if before == regime && !silent => since,
            _ => time,
        };
        self.now = Some((regime, since));
        match regime {
            Regime::Stopped => self.started = None,
            _ if silent || self.started.is_none() => self.started = Some(time),
            _ => {}
        }
        self.rest(regime, before, time);
        let lasted = time - since;
        let warm = match plan.warm {
            None => true,
            Some((_, at)) => fresh(self.warm, time, hold).is_some_and(|value| value >= at),
        };
        (OperatingState { regime, steady: lasted >= plan.steady_after, warm }, lasted)
    }

    /// How long the engine has run at the last row; nought while it stands.
    pub(crate) fn running(&self) -> Span {
        self.started.zip(self.last).map_or(Span::ZERO, |(started, last)| last - started)
    }

    /// The standstill that lasts, else the last one that was long enough for work on the engine; `None` before any.
    pub(crate) fn stood(&self) -> Option<Stood> {
        self.rests.zip(self.last).map(|(from, to)| Stood { from, to }).or(self.stood)
    }

    /// Follows standstills; `before` is the last row before a silence that ends with this one.
    fn rest(&mut self, regime: Regime, before: Option<Time>, time: Time) {
        if regime == Regime::Stopped || before.is_some() {
            self.rests.get_or_insert(before.unwrap_or(time));
        }
        if matches!(regime, Regime::Stopped | Regime::Unknown) {
            return;
        }
        let ended = self.rests.take().map(|from| Stood { from, to: time }).filter(|stood| stood.long());
        self.stood = ended.or(self.stood);
    }

    /// The regime at the last row.
    pub(crate) fn now(&self) -> Regime {
        self.now.map_or(Regime::Unknown, |n| n.0)
    }

    fn regime(&self, plan: &OperationPlan, time: Time, hold: Span) -> Regime {
        if plan.engine_running.is_some() {
            match fresh(self.engine_running, time, hold) {
                None => return Regime::Unknown,
                Some(flag) if flag < 0.5 => return Regime::Stopped,
                Some(_) => {}
            }
        }
        if self.dynamic_brake.is_some() {
            match fresh(self.dynamic_brake, time, hold) {
                None => return Regime::Unknown,
                Some(flag) if flag >= 0.5 => return Regime::DynamicBrake,
                Some(_) => {}
            }
        }
        if plan.notch.is_none() {
            return Regime::Running;
        }
        match fresh(self.notch, time, hold) {
            Some(value) if (0.0..=TOP_NOTCH).contains(&value) => {
                u8::try_from(crate::num::whole(value, 0, 8)).map_or(Regime::Unknown, Regime::Notch)
            }
            _ => Regime::Unknown,
        }
    }
}

fn keep(held: &mut Option<Held>, channel: Option<usize>, values: &[Option<f64>], time: Time) {
    if let Some(value) = channel.and_then(|i| values.get(i).copied().flatten()) {
        *held = Some(Held { at: time, value });
    }
}

fn fresh(known: Option<Held>, time: Time, hold: Span) -> Option<f64> {
    known.filter(|h| time - h.at <= hold).map(|h| h.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> OperationPlan {
        OperationPlan {
            notch: Some(0),
            dynamic_brake: Some(1),
            engine_running: Some(2),
            steady_after: Span::from_mins(3),
            warm: Some((3, 60.0)),
        }
    }

    #[test]
    fn regime_steadiness_and_warmth_by_minute() {
        use Regime::{DynamicBrake, Notch, Stopped, Unknown};
        let full = |notch, brake, running, temp| vec![Some(notch), Some(brake), Some(running), Some(temp)];
        let none = vec![None; 4];
        // Minute, values, regime, steady, warm.
        let table = [
            (0, full(0.0, 0.0, 0.0, 20.0), Stopped, false, false),
            (1, full(0.0, 0.0, 1.0, 59.0), Notch(0), false, false),
            (2, full(0.0, 0.0, 1.0, 60.0), Notch(0), false, true),
            (4, none.clone(), Notch(0), true, true),
            (5, full(8.0, 0.0, 1.0, 70.0), Notch(8), false, true),
            (6, full(8.0, 1.0, 1.0, 70.0), DynamicBrake, false, true),
            (7, full(8.5, 0.0, 1.0, 70.0), Unknown, false, true),
            (8, full(3.0, 0.0, 1.0, 70.0), Notch(3), false, true),
            (24, none.clone(), Unknown, false, false),
            (25, full(3.0, 0.0, 1.0, 70.0), Notch(3), false, true),
        ];
        let mut operation = Operation::default();
        for (minute, values, regime, steady, warm) in table {
            let time = Time::EPOCH + Span::from_mins(minute);
            let (state, _) = operation.step(&plan(), &values, time, HOLD);
            assert_eq!((state.regime, state.steady, state.warm), (regime, steady, warm), "minute {minute}");
        }
    }

    #[test]
    fn an_hour_without_the_engine_running_is_a_standstill() {
        // Minutes from, to; engine flag, or nothing sent.
        let table = [
            (0, 30, Some(1.0)),
            (30, 60, Some(0.0)),
            (60, 90, Some(1.0)),
            (90, 155, Some(0.0)),
            (155, 180, Some(1.0)),
        ];
        let mut operation = Operation::default();
        let minute = |operation: &mut Operation, minute: i64, running: f64| {
            let values = vec![Some(3.0), Some(0.0), Some(running), Some(70.0)];
            operation.step(&plan(), &values, Time::EPOCH + Span::from_mins(minute), HOLD);
        };
        for (from, to, running) in table {
            for at in from..to {
                minute(&mut operation, at, running.unwrap_or_default());
            }
            let stood = operation.stood().map(|s| (s.from - Time::EPOCH, s.to - Time::EPOCH));
            let wanted = match to {
                60 => Some((30, 59)),
                155 => Some((90, 154)),
                180 => Some((90, 155)),
                _ => None,
            };
            let wanted = wanted.map(|(from, to)| (Span::from_mins(from), Span::from_mins(to)));
            assert_eq!(stood, wanted, "half an hour that is over is none, minute {to}");
        }
        // A silence may hide one: the battery is off while people work.
        minute(&mut operation, 300, 1.0);
        let stood = operation.stood().map(|s| (s.from - Time::EPOCH, s.to - Time::EPOCH));
        assert_eq!(stood, Some((Span::from_mins(179), Span::from_mins(300))));
    }

    #[test]
    fn a_class_without_throttle_runs() {
        let plan = OperationPlan {
            notch: None,
            dynamic_brake: None,
            engine_running: None,
            steady_after: Span::ZERO,
            warm: None,
        };
        let (state, _) = Operation::default().step(&plan, &[], Time::EPOCH, HOLD);
        assert_eq!(state, OperatingState { regime: Regime::Running, steady: true, warm: true });
    }
}
