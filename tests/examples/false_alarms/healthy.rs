//! A year of a healthy channel, generated, and what the detectors say of it.
//!
//! Owns the kinds of channels and the counts. Refuses to say what is good enough.

use std::collections::BTreeMap;

use notchwatch_detect::Settings;
use notchwatch_detect::examine::{Examiner, generic_class};
use notchwatch_model::{Change, Class, FindingKind, Row, Span, SymptomKind, Time};

use crate::noise::Noise;

const MINUTES: i64 = 365 * 1440;
/// A score from which a row begins an event.
const EVENT: f64 = 0.6;

/// Autocorrelation from minute to minute; daily swing and rounding step in spreads; whether tails are heavy.
pub(crate) struct Kind {
    phi: f64,
    swing: f64,
    step: f64,
    heavy: bool,
    /// How far the level moves from notch to notch, in spreads; nought of an unknown channel.
    pub(crate) notch: f64,
}

const fn kind(phi: f64, swing: f64, step: f64, heavy: bool) -> Kind {
    Kind { phi, swing, step, heavy, notch: 0.0 }
}

pub(crate) const KINDS: [Kind; 14] = [
    kind(0.0, 0.0, 0.0, false),
    kind(0.9, 0.0, 0.0, false),
    kind(0.99, 0.0, 0.0, false),
    kind(0.0, 2.0, 0.0, false),
    kind(0.9, 2.0, 0.0, false),
    kind(0.99, 5.0, 0.0, false),
    kind(0.9, 0.0, 1.0, false),
    kind(0.99, 2.0, 0.5, false),
    kind(0.9, 1.0, 4.0, false),
    kind(0.0, 0.0, 0.0, true),
    Kind { notch: 3.0, ..kind(0.0, 0.0, 0.0, false) },
    Kind { notch: 3.0, ..kind(0.9, 1.0, 0.5, false) },
    Kind { notch: 10.0, ..kind(0.9, 0.0, 1.0, true) },
    Kind { notch: 1.0, ..kind(0.99, 2.0, 0.5, false) },
];

/// Machine symptoms by kind, and events.
pub(crate) type Counts = (BTreeMap<SymptomKind, u64>, u64);

/// What these channel-years gave.
pub(crate) fn count(years: impl Iterator<Item = u64>, seed: u64) -> Result<Counts, String> {
    let mut counts = Counts::default();
    for year in years {
        let place = usize::try_from(year).unwrap_or(0) % KINDS.len();
        let Some(kind) = KINDS.get(place) else { continue };
        let mut noise = Noise(seed.wrapping_mul(1_000_003).wrapping_add(year));
        let (symptoms, events) = healthy_year(kind, &mut noise).map_err(|e| e.to_string())?;
        for kind in symptoms {
            *counts.0.entry(kind).or_default() += 1;
        }
        counts.1 += events;
    }
    Ok(counts)
}

/// A unit with a throttle, and a channel that follows it.
fn unit_class() -> Result<Class, Box<dyn std::error::Error>> {
    let mut class = generic_class(&["x", "notch"])?;
    class.operation.notch = class.channels.get(1).map(|c| c.name.clone());
    class.operation.steady_after_s = 120;
    if let Some(notch) = class.channels.get_mut(1) {
        notch.judged = false;
    }
    Ok(class)
}

/// Kinds of the machine symptoms raised in a year, and the number of events.
fn healthy_year(
    kind: &Kind,
    noise: &mut Noise,
) -> Result<(Vec<SymptomKind>, u64), Box<dyn std::error::Error>> {
    let moves = kind.notch > 0.0;
    let mut examiner = if moves {
        Examiner::new(&unit_class()?, &Settings::default())
    } else {
        Examiner::generic(&["x"], &Settings::default())?
    };
    let mut notch = 0.0;
    let start: Time = Time::from_secs_f64(1_767_225_600.0)?;
    let (mut slow, mut kinds, mut events) = (0.0, Vec::new(), 0);
    for minute in 0..MINUTES {
        let time = start + Span::from_mins(minute);
        let draw = if kind.heavy { noise.heavy() } else { noise.normal() };
        slow = kind.phi * slow + (1.0 - kind.phi * kind.phi).sqrt() * draw;
        let phase = time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU;
        if moves && noise.uniform() < 0.05 {
            notch = (noise.uniform() * 9.0).floor();
        }
        let x = 50.0 + slow + kind.swing * phase.sin() + kind.notch * notch;
        let x = if kind.step > 0.0 { (x / kind.step).round() * kind.step } else { x };
        let values = if moves { vec![Some(x), Some(notch)] } else { vec![Some(x)] };
        let given = examiner.row(&Row { time, values });
        events += u64::from(!moves && given.all >= EVENT);
        let machine = |c: &&notchwatch_model::SymptomChange| {
            c.change == Change::Raised && c.symptom.kind.about() == FindingKind::Machine
        };
        kinds.extend(given.changes.iter().filter(machine).map(|c| c.symptom.kind));
    }
    Ok((kinds, events))
}
