//! Surprise: how much one channel's newest rows look like nothing this channel did before.
//!
//! Owns one channel's streams of nonconformity, each against its own record, and the events they make. Knows no
//! operating state, no limit and no other channel: it is for channels of which nothing is known. One pass, one row at a
//! time, bounded memory; a row's figure depends on it and the rows before it only. Refuses values that are not finite.
//!
//! Source: conformal and nearest-neighbour anomaly detection on streams (Laxhammar and Falkman 2014; Burnaev and
//! Ishimtsev 2016), records of a stationary series (extreme values by block maxima, Coles 2001), and ours where they
//! meet; see `doc/methods.md`.

mod event;
mod flat;
mod profile;
mod scale;
mod shapes;
mod stream;

use notchwatch_model::Time;

use crate::num::real;
use event::Events;
use flat::Flat;
use profile::Profile;
use scale::Scale;
use shapes::{Shape, Shapes};
use stream::{ROWS, Stream};

/// Rows before anything is scored.
const WARM: u32 = 300;
/// Rows held: the longest mean.
const HELD: usize = 64;
/// Rows of the quick mean.
const QUICK: usize = 4;
/// Weights of the streams: shape, change, level, slow shift, quick shift. Shape sees what no single figure shows.
const WEIGHTS: [f64; 5] = [3.0, 1.0, 1.0, 1.0, 1.0];
/// Look-elsewhere: a channel of this many rows has had one chance of a record; older ones have had more.
const AGE: f64 = 4000.0;
const AGE_POWER: f64 = 0.15;
/// What all together must reach to count as one.
const ONE: f64 = 0.95;

/// State of one channel.
#[derive(Clone, Debug)]
pub(crate) struct Surprise {
    rows: u32,
    scale: Scale,
    flat: Flat,
    profile: Profile,
    shapes: Shapes,
    levels: Ring,
    residuals: Ring,
    streams: [Stream; 5],
    events: Events,
}

/// What a row gave.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) struct Surprised {
    /// How surprising the row is; 1 is as surprising as this channel's own records.
    pub(crate) raw: f64,
    /// Size of the event that begins with this row; nought on all other rows.
    pub(crate) event: f64,
}

impl Default for Surprise {
    fn default() -> Self {
        Self {
            rows: 0,
            scale: Scale::default(),
            flat: Flat::default(),
            profile: Profile::default(),
            shapes: Shapes::default(),
            levels: Ring::default(),
            residuals: Ring::default(),
            streams: std::array::from_fn(|_| Stream::new(ROWS)),
            events: Events::default(),
        }
    }
}

impl Surprise {
    /// Takes the next finite value.
    pub(crate) fn step(&mut self, time: Time, x: f64) -> Surprised {
        self.rows = self.rows.saturating_add(1);
        let age = f64::from(self.rows);
        self.flat.step(x, age);
        let warm = self.rows > WARM;
        let stuck = if warm { self.flat.surprise() } else { 0.0 };
        let Some(y) = self.squashed(x) else { return Surprised::default() };
        let residual = self.profile.step(time, y);
        let change = self.residuals.newest().map_or(0.0, |before| (residual - before).abs());
        self.levels.push(y);
        self.residuals.push(residual);
        if self.levels.count < HELD {
            return Surprised::default();
        }
        let novelty = self.shapes.step(&self.shape(), self.profile.gate(), self.rows);
        let sizes = [
            novelty,
            change,
            residual.abs(),
            self.residuals.mean(0, HELD).abs(),
            self.residuals.mean(0, QUICK).abs(),
        ];
        let mut sum = 0.0;
        for (i, ((stream, size), weight)) in self.streams.iter_mut().zip(sizes).zip(WEIGHTS).enumerate() {
            let learn = i > 0 || self.shapes.enough();
            let score = stream.step(size, warm, learn);
            sum += weight * score * score;
        }
        let together = (sum / WEIGHTS.iter().sum::<f64>()).sqrt();
        let raw = (together / (age / AGE).max(1.0).powf(AGE_POWER)).max(stuck) / ONE;
        if self.rows.is_multiple_of(ROWS.block) {
            for stream in &mut self.streams {
                stream.close_block(age, self.rows);
            }
            self.flat.close_block(age);
        }
        let raw = if self.flat.moves() { raw } else { 0.0 };
        Surprised { raw, event: self.events.step(raw) }
    }

    /// The value on the channel's own frozen scale; when the scale is renewed, all that is remembered is carried over.
    fn squashed(&mut self, x: f64) -> Option<f64> {
        let renewed = self.scale.step(x, self.rows)?;
        if let Some(move_over) = renewed {
            self.levels.each(|y| move_over.level(y));
            self.residuals.each(|r| r * move_over.factor);
            self.profile.carry(&move_over);
            self.shapes.carry(&move_over);
            for stream in &mut self.streams {
                stream.carry(move_over.factor);
            }
        }
        Some(self.scale.squash(x))
    }

    /// The last 31 rows as eight means, newest first, of the level and of the residual.
    fn shape(&self) -> Shape {
        let mut shape = [0.0; 2 * shapes::LENGTHS.len()];
        let (levels, residuals) = shape.split_at_mut(shapes::LENGTHS.len());
        let mut from = 0;
        for ((level, residual), length) in levels.iter_mut().zip(residuals).zip(shapes::LENGTHS) {
            *level = self.levels.mean(from, length);
            *residual = self.residuals.mean(from, length);
            from += length;
        }
        shape
    }
}

/// The last values.
#[derive(Clone, Debug)]
struct Ring {
    values: [f64; HELD],
    at: usize,
    count: usize,
}

impl Default for Ring {
    fn default() -> Self {
        Self { values: [0.0; HELD], at: 0, count: 0 }
    }
}

impl Ring {
    fn push(&mut self, x: f64) {
        self.at = (self.at + 1) % HELD;
        if let Some(slot) = self.values.get_mut(self.at) {
            *slot = x;
        }
        self.count = (self.count + 1).min(HELD);
    }

    fn newest(&self) -> Option<f64> {
        (self.count > 0).then(|| self.values.get(self.at).copied()).flatten()
    }

    /// Mean of `length` values, the newest of them `from` rows back.
    fn mean(&self, from: usize, length: usize) -> f64 {
        let value = |back: usize| self.values.get((self.at + 2 * HELD - back) % HELD).copied().unwrap_or(0.0);
        (from..from + length).map(value).sum::<f64>() / real(length)
    }

    fn each(&mut self, change: impl Fn(f64) -> f64) {
        for value in &mut self.values {
            *value = change(*value);
        }
    }
}
