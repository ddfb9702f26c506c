//! Whether probabilities are what they say: generated units, half of them with one channel that changes for good.
//!
//! Eight channels a unit, one sample a minute, of kinds that differ in autocorrelation, daily swing, rounding and tails; a
//! step or a day's drift of 1 to 6 spreads. Looked at every hour after five days: in the three days after a change, or
//! without one. Hours are weighed so that the share of changed ones is the stated prior.

use std::fmt::Write;
use std::io;
use std::path::Path;

use notchwatch_detect::Settings;
use notchwatch_detect::calibrate::{self, PRIOR};
use notchwatch_detect::examine::{Examiner, generic_class};
use notchwatch_model::{Row, Span, Time};

use super::figure::{Board, Figure, real};
use super::noise::Noise;
use super::run::fail;

const CHANNELS: usize = 8;
const DAYS: usize = 16;
const DAY: usize = 1440;
const HOUR: usize = 60;
/// Learned by then; and how long after a change hours count as changed.
const FROM: usize = 5 * DAY;
const SPAN: usize = 3 * DAY;
/// Classes of probability, lowest first.
const CLASSES: [f64; 5] = [0.01, 0.05, 0.2, 0.5, 1.01];
/// Upper ends of the classes of scores that are printed.
const SCORES: [f64; 7] = [0.05, 0.10, 0.20, 0.30, 0.40, 0.50, 2.0];

/// One hour of one unit: scores, and the channel that has changed.
pub(crate) struct Hour {
    scores: Vec<f64>,
    changed: Option<usize>,
}

/// Autocorrelation a minute, daily swing and rounding in spreads, heavy tails.
const KINDS: [(f64, f64, f64, bool); CHANNELS] = [
    (0.0, 0.0, 0.0, false),
    (0.9, 0.0, 0.0, false),
    (0.99, 0.0, 0.0, false),
    (0.0, 2.0, 0.0, false),
    (0.9, 2.0, 0.0, false),
    (0.99, 5.0, 0.0, false),
    (0.9, 0.0, 1.0, false),
    (0.0, 0.0, 0.0, true),
];

struct Counted {
    class: usize,
    said: f64,
    changed: bool,
}

pub(crate) fn board(_data: &Path) -> io::Result<Board> {
    let hours = hours(40, 7)?;
    let each = |h: &Hour, c: usize| {
        h.scores.get(c).map(|s| (calibrate::probability(*s, PRIOR), h.changed == Some(c)))
    };
    // Of a unit that has changed only the channel that did counts as changed, the others as not.
    let channels = hours.iter().flat_map(|h| (0..CHANNELS).filter_map(move |c| each(h, c)));
    let units = hours.iter().map(|h| (calibrate::any(h.scores.iter().copied(), PRIOR), h.changed.is_some()));
    let mut notes = vec![weights(&hours)];
    let (channel_error, text) = table("channel", channels, PRIOR);
    notes.push(text);
    let (unit_error, text) = table("unit", units, PRIOR * real(CHANNELS));
    notes.push(text);
    let figures = vec![
        Figure::low("calibration, channel, mean error of probability", channel_error, 0.005, "none"),
        Figure::low("calibration, unit, mean error of probability", unit_error, 0.02, "none"),
    ];
    Ok(Board { title: "Calibration of probabilities", figures, notes })
}

/// Hours of generated units.
pub(crate) fn hours(units: u64, seed: u64) -> io::Result<Vec<Hour>> {
    let names: Vec<String> = (0..CHANNELS).map(|c| format!("c{c}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let class = generic_class(&names).map_err(fail)?;
    let mut hours = Vec::new();
    for unit in 0..units {
        let mut noise = Noise(seed * 1_000_003 + unit);
        let mut examiner = Examiner::new(&class, &Settings::default());
        let which = noise.row(0, CHANNELS);
        let begins = if unit % 2 == 0 { noise.row(7 * DAY, (DAYS - 4) * DAY) } else { usize::MAX };
        let size = noise.between(1.0, 6.0) * if noise.uniform() < 0.5 { -1.0 } else { 1.0 };
        let drift = noise.uniform() < 0.5;
        let mut slow = [0.0; CHANNELS];
        let mut time: Time = Time::from_secs_f64(1_767_225_600.0).map_err(fail)?;
        for minute in 0..DAYS * DAY {
            let after = minute.saturating_sub(begins);
            let moved = if minute < begins {
                0.0
            } else if drift {
                size * (real(after) / real(DAY)).min(1.0)
            } else {
                size
            };
            let phase = real(minute % DAY) / real(DAY) * std::f64::consts::TAU;
            let values = slow.iter_mut().zip(KINDS).enumerate().map(|(c, (slow, kind))| {
                let x = value(slow, kind, phase, &mut noise);
                Some(if c == which { x + moved } else { x })
            });
            let row = Row { time, values: values.collect() };
            let given = examiner.row(&row);
            time = time + Span::from_mins(1);
            let changed = minute >= begins;
            if minute % HOUR == 0 && minute >= FROM && (!changed || after <= SPAN) {
                hours.push(Hour { scores: given.scores, changed: changed.then_some(which) });
            }
        }
    }
    Ok(hours)
}

fn value(
    slow: &mut f64,
    (phi, swing, step, heavy): (f64, f64, f64, bool),
    phase: f64,
    noise: &mut Noise,
) -> f64 {
    let draw = if heavy { noise.heavy() } else { noise.normal() };
    *slow = phi * *slow + (1.0 - phi * phi).sqrt() * draw;
    let x = 50.0 + *slow + swing * phase.sin();
    if step > 0.0 { (x / step).round() * step } else { x }
}

/// How often scores of each class are seen, and the weight of evidence in them: what the table of the chain is made of.
fn weights(hours: &[Hour]) -> String {
    let mut seen = [(0.0, 0.0); SCORES.len()];
    let (mut changed, mut calm) = (0.0, 0.0);
    for hour in hours {
        for (c, score) in hour.scores.iter().enumerate() {
            let Some(slot) = SCORES.iter().position(|s| score < s).and_then(|i| seen.get_mut(i)) else {
                continue;
            };
            if hour.changed == Some(c) {
                (slot.0, changed) = (slot.0 + 1.0, changed + 1.0);
            } else {
                (slot.1, calm) = (slot.1 + 1.0, calm + 1.0);
            }
        }
    }
    let mut text =
        "| score below | hours changed | hours calm | weight |\n| --- | --- | --- | --- |\n".to_owned();
    for (end, (with, without)) in SCORES.iter().zip(seen) {
        let weight = ((with + 0.5_f64) / (changed + 1.0) * (calm + 1.0) / (without + 0.5_f64)).ln();
        let _infallible = writeln!(text, "| {end} | {with} | {without} | {weight:.2} |");
    }
    text
}

/// Mean difference, over classes of probability weighed by their hours, between what was said and what was.
fn table(what: &str, all: impl Iterator<Item = (f64, bool)>, prior: f64) -> (f64, String) {
    let counted: Vec<Counted> = all
        .map(|(said, changed)| Counted {
            class: CLASSES.iter().position(|c| said < *c).unwrap_or(CLASSES.len() - 1),
            said,
            changed,
        })
        .collect();
    let with = real(counted.iter().filter(|c| c.changed).count()).max(1.0);
    let without = (real(counted.len()) - with).max(1.0);
    let mut text = format!("\n| {what}, said below | hours | said | seen |\n| --- | --- | --- | --- |\n");
    let mut error = 0.0;
    for (class, end) in CLASSES.iter().enumerate() {
        let (mut said, mut seen, mut all, mut hours) = (0.0, 0.0, 0.0, 0);
        for one in counted.iter().filter(|c| c.class == class) {
            let weight = if one.changed { prior / with } else { (1.0 - prior) / without };
            hours += 1;
            all += weight;
            said += weight * one.said;
            seen += if one.changed { weight } else { 0.0 };
        }
        error += f64::abs(said - seen);
        if all > 0.0 {
            let _infallible = writeln!(text, "| {end} | {hours} | {:.4} | {:.4} |", said / all, seen / all);
        }
    }
    (error, text)
}
