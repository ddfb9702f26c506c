//! One open finding as the fold keeps it: its machine half and what is needed to carry it on.
//!
//! Owns the life of a finding: active, quiet, unstable, ended. Its deadlines are exact event times, so that no
//! result depends on when somebody looked.

mod join;

use std::collections::BTreeMap;

use notchwatch_model::{
    ChannelName, Direction, FindingId, FindingKind, MachinePart, Opening, Outcome, Span, Symptom,
    SymptomKind, Time, TimeToLimit, Untold,
};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::{CALM_TO_END, Context, limit, oil, rank, title};

/// How long a finding stays active after its last symptom cleared (an off-delay as IEC 62682 knows it; the figure is
/// common practice). A symptom that comes back within it is the same occurrence.
const HOLD: Span = Span::from_mins(15);
/// The same for a finding that is unstable: it is told as active until it has been quiet for a long time.
const HOLD_UNSTABLE: Span = Span::from_hours(6);
/// A finding whose symptoms came this often within [`UNSTABLE_WINDOW`] is unstable (common practice: three).
const UNSTABLE_COUNT: usize = 3;
/// Window of that count.
const UNSTABLE_WINDOW: Span = Span::from_hours(6);
/// A data symptom is an event, not a state: it lasts this long, so that somebody can see it.
const DATA_LASTS: Span = Span::from_hours(1);
/// A projection is not made with every change of its symptom; one that was not renewed for this long is dropped
/// (common practice: two days of duty show whether a trend goes on).
const PROJECTION_KEPT: Span = Span::from_days(2);
/// Probability of all explanations outside the machine together from which a machine finding is told as one of theirs, and
/// below which it is told as one about the machine again. High, since a machine fault taken for a sensor's costs more
/// than the reverse (common practice).
const BECOMES_ELSEWHERE: f64 = 0.7;
const STAYS_ELSEWHERE: f64 = 0.5;
/// Number of a symptom that was seen at low and at high load; before that nothing tells an offset, unless it began with a
/// standstill, as what people do to an instrument.
const AT_BOTH_LOADS: &str = "at_high_load";
/// Bytes of the hash in an id: 64 bits, so that two of a fleet's findings meet once in billions of years.
const ID_BYTES: usize = 8;

/// An open finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Matter {
    pub(crate) part: MachinePart,
    /// Somebody took it or waits for something: the machine does not end it.
    pub(crate) kept: bool,
    /// No symptom lasts since then.
    quiet_since: Option<Time>,
    /// When symptoms came, the latest few.
    came: Vec<Time>,
    /// Earliest onset among symptoms that a later one of the same channel and kind has replaced.
    earlier: Option<Time>,
    /// Projections by channel.
    projections: BTreeMap<ChannelName, TimeToLimit>,
    /// Its symptoms are of the machine, and something else explains them best: a sensor, or the data.
    elsewhere: Option<FindingKind>,
}

/// What made a finding, as far as its identity goes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) struct Cause {
    kind: FindingKind,
    /// System of a machine matter, channel of any other.
    what: String,
    /// UTC day of the onset as first estimated: an estimate that late data moves by an hour names the same finding.
    day: i64,
}

impl Cause {
    pub(crate) fn new(context: &Context<'_>, symptom: &Symptom) -> Self {
        let kind = symptom.kind.about();
        let what = match kind {
            FindingKind::Machine => oil::system(context.class, symptom).word().to_owned(),
            _ => symptom.channel.to_string(),
        };
        Self { kind, what, day: symptom.onset.day() }
    }

    pub(crate) fn day(&self) -> i64 {
        self.day
    }

    /// Identity of the `nth` finding of this cause on the unit.
    fn id(&self, context: &Context<'_>, nth: u32) -> Option<FindingId> {
        let unit = context.unit.key();
        let text = format!("{unit}\n{}\n{}\n{}\n{nth}", self.kind, self.what, self.day);
        let digest = Sha256::digest(text.as_bytes());
        let mut first = [0; ID_BYTES];
        first.iter_mut().zip(digest.iter()).for_each(|(to, from)| *to = *from);
        FindingId::new(&format!("f-{:016x}", u64::from_be_bytes(first))).ok()
    }
}

impl Matter {
    /// A new finding from its first symptom. `None` only if an id could not be written, which its form excludes.
    pub(crate) fn open(
        context: &Context<'_>,
        symptom: &Symptom,
        cause: &Cause,
        nth: u32,
        at: Time,
    ) -> Option<Self> {
        let opening = Opening {
            id: cause.id(context, nth)?,
            unit: context.unit.key(),
            class: context.class.id.clone(),
            system: oil::system(context.class, symptom),
            kind: symptom.kind.about(),
            onset: symptom.onset,
            opened: at,
        };
        let mut matter = Self::of(MachinePart {
            engine: context.unit.engine_at(symptom.onset).cloned(),
            ..MachinePart::new(opening)
        });
        matter.raise(context, symptom, at);
        Some(matter)
    }

    fn of(part: MachinePart) -> Self {
        Self {
            part,
            kept: false,
            quiet_since: None,
            came: vec![],
            earlier: None,
            projections: BTreeMap::new(),
            elsewhere: None,
        }
    }

    /// As it is told: a machine finding that something else than the machine explains best is about that. Which symptoms join it does not
    /// change with that, nor does its priority.
    pub(crate) fn told(&self) -> MachinePart {
        let mut part = self.part.clone();
        if let (Some(kind), FindingKind::Machine) = (self.elsewhere, part.kind) {
            part.kind = kind;
        }
        part
    }

    /// Whether a symptom of this channel and kind lasts in it.
    pub(crate) fn lasts(&self, channel: &ChannelName, kind: SymptomKind) -> bool {
        self.part.lasting.iter().any(|id| id.channel == *channel && id.kind == kind)
    }

    /// Takes a symptom in.
    pub(crate) fn raise(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time) {
        if self.quiet_since.take().is_some() && !self.part.active {
            self.part.active = true;
            self.part.occurrence = self.part.occurrence.saturating_add(1);
        }
        let same = |s: &Symptom| s.channel == symptom.channel && s.kind == symptom.kind;
        if let Some(old) = self.part.symptoms.iter().find(|s| same(s)) {
            self.earlier = Some(self.earlier.map_or(old.onset, |e| e.min(old.onset)));
            self.count(at);
        } else if self.came.is_empty() {
            self.came.push(at);
        }
        self.part.symptoms.retain(|s| !same(s));
        self.part.lasting.retain(|id| id.channel != symptom.channel || id.kind != symptom.kind);
        self.part.lasting.push(symptom.id());
        self.part.symptoms.push(symptom.clone());
        self.project(context, symptom, at);
    }

    /// Replaces what is known of a symptom that lasts.
    pub(crate) fn revise(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time) {
        let same = |s: &&mut Symptom| s.channel == symptom.channel && s.kind == symptom.kind;
        if let Some(known) = self.part.symptoms.iter_mut().find(same) {
            let (detected, onset, direction) = (known.detected, known.onset, known.direction);
            let largest = title::largest(known);
            known.clone_from(symptom);
            known.detected = detected;
            known.onset = onset.min(symptom.onset);
            remember(known, direction, largest);
            self.project(context, symptom, at);
        }
    }

    /// Ends a symptom: what it said stays, that it lasts does not.
    pub(crate) fn clear(&mut self, channel: &ChannelName, kind: SymptomKind, at: Time) {
        self.part.lasting.retain(|id| id.channel != *channel || id.kind != kind);
        if !self.part.symptoms.iter().any(|s| s.channel == *channel && self.lasts(channel, s.kind)) {
            self.projections.remove(channel);
        }
        self.rest(at);
    }

    /// Gives up symptoms that belong elsewhere, with whether each lasts.
    pub(crate) fn give_up(&mut self, belongs_elsewhere: impl Fn(&Symptom) -> bool) -> Vec<(Symptom, bool)> {
        let (gone, stay): (Vec<Symptom>, Vec<Symptom>) =
            self.part.symptoms.drain(..).partition(|s| belongs_elsewhere(s));
        self.part.symptoms = stay;
        let gone: Vec<_> = gone.into_iter().map(|s| (self.part.lasting.contains(&s.id()), s)).collect();
        for (_, symptom) in &gone {
            self.part.lasting.retain(|id| *id != symptom.id());
            self.projections.remove(&symptom.channel);
        }
        gone.into_iter().map(|(lasts, symptom)| (symptom, lasts)).collect()
    }

    /// Takes over a symptom that another finding gave up.
    pub(crate) fn take_over(&mut self, symptom: Symptom, lasts: bool) {
        if lasts {
            self.part.lasting.push(symptom.id());
        }
        self.part.symptoms.push(symptom);
    }

    /// Starts the quiet time when nothing lasts any more.
    pub(crate) fn rest(&mut self, at: Time) {
        if self.part.lasting.is_empty() && self.quiet_since.is_none() {
            self.quiet_since = Some(at);
        }
    }

    /// Passes deadlines up to `to`. Returns whether anything changed.
    pub(crate) fn pass(&mut self, to: Time) -> bool {
        if self.part.kind == FindingKind::Data
            && let Some(last) = self.part.lasting.iter().map(|id| id.detected + DATA_LASTS).max()
            && last <= to
        {
            self.part.lasting.clear();
            self.rest(last);
        }
        let Some(quiet) = self.quiet_since else { return self.come_due(to) };
        let hold = if self.part.unstable { HOLD_UNSTABLE } else { HOLD };
        let mut changed = false;
        if self.part.active && quiet + hold <= to {
            self.part.active = false;
            self.part.changed = quiet + hold;
            changed = true;
        }
        if !self.kept && quiet + CALM_TO_END <= to {
            self.end(quiet + CALM_TO_END, Outcome::ReturnedToNormal);
            changed = true;
        }
        changed
    }

    /// Raises the priority as the projected time shortens.
    fn come_due(&mut self, to: Time) -> bool {
        let due = self.part.time_to_limit.as_ref().and_then(|time| limit::come_due(time, to));
        let Some((priority, since)) = due.filter(|(priority, _)| *priority < self.part.priority) else {
            return false;
        };
        self.part.priority = priority;
        self.part.changed = self.part.changed.max(since);
        true
    }

    /// Ends the finding on the machine side.
    pub(crate) fn end(&mut self, at: Time, outcome: Outcome) {
        self.part.active = false;
        self.part.changed = at;
        self.part.ended = Some((at, outcome));
    }

    /// Computes anew what follows from the symptoms: order, onset, faults, time to limit, priority, title.
    pub(crate) fn refresh(&mut self, context: &Context<'_>, at: Time) {
        let part = &mut self.part;
        let (lasting, kind) = (std::mem::take(&mut part.lasting), part.kind);
        part.symptoms.sort_by(|a, b| {
            let rank = |s: &Symptom| {
                (s.kind.about() != kind, !lasting.contains(&s.id()), s.kind != SymptomKind::Limit)
            };
            rank(a)
                .cmp(&rank(b))
                .then_with(|| b.spreads.abs().total_cmp(&a.spreads.abs()))
                .then_with(|| a.id().cmp(&b.id()))
        });
        part.lasting = lasting;
        part.lasting.sort();
        let onsets = part.symptoms.iter().map(|s| s.onset).chain(self.earlier);
        part.onset = onsets.min().unwrap_or(part.onset);
        part.faults = rank::rank(context, part.kind, &part.symptoms);
        let (share, kind) = rank::elsewhere_share(context.library, &part.faults);
        let likely = share >= if self.elsewhere.is_some() { STAYS_ELSEWHERE } else { BECOMES_ELSEWHERE };
        let told = |number: &str| part.symptoms.iter().any(|s| s.numbers.contains_key(number));
        let known = kind == FindingKind::Data || told(AT_BOTH_LOADS) || told(rank::AFTER_STANDING);
        self.elsewhere = (likely && known).then_some(kind);
        part.time_to_limit = self
            .projections
            .values()
            .filter(|projection| machine(part) && !limit::is_reached(context.class, part, projection))
            .min_by(|a, b| limit::due(a).total_cmp(&limit::due(b)))
            .cloned();
        part.time_to_limit_reason = match part.time_to_limit {
            Some(_) => None,
            None => Some(limit::no_projection(context.class, part.kind, &part.symptoms)),
        };
        let ttl = part.time_to_limit.as_ref();
        let now = limit::priority(context.class, part.kind, &part.symptoms, &part.faults, ttl);
        part.priority = part.priority.min(now);
        if let Some(lead) = part.symptoms.first() {
            let lasts = part.lasting.contains(&lead.id());
            let mut others: Vec<&ChannelName> =
                part.symptoms.iter().map(|s| &s.channel).filter(|c| **c != lead.channel).collect();
            others.sort();
            others.dedup();
            part.title = title::title(context, part.kind, (lead, lasts), others.len(), part.onset);
        }
        part.changed = at;
        part.settings_version = context.settings_version;
    }

    fn project(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time) {
        if let Some(projection) = limit::projection(context.class, symptom, at) {
            self.projections.insert(symptom.channel.clone(), projection);
            return;
        }
        // That it does not grow is news; that nothing is said with this change is none.
        let over = matches!(Untold::of(symptom), Some(Untold::Stays | Untold::Far));
        self.projections.retain(|channel, projection| {
            *channel != symptom.channel || (!over && at - projection.from <= PROJECTION_KEPT)
        });
    }

    /// Counts a symptom that came back.
    fn count(&mut self, at: Time) {
        self.came.push(at);
        let surplus = self.came.len().saturating_sub(UNSTABLE_COUNT);
        self.came.drain(..surplus);
        let first = self.came.first().copied();
        if self.came.len() == UNSTABLE_COUNT && first.is_some_and(|first| at - first <= UNSTABLE_WINDOW) {
            self.part.unstable = true;
        }
    }
}

/// Keeps the largest departure of a symptom that goes on, and its way while what is left may lie on either side.
fn remember(symptom: &mut Symptom, direction: Direction, largest: f64) {
    if !title::of_size(symptom.kind) {
        return;
    }
    let largest = if largest.abs() > symptom.size.abs() { largest } else { symptom.size };
    symptom.numbers.insert(title::LARGEST.to_owned(), largest);
    if title::shrunk(symptom) {
        symptom.direction = direction;
    }
}

fn machine(part: &MachinePart) -> bool {
    part.kind == FindingKind::Machine
}
