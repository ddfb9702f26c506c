//! Track: one descriptor through time. Samples become blocks, blocks become evidence.
//!
//! A descriptor is a residual in its own spreads. Blocks of settled samples are the unit of evidence, so that
//! minutes that resemble each other do not count as independent witnesses. Two detectors read the blocks: a CUSUM
//! for small lasting moves and Bayesian online detection for steps.

mod mean;

use std::collections::VecDeque;

use notchwatch_model::{Direction, Regime, Span, Time};
use serde::{Deserialize, Serialize};

use crate::Settings;
use crate::bocpd::{Bocpd, Hazard, Prior};
use crate::cusum::{Cusum, llr};
use crate::ewma::Ewma;
use crate::noise::Wander;
use crate::num::{single, whole};
use mean::Mean;

/// Block means held for dating and for slopes. When full, the older half is merged in pairs, so that the newest day is
/// held block by block and weeks before it ever more coarsely.
const HELD: usize = 96;
/// Room for them grows by so many.
const HELD_ROOM: usize = 8;
/// Once it judges, wander is learned this many blocks late, and from blocks that led to no symptom: a change must not
/// raise its own bar.
const LATE: u32 = 24;
/// A single sample is cut at this many spreads from the block before it.
const SAMPLE_CUT: f64 = 8.0;
/// A block is cut at this many long-run spreads before it enters the detectors, so that no single block decides.
const BLOCK_CUT: f64 = 5.0;
/// Evidence must come from at least this many blocks.
pub(crate) const FEWEST_BLOCKS: u16 = 3;
/// Blocks that a channel learns its wander from, before it is judged.
const LEARN_BLOCKS: u32 = 4;
/// How surely the baseline's own error is allowed for: two standard errors.
const DOUBT: f64 = 2.0;
/// Weight of the newest block in the present level: some seven blocks.
const LEVEL_GAIN: f64 = 0.25;
/// Chance of a change at each block: one in a month of quarter hours.
const HAZARD: f64 = 1.0 / 2880.0;
/// Probability at which a step is believed.
const SURE: f64 = 0.95;
/// A step is looked for among regimes this short, in blocks.
const RECENT: std::ops::RangeInclusive<u32> = 3..=16;
/// Smallest step that Bayesian detection reports, in long-run spreads of a block; smaller ones are the CUSUM's.
const STEP_LEAST: f64 = 3.0;
/// A regime's prior: mean nought, known as well as a twentieth of a block; variance about a half.
const PRIOR: Prior = Prior { mean: 0.0, kappa: 0.05, alpha: 1.0, beta: 0.5 };

/// So many settled samples in a row, each this many spreads and wanders off on one side, are a step without waiting for a
/// block: at one a minute a pump that fails is told of within four minutes. Textbook bars are for small shifts.
const SUDDEN_SAMPLES: u32 = 4;
const SUDDEN_SPREADS: f64 = 12.0;
/// ... and so many times what such a run came to before: motors draw much at every start, and are healthy.
const SUDDEN_RECORD: f64 = 1.5;

/// One judged sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Point {
    pub(crate) time: Time,
    /// Residual in spreads.
    pub(crate) z: f64,
    pub(crate) measured: f64,
    pub(crate) expected: f64,
    pub(crate) spread: f64,
    /// Uncertainty of the expectation.
    pub(crate) doubt: f64,
    pub(crate) slot: u8,
    /// Whether a burst of such samples may be told. Not of a channel with sisters: what moves them all is asked of the unit,
    /// and what moves one shows in its distance from them.
    pub(crate) sudden: bool,
}

/// Means over a block of samples.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Block {
    pub(crate) count: u32,
    pub(crate) from: Time,
    pub(crate) z: f64,
    pub(crate) measured: f64,
    pub(crate) expected: f64,
    pub(crate) spread: f64,
    doubt: f64,
    /// Regimes seen, a bit a slot.
    pub(crate) slots: u16,
}

/// Where an excursion of one CUSUM side began, and what it was made of.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Side {
    from: Time,
    blocks: u16,
    slots: u16,
}

/// Evidence that a descriptor moved.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Evidence {
    pub(crate) direction: Direction,
    pub(crate) probability: f64,
    /// Begin of the excursion by the detector that saw it.
    pub(crate) from: Time,
    pub(crate) slots: u16,
    pub(crate) model: &'static str,
}

/// One descriptor through time.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Track {
    open: Block,
    /// The last closed block.
    pub(crate) last: Block,
    pub(crate) wander: Wander,
    pub(crate) cusum: Cusum,
    up: Side,
    down: Side,
    steps: Bocpd,
    held: VecDeque<Mean>,
    /// Samples far off, in a row.
    burst: Block,
    /// Smallest departure of the present run of samples on one side, and the largest such departure of any whole run, in
    /// spreads.
    run: f32,
    record: f32,
    /// Whether the last block was such a burst.
    sudden: bool,
    /// Present level, in spreads.
    pub(crate) level: Ewma,
    origin: Option<Time>,
    blocks: u32,
    /// Blocks that fed the detectors.
    judged: u32,
}

impl Track {
    /// How many blocks it has closed.
    pub(crate) fn blocks(&self) -> u32 {
        self.blocks
    }

    /// Whether it has learned how much it wanders.
    pub(crate) fn ready(&self) -> bool {
        self.wander.count() >= LEARN_BLOCKS
    }

    /// Progress of that learning, 0 to 1.
    pub(crate) fn progress(&self) -> f64 {
        (f64::from(self.wander.count()) / f64::from(LEARN_BLOCKS)).min(1.0)
    }

    /// Whether the evidence is half way to a symptom: data that may be a fault's is not learned from.
    pub(crate) fn suspect(&self, settings: &Settings) -> bool {
        self.cusum.largest() > settings.cusum_decision / 2.0
    }

    /// Takes a sample. `judging` feeds the detectors, `learning` the wander. Returns whether a block closed.
    pub(crate) fn take(
        &mut self,
        point: &Point,
        size: u32,
        settings: &Settings,
        judging: bool,
        learning: bool,
    ) -> bool {
        let z = point.z.clamp(self.last.z - SAMPLE_CUT, self.last.z + SAMPLE_CUT);
        self.open.take(point, z);
        self.sudden = self.bursts(point, judging);
        if self.sudden {
            self.open = std::mem::take(&mut self.burst);
        } else if self.open.count < size {
            return false;
        }
        self.last = std::mem::take(&mut self.open);
        self.close(settings, judging, learning);
        true
    }

    /// Whether enough samples in a row were far off, on one side. Only where a class says what the unit does: elsewhere
    /// another operating state looks like that.
    fn bursts(&mut self, point: &Point, judging: bool) -> bool {
        if !point.sudden || !in_a_state(1 << point.slot) {
            return false;
        }
        let size = single(point.z.abs());
        if self.burst.count == 0 || self.burst.z * point.z < 0.0 {
            (self.burst, self.run) = (Block::default(), size);
        }
        self.run = self.run.min(size);
        self.burst.take(point, point.z);
        if self.burst.count < SUDDEN_SAMPLES {
            return false;
        }
        let least = f64::from(self.run);
        let far =
            (SUDDEN_SPREADS * self.wander.spread().max(1.0)).max(SUDDEN_RECORD * f64::from(self.record));
        if judging && least >= far {
            // Told already: the block before was as far off.
            return self.last.z.abs() < far;
        }
        self.record = self.record.max(self.run);
        self.burst = Block::default();
        false
    }

    /// Begins afresh after a symptom ended: the next event is seen as well as the first.
    pub(crate) fn rearm(&mut self) {
        self.cusum = Cusum::default();
        self.up = Side::default();
        self.down = Side::default();
        self.steps = Bocpd::default();
    }

    /// What the detectors say after the last block.
    pub(crate) fn evidence(&self, settings: &Settings) -> Option<Evidence> {
        if self.sudden {
            let Block { from, slots, z, .. } = self.last;
            let probability = 1.0 - HAZARD;
            return Some(Evidence { direction: Direction::of(z), probability, from, slots, model: "step" });
        }
        let enough = self.recent_mean(usize::from(FEWEST_BLOCKS))?;
        if enough.abs() < settings.least_spreads {
            return None;
        }
        self.lasting(settings, enough).or_else(|| self.step(settings, enough))
    }

    /// How near the evidence is to a symptom, 0 to 1.
    pub(crate) fn nearness(&self, settings: &Settings) -> f64 {
        (self.cusum.largest() / settings.cusum_decision).min(1.0)
    }

    /// Mean of the last blocks, in spreads. `None` with fewer.
    pub(crate) fn recent_mean(&self, blocks: usize) -> Option<f64> {
        let held = self.held.len();
        (held >= blocks && blocks > 0).then(|| {
            self.held.iter().skip(held - blocks).map(|m| f64::from(m.z)).sum::<f64>()
                / crate::num::real(blocks)
        })
    }

    /// Present departure, in spreads: of the last few blocks, or of a burst.
    pub(crate) fn recent(&self) -> Option<f64> {
        if self.sudden { Some(self.last.z) } else { self.recent_mean(usize::from(FEWEST_BLOCKS)) }
    }

    /// Begin and mean of each block held, oldest first.
    pub(crate) fn means(&self) -> impl Iterator<Item = (Time, f64)> {
        let origin = self.origin.unwrap_or_default();
        self.held.iter().map(move |m| (origin + Span::from_secs(i64::from(m.at_s())), f64::from(m.z)))
    }

    fn close(&mut self, settings: &Settings, judging: bool, learning: bool) {
        let block = self.last;
        self.blocks = self.blocks.wrapping_add(1);
        let origin = *self.origin.get_or_insert(block.from);
        let at_s = whole((block.from - origin).secs_f64(), 0, u32::MAX);
        if self.held.len() >= HELD {
            self.merge_older_half();
        }
        // No room is held that is not used.
        if self.held.len() == self.held.capacity() {
            self.held.reserve_exact(HELD_ROOM);
        }
        self.held.push_back(Mean::new(at_s, single(block.z), learning));
        self.level.step(block.z, LEVEL_GAIN);
        if judging {
            self.judged = self.judged.saturating_add(1);
            let spread = self.wander.spread();
            let y = (block.z / spread).clamp(-BLOCK_CUT, BLOCK_CUT);
            let k = settings.cusum_reference + DOUBT * (f64::from(block.count) * block.doubt.max(0.0)).sqrt();
            self.cusum.step(y, k);
            self.up.follow(self.cusum.high, &block);
            self.down.follow(self.cusum.low, &block);
            self.steps.step(y, &Hazard { hazard: HAZARD, prior: PRIOR });
        }
        if !judging {
            if learning {
                self.wander.take(block.z, explained(&block));
            }
        } else if let Some(late) =
            self.held.len().checked_sub(LATE as usize).and_then(|i| self.held.get(i)).copied()
            && self.judged > LATE
            && late.fair()
            && learning
        {
            self.wander.take(f64::from(late.z), explained(&block));
        }
    }

    fn merge_older_half(&mut self) {
        for i in 0..HELD / 4 {
            let Some((&first, &second)) = self.held.get(2 * i).zip(self.held.get(2 * i + 1)) else { break };
            let merged =
                Mean::new(first.at_s(), f32::midpoint(first.z, second.z), first.fair() && second.fair());
            if let Some(slot) = self.held.get_mut(i) {
                *slot = merged;
            }
        }
        drop(self.held.drain(HELD / 4..HELD / 2));
    }

    /// A symptom was raised: blocks from its onset on are no measure of normal wander.
    pub(crate) fn disown(&mut self, onset: Time) {
        let origin = self.origin.unwrap_or_default();
        for mean in &mut self.held {
            if origin + Span::from_secs(i64::from(mean.at_s())) >= onset {
                mean.disown();
            }
        }
    }

    fn lasting(&self, settings: &Settings, recent: f64) -> Option<Evidence> {
        let (sum, side, direction) = if recent > 0.0 {
            (self.cusum.high, self.up, Direction::Up)
        } else {
            (self.cusum.low, self.down, Direction::Down)
        };
        if sum < settings.cusum_decision || side.blocks < FEWEST_BLOCKS {
            return None;
        }
        // Log odds: what the blocks say, against how rarely a machine changes.
        let odds = llr(sum, settings.cusum_reference) + HAZARD.ln();
        let probability = 1.0 / (1.0 + (-odds).exp());
        Some(Evidence { direction, probability, from: side.from, slots: side.slots, model: "cusum" })
    }

    /// A step that Bayesian detection is sure of, and that the CUSUM is half way to: the first alone is easily
    /// persuaded by a channel that wanders.
    fn step(&self, settings: &Settings, recent: f64) -> Option<Evidence> {
        if !self.suspect(settings) {
            return None;
        }
        let found = self.steps.recent(RECENT)?;
        if found.probability < SURE || found.mean.abs() < STEP_LEAST || found.mean * recent <= 0.0 {
            return None;
        }
        let side = if recent > 0.0 { self.up } else { self.down };
        let back = self.held.len().checked_sub(found.length as usize)?;
        let (from, _) = self.means().nth(back)?;
        Some(Evidence {
            direction: Direction::of(recent),
            probability: found.probability.min(1.0),
            from,
            slots: side.slots | self.last.slots,
            model: "bocpd",
        })
    }
}

/// Whether a class says what the unit did in a block.
fn explained(block: &Block) -> bool {
    in_a_state(block.slots)
}

/// Whether one of the slots is a state that a class names.
fn in_a_state(slots: u16) -> bool {
    (0..u16::BITS as usize)
        .filter(|slot| slots & (1 << slot) != 0)
        .any(|slot| Regime::from_slot(slot) != Regime::Running)
}

impl Block {
    /// Takes a sample into the means; `z` is the residual, cut.
    fn take(&mut self, point: &Point, z: f64) {
        if self.count == 0 {
            *self = Block { from: point.time, ..Block::default() };
        }
        self.count += 1;
        let gain = 1.0 / f64::from(self.count);
        self.z += gain * (z - self.z);
        self.measured += gain * (point.measured - self.measured);
        self.expected += gain * (point.expected - self.expected);
        self.spread += gain * (point.spread - self.spread);
        self.doubt += gain * (point.doubt - self.doubt);
        self.slots |= 1 << point.slot;
    }
}

impl Side {
    fn follow(&mut self, sum: f64, block: &Block) {
        if sum <= 0.0 {
            *self = Self::default();
            return;
        }
        if self.blocks == 0 {
            self.from = block.from;
        }
        self.blocks = self.blocks.saturating_add(1);
        self.slots |= block.slots;
    }
}
