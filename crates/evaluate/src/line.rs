//! A unit's line through time: its fold, the rows that wait for it, and the decisions between them.
//!
//! Owns what is folded when: rows and decisions merge by event time, snapshots fall on fixed boundaries, and what
//! arrives for a time already folded makes the line dirty from there. Pure; the service does the reading.

use std::collections::BTreeMap;

use notchwatch_model::{
    ChannelIx, Decision, MachinePart, Row, Sample, Span, TextSample, Time, TimelineEntry, UnitKey,
};

use crate::fold::{Fold, FoldContext, SnapshotError};
use crate::rows::{Added, Rows};
use crate::step::Step;
use crate::texts::{Texts, told};

/// Event time between snapshots. A restart folds at most this much of a unit anew.
pub const SNAPSHOT_EVERY: Span = Span::from_hours(6);

/// A unit's fold with what waits for it.
#[derive(Debug)]
pub struct Line {
    /// What the fold needs to know.
    pub context: FoldContext,
    /// Where its snapshot boundaries lie.
    phase: Span,
    fold: Fold,
    waiting: Rows,
    /// When the rows that wait were received: the latest of their messages.
    arrivals: BTreeMap<Time, Time>,
    decisions: Vec<Decision>,
    /// Entries of the timeline that are not folded yet, in the order in which they take effect.
    entries: Vec<TimelineEntry>,
    /// Texts that are not folded yet.
    texts: Texts,
    decided_to: Option<Time>,
    dirty: Option<Time>,
    /// Newest event time of the unit's messages, in the order of the journal.
    newest: Option<Time>,
    /// Samples that were repeats of stored ones.
    pub repeats: u64,
    /// Samples that contradicted a stored one.
    pub conflicts: u64,
    /// Newest receive time seen, of messages that were not kept ones.
    pub received: Option<Time>,
    /// Mark of what its models said last; `None` while this process has told nothing of it.
    pub(crate) reported: Option<u64>,
}

/// State of the fold at a boundary.
#[derive(Debug)]
pub struct Mark {
    /// Every row and decision up to and including this event time is in it.
    pub at: Time,
    /// The state.
    pub state: Vec<u8>,
}

/// What folding gave.
#[derive(Debug, Default)]
pub struct Folded {
    /// Findings changed, in order, each with the receive time of the row that changed it, where it is known; the last
    /// one of an id counts.
    pub findings: Vec<(MachinePart, Option<Time>)>,
    /// Snapshots passed.
    pub marks: Vec<Mark>,
    /// When something took effect that units may share, such as software: the latest time.
    pub shares: Option<Time>,
}

impl Line {
    /// A line that begins with a fold: empty, or from a snapshot taken at `at`. A decision for a time before the
    /// snapshot that was not known when it was taken makes the line dirty.
    pub fn new(context: FoldContext, mut fold: Fold, at: Option<Time>, decisions: Vec<Decision>) -> Self {
        let waiting = Rows::new(context.class.channels.len());
        let phase = phase_of(&context.unit.key());
        let newest = fold.last();
        let missed = |d: &&Decision| d.id > fold.known() && at.is_some_and(|at| d.at <= at);
        let dirty = decisions.iter().filter(missed).map(|d| d.at).min();
        for decision in &decisions {
            fold.know(decision.id);
        }
        Self {
            context,
            phase,
            fold,
            waiting,
            arrivals: BTreeMap::new(),
            decisions,
            entries: vec![],
            texts: Texts::default(),
            decided_to: at,
            dirty,
            newest,
            repeats: 0,
            conflicts: 0,
            received: None,
            reported: None,
        }
    }

    /// The same with entries of the unit's timeline that take effect after what is folded.
    #[must_use]
    pub fn with_entries(mut self, entries: Vec<TimelineEntry>) -> Self {
        self.entries = entries;
        self.entries.sort_by_cached_key(order);
        self
    }

    /// The same with texts of the unit after what is folded.
    #[must_use]
    pub(crate) fn with_texts(mut self, texts: Texts) -> Self {
        self.texts = texts;
        self
    }

    /// The fold as it stands.
    pub fn fold(&self) -> &Fold {
        &self.fold
    }

    /// Decisions of the unit, in order of their time.
    pub fn decisions(&self) -> &[Decision] {
        &self.decisions
    }

    /// Event time up to which everything is folded: rows and decisions.
    pub fn folded_to(&self) -> Option<Time> {
        self.fold.last().max(self.decided_to)
    }

    /// Newest event time that the unit's messages told, folded or not. It follows from the journal alone: neither the
    /// pace of evaluation nor a restart moves it, so what is compared with it comes out the same.
    pub fn newest(&self) -> Option<Time> {
        self.newest
    }

    /// Notes event times of a message.
    pub fn tell(&mut self, time: Option<Time>) {
        self.newest = self.newest.max(time);
    }

    /// Rows that wait.
    pub fn waiting(&self) -> &Rows {
        &self.waiting
    }

    /// Texts that wait.
    pub(crate) fn texts(&self) -> &Texts {
        &self.texts
    }

    /// Whether rows or texts wait.
    pub fn waits(&self) -> bool {
        !self.waiting.is_empty() || !self.texts.is_empty()
    }

    /// From when the line must be folded anew.
    pub fn dirty(&self) -> Option<Time> {
        self.dirty
    }

    /// Marks the line to be folded anew from an event time.
    pub fn soil(&mut self, from: Time) {
        self.dirty = Some(self.dirty.map_or(from, |d| d.min(from)));
    }

    /// Takes a sample. One that lies after everything folded waits for its turn and `true` is returned; a late one is
    /// the caller's to compare with the store.
    pub fn take(&mut self, sample: Sample, received: Time) -> bool {
        if self.folded_to().is_some_and(|to| sample.time <= to) {
            return false;
        }
        match self.waiting.add(sample) {
            Added::Repeat => self.repeats += 1,
            Added::Conflict { .. } => self.conflicts += 1,
            Added::New | Added::NoChannel => {}
        }
        let arrived = self.arrivals.entry(sample.time).or_insert(received);
        *arrived = received.max(*arrived);
        true
    }

    /// Takes a text, as [`Line::take`] a sample. One of a channel that the fold does not read is taken and forgotten.
    pub(crate) fn take_text(&mut self, text: &TextSample) -> bool {
        if !told(&self.context.class, text.channel) {
            return true;
        }
        let waits = self.folded_to().is_none_or(|to| text.time > to);
        if waits {
            self.texts.add(text);
        }
        waits
    }

    /// Puts a whole row where it waits: a row read back from the store.
    pub fn wait_for(&mut self, row: Row) {
        self.tell(Some(row.time));
        for (channel, value) in (0u16..).zip(row.values) {
            if let Some(value) = value {
                self.waiting.add(Sample { time: row.time, channel: ChannelIx(channel), value });
            }
        }
    }

    /// Takes over what waited in the line that this one replaces, and its counts.
    pub fn inherit(&mut self, old: Line) {
        self.waiting = old.waiting;
        self.arrivals = old.arrivals;
        self.texts = old.texts;
        self.repeats = old.repeats;
        self.conflicts = old.conflicts;
        self.received = old.received;
        self.reported = old.reported;
        self.newest = self.newest.max(old.newest);
    }

    /// Takes a decision. One for a time already folded makes the line dirty.
    pub fn decide(&mut self, decision: Decision) {
        if self.folded_to().is_some_and(|to| decision.at <= to) {
            self.soil(decision.at);
        }
        self.fold.know(decision.id);
        let place = self.decisions.partition_point(|d| (d.at, d.id) <= (decision.at, decision.id));
        self.decisions.insert(place, decision);
    }

    /// Takes a step of the timeline's log: an entry that was added or withdrawn. One that takes effect in what is folded
    /// makes the line dirty; folding anew reads the timeline anew.
    pub fn enter(&mut self, entry: TimelineEntry) {
        let at = entry.effective();
        if self.folded_to().is_some_and(|to| at <= to) {
            self.soil(at);
            return;
        }
        self.entries.retain(|known| known.id != entry.id);
        if entry.withdrawn.is_none() {
            let key = order(&entry);
            let place = self.entries.partition_point(|known| order(known) <= key);
            self.entries.insert(place, entry);
        }
    }

    /// Folds the rows that wait: all of them, or all but the newest, whose event time may not be complete yet. With `quiet`
    /// no row is about to come: entries of the timeline are folded without waiting for one.
    pub fn advance(&mut self, newest_too: bool, quiet: bool) -> Result<Folded, SnapshotError> {
        let rows = match self.waiting.newest() {
            Some(newest) if !newest_too => self.waiting.take_before(newest),
            _ => self.waiting.take_all(),
        };
        let mut folded = self.run(&rows)?;
        if let Some(at) = self.texts.newest().filter(|_| newest_too) {
            self.decide_to(at, &mut folded);
        }
        if let Some(at) = self.presses().max(self.enters().filter(|_| quiet)) {
            self.decide_to(at, &mut folded);
        }
        Ok(folded)
    }

    /// Whether entries of the timeline are not folded yet.
    pub fn has_entries(&self) -> bool {
        !self.entries.is_empty()
    }

    /// Time up to which entries of the timeline wait for the unit's next row, while no row waits.
    pub fn enters(&self) -> Option<Time> {
        let newest = self.entries.last().map(TimelineEntry::effective)?;
        self.waiting.is_empty().then_some(newest)
    }

    /// Time of the newest decision that is folded without waiting for a row, while it is not folded and no row waits. A
    /// row that comes later for a time before it is late, and folded in its place.
    pub fn presses(&self) -> Option<Time> {
        let decision = self.decisions.iter().rev().find(|decision| decision.act.changes_matters())?;
        let due = self.waiting.is_empty() && self.folded_to().is_some_and(|to| to < decision.at);
        due.then_some(decision.at)
    }

    /// Folds the decisions up to and including a time up to which this line was folded before.
    pub fn settle(&mut self, to: Time, folded: &mut Folded) {
        if self.folded_to().is_none_or(|folded_to| folded_to < to) {
            self.decide_to(to, folded);
        }
    }

    /// Folds rows, all later than what is folded, with the decisions and snapshot boundaries between them.
    pub fn run(&mut self, rows: &[Row]) -> Result<Folded, SnapshotError> {
        let mut folded = Folded::default();
        for row in rows {
            if let Some(at) = boundary_between(self.folded_to(), row.time, self.phase) {
                self.decide_to(at, &mut folded);
                folded.marks.push(Mark { at, state: self.fold.save(&self.context)? });
            }
            self.decide_to(row.time, &mut folded);
            let arrived = self.arrivals.remove(&row.time);
            let changed = self.fold.row(&self.context, row);
            folded.findings.extend(changed.into_iter().map(|machine| (machine, arrived)));
        }
        Ok(folded)
    }

    /// Takes entries and texts out that take effect up to and including a time, in their order.
    fn due(&mut self, to: Time) -> Vec<Step> {
        let due = self.entries.partition_point(|entry| entry.effective() <= to);
        let mut steps: Vec<Step> = self.entries.drain(..due).map(Step::Entry).collect();
        if !self.texts.is_empty() {
            steps.extend(self.texts.take_to(to).iter().map(Step::Text));
            steps.sort_by_key(Step::at);
        }
        steps
    }

    /// State now, for a snapshot outside the boundaries. `None` when nothing is folded.
    pub fn mark(&self) -> Result<Option<Mark>, SnapshotError> {
        match self.folded_to() {
            Some(at) => Ok(Some(Mark { at, state: self.fold.save(&self.context)? })),
            None => Ok(None),
        }
    }

    /// Applies the decisions, entries and texts up to and including a time that are not applied yet, by their time; of one
    /// time decisions come first, then entries.
    fn decide_to(&mut self, to: Time, folded: &mut Folded) {
        let from = self.decided_to;
        let begin = from.map_or(0, |from| self.decisions.partition_point(|d| d.at <= from));
        let mut steps = self.due(to).into_iter().peekable();
        let (context, fold) = (&self.context, &mut self.fold);
        for decision in self.decisions.iter().skip(begin).take_while(|d| d.at <= to) {
            while let Some(step) = steps.next_if(|step| step.at() < decision.at) {
                step.fold(fold, context, folded);
            }
            let changed = fold.decision(context, decision);
            folded.findings.extend(changed.into_iter().map(|machine| (machine, None)));
        }
        for step in steps {
            step.fold(fold, context, folded);
        }
        self.decided_to = Some(from.map_or(to, |from| from.max(to)));
    }
}

/// Order of entries: when they take effect, then what they say, so that it does not follow from when they came.
fn order(entry: &TimelineEntry) -> (Time, Time, String) {
    (entry.effective(), entry.at, format!("{:?}", entry.fact))
}

/// The last snapshot boundary that lies after everything folded and before the next row, if any.
fn boundary_between(folded_to: Option<Time>, next: Time, phase: Span) -> Option<Time> {
    let step = SNAPSHOT_EVERY.micros();
    let boundary = (next.micros() - phase.micros()).div_euclid(step) * step + phase.micros() - 1;
    let at = Time::from_micros(boundary).ok()?;
    folded_to.filter(|to| *to < at).map(|_| at)
}

/// Where a unit's boundaries lie: spread over the fleet, or all its units would pass theirs within one minute. The
/// same wherever it is computed: FNV-1a (64 bit) of its name.
fn phase_of(unit: &UnitKey) -> Span {
    let name = unit.to_string();
    let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    let minutes = SNAPSHOT_EVERY.micros().unsigned_abs() / Span::from_mins(1).micros().unsigned_abs();
    Span::from_mins(i64::try_from(hash % minutes).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{RailwayId, UnitId};

    use super::*;

    fn time(text: &str) -> Time {
        text.parse().unwrap()
    }

    #[test]
    fn boundaries_do_not_depend_on_which_rows_are_there() {
        let folded = Some(time("2026-03-01T05:58:00Z"));
        let between = |next: &str, mins| boundary_between(folded, time(next), Span::from_mins(mins));
        let at = Some(time("2026-03-01T05:59:59.999999Z"));
        assert_eq!(between("2026-03-01T06:00:00Z", 0), at);
        assert_eq!(between("2026-03-01T11:59:00Z", 0), at);
        assert_eq!(between("2026-03-01T05:59:00Z", 0), None);
        assert_eq!(between("2026-03-01T06:00:00Z", 1), None);
        assert_eq!(between("2026-03-01T06:01:00Z", 1), Some(time("2026-03-01T06:00:59.999999Z")));
        assert_eq!(boundary_between(None, time("2026-03-01T06:00:00Z"), Span::from_mins(0)), None);
    }

    #[test]
    fn a_fleets_boundaries_are_spread() {
        let mut units = [0_u32; 360];
        for number in 0..20_000 {
            let unit = UnitId::new(&format!("NM-{number}")).unwrap();
            let phase = phase_of(&UnitKey { railway: RailwayId::new("northmoor").unwrap(), unit });
            units[usize::try_from(phase.micros() / 60_000_000).unwrap()] += 1;
        }
        // 56 on average; a Poisson number exceeds 110 with a chance below 1e-9.
        assert!(units.iter().all(|units| (10..110).contains(units)), "{units:?}");
    }
}
