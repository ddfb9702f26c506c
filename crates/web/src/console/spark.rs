//! Small multiples: one channel over a range as a drawing, with its gaps left open.
//!
//! Owns its geometry. A bucket without samples breaks line and area: what was not measured is not drawn.

use std::fmt::Write as _;

use notchwatch_desk::Band;
use notchwatch_model::{Limit, Span, Time};
use notchwatch_store::Rollup;

use super::gauge::BAND_SPREADS;

/// Width and height of the drawing.
const WIDTH: f64 = 240.0;
const HEIGHT: f64 = 56.0;
/// Room above and below.
const MARGIN: f64 = 4.0;
/// A limit is drawn when it lies within this share of the measured range beyond its ends.
const LIMIT_NEAR: f64 = 0.5;

/// What is drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Spark {
    /// What was expected, three spreads either side, one closed outline for each run without a gap.
    pub(crate) bands: Vec<String>,
    /// Least to greatest, one closed outline for each run without a gap.
    pub(crate) areas: Vec<String>,
    /// Means, one line for each run.
    pub(crate) lines: Vec<String>,
    /// Heights of the limits that lie near.
    pub(crate) limits: Vec<String>,
    /// Begin and width of spans without samples.
    pub(crate) gaps: Vec<(String, String)>,
    /// Least and greatest measured.
    pub(crate) least: f64,
    pub(crate) greatest: f64,
}

/// The drawing of a channel's buckets, each `bucket` long, between `from` and `to`, over the band of what was expected.
/// `None` when there are none.
pub(crate) fn spark(
    buckets: &[Rollup],
    bands: &[Band],
    bucket: Span,
    (from, to): (Time, Time),
    limits: &[Limit],
) -> Option<Spark> {
    let least = buckets.iter().map(|b| b.min).reduce(f64::min)?;
    let greatest = buckets.iter().map(|b| b.max).reduce(f64::max)?;
    let reach = (greatest - least) * LIMIT_NEAR;
    let near = |l: &&Limit| l.at >= least - reach && l.at <= greatest + reach;
    let sides = |b: &Band| [-1.0, 1.0].map(|side| b.expected + side * BAND_SPREADS * b.spread);
    let ends = limits.iter().filter(near).map(|l| l.at).chain([least, greatest]);
    let ends = ends.chain(bands.iter().flat_map(sides));
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let tall = if high > low { high - low } else { 1.0 };
    let y = |value: f64| {
        let part = if high > low { (value - low) / tall } else { 0.5 };
        HEIGHT - MARGIN - part * (HEIGHT - 2.0 * MARGIN)
    };
    let whole = (to - from).secs_f64();
    let x = |time: Time| ((time - from).secs_f64() / whole).clamp(0.0, 1.0) * WIDTH;
    let half_way = |from: Time| x(from + Span::from_micros(bucket.micros() / 2));
    let middle = |b: &Rollup| half_way(b.from);
    let mut drawn = Spark { least, greatest, ..Spark::default() };
    for run in buckets.chunk_by(|a, b| b.from - a.from <= bucket) {
        let upper = run.iter().map(|b| (middle(b), y(b.max)));
        let lower = run.iter().rev().map(|b| (middle(b), y(b.min)));
        drawn.areas.push(points(upper.chain(lower)));
        // A run of one bucket is a short stroke, so that it can be seen at all.
        let half = if run.len() == 1 { 1.5 } else { 0.0 };
        drawn.lines.push(points(run.iter().flat_map(|b| {
            let at = (middle(b), y(b.mean));
            if half > 0.0 { vec![(at.0 - half, at.1), (at.0 + half, at.1)] } else { vec![at] }
        })));
    }
    for run in bands.chunk_by(|a, b| b.from - a.from <= bucket) {
        let upper = run.iter().map(|b| (half_way(b.from), y(sides(b)[1])));
        let lower = run.iter().rev().map(|b| (half_way(b.from), y(sides(b)[0])));
        drawn.bands.push(points(upper.chain(lower)));
    }
    drawn.limits = limits.iter().filter(near).map(|l| format!("{:.1}", y(l.at))).collect();
    let begins = std::iter::once(from).chain(buckets.iter().map(|b| b.from + bucket));
    let ends = buckets.iter().map(|b| b.from).chain([to]);
    drawn.gaps = begins
        .zip(ends)
        .filter(|(begin, end)| *end - *begin > bucket)
        .map(|(begin, end)| (format!("{:.1}", x(begin)), format!("{:.1}", x(end) - x(begin))))
        .collect();
    Some(drawn)
}

fn points(of: impl Iterator<Item = (f64, f64)>) -> String {
    let mut text = String::new();
    for (x, y) in of {
        let gap = if text.is_empty() { "" } else { " " };
        // Writing to a string cannot fail.
        let _written = write!(text, "{gap}{x:.1},{y:.1}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bucket(hour: i64, mean: f64) -> Rollup {
        let from = Time::EPOCH + Span::from_hours(hour);
        Rollup { from, count: 3, min: mean - 1.0, mean, max: mean + 1.0, last: mean }
    }

    #[test]
    fn a_gap_breaks_line_and_area_and_is_marked() {
        let buckets = [bucket(0, 1.0), bucket(1, 2.0), bucket(5, 3.0)];
        let span = (Time::EPOCH, Time::EPOCH + Span::from_hours(6));
        let drawn = spark(&buckets, &[], Span::from_hours(1), span, &[]).unwrap();
        assert_eq!((drawn.lines.len(), drawn.areas.len(), drawn.gaps.len()), (2, 2, 1));
        let band =
            |hour, expected| Band { from: Time::EPOCH + Span::from_hours(hour), expected, spread: 1.0 };
        let bands = [band(0, 2.0), band(1, 2.0), band(5, 2.0)];
        let beside = spark(&buckets, &bands, Span::from_hours(1), span, &[]).unwrap();
        assert_eq!(beside.bands.len(), 2, "a gap breaks the band too");
        // From 1 below the least measured to 1 above the greatest: the band fills the height.
        assert_eq!(beside.bands[1], "220.0,4.0 220.0,52.0");
        assert_eq!(drawn.gaps[0], ("80.0".to_owned(), "120.0".to_owned()), "from hour 2 to hour 5 of 6");
        assert_eq!((drawn.least, drawn.greatest), (0.0, 4.0));
        assert_eq!(spark(&[], &[], Span::from_hours(1), span, &[]), None);
        let flat = [Rollup { min: 1.0, max: 1.0, ..bucket(0, 1.0) }];
        assert!(!spark(&flat, &[], Span::from_hours(1), span, &[]).unwrap().lines[0].contains("NaN"));
    }
}
