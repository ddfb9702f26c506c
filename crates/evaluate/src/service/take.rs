//! Reading: messages, decisions and timelines from their logs into the lines they belong to.
//!
//! Owns what counts as late, repeated, contradicting or beyond the horizon. Folds nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use notchwatch_model::{Decision, DecisionId, Sample, Seq, Span, TextSample, Time, TimelineId, UnitKey};
use notchwatch_store::{JournalMessage, TimelineStep, Unjudged};

use super::{Evaluator, Round};
use crate::EvaluateError;
use crate::line::Line;
use crate::restore::{TICK, up_to};
use crate::rows::{Added, Rows};
use crate::texts::{Texts, told};

/// A sample for a time that is folded already, or too old to be.
struct Late {
    sample: Sample,
    /// Beyond the horizon: kept, not judged.
    beyond: bool,
}

/// A text of such a time, and the position of its message.
struct LateText {
    text: TextSample,
    seq: Seq,
    beyond: bool,
}

impl Evaluator {
    /// Puts samples where they wait; late ones that change something soil their line.
    pub(super) async fn take_messages(
        &mut self,
        messages: Vec<JournalMessage>,
        round: &mut Round,
    ) -> Result<(), EvaluateError> {
        let before = self.position;
        let mut late: BTreeMap<UnitKey, (Vec<Late>, Vec<LateText>)> = BTreeMap::new();
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
            if let Some(heard) = self.entering.get_mut(&message.unit) {
                *heard = Some(Instant::now());
            }
            // Against what came before it in the journal, not against what is folded by now: so it does not matter in
            // what portions the journal was read.
            let horizon = line.newest().map(|newest| newest - self.options.horizon);
            let mut rest = Vec::new();
            for sample in std::mem::take(&mut message.samples) {
                let beyond = horizon.is_some_and(|horizon| sample.time < horizon);
                line.tell(Some(sample.time));
                if beyond || !line.take(sample, message.received) {
                    rest.push(Late { sample, beyond });
                }
            }
            let mut texts = Vec::new();
            for text in std::mem::take(&mut message.texts) {
                let beyond = horizon.is_some_and(|horizon| text.time < horizon);
                if beyond || !line.take_text(&text) {
                    texts.push(LateText { text, seq: message.seq, beyond });
                }
            }
            if !rest.is_empty() || !texts.is_empty() {
                let late = late.entry(message.unit.clone()).or_default();
                late.0.extend(rest);
                late.1.extend(texts);
            } else if round.touched.last() != Some(&message.unit) {
                round.touched.push(message.unit);
            }
        }
        for (unit, (late, texts)) in late {
            let mut unjudged = self.take_late(&unit, &late, before).await?;
            unjudged.extend(self.take_late_texts(&unit, &texts, before).await?);
            if !unjudged.is_empty() {
                round.commit.unjudged.push((unit.clone(), unjudged));
            }
            self.dirty.insert(unit.clone());
            round.touched.push(unit);
        }
        Ok(())
    }

    /// Compares late samples with what the store held before them. Returns those that are not to be judged.
    async fn take_late(
        &mut self,
        unit: &UnitKey,
        late: &[Late],
        before: Seq,
    ) -> Result<Vec<Unjudged>, EvaluateError> {
        let mut unjudged = Vec::new();
        let Some(line) = self.lines.get_mut(unit) else { return Ok(unjudged) };
        let times = || late.iter().map(|late| late.sample.time);
        let (Some(from), Some(to)) = (times().min(), times().max()) else { return Ok(unjudged) };
        let mut stored = Rows::new(line.context.class.channels.len());
        for sample in self.store.unit_samples(unit, from, to + TICK, Some(before)).await? {
            stored.add(sample);
        }
        // What waits of this round came before anything beyond the horizon with the same key.
        stored.add_span(line.waiting(), from, to + TICK);
        for Late { sample, beyond } in late {
            let instead = stored.value(sample.time, sample.channel);
            let added = stored.add(*sample);
            match added {
                Added::Repeat => line.repeats += 1,
                Added::Conflict { .. } => line.conflicts += 1,
                Added::New | Added::NoChannel => {}
            }
            if !matches!(added, Added::New | Added::Conflict { changed: true }) {
                continue;
            }
            if *beyond {
                self.counters.beyond_horizon.fetch_add(1, Ordering::Relaxed);
                unjudged.push(Unjudged { time: sample.time, channel: sample.channel, instead });
            } else {
                line.soil(sample.time);
            }
        }
        Ok(unjudged)
    }

    /// The same for texts.
    async fn take_late_texts(
        &mut self,
        unit: &UnitKey,
        late: &[LateText],
        before: Seq,
    ) -> Result<Vec<Unjudged>, EvaluateError> {
        let mut unjudged = Vec::new();
        let Some(line) = self.lines.get_mut(unit) else { return Ok(unjudged) };
        let class = line.context.class.clone();
        let late = late.iter().filter(|late| told(&class, late.text.channel));
        let times = || late.clone().map(|late| late.text.time);
        let (Some(from), Some(to)) = (times().min(), times().max()) else { return Ok(unjudged) };
        let mut stored = Texts::default();
        for text in &self.store.unit_texts(unit, from, to + TICK, Some(before)).await? {
            stored.add(text);
        }
        stored.add_all(line.texts());
        for LateText { text, seq, beyond } in late {
            let (time, channel) = (text.time, text.channel);
            let stood = stored.has((time, channel));
            if !stored.add(text) {
                continue;
            }
            if *beyond {
                self.counters.beyond_horizon.fetch_add(1, Ordering::Relaxed);
                let instead = stood.then(|| up_to(Seq(seq.0 - 1)));
                unjudged.push(Unjudged { time, channel, instead });
            } else {
                line.soil(time);
            }
        }
        Ok(unjudged)
    }

    /// Decisions that are not taken yet, and how far they go in their log.
    pub(super) async fn read_decisions(&self) -> Result<(Vec<Decision>, DecisionId), EvaluateError> {
        let (mut all, mut after) = (Vec::new(), self.decided);
        loop {
            let part = self.store.decisions_after(after, DECISIONS_A_PAGE).await?;
            after = part.to;
            all.extend(part.items);
            if !part.full {
                return Ok((all, after));
            }
        }
    }

    /// Takes new decisions into the lines (into the list alone while loading).
    pub(super) fn take_decisions(
        &mut self,
        (decisions, to): (Vec<Decision>, DecisionId),
        mut round: Option<&mut Round>,
    ) {
        self.decided = to;
        for decision in decisions.into_iter().filter(|d| d.effective) {
            self.links.decide(&decision);
            self.causes.decide(&decision);
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

impl Evaluator {
    /// Steps of the log of timelines that are not taken yet, and how far they go.
    pub(super) async fn read_timelines(&self) -> Result<(Vec<TimelineStep>, TimelineId), EvaluateError> {
        let (mut all, mut after) = (Vec::new(), self.timelined);
        loop {
            let part = self.store.timeline_after(after, DECISIONS_A_PAGE).await?;
            after = part.to;
            all.extend(part.items);
            if !part.full {
                return Ok((all, after));
            }
        }
    }

    /// Takes new steps into the lines. A unit that never sent anything gets a line with the first.
    pub(super) async fn take_timelines(
        &mut self,
        (steps, to): (Vec<TimelineStep>, TimelineId),
        round: &mut Round,
    ) -> Result<(), EvaluateError> {
        self.timelined = to;
        let mut strangers = BTreeSet::new();
        for step in steps {
            let unit = step.entry.unit.clone();
            if let Some(line) = self.lines.get_mut(&unit) {
                line.enter(step.entry);
                if line.dirty().is_some() {
                    self.dirty.insert(unit.clone());
                }
                self.entering.entry(unit.clone()).or_default();
                round.touched.push(unit.clone());
            } else if self.shared.unit(&unit).is_some() {
                strangers.insert(unit.clone());
            }
            self.entered.insert(unit);
        }
        if strangers.is_empty() {
            return Ok(());
        }
        self.load_units(strangers.into_iter().collect()).await
    }

    /// Lets entries of units from which no row is about to come be folded in this round.
    pub(super) fn let_enter(&mut self) {
        let now = (self.clock)();
        let lines = &self.lines;
        self.entering.retain(|unit, _| lines.get(unit).is_some_and(Line::has_entries));
        for (unit, heard) in &self.entering {
            if lines.get(unit).is_some_and(|line| line.enters().is_some() && quiet(line, *heard, now)) {
                self.touched.entry(unit.clone()).or_insert_with(Instant::now);
            }
        }
    }

    /// Position in the log of timelines that a unit is folded with; `None` when nothing is on its timeline.
    pub(super) fn timelined_of(&self, unit: &UnitKey) -> Option<TimelineId> {
        self.entered.contains(unit).then_some(self.timelined)
    }
}

/// Whether nothing has come from a unit for so long that entries of its timeline wait no longer for its next row. One that
/// comes for an earlier time is folded in its place.
/// `heard` is when this process last took a message of it: imported ones carry old receive times.
pub(super) fn quiet(line: &Line, heard: Option<Instant>, now: Time) -> bool {
    let long_ago = line.received.is_none_or(|received| now - received > NEXT_ROW_WITHIN);
    long_ago && heard.is_none_or(|heard| heard.elapsed() > IMPORT_PAUSES)
}

/// A unit that reports sends its next row within this time: a batch and a pause (design of the feed: twelve minutes).
const NEXT_ROW_WITHIN: Span = Span::from_mins(15);
/// Within an import the next message of a unit comes within this time.
const IMPORT_PAUSES: Duration = Duration::from_mins(1);
/// Decisions, or steps of timelines, read at one time.
const DECISIONS_A_PAGE: usize = 1000;
