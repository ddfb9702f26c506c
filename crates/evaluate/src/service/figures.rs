//! What evaluation tells of itself: counters, how far behind it is, progress of units.
//!
//! Owns sums that are kept up by what changed, never by a walk over the fleet.

use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use notchwatch_detect::calibrate::{PRIOR, weight};
use notchwatch_detect::{Plan, UnitModel};
use notchwatch_model::{ChannelName, Time, UnitKey};
use notchwatch_store::{Chances, ModelReport, Software, UnitProgress};

use super::Evaluator;
use crate::EvaluateError;
use crate::line::Line;

/// What evaluation has done since it started.
#[derive(Debug, Default)]
pub struct Counters {
    /// Messages folded.
    pub messages: AtomicU64,
    /// Samples folded.
    pub samples: AtomicU64,
    /// Samples that were repeats of stored ones.
    pub repeats: AtomicU64,
    /// Samples that contradicted a stored one.
    pub conflicts: AtomicU64,
    /// Samples beyond the horizon: kept, not judged.
    pub beyond_horizon: AtomicU64,
    /// Units folded anew because of late data or decisions.
    pub refolds: AtomicU64,
    /// Findings committed that were new or changed.
    pub findings: AtomicU64,
    /// Journal position judged.
    pub position: AtomicI64,
    /// Rounds that failed and were tried again.
    pub failures: AtomicU64,
    /// Units by state of their link, in the order of [`notchwatch_model::CommsState::ALL`].
    pub comms: [AtomicU64; 6],
}

/// How far evaluation is behind the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Lag {
    /// Messages in the journal that are not judged yet.
    pub messages: i64,
    /// When the message judged last was received, while some are not.
    pub judged_to: Option<Time>,
    /// Every unit's line is loaded.
    pub ready: bool,
}

/// Sums over lines, kept up by the lines that change.
#[derive(Debug, Default)]
pub(super) struct Totals {
    counted: HashMap<UnitKey, [u64; 3]>,
    /// Samples, repeats and conflicts.
    sums: [u64; 3],
}

impl Totals {
    /// Counts a line anew. A sum may fall: a line folded anew may hold fewer samples than before.
    pub(super) fn count(&mut self, key: &UnitKey, now: [u64; 3]) {
        let before = match self.counted.get_mut(key) {
            Some(counted) => std::mem::replace(counted, now),
            None => self.counted.insert(key.clone(), now).unwrap_or_default(),
        };
        for ((sum, before), now) in self.sums.iter_mut().zip(before).zip(now) {
            *sum = (*sum + now).saturating_sub(before);
        }
    }
}

impl Evaluator {
    /// How far a unit is judged, with what its models say when they did not say that before.
    pub(super) fn progress(&mut self, key: &UnitKey) -> Option<UnitProgress> {
        let line = self.lines.get_mut(key)?;
        let mark = mark(line);
        let news = line.reported.replace(mark) != Some(mark);
        Some(UnitProgress {
            unit: key.clone(),
            judged: line.fold().last(),
            received: line.received,
            samples: line.fold().samples(),
            repeats: line.repeats,
            conflicts: line.conflicts,
            models: news.then(|| report(line)),
        })
    }

    /// Brings the totals up to what these lines say now. The cost follows the units that sent, not the fleet.
    pub(super) fn count(&mut self, keys: &[UnitKey]) {
        for key in keys {
            let Some(line) = self.lines.get(key) else { continue };
            self.totals.count(key, [line.fold().samples(), line.repeats, line.conflicts]);
        }
        let [samples, repeats, conflicts] = self.totals.sums;
        self.counters.samples.store(samples, Ordering::Relaxed);
        self.counters.repeats.store(repeats, Ordering::Relaxed);
        self.counters.conflicts.store(conflicts, Ordering::Relaxed);
    }

    /// Says how far behind it is; asks the store only when there may be more than was read.
    pub(super) async fn publish_lag(&self, more: bool) -> Result<(), EvaluateError> {
        let messages = if more { self.store.journal_end().await?.0 - self.position.0 } else { 0 };
        let judged_to = self.judged_to.filter(|_| messages > 0);
        let now = Lag { messages, judged_to, ready: true };
        self.lag.send_if_modified(|lag| std::mem::replace(lag, now) != now);
        Ok(())
    }
}

/// What the models of a line say of themselves.
fn report(line: &Line) -> ModelReport {
    let (model, plan) = (line.fold().model(), line.context.plan.as_ref());
    let software = line.fold().background().software_since(Time::LATEST);
    ModelReport {
        learning: model.learning(plan),
        seeded: model.seeded(plan),
        chances: Some(chances(model, plan)),
        software: software.map(|(version, since)| Software { version: version.to_owned(), since }),
    }
}

/// Another one whenever the report would be another one: making a report of a line that has nothing new to say would cost as
/// much as folding its message.
fn mark(line: &Line) -> u64 {
    let (model, plan) = (line.fold().model(), line.context.plan.as_ref());
    let mut hasher = DefaultHasher::new();
    for progress in model.progress(plan) {
        (progress.channel, progress.seeded, progress.done.to_bits()).hash(&mut hasher);
    }
    for (channel, _) in plan.names().enumerate() {
        weight(model.score(plan, channel)).to_bits().hash(&mut hasher);
    }
    line.fold().background().software_since(Time::LATEST).hash(&mut hasher);
    hasher.finish()
}

/// Probabilities of a lasting change, at the usual prior, to four digits behind the point: more is not known of them.
fn chances(model: &UnitModel, plan: &Plan) -> Chances {
    let rounded = |p: f64| (p * 1e4).round() / 1e4;
    let of = |(channel, name): (usize, &ChannelName)| {
        let chance = model.probability(plan, channel, PRIOR);
        (chance >= PRIOR).then(|| (name.clone(), rounded(chance)))
    };
    Chances {
        unit: rounded(model.any_probability(plan, PRIOR)),
        channels: plan.names().enumerate().filter_map(of).collect(),
    }
}
