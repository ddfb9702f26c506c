//! A value that does not move any more, against the longest such run before.

/// Moves smaller than this share of the mean move are none.
const STILL: f64 = 0.001;
/// Runs shorter than this, in rows, are never news.
const SHORTEST: f64 = 12.0;
/// Times the longest run before.
const LONGER: f64 = 1.5;
/// Moves seen before a channel is judged.
const MOVES: u32 = 20;
/// Slowest gain of the mean move, a row.
const SLOWEST: f64 = 1.0 / 3000.0;
/// Share of the record forgotten: this, times rows of a block over the age.
const FORGET: f64 = 0.3;

/// Runs of equal values.
#[derive(Clone, Debug, Default)]
pub(super) struct Flat {
    last: Option<f64>,
    from: f64,
    run: f64,
    mean_move: f64,
    moves: u32,
    /// Longest run of this block and of the one before, and the record.
    now: f64,
    before: f64,
    record: f64,
}

impl Flat {
    pub(super) fn step(&mut self, x: f64, age: f64) {
        let Some(last) = self.last.replace(x) else {
            self.from = x;
            return;
        };
        let moved = (x - last).abs();
        self.mean_move += SLOWEST.max(1.0 / (age - 1.0)) * (moved - self.mean_move);
        self.moves = self.moves.saturating_add(u32::from(moved > 0.0));
        if (x - self.from).abs() <= STILL * self.mean_move {
            self.run += 1.0;
        } else {
            (self.run, self.from) = (0.0, x);
        }
        self.now = self.now.max(self.run);
    }

    /// Whether the value has moved often enough for anything to be said of its moves: a constant that steps for the
    /// first time has no past to be compared with.
    pub(super) fn moves(&self) -> bool {
        self.moves >= MOVES
    }

    /// 1 when the run is half again as long as any before.
    pub(super) fn surprise(&self) -> f64 {
        if self.moves() { self.run / SHORTEST.max(LONGER * self.record) } else { 0.0 }
    }

    pub(super) fn close_block(&mut self, age: f64) {
        if self.before > self.record {
            self.record = self.before.min((2.0 * self.record).max(SHORTEST));
        }
        self.record *= 1.0 - (FORGET * f64::from(super::ROWS.block) / age).min(0.5);
        self.before = std::mem::replace(&mut self.now, self.run);
    }
}
