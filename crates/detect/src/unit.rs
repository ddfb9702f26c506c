//! The models of one unit: rows in, symptom changes out. The chain of all its channels, deterministic.
//!
//! Owns the order within a row: operating state, then quality of every channel, then the models (which read other
//! channels as covariates), then comparison among sisters, limits and ties. Refuses rows that do not come later than
//! the one before. The whole state can be written and read back at any row without changing what follows.

use std::collections::{BTreeMap, BTreeSet};

use notchwatch_model::{AsBuilt, ChannelIx, ChannelName, ChannelValue, Regime, Row, SymptomChange, Time};
use serde::{Deserialize, Serialize};

use crate::Plan;
use crate::channel::{Channel, Clean};
use crate::moment::Moment;
use crate::operation::{HOLD, Operation};
use crate::pace::Pace;
use crate::plan::MOST_COVARIATES;
use crate::robust::median;
use crate::track::Point;

/// State of one unit's models. Serialisable; about 2 to 4 KiB a judged channel.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct UnitModel {
    last: Option<Time>,
    pace: Pace,
    operation: Operation,
    channels: Vec<Channel>,
    /// The last row as it was read; not part of the state.
    #[serde(skip)]
    read: Vec<Read>,
}

/// What the models made of one channel of the last row.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Judged {
    /// As measured, in the channel's stored unit of measure.
    pub measured: f64,
    /// As expected, once there is something to expect from.
    pub expected: Option<f64>,
    /// Robust spread of single samples about the expectation.
    pub spread: Option<f64>,
    /// How abnormal the channel is, 0 to 1; at 0.5 and above a symptom lasts.
    pub score: f64,
    /// Operating state of the row.
    pub regime: Regime,
    /// Whether detectors were fed: settled, in a state that the class names, and learned.
    pub judged: bool,
}

#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Read {
    measured: Option<f64>,
    clean: Option<f64>,
    step: Option<f64>,
    expected: Option<(f64, f64)>,
    z: Option<f64>,
    judged: bool,
}

/// How far a channel is with learning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LearningProgress {
    /// Its place in the plan.
    pub channel: usize,
    /// It judges by as-built levels alone meanwhile.
    pub seeded: bool,
    /// From 0 to 1, in whole hundredths.
    pub done: f64,
}

impl UnitModel {
    /// Models that have learned nothing yet.
    pub fn new(plan: &Plan) -> Self {
        Self {
            last: None,
            pace: Pace::default(),
            operation: Operation::default(),
            channels: vec![Channel::default(); plan.channels.len()],
            read: Vec::new(),
        }
    }

    /// Takes a row and returns what became of symptoms. A row that is not later than the one before is refused:
    /// nothing changes and nothing is returned.
    pub fn step(&mut self, plan: &Plan, row: &Row) -> Vec<SymptomChange> {
        if self.last.is_some_and(|last| row.time <= last) {
            return Vec::new();
        }
        self.last = Some(row.time);
        self.pace.observe(row.time);
        self.channels.resize(plan.channels.len(), Channel::default());
        self.read.clear();
        self.read.resize(plan.channels.len(), Read::default());
        let hold = HOLD.max(self.pace.gap());
        let (state, lasted) = self.operation.step(&plan.operation, &row.values, row.time, hold);
        let running = self.operation.running();
        let stood = self.operation.stood();
        let moment = Moment { settings: &plan.settings, time: row.time, state, lasted, running, stood };
        let mut out = Vec::new();
        self.sift(plan, moment, row, &mut out);
        self.judge(plan, moment, &mut out);
        self.compare(plan, moment, &mut out);
        self.tie(plan, moment, &mut out);
        out
    }

    /// What the models made of a channel of the last row. `None` when it had no sample there, or when no row was
    /// taken since the state was read back.
    pub fn trace(&self, plan: &Plan, channel: ChannelIx) -> Option<Judged> {
        let read = self.read.get(channel.index())?;
        Some(Judged {
            measured: read.measured?,
            expected: read.expected.map(|e| e.0),
            spread: read.expected.map(|e| e.1),
            score: self.score(plan, channel.index()),
            regime: self.operation.now(),
            judged: read.judged,
        })
    }

    /// How abnormal a channel is now, 0 to 1; at 0.5 and above a symptom lasts, below it evidence gathers.
    pub fn score(&self, plan: &Plan, channel: usize) -> f64 {
        let Some(state) = self.channels.get(channel) else { return 0.0 };
        if let Some(spreads) = state.book.worst() {
            // Half for the symptom, the rest for its size: five spreads give 0.75.
            return 0.5 + 0.5 * spreads / (spreads + 5.0);
        }
        let near = state.judge.as_ref().map_or(0.0, |j| {
            let peer = j.peer.as_ref().map_or(0.0, |p| p.nearness(&plan.settings));
            j.level.nearness(&plan.settings).max(peer)
        });
        0.49 * near
    }

    /// Probability that a channel is not what it was, given its score, when a share `prior` of channel-hours lies in the
    /// first days of a change; see [`crate::calibrate`].
    pub fn probability(&self, plan: &Plan, channel: usize, prior: f64) -> f64 {
        crate::calibrate::probability(self.score(plan, channel), prior)
    }

    /// Probability that any channel of the unit is not what it was, with the same prior for each channel.
    pub fn any_probability(&self, plan: &Plan, prior: f64) -> f64 {
        crate::calibrate::any((0..plan.channels.len()).map(|c| self.score(plan, c)), prior)
    }

    /// Channels whose data stay out of the baselines because of an open finding. Replaces the set before.
    pub fn hold(&mut self, plan: &Plan, held: &BTreeSet<ChannelName>) {
        for (channel, plan) in self.channels.iter_mut().zip(&plan.channels) {
            channel.held = held.contains(&plan.name);
        }
    }

    /// A person accepted the present level of these channels: they learn again from now on. Their symptoms end with
    /// the next row.
    pub fn accept_level(&mut self, plan: &Plan, channels: &[ChannelName]) {
        for (channel, plan) in self.channels.iter_mut().zip(&plan.channels) {
            if channels.contains(&plan.name) {
                channel.judge = None;
                channel.book.end_all();
            }
        }
    }

    /// Begins channels with as-built levels: what they learned is dropped, and they judge by the levels until they have
    /// learned from their own samples. Their symptoms end with the next row. Channels that the class does not judge by
    /// level are left as they are.
    pub fn seed(&mut self, plan: &Plan, at: Time, levels: &[AsBuilt]) {
        for (channel, plan) in self.channels.iter_mut().zip(&plan.channels) {
            let mine = || levels.iter().filter(|level| level.channel == plan.name);
            if mine().next().is_none() || !plan.judged || plan.value != ChannelValue::Number {
                continue;
            }
            let slot = |regime: Regime| regime.slot().and_then(|slot| u8::try_from(slot).ok());
            channel.begin(plan, at, mine().map(|l| (l.state.and_then(slot), l.level, l.spread)));
        }
    }

    /// Judged channels that still learn, with their progress from 0 to 1. A channel that was never measured is at 0.
    pub fn learning(&self, plan: &Plan) -> BTreeMap<ChannelName, f64> {
        self.named_progress(plan, false)
    }

    /// Channels that judge by as-built levels alone, with the progress of their own learning from 0 to 1.
    pub fn seeded(&self, plan: &Plan) -> BTreeMap<ChannelName, f64> {
        self.named_progress(plan, true)
    }

    fn named_progress(&self, plan: &Plan, seeded: bool) -> BTreeMap<ChannelName, f64> {
        let some = self.progress(plan).filter(|progress| progress.seeded == seeded);
        some.filter_map(|p| Some((plan.channels.get(p.channel)?.name.clone(), p.done))).collect()
    }

    /// How far each judged channel is with learning; one that is done is left out.
    pub fn progress(&self, plan: &Plan) -> impl Iterator<Item = LearningProgress> {
        let now = self.last.unwrap_or_default();
        let judged =
            self.channels.iter().zip(&plan.channels).enumerate().filter(|(_, (_, plan))| plan.judged);
        judged.filter_map(move |(channel, (state, _))| {
            let judge = state.judge.as_ref();
            let done = judge.map_or(0.0, |j| j.progress(&state.pace, &plan.settings, now));
            (done < 1.0).then(|| LearningProgress {
                channel,
                seeded: judge.is_some_and(|j| j.seeded()),
                done: (done * 100.0).floor() / 100.0,
            })
        })
    }

    fn sift(&mut self, plan: &Plan, moment: Moment<'_>, row: &Row, out: &mut Vec<SymptomChange>) {
        let each = self.channels.iter_mut().zip(&plan.channels).zip(&row.values).zip(&mut self.read);
        for (((channel, plan), value), read) in each {
            channel.book.clear_ending(moment.time, out);
            let Some(x) = *value else { continue };
            read.measured = Some(x).filter(|x| x.is_finite());
            if let Some(Clean { x, step }) = channel.sift(plan, moment, x, out) {
                (read.clean, read.step) = (Some(x), step);
            }
        }
    }

    fn judge(&mut self, plan: &Plan, moment: Moment<'_>, out: &mut Vec<SymptomChange>) {
        for (i, channel_plan) in plan.channels.iter().enumerate() {
            let Some(&Read { clean: Some(x), step, .. }) = self.read.get(i) else { continue };
            let mut values = [0.0; MOST_COVARIATES];
            let known = self.covariates(channel_plan.covariates.as_slice(), moment.time, &mut values);
            let Some(channel) = self.channels.get_mut(i) else { continue };
            let mut point = None;
            if let Some(count) = known {
                let covariates = values.get(..count).unwrap_or(&[]);
                if channel.misread(channel_plan, moment, x, covariates, out) {
                    continue;
                }
                let judgement = channel.judge(channel_plan, moment, Clean { x, step }, covariates, out);
                if let (Some(j), Some(read)) = (judgement, self.read.get_mut(i)) {
                    point = Some(j.point);
                    read.expected = Some((j.point.expected, j.point.spread));
                    read.z = Some(j.point.z);
                    read.judged = j.judged;
                    // What was judged of a flag is its share of the time.
                    read.measured = read.measured.map(|_| j.point.measured);
                }
            }
            channel.check_limits(channel_plan, moment, x, point, out);
        }
    }

    /// Values of the covariates, held for a while where the row lacks them; `None` when one is not known.
    fn covariates(&self, at: &[usize], time: Time, into: &mut [f64; MOST_COVARIATES]) -> Option<usize> {
        for (slot, i) in into.iter_mut().zip(at) {
            let channel = self.channels.get(*i)?;
            let (seen, value) = channel.quality.last?;
            // A sensor that is itself in doubt explains nothing.
            let stuck = channel.judge.as_ref().is_some_and(|j| j.stuck.doubtful());
            if stuck || channel.book.doubts_sensor() || time - seen > HOLD.max(self.pace.gap()) {
                return None;
            }
            *slot = value;
        }
        Some(at.len())
    }

    fn compare(&mut self, plan: &Plan, moment: Moment<'_>, out: &mut Vec<SymptomChange>) {
        for group in &plan.groups {
            let of = |i: &usize| self.read.get(*i).filter(|r| r.judged).and_then(|r| r.z);
            let mut residuals: Vec<f64> = group.iter().filter_map(of).collect();
            if residuals.len() < crate::plan::FEWEST_SISTERS {
                continue;
            }
            let Some(middle) = median(&mut residuals) else { continue };
            for i in group {
                let Some(&Read {
                    z: Some(z),
                    judged: true,
                    expected: Some((expected, spread)),
                    clean: Some(x),
                    ..
                }) = self.read.get(*i)
                else {
                    continue;
                };
                let point = Point {
                    time: moment.time,
                    z: z - middle,
                    measured: x,
                    expected: expected + middle * spread,
                    spread,
                    doubt: 0.0,
                    slot: moment.state.regime.slot().and_then(|s| u8::try_from(s).ok()).unwrap_or(0),
                    sudden: true,
                };
                if let (Some(channel), Some(p)) = (self.channels.get_mut(*i), plan.channels.get(*i)) {
                    channel.compare(p, moment, point, out);
                }
            }
        }
    }

    fn tie(&mut self, plan: &Plan, moment: Moment<'_>, out: &mut Vec<SymptomChange>) {
        for (i, channel_plan) in plan.channels.iter().enumerate() {
            for (index, tie) in channel_plan.ties.iter().enumerate() {
                let value = |at: usize| self.read.get(at).and_then(|r| r.clean);
                if let (Some(a), Some(b)) = (value(i), value(tie.to))
                    && let Some(channel) = self.channels.get_mut(i)
                {
                    channel.check_tie(channel_plan, moment, index, (a, tie.bring(b)), out);
                }
            }
        }
    }
}
