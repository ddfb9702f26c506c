//! How much each expectation of a fault speaks for or against it, given what was observed.
//!
//! All weights are natural logarithms of likelihood ratios against a cause chosen at random. The probabilities are
//! common practice, stated here once; doc/faults.md says how to replace them with counted ones.

use std::collections::BTreeSet;

use notchwatch_model::{ChannelDef, ChannelName, Direction, EvidenceWeight, Regime, Symptom};

use super::observed::{Observed, Offset, Pace, Seen};
use super::weight;
use crate::library::{Course, Expected, Expects, Fault, Library, NamedWhat, Often, Profile, Share};

/// A cause chosen at random moves a given channel in a given direction this often.
const BASE: f64 = 0.1;
/// A channel that a fault leaves alone still shows a symptom this often.
const STRAY: f64 = 0.03;
/// How far the absence of a symptom is trusted: the effect may be too small yet, or its operating state not seen.
const ABSENCE_COUNTS: f64 = 0.5;
/// A channel that moved the other way than the fault says.
const WRONG_WAY: f64 = -2.5;
/// A symptom that the fault does not speak of.
const NOT_EXPLAINED: f64 = -1.6;
/// A symptom on a channel that the fault leaves alone.
const SHOULD_BE_SAME: f64 = -1.8;
/// One of its sisters moved, where the fault moves most of them; or many, where it moves one.
const WRONG_SHARE: f64 = -1.8;
/// Two sisters moved where the fault moves one: two cylinders can be hit, seldom by chance.
const ONE_TOO_MANY: f64 = 0.4;
/// Seen only in operating states where the fault shows less.
const OTHER_STATES: f64 = -0.5;
/// Steps for a fault that creeps, or a drift for one that comes at once.
const WRONG_PACE: f64 = -0.7;
/// The pace fits.
const RIGHT_PACE: f64 = 0.3;
/// The size goes with load as the fault says: seven times in ten, where a cause chosen at random does one time in three.
const RIGHT_PROFILE: f64 = 0.74;
/// It does not: one time in twelve.
const WRONG_PROFILE: f64 = -1.4;

/// The same with the engine stopped: a sensor that is off shows it nearly always, a machine hardly ever.
const RIGHT_STOPPED: f64 = 1.5;
const WRONG_STOPPED: f64 = -2.0;

/// No larger than what the fault says: nearly always, where every second change is otherwise.
const RIGHT_SIZE: f64 = 0.64;
/// Larger: one time in fifty, of another type or range.
const TOO_LARGE: f64 = -3.2;

/// Share of changes that begin with a standstill of an hour or more by chance (common practice: an engine stands so long once
/// in two days, and a date is good to half an hour on either side).
const BASE_STANDING: f64 = 0.1;

/// Evidence on one fault.
pub(super) struct Weighed {
    pub(super) evidence: Vec<EvidenceWeight>,
    /// Expectations not met that would speak for it.
    pub(super) missing: Vec<String>,
}

/// Probability that the fault shows an effect.
pub(super) fn often(often: Often) -> f64 {
    match often {
        Often::Always => 0.9,
        Often::Usually => 0.67,
        Often::Sometimes => 0.33,
    }
}

/// Weighs a fault; `None` when it explains no symptom at all, of the channels or, as `named` says, of the oil.
pub(super) fn weigh(fault: &Fault, observed: &Observed<'_>, named: bool) -> Option<Weighed> {
    let mut weighed = Weighed { evidence: vec![], missing: vec![] };
    let mut explained: BTreeSet<&str> = BTreeSet::new();
    for expected in &fault.shows {
        let able = observed.able(|name| expected.concerns(name));
        if able.is_empty() {
            continue;
        }
        explained.extend(one(expected, &able, observed, &mut weighed));
    }
    if explained.is_empty() && !named {
        return None;
    }
    stray(fault, observed, &explained, &mut weighed);
    pace(fault.course, observed, &mut weighed);
    standing(fault, observed, &mut weighed);
    Some(weighed)
}

/// Weighs one expectation. Returns the channels whose symptoms it explains.
fn one<'a>(
    expected: &Expected,
    able: &[&'a ChannelDef],
    observed: &Observed<'a>,
    weighed: &mut Weighed,
) -> Vec<&'a str> {
    if expected.expects == Expects::Same {
        same(expected, able, observed, weighed);
        return vec![];
    }
    let seen = |c: &&&'a ChannelDef| observed.seen(c.name.as_str());
    let hits: Vec<&str> = able
        .iter()
        .filter(|c| seen(c).is_some_and(|s| fits(&expected.expects, s)))
        .map(|c| c.name.as_str())
        .collect();
    let contrary: Vec<&str> = able
        .iter()
        .filter(|c| seen(c).is_some_and(|s| contradicts(&expected.expects, s)))
        .map(|c| c.name.as_str())
        .collect();
    for name in contrary.iter().take(1) {
        if let Some(seen) = observed.seen(name) {
            weighed.evidence.push(weight(&format!("{}, the other way", seen.words), WRONG_WAY));
        }
    }
    match hits.as_slice() {
        [] if expected.expects == Expects::Offset => no_offset(able, observed, weighed),
        [] if contrary.is_empty() => absent(expected, able, observed, weighed),
        [] => {}
        hits => present(expected, hits, able.len(), observed, weighed),
    }
    hits.into_iter().chain(contrary).collect()
}

fn fits(expects: &Expects, seen: &Seen) -> bool {
    match expects {
        Expects::Moves(direction) => seen.moved == Some(*direction),
        Expects::Changes => seen.moved.is_some(),
        Expects::Offset => seen.moved.is_some() && seen.offset.is_some_and(Offset::holds),
        Expects::Kinds(kinds) => kinds.iter().any(|k| seen.kinds.contains(k)),
        Expects::Same => false,
    }
}

fn contradicts(expects: &Expects, seen: &Seen) -> bool {
    matches!(expects, Expects::Moves(direction) if seen.moved.is_some_and(|moved| moved != *direction))
}

fn present<'a>(
    expected: &Expected,
    hits: &[&'a str],
    able: usize,
    observed: &Observed<'a>,
    weighed: &mut Weighed,
) {
    let Some((first, others)) = hits.split_first() else { return };
    let Some(seen) = observed.seen(first) else { return };
    let sisters = others.iter().all(|other| observed.group(other) == observed.group(first));
    let words = match others.len() {
        0 => seen.words.clone(),
        n if sisters => format!("{}, and {n} of its sisters", seen.words),
        n => format!("{}, and {n} other channels", seen.words),
    };
    let full = (often(expected.often) / BASE).ln();
    let value = match (expected.share, hits.len()) {
        (Share::One, 1) => full,
        (Share::Most, n) if 2 * n >= able => full,
        (Share::One, 2) if sisters => ONE_TOO_MANY,
        (Share::Most, 2..) => ONE_TOO_MANY,
        (Share::One | Share::Most, _) => WRONG_SHARE,
    };
    weighed.evidence.push(weight(&words, value));
    if let (true, &Expects::Offset, Some(offset)) = (value > 0.0, &expected.expects, seen.offset) {
        weighed.evidence.push(off_by(&words, offset));
    } else if let (true, &Expects::Changes, Some(Profile::Steady), Some(offset)) =
        (value > 0.0, &expected.expects, expected.profile, seen.offset)
    {
        weighed.evidence.push(off_by(&words, offset));
    } else if let (true, Some(wanted), Some(seen)) = (value > 0.0, expected.profile, seen.profile) {
        let value = if wanted == seen { RIGHT_PROFILE } else { WRONG_PROFILE };
        weighed.evidence.push(weight(&format!("{words}: {}", with_load(seen)), value));
    } else if value > 0.0 && elsewhere(&expected.regimes, &seen.states) {
        weighed.evidence.push(weight(&format!("{words}: it shows more in other states"), OTHER_STATES));
    }
    if let (true, Some(within), Some(share)) = (value > 0.0, expected.within, seen.share) {
        let (text, value) = if share <= within {
            ("no larger than it makes", RIGHT_SIZE)
        } else {
            ("larger than it makes", TOO_LARGE)
        };
        weighed.evidence.push(weight(&format!("{words}: {text}"), value));
    }
}

/// A profile in words.
fn with_load(profile: Profile) -> &'static str {
    match profile {
        Profile::Steady => "as large at low load as at high",
        Profile::Grows => "it grows with load",
        Profile::Fades => "it is largest at low load",
    }
}

/// What an offset, or that there is none, says for a sensor. The engine stopped is a free check of a pressure sensor.
pub(super) fn off_by(words: &str, offset: Offset) -> EvidenceWeight {
    let (text, value) = match offset {
        Offset::ByLoad => ("as large at low load as at high", RIGHT_PROFILE),
        Offset::Stopped => ("as large with the engine stopped", RIGHT_STOPPED),
        Offset::NotByLoad => ("it goes with load", WRONG_PROFILE),
        Offset::NotStopped => ("it reads right with the engine stopped", WRONG_STOPPED),
    };
    weight(&format!("{words}: {text}"), value)
}

/// Whether all notched states seen are others than those where the fault shows best.
fn elsewhere(best: &[Regime], seen: &BTreeSet<Regime>) -> bool {
    let mut told = seen.iter().filter(|s| !matches!(s, Regime::Running | Regime::Unknown)).peekable();
    !best.is_empty() && told.peek().is_some() && !told.any(|s| best.contains(s))
}

/// A level that moved, and not by the same amount everywhere.
fn no_offset(able: &[&ChannelDef], observed: &Observed<'_>, weighed: &mut Weighed) {
    let seen = able.iter().filter_map(|c| observed.seen(c.name.as_str())).find(|seen| seen.offset.is_some());
    if let Some((seen, offset)) = seen.and_then(|seen| Some((seen, seen.offset?))) {
        weighed.evidence.push(off_by(&seen.words, offset));
    } else {
        weighed.missing.push("the same difference at idle and at full load would speak for it".to_owned());
    }
}

fn absent(expected: &Expected, able: &[&ChannelDef], observed: &Observed<'_>, weighed: &mut Weighed) {
    let Some(first) = able.first() else { return };
    let name = match able.len() {
        1 => observed.label(first.name.as_str()),
        n => format!("{} and its {} sisters", observed.label(first.name.as_str()), n - 1),
    };
    let p = often(expected.often);
    let value = ABSENCE_COUNTS * ((1.0 - p) / (1.0 - BASE)).ln();
    let (text, would) = match &expected.expects {
        Expects::Moves(Direction::Up) => (format!("{name} not up"), format!("{name} going up")),
        Expects::Moves(_) => (format!("{name} not down"), format!("{name} going down")),
        Expects::Changes | Expects::Offset | Expects::Same => {
            (format!("{name} unchanged"), format!("{name} changing"))
        }
        Expects::Kinds(kinds) => {
            let kinds: Vec<String> = kinds.iter().map(|k| k.word().replace('-', " ")).collect();
            let kinds = kinds.join(" or ");
            (format!("{name} not {kinds}"), format!("{name} {kinds}"))
        }
    };
    weighed.evidence.push(weight(&text, value));
    if expected.often != Often::Sometimes {
        weighed.missing.push(format!("{would} would speak for it"));
    }
}

fn same(expected: &Expected, able: &[&ChannelDef], observed: &Observed<'_>, weighed: &mut Weighed) {
    let moved = able.iter().filter_map(|c| observed.seen(c.name.as_str())).find(|seen| seen.moved.is_some());
    let p = often(expected.often);
    match (moved, able.first()) {
        (Some(seen), _) => {
            weighed
                .evidence
                .push(weight(&format!("{}, which it leaves alone", seen.words), p * SHOULD_BE_SAME));
        }
        (None, Some(first)) => {
            let value = p * ((1.0 - STRAY) / (1.0 - BASE)).ln();
            weighed
                .evidence
                .push(weight(&format!("{} as expected", observed.label(first.name.as_str())), value));
        }
        (None, None) => {}
    }
}

/// Symptoms that the fault does not speak of, sisters once.
fn stray(fault: &Fault, observed: &Observed<'_>, explained: &BTreeSet<&str>, weighed: &mut Weighed) {
    let mut told = BTreeSet::new();
    for (channel, seen) in observed.all() {
        let spoken_of = explained.contains(channel)
            || fault.shows.iter().any(|e| e.expects == Expects::Same && e.concerns(channel));
        if !spoken_of && told.insert(observed.group(channel)) {
            weighed
                .evidence
                .push(weight(&format!("{}, which it does not explain", seen.words), NOT_EXPLAINED));
        }
    }
}

fn pace(course: Course, observed: &Observed<'_>, weighed: &mut Weighed) {
    let (text, value) = match (observed.pace(), course) {
        (Pace::Open, _) | (_, Course::Days) => return,
        (Pace::Steps, Course::Sudden) => ("it came in a step", RIGHT_PACE),
        (Pace::Drifts, Course::Slow) => ("it creeps", RIGHT_PACE),
        (Pace::Steps, Course::Slow) => ("it came in a step, the fault creeps", WRONG_PACE),
        (Pace::Drifts, Course::Sudden) => ("it creeps, the fault comes at once", WRONG_PACE),
    };
    weighed.evidence.push(weight(text, value));
}

/// Whether it began with a standstill, where the fault does so.
fn standing(fault: &Fault, observed: &Observed<'_>, weighed: &mut Weighed) {
    let Some(named) = fault.evidence.iter().find(|named| named.what == NamedWhat::Standing) else { return };
    let p = often(named.often);
    weighed.evidence.push(match observed.standing() {
        Some(hours) => {
            weight(&format!("it began when the engine had stood for {hours:.1} h"), (p / BASE_STANDING).ln())
        }
        None => weight("it did not begin with a standstill", ((1.0 - p) / (1.0 - BASE_STANDING)).ln()),
    });
}

/// Whether one fault of the library moves both channels the way they moved: a reason to take two symptoms for one
/// matter. Two sister channels are no such reason: a fault sits on one of them, or moves them all at once, which
/// their onsets tell.
pub(crate) fn explains(
    library: &Library,
    one: (&ChannelName, Direction),
    other: (&ChannelName, Direction),
) -> bool {
    let entry = |fault: &Fault, what| fault.shows.iter().position(|e| moves(e, what));
    library.faults().iter().any(|fault| match (entry(fault, one), entry(fault, other)) {
        (Some(first), Some(second)) => first != second,
        _ => false,
    })
}

/// Whether a fault moves the symptom's channel the way it moved.
pub(crate) fn moves_as(fault: &Fault, symptom: &Symptom) -> bool {
    fault.shows.iter().any(|expected| moves(expected, (&symptom.channel, symptom.direction)))
}

fn moves(expected: &Expected, (channel, direction): (&ChannelName, Direction)) -> bool {
    expected.concerns(channel.as_str())
        && match &expected.expects {
            Expects::Moves(way) => *way == direction,
            Expects::Changes => direction != Direction::None,
            Expects::Offset | Expects::Same | Expects::Kinds(_) => false,
        }
}
