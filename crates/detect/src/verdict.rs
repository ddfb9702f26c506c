//! Verdict: from what the models hold to symptoms raised, revised and cleared.
//!
//! Owns hysteresis: a symptom is raised by a detector, and cleared only when blocks have looked normal for a stated
//! while. A step and a slope of one channel are one change, so only one of the two is reported.

use notchwatch_model::{Direction, SymptomChange, SymptomKind, Time, Untold};

use crate::Settings;
use crate::book::{Active, Book, Report};
use crate::forecast::{Reach, reach};
use crate::operation::Stood;
use crate::plan::ChannelPlan;
use crate::shape::shape;
use crate::track::{Evidence, Point, Track};

/// Blocks in a row that must look normal before a symptom ends: two hours of quarter hours.
const CALM_BLOCKS: u16 = 8;
/// A level within this share of what raised the symptom looks normal ...
const CALM_SHARE: f64 = 0.5;
/// ... but never one beyond this share of that many spreads.
const CALM_SPREADS: f64 = 3.0;
/// A symptom is revised when its size in spreads has moved by this share, and by at least one spread.
const REVISE_SHARE: f64 = 0.5;
const REVISE_SPREADS: f64 = 1.0;
/// ... or when the time to a limit has changed by this factor.
const REVISE_TIME: f64 = 1.5;
/// Every so many blocks the course is computed anew.
const COURSE_EVERY: u32 = 4;
/// A step is dated to a standstill when it lies within so many blocks of it: a date is often a block off, and a block can
/// hold samples from both sides.
const DATED_WITHIN: usize = 1;
/// Number of a step that began with a standstill: how long the engine had not been seen to run, in seconds.
pub(crate) const AFTER_STANDING: &str = "after_standing_s";

/// What a verdict is about.
#[derive(Clone, Copy)]
pub(crate) struct Subject<'a> {
    pub(crate) plan: &'a ChannelPlan,
    pub(crate) settings: &'a Settings,
    pub(crate) time: Time,
    /// The last standstill of the engine.
    pub(crate) stood: Option<Stood>,
}

/// After a block of the channel's own level.
pub(crate) fn level(subject: Subject<'_>, track: &mut Track, book: &mut Book, out: &mut Vec<SymptomChange>) {
    let lasting = [SymptomKind::Drift, SymptomKind::LevelShift].into_iter().find(|k| book.has(*k));
    match lasting {
        Some(kind) => follow(subject, kind, track, book, out),
        None => raise(subject, None, track, book, out),
    }
}

/// After a block of the channel's distance from its sisters.
pub(crate) fn peer(subject: Subject<'_>, track: &mut Track, book: &mut Book, out: &mut Vec<SymptomChange>) {
    if book.has(SymptomKind::Peer) {
        follow(subject, SymptomKind::Peer, track, book, out);
    } else {
        raise(subject, Some(SymptomKind::Peer), track, book, out);
    }
}

fn raise(
    subject: Subject<'_>,
    kind: Option<SymptomKind>,
    track: &mut Track,
    book: &mut Book,
    out: &mut Vec<SymptomChange>,
) {
    let Some(evidence) = track.evidence(subject.settings).filter(|_| told(subject.plan, track)) else {
        return;
    };
    let means: Vec<(Time, f64)> = track.means().collect();
    let found = shape(&means, evidence.from);
    let kind = kind.unwrap_or(match found {
        Some(s) if s.slope => SymptomKind::Drift,
        _ => SymptomKind::LevelShift,
    });
    let onset = found.and_then(|s| means.get(s.onset)).map_or(evidence.from, |m| m.0);
    let mut report = report(kind, track, evidence, onset, None);
    let stood = subject.stood.filter(|stood| kind != SymptomKind::Drift && began_with(*stood, &means, onset));
    report.numbers.extend(stood.map(|stood| (AFTER_STANDING, (stood.to - stood.from).secs_f64())));
    book.raise(subject.plan, subject.time, report, out);
    track.disown(onset);
}

/// Whether a step that began at `onset` began with a standstill, as far as it can be dated: hardly a block lies between. What
/// begins while the engine stands does so however short that was yet.
fn began_with(stood: Stood, means: &[(Time, f64)], onset: Time) -> bool {
    let between = |from: Time, to: Time| means.iter().filter(|(at, _)| *at > from && *at < to).count();
    if onset < stood.from {
        stood.long() && between(onset, stood.from) <= DATED_WITHIN
    } else {
        between(stood.to, onset) <= DATED_WITHIN
    }
}

/// Whether the present departure is large enough to be told of.
fn told(plan: &ChannelPlan, track: &Track) -> bool {
    let recent = track.recent().unwrap_or(0.0);
    (recent * track.last.spread).abs() >= plan.least
}

/// A symptom that lasts: count calm blocks, clear after enough of them, else revise when it moved.
fn follow(
    subject: Subject<'_>,
    kind: SymptomKind,
    track: &mut Track,
    book: &mut Book,
    out: &mut Vec<SymptomChange>,
) {
    let due = track.blocks().is_multiple_of(COURSE_EVERY);
    let course = due.then(|| course(subject, kind, book)).flatten();
    let Some(entry) = book.find(kind) else { return };
    let level = track.level.level;
    let normal = normal(entry);
    let calm = level.abs() < normal && !entry.shows(normal);
    entry.calm = if calm { entry.calm + 1 } else { 0 };
    if entry.calm >= CALM_BLOCKS {
        book.clear(kind, subject.time, out);
        track.rearm();
        return;
    }
    if calm {
        return;
    }
    let recent = track.recent().unwrap_or(level);
    let settled = entry.settle(subject.time, recent);
    if settled || moved(entry, recent) {
        let evidence = Evidence {
            direction: Direction::of(recent),
            probability: entry.symptom.probability,
            from: entry.symptom.onset,
            slots: track.last.slots,
            model: ["bocpd", "step"].into_iter().find(|m| *m == entry.symptom.model).unwrap_or("cusum"),
        };
        let (onset, profile) = (entry.symptom.onset, entry.profile().collect::<Vec<_>>());
        let course = course.or_else(|| self::course(subject, kind, book));
        let mut report = report(kind, track, evidence, onset, course);
        report.numbers.extend(profile);
        book.revise(subject.time, report, out);
    } else if let Some(course) = course.filter(|c| turned(entry, *c)) {
        // The blocks of now may show less than others did: what was said of the size stands.
        book.retime(kind, subject.time, outlook(course), out);
    }
}

/// Takes a judged sample while a symptom of one of these kinds lasts.
pub(crate) fn note(kinds: &[SymptomKind], point: &Point, book: &mut Book) {
    for kind in kinds {
        if let Some(entry) = book.find(*kind) {
            let normal = normal(entry);
            entry.note(point, normal);
        }
    }
}

/// Level within which a channel looks normal again.
fn normal(entry: &Active) -> f64 {
    CALM_SHARE * entry.raised.min(CALM_SPREADS)
}

/// When a limit is reached, or why that is not told; `None` where another symptom speaks of it.
fn course(subject: Subject<'_>, kind: SymptomKind, book: &Book) -> Option<Result<Reach, Untold>> {
    if subject.plan.limits.is_empty() {
        return Some(Err(Untold::NoLimit));
    }
    Some(reach(&subject.plan.limits, book.course(kind)?, subject.time))
}

fn moved(entry: &Active, recent: f64) -> bool {
    let before = entry.symptom.spreads;
    // Blocks of a state that does not show it make it look smaller than it is: it shrank only if it did everywhere.
    let hidden = recent.abs() < before.abs() && entry.largest() > (1.0 - REVISE_SHARE) * before.abs();
    let far = (recent - before).abs() >= REVISE_SPREADS.max(REVISE_SHARE * before.abs());
    !hidden && far
}

/// Whether the time to a limit is another than the one told: much sooner or later, or none any more, for good reason.
fn turned(entry: &Active, course: Result<Reach, Untold>) -> bool {
    let told = entry.symptom.numbers.get("ttl_p50_s");
    match course {
        Ok(reach) => {
            told.is_none_or(|p50| reach.p50_s < p50 / REVISE_TIME || reach.p50_s > p50 * REVISE_TIME)
        }
        Err(reason @ (Untold::Stays | Untold::Far)) => {
            told.is_some() || entry.settled() && Untold::of(&entry.symptom) != Some(reason)
        }
        Err(_) => false,
    }
}

fn report(
    kind: SymptomKind,
    track: &Track,
    evidence: Evidence,
    onset: Time,
    course: Option<Result<Reach, Untold>>,
) -> Report {
    let block = track.last;
    let spreads = track.recent().unwrap_or(block.z);
    let mut numbers = vec![
        ("expected", block.expected),
        ("measured", block.measured),
        ("spread", block.spread),
        ("residual", block.measured - block.expected),
        ("block_samples", f64::from(block.count)),
        ("wander", track.wander.spread()),
        ("cusum", track.cusum.largest()),
    ];
    numbers.extend(course.map(outlook).unwrap_or_default());
    Report {
        kind,
        direction: evidence.direction,
        size: block.measured - block.expected,
        spreads,
        onset,
        probability: evidence.probability,
        slots: evidence.slots | block.slots,
        model: evidence.model,
        numbers,
    }
}

/// What is told of the time to a limit, among a symptom's numbers.
fn outlook(course: Result<Reach, Untold>) -> Vec<(&'static str, f64)> {
    match course {
        Ok(reach) => vec![
            ("limit", reach.limit),
            ("ttl_p10_s", reach.p10_s),
            ("ttl_p50_s", reach.p50_s),
            ("ttl_p90_s", reach.p90_s),
            ("ttl_slot", f64::from(reach.slot)),
            ("slope_per_day", reach.slope_day),
        ],
        Err(reason) => vec![(Untold::NAME, reason.number())],
    }
}
