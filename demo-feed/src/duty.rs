//! What the crew asks for through time: a semi-Markov process over notches, brake and standstill.
//!
//! Owns the time shares (40 CFR 1033.530, the table with a single idle) and how long each lasts. Refuses physics.
//! Moves go to near notches mostly; each is accepted by the rule of Metropolis, so that the long-run time shares
//! are exactly the stated ones.

use crate::machine::Demand;
use crate::rng::Rng;
use crate::scenario::{Duty, Order};

/// Idle, notches 1 to 8, dynamic brake.
const STATES: usize = 10;
const BRAKE: usize = 9;
const LINE_HAUL: [f64; STATES] = [0.380, 0.065, 0.065, 0.052, 0.044, 0.038, 0.039, 0.030, 0.162, 0.125];
const SWITCH: [f64; STATES] = [0.598, 0.124, 0.123, 0.058, 0.036, 0.036, 0.015, 0.002, 0.008, 0.000];
/// Mean stay in minutes; long enough that temperatures settle where a unit spends its day (common practice).
const STAY_MIN: [f64; STATES] = [38.0, 8.0, 8.0, 9.0, 10.0, 12.0, 13.0, 12.0, 42.0, 18.0];
/// Shortest stay, in minutes.
const SHORTEST_MIN: f64 = 4.0;
/// Chance that a stay at idle ends with the engine shut down.
const SHUT_DOWN: f64 = 0.05;

/// The crew of one unit.
#[derive(Clone, Debug)]
pub(crate) struct Crew {
    rng: Rng,
    shares: [f64; STATES],
    state: usize,
    stopped: bool,
    /// When the present stay ends, in ms since 1970.
    until_ms: i64,
    orders: Vec<(i64, i64, u8)>,
}

impl Crew {
    pub(crate) fn new(mut rng: Rng, duty: Duty, start_ms: i64, orders: &[&Order]) -> Self {
        let first = rng.between(1.0, 20.0);
        let orders = orders
            .iter()
            .map(|o| {
                let from = start_ms + hours_ms(o.at_h);
                (from, from + hours_ms(o.for_h), o.notch)
            })
            .collect();
        Crew {
            rng,
            shares: shares(duty),
            state: 0,
            stopped: false,
            until_ms: start_ms + minutes_ms(first),
            orders,
        }
    }

    /// Other work from now on.
    pub(crate) fn assign(&mut self, duty: Duty) {
        self.shares = shares(duty);
    }

    /// Demand at a time and when it ends, in ms since 1970. Times never go back.
    pub(crate) fn demand(&mut self, at_ms: i64) -> (Demand, i64) {
        while self.until_ms <= at_ms {
            self.next_stay();
        }
        let next_order = self.orders.iter().map(|o| o.0).filter(|from| *from > at_ms).min();
        let until = next_order.map_or(self.until_ms, |from| from.min(self.until_ms));
        if let Some((_, to, notch)) = self.orders.iter().find(|(from, to, _)| (*from..*to).contains(&at_ms)) {
            return (Demand::Notch(*notch), *to);
        }
        let demand = match (self.stopped, u8::try_from(self.state)) {
            (true, _) => Demand::Stopped,
            (false, Ok(notch)) if self.state != BRAKE => Demand::Notch(notch),
            _ => Demand::Brake,
        };
        (demand, until)
    }

    fn next_stay(&mut self) {
        if self.stopped {
            self.stopped = false;
            self.until_ms += minutes_ms(25.0 + self.rng.exponential(10.0));
            return;
        }
        if self.state == 0 && self.rng.uniform() < SHUT_DOWN {
            self.stopped = true;
            self.until_ms += minutes_ms(40.0 + self.rng.exponential(60.0));
            return;
        }
        let proposed = self.propose();
        let weight =
            |s: usize| self.shares.get(s).copied().unwrap_or(0.0) / STAY_MIN.get(s).copied().unwrap_or(1.0);
        let keep = weight(self.state);
        let chance = weight(proposed);
        if self.rng.uniform() * keep < chance {
            self.state = proposed;
        }
        let mean = STAY_MIN.get(self.state).copied().unwrap_or(SHORTEST_MIN);
        self.until_ms += minutes_ms(SHORTEST_MIN + self.rng.exponential(mean - SHORTEST_MIN));
    }

    /// A symmetric proposal on the ring idle, 1 ... 8, brake: up to three places either way, or any state.
    fn propose(&mut self) -> usize {
        const STEPS: [usize; 6] = [1, 2, 3, STATES - 1, STATES - 2, STATES - 3];
        let pick = usize::try_from(self.rng.bits() % 8).unwrap_or(0);
        match STEPS.get(pick) {
            Some(step) => (self.state + step) % STATES,
            None => usize::try_from(self.rng.bits() % 10).unwrap_or(0),
        }
    }
}

fn shares(duty: Duty) -> [f64; STATES] {
    match duty {
        Duty::LineHaul => LINE_HAUL,
        Duty::Switch => SWITCH,
    }
}

/// Hours in ms.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a scenario's hours are far below 2^53 ms; `as` saturates"
)]
pub(crate) fn hours_ms(hours: f64) -> i64 {
    (hours * 3_600_000.0).round() as i64
}

fn minutes_ms(minutes: f64) -> i64 {
    hours_ms(minutes / 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shares_of(duty: Duty) -> [f64; 11] {
        let mut crew = Crew::new(Rng::new(9, 1, 1), duty, 0, &[]);
        let mut minutes = [0.0; 11];
        for minute in 0..1_000_000_i64 {
            match crew.demand(minute * 60_000).0 {
                Demand::Notch(n) => minutes[usize::from(n)] += 1.0,
                Demand::Brake => minutes[9] += 1.0,
                Demand::Stopped => minutes[10] += 1.0,
            }
        }
        let running: f64 = minutes[..10].iter().sum();
        let share = |m: f64| m / running;
        std::array::from_fn(|i| if i < 10 { share(minutes[i]) } else { minutes[10] / 1_000_000.0 })
    }

    #[test]
    fn time_shares_are_those_of_the_duty_cycle() {
        // 40 CFR 1033.530, table 2, line-haul; a shut-down is added to it and makes idle a little longer.
        let shares = shares_of(Duty::LineHaul);
        for (state, wanted) in LINE_HAUL.iter().enumerate() {
            assert!((shares[state] - wanted).abs() < 0.035, "{state}: {} for {wanted}", shares[state]);
        }
        assert!((0.02..0.15).contains(&shares[10]), "stopped {}", shares[10]);
    }

    #[test]
    fn a_switcher_hardly_sees_full_load() {
        let shares = shares_of(Duty::Switch);
        assert!(shares[8] < 0.03 && shares[9] < 0.001 && shares[0] > 0.5, "{shares:?}");
    }

    #[test]
    fn an_order_holds_its_notch() {
        let order = Order { unit: String::new(), at_h: 1.0, for_h: 0.5, notch: 8 };
        let mut crew = Crew::new(Rng::new(2, 1, 1), Duty::Switch, 0, &[&order]);
        let (_, until) = crew.demand(3_599_000);
        assert!(until <= 3_600_000);
        assert_eq!(crew.demand(3_600_000), (Demand::Notch(8), 5_400_000));
        assert_eq!(crew.demand(5_399_000).0, Demand::Notch(8));
    }
}
