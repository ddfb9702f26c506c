//! One stream of nonconformity against its own past: a robust z, and a bar that is the stream's own record.

/// What differs between streams.
#[derive(Clone, Copy, Debug)]
pub(super) struct Kind {
    /// Rows of a block. The bar learns a block late, so that a ramp cannot pull its own bar.
    pub(super) block: u32,
    /// Rows before the first block that counts.
    pub(super) warm: u32,
    /// Smallest spread, in the stream's own units: noise-free data.
    pub(super) floor: f64,
}

/// Streams of rows, in squashed units.
pub(super) const ROWS: Kind = Kind { block: 64, warm: super::WARM, floor: 0.004 };
/// Slowest learning of mean and variance, a row.
const SLOWEST: f64 = 1.0 / 20_000.0;
/// Rows before a stream has a z, and before its updates are cut.
const FIRST: u32 = 20;
const CUT_FROM: u32 = 50;
/// Updates are cut at this many spreads: an event must not raise the spread it is measured by.
const CUT: f64 = 3.0;
/// Lowest bar, in spreads.
const BAR: f64 = 2.0;
/// Most that a bar grows in a block.
const GROWTH: f64 = 1.3;
/// Prior of block maxima: mean 2, spread 1, worth so many blocks; cut at so many spreads.
const PRIOR_BLOCKS: f64 = 20.0;
const BLOCK_CUT: f64 = 4.0;
/// Smallest spread of block maxima.
const BLOCK_FLOOR: f64 = 0.3;
/// Spreads of block maxima above their mean that count as one.
const BEYOND: f64 = 1.6;
/// Most that is forgotten in a block.
const FORGET: f64 = 0.5;

/// State of one stream.
#[derive(Clone, Debug)]
pub(super) struct Stream {
    kind: Kind,
    mean: f64,
    variance: f64,
    count: u32,
    bar: f64,
    /// Largest z of this block and of the one before.
    now: f64,
    before: Option<f64>,
    /// Block maxima: mean, variance, number.
    blocks: (f64, f64, f64),
}

impl Stream {
    pub(super) fn new(kind: Kind) -> Self {
        Self {
            kind,
            mean: 0.0,
            variance: 0.0,
            count: 0,
            bar: BAR,
            now: 0.0,
            before: None,
            blocks: (BAR, 1.0, PRIOR_BLOCKS),
        }
    }

    /// Takes a size and returns its score: 1 is as large as the record and clearly out of the block maxima.
    pub(super) fn step(&mut self, size: f64, warm: bool, learn: bool) -> f64 {
        let spread = self.variance.sqrt() + self.kind.floor;
        let z = if self.count >= FIRST { ((size - self.mean) / spread).max(0.0) } else { 0.0 };
        let score = if warm {
            self.now = self.now.max(z);
            let out = ((z - self.blocks.0) / (BEYOND * self.block_spread())).max(0.0);
            (z / self.bar * out).sqrt()
        } else {
            0.0
        };
        if learn {
            self.count = self.count.saturating_add(1);
            let gain = (1.0 / f64::from(self.count)).max(SLOWEST);
            let mut off = size - self.mean;
            if self.count > CUT_FROM && self.variance > 0.0 {
                off = off.min(CUT * spread);
            }
            self.mean += gain * off;
            if self.count > 1 {
                self.variance += gain * (off * off - self.variance);
            }
        }
        score
    }

    /// Ends a block at this age in rows: the block before becomes history.
    pub(super) fn close_block(&mut self, age: f64, rows: u32) {
        if let Some(max) = self.before.filter(|_| rows >= self.kind.warm + self.kind.block) {
            if max > self.bar {
                self.bar = max.min(GROWTH * self.bar);
            }
            let cut = BLOCK_CUT * self.block_spread();
            let (mean, variance, count) = &mut self.blocks;
            *count += 1.0;
            let off = (max - *mean).min(cut);
            *mean += off / *count;
            *variance += (off * off - *variance) / *count;
        }
        self.bar = (self.bar * (1.0 - (f64::from(self.kind.block) / age).min(FORGET))).max(BAR);
        if rows > self.kind.warm {
            self.before = Some(std::mem::take(&mut self.now));
        }
    }

    pub(super) fn carry(&mut self, factor: f64) {
        self.mean *= factor;
        self.variance *= factor * factor;
    }

    fn block_spread(&self) -> f64 {
        self.blocks.1.sqrt().max(BLOCK_FLOOR)
    }
}
