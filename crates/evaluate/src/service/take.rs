//! Reading: messages, decisions and timelines from their logs into the lines they belong to.
//!
//! Owns what counts as late, repeated, contradicting or beyond the horizon. Folds nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use std::time::Instant;

use notchwatch_model::{Seq, TimelineId, UnitKey};
use notchwatch_store::JournalMessage;

use super::{Evaluator, Round};
use crate::EvaluateError;
use crate::restore::TICK;
use crate::rows::{Added, Rows};

impl Evaluator {
    /// Puts samples where they wait; late ones that change something soil their line.
    pub(super) async fn take_messages(
        &mut self,
        messages: Vec<JournalMessage>,
        round: &mut Round,
    ) -> Result<(), EvaluateError> {
        let before = self.position;
        let mut late: BTreeMap<UnitKey, Vec<JournalMessage>> = BTreeMap::new();
        let stranger = |unit: &&UnitKey| !self.lines.contains_key(*unit) && self.shared.unit(unit).is_some();
        let strangers: BTreeSet<UnitKey> =
            messages.iter().map(|m| &m.unit).filter(stranger).cloned().collect();
        if !strangers.is_empty() {
            self.load_units(strangers.into_iter().collect()).await?;
        }
        for mut message in messages {
            let Some(line) = self.lines.get_mut(&message.unit) else { continue };
            self.counters.messages.fetch_add(1, Ordering::Relaxed);
            // A kept message says what a unit sent at some time, not that it sends.
            if !message.retained {
                line.received = line.received.max(Some(message.received));
            }
            self.touched.insert(message.unit.clone(), Instant::now());
            message.samples.retain(|sample| !line.take(*sample, message.received));
            if !message.samples.is_empty() {
                late.entry(message.unit.clone()).or_default().push(message);
            } else if round.touched.last() != Some(&message.unit) {
                round.touched.push(message.unit);
            }
        }
        for (unit, messages) in late {
            self.take_late(&unit, &messages, before).await?;
            self.dirty.insert(unit.clone());
            round.touched.push(unit);
        }
        Ok(())
    }

    /// Compares late samples with what the store held before them.
    pub(super) async fn take_late(
        &mut self,
        unit: &UnitKey,
        late: &[JournalMessage],
        before: Seq,
    ) -> Result<(), EvaluateError> {
        let Some(line) = self.lines.get_mut(unit) else { return Ok(()) };
        let samples = || late.iter().flat_map(|m| &m.samples);
        let (Some(from), Some(to)) = (samples().map(|s| s.time).min(), samples().map(|s| s.time).max())
        else {
            return Ok(());
        };
        let mut stored = Rows::new(line.context.class.channels.len());
        for sample in self.store.unit_samples(unit, from, to + TICK, Some(before)).await? {
            stored.add(sample);
        }
        let horizon = line.folded_to().map(|to| to - self.options.horizon);
        for sample in samples() {
            match stored.add(*sample) {
                Added::Repeat => line.repeats += 1,
                Added::NoChannel => {}
                added => {
                    let changed = !matches!(added, Added::Conflict { changed: false });
                    if matches!(added, Added::Conflict { .. }) {
                        line.conflicts += 1;
                    }
                    if horizon.is_some_and(|h| sample.time < h) {
                        self.counters.beyond_horizon.fetch_add(1, Ordering::Relaxed);
                    } else if changed {
                        line.soil(sample.time);
                    }
                }
            }
        }
        Ok(())
    }

    /// Reads new decisions into the lines (into the list alone while loading).
    pub(super) async fn read_decisions(
        &mut self,
        mut round: Option<&mut Round>,
    ) -> Result<(), EvaluateError> {
        loop {
            let page = self.store.decisions_after(self.decided, DECISIONS_A_PAGE).await?;
            let Some(last) = page.last() else { return Ok(()) };
            self.decided = last.id;
            for decision in page.into_iter().filter(|d| d.effective) {
                self.links.decide(&decision);
                if let Some(round) = round.as_deref_mut()
                    && let Some(line) = self.lines.get_mut(&decision.unit)
                {
                    line.decide(decision.clone());
                    if decision.act.changes_matters() {
                        self.touched.insert(decision.unit.clone(), Instant::now());
                    }
                    self.dirty.insert(decision.unit.clone());
                    round.touched.push(decision.unit.clone());
                }
                self.decisions.entry(decision.unit.clone()).or_default().push(decision);
            }
        }
    }
}

impl Evaluator {
    /// Reads new steps of the log of timelines into the lines.
    pub(super) async fn read_timelines(&mut self, round: &mut Round) -> Result<(), EvaluateError> {
        loop {
            let page = self.store.timeline_after(self.timelined, DECISIONS_A_PAGE).await?;
            let Some(last) = page.last() else { return Ok(()) };
            self.timelined = last.id;
            for step in page {
                let unit = step.entry.unit.clone();
                if let Some(line) = self.lines.get_mut(&unit) {
                    line.enter(step.entry);
                    if line.dirty().is_some() {
                        self.dirty.insert(unit.clone());
                    }
                    round.touched.push(unit.clone());
                }
                self.entered.insert(unit);
            }
        }
    }

    /// Position in the log of timelines that a unit is folded with; `None` when nothing is on its timeline.
    pub(super) fn timelined_of(&self, unit: &UnitKey) -> Option<TimelineId> {
        self.entered.contains(unit).then_some(self.timelined)
    }
}

/// Decisions, or steps of timelines, read at one time.
const DECISIONS_A_PAGE: usize = 1000;
