//! Weather by place and season, and the line a unit works on: grades, heights, stretches without radio.
//!
//! Owns functions of time and distance that need no state, so that two units at one place feel one weather.
//! Refuses to be a forecast: smooth sums of a year, a day and a few passing fronts.

use std::f64::consts::TAU;

use crate::reference::REFERENCE_HPA;
use crate::rng::Rng;
use crate::scenario::Place;

/// The air around a unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Air {
    pub(crate) temp_c: f64,
    pub(crate) pressure_hpa: f64,
}

const DAY_S: f64 = 86_400.0;
const YEAR_DAYS: f64 = 365.25;
/// Hour of local solar time that is warmest.
const WARMEST_HOUR: f64 = 15.0;
/// Fall of temperature with height, in K a metre (standard atmosphere).
const LAPSE: f64 = 0.0065;
/// Height in which pressure falls to 1/e, in m (about 15 degrees Celsius).
const SCALE_HEIGHT_M: f64 = 8_430.0;
/// Periods of passing fronts, in days.
const FRONTS_DAYS: [f64; 3] = [3.1, 5.3, 8.7];

/// Weather of one place through time.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    place: Place,
    phases: [f64; 3],
}

impl Weather {
    pub(crate) fn new(place: &Place, seed: u64, number: u64) -> Self {
        let mut rng = Rng::new(seed, number, 11);
        Weather { place: place.clone(), phases: std::array::from_fn(|_| rng.between(0.0, TAU)) }
    }

    /// Air at a time (seconds since 1970, UTC) and a height above the place.
    pub(crate) fn at(&self, unix_s: f64, above_m: f64) -> Air {
        let day = unix_s / DAY_S;
        let season = (TAU * (day % YEAR_DAYS - self.place.warmest_day) / YEAR_DAYS).cos();
        let hour = day.fract() * 24.0 + self.place.longitude / 15.0;
        let daily = (TAU * (hour - WARMEST_HOUR) / 24.0).cos();
        let front: f64 =
            FRONTS_DAYS.iter().zip(self.phases).map(|(days, phase)| (TAU * day / days + phase).sin()).sum();
        Air {
            temp_c: self.place.mean_c
                + self.place.season_c * season
                + self.place.day_c * daily
                + self.place.front_c * front / 2.0
                - LAPSE * above_m,
            pressure_hpa: (REFERENCE_HPA - 4.0 * front)
                * (-(self.place.height_m + above_m) / SCALE_HEIGHT_M).exp(),
        }
    }
}

/// A line that a unit goes up and down, as a loop.
#[derive(Clone, Debug)]
pub(crate) struct Line {
    length_km: f64,
    phases: [f64; 3],
    relief_m: f64,
    /// Stretches without radio, from and to, in km.
    dead: Vec<(f64, f64)>,
}

impl Line {
    /// Draws a line; `dead` is the share of it without radio, in stretches of 4 to 30 km.
    pub(crate) fn draw(rng: &mut Rng, relief_m: f64, dead: f64) -> Self {
        let length_km = rng.between(280.0, 720.0);
        let phases = std::array::from_fn(|_| rng.between(0.0, TAU));
        let mut stretches = Vec::new();
        let mut at = rng.between(5.0, 60.0);
        let mut left = length_km * dead.clamp(0.0, 0.9);
        while left > 0.0 && at < length_km {
            let long = rng.between(4.0, 30.0).min(left.max(1.0));
            stretches.push((at, at + long));
            left -= long;
            at += long + rng.between(30.0, 110.0);
        }
        Line { length_km, phases, relief_m, dead: stretches }
    }

    fn turn(&self, km: f64) -> f64 {
        TAU * (km % self.length_km) / self.length_km
    }

    /// Uphill share of the steepest grade, -1 to 1.
    pub(crate) fn grade(&self, km: f64) -> f64 {
        let turn = self.turn(km);
        let [a, b, c] = self.phases;
        0.5 * (3.0 * turn + a).sin() + 0.3 * (7.0 * turn + b).sin() + 0.2 * (16.0 * turn + c).sin()
    }

    /// Height above the place, in m.
    pub(crate) fn above_m(&self, km: f64) -> f64 {
        let [a, b, _] = self.phases;
        let turn = self.turn(km);
        self.relief_m * (0.7 * (2.0 * turn + b).sin() + 0.3 * (5.0 * turn + a).sin())
    }

    /// Whether a radio reaches the network there.
    pub(crate) fn covered(&self, km: f64) -> bool {
        let at = km % self.length_km;
        !self.dead.iter().any(|(from, to)| (*from..*to).contains(&at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place() -> Place {
        Place {
            id: "p".into(),
            mean_c: 10.0,
            season_c: 12.0,
            day_c: 5.0,
            front_c: 0.0,
            warmest_day: 200.0,
            height_m: 0.0,
            relief_m: 0.0,
            longitude: 0.0,
        }
    }

    #[test]
    fn afternoons_and_summers_are_warm() {
        let weather = Weather::new(&place(), 1, 1);
        let at = |day: f64, hour: f64| weather.at((day * 24.0 + hour) * 3600.0, 0.0).temp_c;
        assert!((at(200.0, 15.0) - 27.0).abs() < 0.2);
        assert!(at(200.0, 3.0) < at(200.0, 15.0) - 9.0);
        assert!(at(17.0, 15.0) < at(200.0, 15.0) - 20.0);
    }

    #[test]
    fn height_thins_and_cools() {
        let weather = Weather::new(&place(), 1, 1);
        let (low, high) = (weather.at(0.0, 0.0), weather.at(0.0, 1000.0));
        assert!(high.temp_c < low.temp_c - 6.0 && high.pressure_hpa < low.pressure_hpa - 100.0);
    }

    #[test]
    fn dead_stretches_take_the_share_asked_for() {
        let line = Line::draw(&mut Rng::new(5, 1, 1), 100.0, 0.08);
        let dead =
            (0..10_000_u32).filter(|i| !line.covered(f64::from(*i) * line.length_km / 10_000.0)).count();
        assert!((400..1200).contains(&dead), "{dead} of 10000");
        assert!(Line::draw(&mut Rng::new(5, 1, 1), 100.0, 0.0).dead.is_empty());
    }
}
