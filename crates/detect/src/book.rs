//! The book of a channel's symptoms: one entry for each kind while it lasts.
//!
//! Owns the life of a symptom (raised, revised, cleared) and the form in which it leaves this crate: finite numbers,
//! the channel's unit of measure, the operating states in which it was seen.

use std::collections::BTreeMap;

use notchwatch_model::{
    Change, Direction, FindingKind, Regime, Span, Symptom, SymptomChange, SymptomKind, Time,
};
use serde::{Deserialize, Serialize};

use crate::course::Course;
use crate::num::single;
use crate::plan::ChannelPlan;
use crate::track::Point;
use crate::verdict::AFTER_STANDING;

/// What a detector found, before it becomes a symptom.
#[derive(Clone, Debug)]
pub(crate) struct Report {
    pub(crate) kind: SymptomKind,
    pub(crate) direction: Direction,
    pub(crate) size: f64,
    pub(crate) spreads: f64,
    pub(crate) onset: Time,
    pub(crate) probability: f64,
    /// Regimes seen, a bit a slot.
    pub(crate) slots: u16,
    pub(crate) model: &'static str,
    pub(crate) numbers: Vec<(&'static str, f64)>,
}

/// A symptom that lasts.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Active {
    pub(crate) symptom: Symptom,
    /// Blocks in a row that looked normal.
    pub(crate) calm: u16,
    /// Spreads when it was raised, without sign.
    pub(crate) raised: f64,
    /// A person accepted the level: it ends with the next row.
    pub(crate) ending: bool,
    /// What each operating state shows since it was raised.
    shows: Vec<Shows>,
    /// Size in spreads half a day after it was raised, in the operating state that shows it most: what a step comes to, and a
    /// slope begins from.
    settled: Option<f32>,
    /// Which sizes have been told: at low and at high load, with the engine stopped.
    profiled: (bool, bool),
}

/// What one operating state shows of a symptom.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Shows {
    slot: u8,
    /// Level of the descriptor in that state, in spreads.
    level: f32,
    /// The same as a departure from expected, in the channel's unit of measure.
    departure: f32,
    /// Samples in it, up to [`SHOWS_ENOUGH`].
    count: u8,
    /// Whether it was ever abnormal there.
    shown: bool,
}

/// Weight of one sample in the level of an operating state: some thirty samples.
const SHOWS_GAIN: f32 = 1.0 / 30.0;
/// Samples of an operating state from which its level is told.
const SHOWS_ENOUGH: u8 = 30;
/// When a symptom is measured a first time.
const SETTLES_AFTER: Span = Span::from_hours(12);
/// Operating states of low and of high load; what lies between tells neither.
const LOW: &[Regime] = &[Regime::Notch(0), Regime::Notch(1), Regime::Notch(2)];
const HIGH: &[Regime] = &[Regime::Notch(6), Regime::Notch(7), Regime::Notch(8)];
const STOPPED: &[Regime] = &[Regime::Stopped];

impl Active {
    /// Takes a judged sample of an operating state; `normal` is the level within which it looks normal.
    pub(crate) fn note(&mut self, point: &Point, normal: f64) {
        let (z, normal) = (single(point.z.clamp(-100.0, 100.0)), single(normal));
        let departure = single(point.measured - point.expected);
        if let Some(shows) = self.shows.iter_mut().find(|s| s.slot == point.slot) {
            shows.count = (shows.count + 1).min(SHOWS_ENOUGH);
            // A plain mean until there are enough, then one that forgets.
            let gain = SHOWS_GAIN.max(1.0 / f32::from(shows.count));
            shows.level += gain * (z - shows.level);
            shows.departure += gain * (departure - shows.departure);
            shows.shown |= shows.level.abs() > normal;
        } else {
            self.shows.push(Shows { slot: point.slot, level: z, departure, count: 1, shown: false });
        }
    }

    /// Whether it lasted long enough to be measured a second time.
    pub(crate) fn settled(&self) -> bool {
        self.settled.is_some()
    }

    /// Passes time: whether there is something new to tell, the size half a day on, the sizes by load or with the engine
    /// stopped. A size half a day on is that of the state that shows most: later ones may be told from there, and a step that
    /// grows with load is no slope.
    pub(crate) fn settle(&mut self, now: Time, spreads: f64) -> bool {
        let settles = self.settled.is_none() && now - self.symptom.detected >= SETTLES_AFTER;
        if settles {
            self.settled = Some(single(spreads.abs().max(self.largest()).copysign(spreads)));
        }
        let known = (self.at(LOW).is_some() && self.at(HIGH).is_some(), self.at(STOPPED).is_some());
        let profiles = known != self.profiled && known.0;
        self.profiled = known;
        settles || profiles
    }

    /// Sizes at low and at high load and with the engine stopped, in the channel's unit of measure, the size half a day
    /// on, in spreads, and the standstill that it began with.
    pub(crate) fn profile(&self) -> impl Iterator<Item = (&'static str, f64)> {
        let settled = self.settled.map(|s| ("settled_spreads", f64::from(s)));
        let loads = self.at(LOW).zip(self.at(HIGH));
        let low = loads.map(|(low, _)| ("at_low_load", low));
        let high = loads.map(|(_, high)| ("at_high_load", high));
        let stopped = self.at(STOPPED).map(|d| ("at_stopped", d));
        let stood = self.symptom.numbers.get(AFTER_STANDING).map(|s| (AFTER_STANDING, *s));
        [settled, low, high, stopped, stood].into_iter().flatten()
    }

    /// Mean departure over those of the states that were seen long enough.
    fn at(&self, states: &[Regime]) -> Option<f64> {
        let known =
            |s: &&Shows| s.count >= SHOWS_ENOUGH && states.contains(&Regime::from_slot(s.slot.into()));
        let (sum, count) = self
            .shows
            .iter()
            .filter(known)
            .fold((0.0, 0_u8), |(sum, n), s| (sum + f64::from(s.departure), n + 1));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// Largest level among the states that showed it, in spreads, without sign.
    pub(crate) fn largest(&self) -> f64 {
        self.shows.iter().filter(|s| s.shown).map(|s| f64::from(s.level.abs())).fold(0.0, f64::max)
    }

    /// Whether a state that showed it has yet to be seen normal again: a fault that shows at full load only is not
    /// over because the unit idles.
    pub(crate) fn shows(&self, normal: f64) -> bool {
        self.shows.iter().any(|s| s.shown && s.level.abs() > single(normal))
    }
}

/// Symptoms of one channel that last.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Book {
    active: Vec<Active>,
    /// How the level went on, while a symptom of one lasts on a channel with limits.
    course: Option<Box<Course>>,
}

/// Kinds of symptom that are about a level, the channel's own first.
const OF_LEVEL: [SymptomKind; 3] = [SymptomKind::Drift, SymptomKind::LevelShift, SymptomKind::Peer];

impl Book {
    /// Whether nothing is wrong.
    pub(crate) fn is_empty(&self) -> bool {
        self.active.is_empty()
    }

    /// The entry of a kind, if it lasts.
    pub(crate) fn find(&mut self, kind: SymptomKind) -> Option<&mut Active> {
        self.active.iter_mut().find(|a| a.symptom.kind == kind)
    }

    /// Whether a symptom of this kind lasts.
    pub(crate) fn has(&self, kind: SymptomKind) -> bool {
        self.active.iter().any(|a| a.symptom.kind == kind)
    }

    /// Whether a symptom lasts that speaks against what the sensor says.
    pub(crate) fn doubts_sensor(&self) -> bool {
        let doubts =
            |kind: SymptomKind| kind.about() == FindingKind::Sensor || kind == SymptomKind::UomChange;
        self.active.iter().any(|a| doubts(a.symptom.kind))
    }

    /// Largest size of a symptom that lasts, in spreads; `None` when none does.
    pub(crate) fn worst(&self) -> Option<f64> {
        self.active.iter().map(|a| a.symptom.spreads.abs()).max_by(f64::total_cmp)
    }

    /// Raises a symptom; when its kind lasts already, revises it.
    pub(crate) fn raise(
        &mut self,
        plan: &ChannelPlan,
        time: Time,
        report: Report,
        out: &mut Vec<SymptomChange>,
    ) {
        if self.has(report.kind) {
            return self.revise(time, report, out);
        }
        let raised = report.spreads.abs();
        let symptom = symptom(plan, time, report);
        out.push(SymptomChange { at: time, symptom: symptom.clone(), change: Change::Raised });
        self.active.push(Active {
            symptom,
            calm: 0,
            raised,
            ending: false,
            shows: Vec::new(),
            settled: None,
            profiled: (false, false),
        });
    }

    /// Brings a lasting symptom up to date: same identity and onset, newer numbers.
    pub(crate) fn revise(&mut self, time: Time, report: Report, out: &mut Vec<SymptomChange>) {
        let Some(entry) = self.find(report.kind) else { return };
        let before = &entry.symptom;
        let mut states = before.states.clone();
        states.extend(regimes(report.slots));
        states.sort_unstable();
        states.dedup();
        entry.symptom = Symptom {
            direction: report.direction,
            size: finite(report.size),
            spreads: finite(report.spreads),
            probability: probability(report.probability),
            states,
            model: report.model.to_owned(),
            numbers: numbers(report.numbers),
            ..before.clone()
        };
        out.push(SymptomChange { at: time, symptom: entry.symptom.clone(), change: Change::Revised });
    }

    /// Says anew what a lasting symptom says of the time to a limit, and nothing else.
    pub(crate) fn retime(
        &mut self,
        kind: SymptomKind,
        time: Time,
        outlook: Vec<(&'static str, f64)>,
        out: &mut Vec<SymptomChange>,
    ) {
        let Some(entry) = self.find(kind) else { return };
        let of_time = |name: &str| name.starts_with("ttl_") || name == "limit" || name == "slope_per_day";
        entry.symptom.numbers.retain(|name, _| !of_time(name));
        entry.symptom.numbers.extend(numbers(outlook));
        out.push(SymptomChange { at: time, symptom: entry.symptom.clone(), change: Change::Revised });
    }

    /// Ends a symptom, if it lasts.
    pub(crate) fn clear(&mut self, kind: SymptomKind, time: Time, out: &mut Vec<SymptomChange>) {
        if let Some(i) = self.active.iter().position(|a| a.symptom.kind == kind) {
            let entry = self.active.remove(i);
            out.push(SymptomChange { at: time, symptom: entry.symptom, change: Change::Cleared });
        }
    }

    /// How the level went on, if `kind` is the symptom that speaks of it: the first that lasts of those about a level.
    pub(crate) fn course(&self, kind: SymptomKind) -> Option<&Course> {
        let speaks = OF_LEVEL.into_iter().find(|k| self.has(*k)) == Some(kind);
        self.course.as_deref().filter(|_| speaks)
    }

    /// Takes a judged sample of the channel's own level. `block_s` is how long a block takes, in seconds.
    pub(crate) fn follow(&mut self, plan: &ChannelPlan, point: &Point, block_s: f64) {
        let of_level = self.active.iter().filter(|a| OF_LEVEL.contains(&a.symptom.kind));
        let Some(first) = of_level.map(|a| &a.symptom).min_by_key(|s| s.detected) else {
            self.course = None;
            return;
        };
        if !plan.limits.is_empty() {
            let begin = || Box::new(Course::new(first.onset, first.detected, first.direction, block_s));
            self.course.get_or_insert_with(begin).take(point);
        }
    }

    /// Marks everything as ending with the next row.
    pub(crate) fn end_all(&mut self) {
        for entry in &mut self.active {
            entry.ending = true;
        }
    }

    /// Ends what was marked.
    pub(crate) fn clear_ending(&mut self, time: Time, out: &mut Vec<SymptomChange>) {
        if self.active.iter().all(|a| !a.ending) {
            return;
        }
        for entry in std::mem::take(&mut self.active) {
            if entry.ending {
                out.push(SymptomChange { at: time, symptom: entry.symptom, change: Change::Cleared });
            } else {
                self.active.push(entry);
            }
        }
    }
}

/// The bit of a regime.
pub(crate) fn bit(regime: Regime) -> u16 {
    regime.slot().map_or(0, |slot| 1 << slot)
}

fn symptom(plan: &ChannelPlan, time: Time, report: Report) -> Symptom {
    Symptom {
        channel: plan.name.clone(),
        kind: report.kind,
        direction: report.direction,
        size: finite(report.size),
        uom: plan.uom,
        spreads: finite(report.spreads),
        onset: report.onset.min(time),
        detected: time,
        probability: probability(report.probability),
        states: regimes(report.slots).collect(),
        model: report.model.to_owned(),
        numbers: numbers(report.numbers),
    }
}

fn regimes(slots: u16) -> impl Iterator<Item = Regime> {
    (0..Regime::SLOTS).filter(move |slot| slots & (1 << slot) != 0).map(Regime::from_slot)
}

fn numbers(named: Vec<(&'static str, f64)>) -> BTreeMap<String, f64> {
    named.into_iter().filter(|(_, v)| v.is_finite()).map(|(k, v)| (k.to_owned(), v)).collect()
}

fn finite(x: f64) -> f64 {
    if x.is_finite() { x } else { 0.0 }
}

fn probability(p: f64) -> f64 {
    if p.is_finite() { p.clamp(0.0, 1.0) } else { 0.0 }
}
