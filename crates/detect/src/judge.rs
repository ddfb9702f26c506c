//! Judge: the models of one judged channel, from a clean sample to a residual in spreads.
//!
//! Owns baselines by operating state, the seasonal model and the tracks, and the rule that data which may be a
//! fault's is never learned from. Refuses to make symptoms: that is `verdict`'s.

use notchwatch_model::Time;
use serde::{Deserialize, Serialize};

use crate::Settings;
use crate::baseline::{Floor, Normal};
use crate::noisy::Noisy;
use crate::pace::Pace;
use crate::season::{NewDay, Season};
use crate::stuck::Stuck;
use crate::track::{Point, Track};

/// Slowest sender for which hours of the day can be told apart, in seconds, with some slack.
const HOURLY_S: f64 = 4000.0;

/// The models of one channel.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Judge {
    pub(crate) floor: Floor,
    pub(crate) normals: Vec<Normal>,
    pub(crate) season: Season,
    pub(crate) level: Track,
    pub(crate) peer: Option<Box<Track>>,
    pub(crate) noisy: Noisy,
    pub(crate) stuck: Stuck,
    last_slot: Option<u8>,
    /// As-built level and spread of every operating state that has none of its own.
    as_built: Option<Box<(f64, f64)>>,
}

/// Long-run spread of a block mean that is assumed of a channel of which only an as-built level is known, in sample spreads:
/// minutes that resemble each other as those of most quantities do (autocorrelation 0.9: 1.1).
const WANDER_UNKNOWN: f64 = 1.0;

/// What surrounds a sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Around<'a> {
    pub(crate) settings: &'a Settings,
    pub(crate) time: Time,
    pub(crate) slot: u8,
    pub(crate) pace: &'a Pace,
    /// Values of the channel's covariates.
    pub(crate) covariates: &'a [f64],
    /// Difference to the sample before, when there was no gap.
    pub(crate) step: Option<f64>,
    /// Whether the channel has sisters.
    pub(crate) sisters: bool,
    /// Nothing may be learned from it.
    pub(crate) frozen: bool,
}

/// What the models made of a sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Judgement {
    pub(crate) point: Point,
    /// Whether detectors were fed, not only learning.
    pub(crate) judged: bool,
    /// Whether a block closed.
    pub(crate) closed: bool,
    /// Roughness turned.
    pub(crate) noisy: Option<bool>,
    /// What a new day brought.
    pub(crate) day: Option<NewDay>,
}

impl Judge {
    /// Takes a settled sample of a state in which the channel is judged. `None` while nothing is expected yet.
    pub(crate) fn take(&mut self, x: f64, around: &Around<'_>) -> Option<Judgement> {
        if let Some(step) = around.step {
            self.floor.note(step.abs());
        }
        let any_knows = self.normals.iter().any(Normal::judges);
        let at = self.normal(around.slot, around.time);
        let normal = self.normals.get(at)?;
        let expected = normal.expect(around.covariates, self.floor);
        let knows = normal.judges();
        let seasonal = self.season.at(around.time) * expected.map_or(0.0, |e| e.spread);
        let frozen = around.frozen;
        if !frozen {
            self.learn(at, x - seasonal, around);
        }
        let expected = expected?;
        let raw = (x - expected.value) / expected.spread;
        let point = Point {
            time: around.time,
            z: (x - expected.value - seasonal) / expected.spread,
            measured: x,
            expected: expected.value + seasonal,
            spread: expected.spread,
            doubt: expected.doubt,
            slot: around.slot,
            sudden: !around.sisters,
        };
        // Once one state has learned, the others wait outside until they have: their residuals are not comparable.
        if any_knows && !knows {
            return None;
        }
        let day = self.season_takes(raw, around, knows && !frozen);
        Some(self.feed(point, around, knows, day))
    }

    /// Progress of learning, 0 to 1, of the state that is furthest.
    pub(crate) fn progress(&self, pace: &Pace, settings: &Settings, now: Time) -> f64 {
        let furthest = self.normals.iter().map(|n| {
            if n.learned() {
                return 1.0;
            }
            let samples = f64::from(n.own()) / f64::from(pace.learn(settings));
            let span = (now - n.since).secs_f64() / pace.learn_span(settings);
            samples.min(span).clamp(0.0, 1.0)
        });
        let furthest = furthest.max_by(f64::total_cmp).unwrap_or(0.0);
        furthest * (0.9 + 0.1 * self.level.progress())
    }

    /// Begins with as-built levels, by slot of the operating state; without one for every state that has none of its own.
    pub(crate) fn begin(&mut self, time: Time, levels: impl Iterator<Item = (Option<u8>, f64, f64)>) {
        for (slot, level, spread) in levels {
            match slot {
                Some(slot) => self.normals.push(Normal::as_built(slot, time, level, spread)),
                None => self.as_built = Some(Box::new((level, spread))),
            }
        }
        self.level.wander.assume(WANDER_UNKNOWN);
    }

    /// Whether it judges by as-built levels alone: no state has learned from its own samples yet.
    pub(crate) fn seeded(&self) -> bool {
        let own = self.normals.iter().any(Normal::learned);
        !own && (self.as_built.is_some() || self.normals.iter().any(Normal::seeded_only))
    }

    /// What is expected in an operating state that has learned, and its spread, both in the channel's unit of measure.
    pub(crate) fn expects(&self, slot: u8, covariates: &[f64]) -> Option<(f64, f64)> {
        let normal = self.normals.iter().find(|n| n.slot == slot && n.judges())?;
        normal.expect(covariates, self.floor).map(|e| (e.value, e.spread))
    }

    /// Whether the channel was seen to move in a state that has learned.
    pub(crate) fn moves(&self, slot: u8) -> bool {
        self.normals.iter().any(|n| n.slot == slot && n.learned() && n.moves(self.floor.step()))
    }

    /// Whether the evidence is on its way to a symptom.
    pub(crate) fn suspect(&self, settings: &Settings) -> bool {
        self.level.suspect(settings) || self.peer.as_ref().is_some_and(|p| p.suspect(settings))
    }

    fn normal(&mut self, slot: u8, time: Time) -> usize {
        if let Some(at) = self.normals.iter().position(|n| n.slot == slot) {
            return at;
        }
        self.normals.push(match self.as_built.as_deref() {
            Some(&(level, spread)) => Normal::as_built(slot, time, level, spread),
            None => Normal::new(slot, time),
        });
        self.normals.len() - 1
    }

    fn learn(&mut self, at: usize, x: f64, around: &Around<'_>) {
        let seeded = self.seeded();
        let Some(normal) = self.normals.get_mut(at) else { return };
        if normal.own() == 0 {
            normal.since = around.time;
        }
        normal.take(x, around.covariates, self.floor, around.pace.memory_gain(around.settings));
        let span = (around.time - normal.since).secs_f64();
        if normal.own() >= around.pace.learn(around.settings)
            && span >= around.pace.learn_span(around.settings)
        {
            normal.begin();
            if seeded {
                // By now it was seen how much it wanders.
                self.level.wander.assume(0.0);
            }
        }
    }

    fn season_takes(&mut self, raw: f64, around: &Around<'_>, learning: bool) -> Option<NewDay> {
        if around.pace.seconds() > HOURLY_S {
            return None;
        }
        let day = self.season.take(around.time, raw, learning);
        if day.is_some_and(|d| d.begun) {
            self.level.wander.loosen();
        }
        day
    }

    fn feed(&mut self, point: Point, around: &Around<'_>, knows: bool, day: Option<NewDay>) -> Judgement {
        let judged = knows && (self.level.ready() || self.seeded());
        let joined = around.step.is_some() && self.last_slot == Some(around.slot);
        self.last_slot = Some(around.slot);
        self.noisy.take(point.z, joined);
        let size = around.pace.block(around.settings);
        let closed = self.level.take(&point, size, around.settings, judged, !around.frozen);
        let noisy = if closed { self.noisy.close(!around.frozen) } else { None };
        Judgement { point, judged, closed, noisy: noisy.filter(|_| judged), day }
    }
}
