//! Expression: does a unit send a quantity in another unit of measure than it says?
//!
//! A change of how a quantity is expressed is a matter of the data, never of the machine. Owns the comparison of a
//! reading with what it would be in the usual other units of measure of its dimension. Refuses to convert: what is meant
//! is not guessed, such samples reach no model and no limit, and a person is told.

use notchwatch_model::Uom;
use serde::{Deserialize, Serialize};

use crate::quality::STANDS;

/// Units of measure that instruments of one quantity are set to (common practice).
const USUAL: [&[&str]; 3] =
    [&["Cel", "K", "degF"], &["Pa", "hPa", "kPa", "bar", "psi", "MPa"], &["km/h", "m/s"]];
/// A reading further off than so many times what is usual is not one of the quantity as it was.
const FAR: f64 = 4.0;
/// ... or twice the share within which one that scales agrees.
const FAR_SHARES: f64 = 2.0;

/// A usual other unit of measure: what brings a reading in it into the stored one, times, then plus.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Other {
    scale: f64,
    offset: f64,
}

impl Other {
    pub(crate) fn back(self, x: f64) -> f64 {
        x * self.scale + self.offset
    }

    /// Whether it only scales: then the size of a reading alone says much.
    pub(crate) fn scales(self) -> bool {
        crate::num::unset(self.offset)
    }
}

/// The usual other units of measure for a stored one.
pub(crate) fn others(uom: Uom) -> Vec<Other> {
    let known = |name: &&str| name.parse::<Uom>().ok();
    let group = USUAL.iter().find(|group| group.iter().filter_map(known).any(|u| u == uom));
    let mut out = Vec::new();
    for from in group.into_iter().flat_map(|group| group.iter().filter_map(known)).filter(|from| *from != uom)
    {
        if let (Ok(nought), Ok(one)) = (from.convert(0.0, uom), from.convert(1.0, uom)) {
            out.push(Other { scale: one - nought, offset: nought });
        }
    }
    out
}

/// Share of the last reading below which a quantity has all but vanished: a pressure with the engine stopped.
const VANISHES: f64 = 0.02;

/// What is expected of a reading, and within which it is usual.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Usual {
    pub(crate) value: f64,
    pub(crate) within: f64,
    /// Within which share of the value a reading in another unit of measure that only scales agrees.
    pub(crate) share: f64,
}

#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Streak {
    other: u8,
    seen: u8,
    /// The last reading, brought back.
    last: f64,
}

/// Whether a channel's readings agree with another unit of measure.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Expression {
    /// From one reading to the next.
    jump: Streak,
    /// Against what the operating state lets one expect.
    level: Streak,
    /// The other unit of measure that it was found in, and readings in a row that deny it.
    found: Option<(u8, u8)>,
    last: f64,
}

/// What became of a reading.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Heard {
    /// In the stored unit of measure, as far as can be told.
    Plain,
    /// It may be in another one, or is: nothing reads it.
    Withheld,
    /// Now it is sure.
    Found,
    /// The stored one again.
    Ended,
}

impl Expression {
    /// Compares a reading with the one before; `usual` is what was read then, and how far readings usually step.
    pub(crate) fn step(&mut self, others: &[Other], x: f64, usual: Option<Usual>) -> Heard {
        if let Some((other, denied)) = self.found {
            return self.follow(others, other, denied, x);
        }
        let usual = match usual {
            Some(usual) if self.jump.seen > 0 => Some(Usual { value: self.jump.last, ..usual }),
            usual => usual,
        };
        let heard = usual.map_or(Heard::Plain, |usual| self.jump.take(others, x, usual));
        self.settle(heard, self.jump)
    }

    /// Compares a reading that passed with what the operating state lets one expect.
    pub(crate) fn check(&mut self, others: &[Other], x: f64, usual: Usual) -> Heard {
        let heard = self.level.take(others, x, usual);
        self.settle(heard, self.level)
    }

    fn settle(&mut self, heard: Heard, by: Streak) -> Heard {
        if heard == Heard::Found {
            *self = Self { found: Some((by.other, 0)), last: by.last, ..Self::default() };
        }
        heard
    }

    fn follow(&mut self, others: &[Other], other: u8, denied: u8, x: f64) -> Heard {
        let Some(by) = others.get(usize::from(other)) else { return Heard::Withheld };
        let back = by.back(x);
        let (other_fits, own_fits) = if by.scales() {
            // A quantity that vanishes does so in every unit of measure.
            let alike = |value: f64| value.abs() > VANISHES * self.last.abs() && value * self.last > 0.0;
            let ratio = |value: f64| (value / self.last).abs().ln().abs();
            let nearer = ratio(back) <= ratio(x);
            (alike(back) && nearer, alike(x) && !nearer)
        } else {
            let nearer = (back - self.last).abs() <= (x - self.last).abs();
            (nearer, !nearer)
        };
        if other_fits && !own_fits {
            (self.found, self.last) = (Some((other, 0)), back);
        }
        if !own_fits {
            return Heard::Withheld;
        }
        if denied + 1 < STANDS {
            self.found = Some((other, denied + 1));
            return Heard::Withheld;
        }
        *self = Self::default();
        Heard::Ended
    }
}

impl Streak {
    fn take(&mut self, others: &[Other], x: f64, usual: Usual) -> Heard {
        let off = |value: f64| (value - usual.value).abs();
        let within = |o: &Other| {
            if o.scales() { usual.within.max(usual.share * usual.value.abs()) } else { usual.within }
        };
        let far = |o: &Other| {
            let share = if o.scales() { FAR_SHARES * usual.share * usual.value.abs() } else { 0.0 };
            share.max(FAR * usual.within)
        };
        let agrees = |o: &&Other| off(o.back(x)) <= within(o) && off(x) > far(o);
        let near = others.iter().enumerate().filter(|(_, o)| agrees(o));
        let best = near.min_by(|a, b| off(a.1.back(x)).total_cmp(&off(b.1.back(x))));
        let Some((place, other)) = best else {
            *self = Self::default();
            return Heard::Plain;
        };
        let place = u8::try_from(place).unwrap_or(u8::MAX);
        let seen = if self.seen > 0 && self.other == place { self.seen + 1 } else { 1 };
        *self = Self { other: place, seen, last: other.back(x) };
        if seen >= STANDS { Heard::Found } else { Heard::Withheld }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn uom(name: &str) -> Uom {
        name.parse().unwrap()
    }

    fn heard(stored: &str, from: f64, within: f64, readings: &[f64]) -> Vec<Heard> {
        let others = others(uom(stored));
        let mut expression = Expression::default();
        let mut last = from;
        readings
            .iter()
            .map(|x| {
                let heard = expression.step(&others, *x, Some(Usual { value: last, within, share: 0.0 }));
                if heard == Heard::Plain {
                    last = *x;
                }
                heard
            })
            .collect()
    }

    #[test]
    fn a_change_is_found_by_the_third_reading_and_ends_when_it_is_undone() {
        use Heard::{Ended, Found, Plain, Withheld};
        let wanted = [Plain, Withheld, Withheld, Found, Withheld, Withheld, Withheld, Ended];
        // Stored, reading before, usual step, and the same three kinds of reading in another unit of measure.
        let table = [
            ("Cel", 82.0, 1.5, [82.3, 180.1, 180.5, 179.8, 181.0, 82.5, 82.4, 82.6]),
            ("Cel", 82.0, 1.5, [82.3, 355.4, 355.3, 355.6, 355.5, 82.5, 82.4, 82.6]),
            ("Pa", 540e3, 40e3, [541e3, 5.41, 5.38, 5.40, 5.42, 540e3, 538e3, 541e3]),
            ("Pa", 540e3, 40e3, [541e3, 541.0, 538.0, 540.0, 542.0, 540e3, 538e3, 541e3]),
            ("Pa", 540e3, 40e3, [541e3, 78.4, 78.1, 78.6, 78.5, 540e3, 538e3, 541e3]),
            ("km/h", 72.0, 2.0, [72.4, 20.1, 20.0, 20.2, 20.1, 72.0, 72.1, 71.8]),
        ];
        for (stored, from, within, readings) in table {
            assert_eq!(heard(stored, from, within, &readings), wanted, "{stored} {readings:?}");
        }
    }

    #[test]
    fn what_a_machine_or_a_sensor_does_is_none() {
        // A sensor that died, a trip, a step of the machine, an open circuit.
        for (stored, from, within, x) in [
            ("Pa", 540e3, 40e3, 0.0),
            ("Pa", 540e3, 40e3, 120e3),
            ("Pa", 540e3, 40e3, 1000.0),
            ("Cel", 82.0, 1.5, 97.0),
            ("Cel", 82.0, 1.5, 140.0),
            ("Cel", 82.0, 1.5, -127.0),
            ("1/min", 1000.0, 20.0, 500.0),
        ] {
            assert_eq!(heard(stored, from, within, &[x, x, x, x]), [Heard::Plain; 4], "{stored} {x}");
        }
    }

    #[test]
    fn another_level_than_the_state_expects_is_found_too() {
        let others = others(uom("Pa"));
        let usual = Usual { value: 240e3, within: 12e3, share: 0.25 };
        let mut expression = Expression::default();
        assert_eq!(expression.check(&others, 2.6, usual), Heard::Withheld);
        assert_eq!(expression.check(&others, 2.5, usual), Heard::Withheld);
        assert_eq!(expression.check(&others, 2.4, usual), Heard::Found);
        // Running, stopped, running again, and put right at last.
        for x in [5.4, 0.0, 0.0, 0.01, 0.0, 2.4, 5.4, 540e3, 541e3] {
            assert_eq!(expression.step(&others, x, None), Heard::Withheld, "{x}");
        }
        assert_eq!(expression.step(&others, 540e3, None), Heard::Ended);
        let mut expression = Expression::default();
        assert_eq!(expression.check(&others, 0.0, usual), Heard::Plain, "a sensor that died");
        assert_eq!(expression.check(&others, 90e3, usual), Heard::Plain, "a pump that failed");
    }
}
