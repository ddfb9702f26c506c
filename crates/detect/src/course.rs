//! Course: what each operating state showed of a change, stretch by stretch, while it lasts.
//!
//! Owns the departures since the change was told of. Operating states are kept apart, since a fault shows at one load more than
//! at another and a limit holds in some states only. Exists only while a symptom of a level lasts, and is bounded: at most
//! [`CELLS`] stretches a state; when they are full, neighbours are merged. Refuses to project: that is `forecast`'s.

use notchwatch_model::{Direction, Time};
use serde::{Deserialize, Serialize};

use crate::num::{real, single};
use crate::track::Point;

/// Stretches held for each operating state: 192 bytes.
const CELLS: usize = 16;
/// Weight of the newest sample in what is expected now and in how far samples stray: some 300 samples, a day's work in one
/// of ten states at one a minute.
const GAIN: f64 = 1.0 / 300.0;
/// A sample is cut at this many spreads from its stretch, once that has some.
const CUT: f64 = 4.0;
const CUT_FROM: u16 = 5;

/// What a change showed since it was told of.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Course {
    /// Estimated onset, which seconds count from.
    from: Time,
    /// The way the level went when it was told of.
    pub(crate) direction: Direction,
    /// How long it went unseen, in seconds.
    lead_s: f64,
    /// Usual duration of a block, in seconds.
    pub(crate) block_s: f64,
    /// Length of a stretch, in seconds.
    width_s: f64,
    pub(crate) states: Vec<Seen>,
}

/// What one operating state showed.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Seen {
    pub(crate) slot: u8,
    pub(crate) samples: u32,
    /// Expected of late, and how it varies with the covariates (a variance).
    expected: f64,
    varies: f64,
    /// Spread of single samples, and variance of samples about their stretch.
    spread: f64,
    strays: f64,
    cells: Vec<Cell>,
}

/// One stretch of time in one state.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Cell {
    /// Mean time of its samples, in seconds after the onset.
    at_s: f32,
    /// Mean departure from expected, in the channel's unit of measure.
    departure: f32,
    samples: u16,
}

impl Course {
    /// Begins with a change told of at `now`; a block takes `block_s` seconds.
    pub(crate) fn new(onset: Time, now: Time, direction: Direction, block_s: f64) -> Self {
        let lead_s = (now - onset).secs_f64().max(0.0);
        let width_s = block_s.max(f64::MIN_POSITIVE);
        Self { from: onset, direction, lead_s, block_s, width_s, states: Vec::new() }
    }

    /// Seconds since the estimated onset.
    pub(crate) fn since_s(&self, now: Time) -> f64 {
        (now - self.from).secs_f64()
    }

    /// How long the change went unseen, in seconds.
    pub(crate) fn lead_s(&self) -> f64 {
        self.lead_s
    }

    /// Takes a judged sample.
    pub(crate) fn take(&mut self, point: &Point) {
        let at_s = self.since_s(point.time).max(0.0);
        while at_s >= self.width_s * real(CELLS) {
            self.width_s *= 2.0;
            self.states.iter_mut().for_each(Seen::merge);
        }
        let place = crate::num::whole((at_s / self.width_s).floor(), 0, u32::MAX) as usize;
        let at = self.states.iter().position(|s| s.slot == point.slot).unwrap_or(self.states.len());
        if at == self.states.len() {
            self.states.push(Seen::new(point.slot));
        }
        if let Some(seen) = self.states.get_mut(at) {
            seen.take(point, at_s, place.min(CELLS - 1));
        }
    }
}

impl Seen {
    fn new(slot: u8) -> Self {
        Self { slot, samples: 0, expected: 0.0, varies: 0.0, spread: 0.0, strays: 0.0, cells: Vec::new() }
    }

    /// What is expected in this state, of late.
    pub(crate) fn expected(&self) -> f64 {
        self.expected
    }

    /// Spread of single samples about what is expected, in the channel's unit of measure.
    pub(crate) fn spread(&self) -> f64 {
        self.spread
    }

    /// Spread of single samples about their level, with what the covariates do, in the channel's unit of measure.
    pub(crate) fn strays(&self) -> f64 {
        (self.strays + self.varies).sqrt()
    }

    /// Seconds after the onset, mean departure and samples of each stretch that has any.
    pub(crate) fn cells(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        let any = self.cells.iter().filter(|c| c.samples > 0);
        any.map(|c| (f64::from(c.at_s), f64::from(c.departure), f64::from(c.samples)))
    }

    fn take(&mut self, point: &Point, at_s: f64, place: usize) {
        self.samples = self.samples.saturating_add(1);
        let gain = (1.0 / f64::from(self.samples)).max(GAIN);
        let off = point.expected - self.expected;
        self.varies += gain * (off * off * (1.0 - gain) - self.varies);
        self.expected += gain * off;
        self.spread += gain * (point.spread - self.spread);
        if self.cells.len() <= place {
            self.cells.resize(place + 1, Cell::default());
        }
        let Some(cell) = self.cells.get_mut(place) else { return };
        cell.samples = cell.samples.saturating_add(1);
        let most = if cell.samples > CUT_FROM { CUT * point.spread } else { f64::INFINITY };
        let off = (point.measured - point.expected - f64::from(cell.departure)).clamp(-most, most);
        let share = 1.0 / f64::from(cell.samples);
        cell.at_s += single(share * (at_s - f64::from(cell.at_s)));
        cell.departure += single(share * off);
        // The first sample of a stretch has no level to stray from.
        if cell.samples > 1 {
            self.strays += gain * (off * off - self.strays);
        }
    }

    /// Stretches become twice as long.
    fn merge(&mut self) {
        self.cells = self.cells.chunks(2).map(|pair| pair.iter().fold(Cell::default(), Cell::with)).collect();
    }
}

impl Cell {
    /// Two stretches as one.
    fn with(self, other: &Self) -> Self {
        let samples = self.samples.saturating_add(other.samples);
        if samples == 0 {
            return self;
        }
        let share = f32::from(other.samples) / (f32::from(self.samples) + f32::from(other.samples));
        Self {
            at_s: self.at_s + share * (other.at_s - self.at_s),
            departure: self.departure + share * (other.departure - self.departure),
            samples,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notchwatch_model::Span;

    fn point(minute: i64, slot: u8, departure: f64) -> Point {
        Point {
            time: Time::EPOCH + Span::from_mins(minute),
            z: departure,
            measured: 50.0 + departure,
            expected: 50.0,
            spread: 1.0,
            doubt: 0.0,
            slot,
            sudden: false,
        }
    }

    /// Weeks of samples stay within the cells, and means are those of the samples, by state.
    #[test]
    fn states_are_kept_apart_in_bounded_room() {
        let mut course = Course::new(Time::EPOCH, Time::EPOCH + Span::from_mins(60), Direction::Up, 900.0);
        for minute in 0..30_000 {
            let slope = f64::from(i32::try_from(minute).unwrap()) / 1000.0;
            course.take(&point(minute, 1, slope));
            if minute % 10 == 0 {
                course.take(&point(minute, 9, 2.0 * slope));
            }
        }
        assert_eq!(course.states.len(), 2);
        for (seen, per_minute) in course.states.iter().zip([0.001, 0.002]) {
            assert!(seen.cells.len() <= CELLS && seen.cells.len() > CELLS / 2);
            for (at_s, departure, _) in seen.cells() {
                assert!((departure - per_minute * at_s / 60.0).abs() < 0.01, "{at_s}: {departure}");
            }
            assert!((seen.expected() - 50.0).abs() < 1e-9);
        }
        let bytes: usize =
            course.states.iter().map(|s| size_of::<Seen>() + size_of_val(s.cells.as_slice())).sum();
        assert!(bytes < 1024, "{bytes}");
    }

    #[test]
    fn how_far_samples_stray_is_seen_about_their_level() {
        let mut course = Course::new(Time::EPOCH, Time::EPOCH, Direction::Up, 900.0);
        for minute in 0..2000 {
            course.take(&point(minute, 1, if minute % 2 == 0 { 4.0 } else { 6.0 }));
        }
        let strays = course.states[0].strays();
        assert!((strays - 1.0).abs() < 0.1, "{strays}");
    }
}
