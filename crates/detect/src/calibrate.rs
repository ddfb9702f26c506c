//! Calibrated probability: how likely is it, given the chain's score, that a channel or a unit is not what it was?
//!
//! Owns the table from score to weight of evidence. Refuses to know how often machines change: that is the caller's
//! prior. The table was measured on generated channels with and without a lasting change; `doc/methods.md` says how, and
//! the board `calibration` measures it again on other seeds.

/// Share of hours that lie in the first three days of a lasting change, where nothing better is known: one change of a
/// channel a year (common practice: about what a fleet's work orders show; without a source).
pub const PRIOR: f64 = 0.008;

/// Upper end of a class of scores, and the natural logarithm of how much more often scores of the class are seen after a
/// change than without one.
const WEIGHTS: [(f64, f64); 7] = [
    (0.05, -1.20),
    (0.10, -0.91),
    (0.20, 1.08),
    (0.30, 4.10),
    (0.40, 6.34),
    (0.50, 8.80),
    (f64::INFINITY, 11.25),
];

/// Weight of evidence of a score of [`crate::UnitModel::score`]: the logarithm of its likelihood ratio. Rises with the score.
pub fn weight(score: f64) -> f64 {
    WEIGHTS.iter().find(|w| score < w.0).map_or(0.0, |w| w.1)
}

/// Probability that a channel with this score has changed, when this share of channel-hours has.
pub fn probability(score: f64, prior: f64) -> f64 {
    of_ratio(weight(score).exp(), prior)
}

/// Probability that one channel of a unit has changed, whichever; nought of none. `prior` is that of one channel. Channels
/// are taken as independent and a change as one channel's: when several change of one cause, this is too low, on the safe
/// side of certainty for none.
pub fn any(scores: impl IntoIterator<Item = f64>, prior: f64) -> f64 {
    let (sum, count) = scores.into_iter().fold((0.0, 0.0), |(s, n), x| (s + weight(x).exp(), n + 1.0));
    if count > 0.0 { of_ratio(sum / count, (count * prior).min(0.5)) } else { 0.0 }
}

fn of_ratio(ratio: f64, prior: f64) -> f64 {
    let odds = ratio * prior / (1.0 - prior);
    odds / (1.0 + odds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probability_rises_with_the_score_and_with_the_prior() {
        let at = |prior| (0..=20).map(move |i| probability(f64::from(i) / 20.0, prior));
        assert!(at(0.01).zip(at(0.01).skip(1)).all(|(a, b)| a <= b));
        assert!(at(0.01).zip(at(0.1)).all(|(a, b)| a < b));
        assert!(at(0.01).all(|p| (0.0..1.0).contains(&p)));
    }

    /// A unit of one channel is its channel; quiet channels beside it speak for the unit.
    #[test]
    fn a_unit_is_its_channels() {
        assert!((any([0.7], 0.01) - probability(0.7, 0.01)).abs() < 1e-12);
        assert!(any([0.0; 8], 0.01) < 0.08);
        assert!(any([0.7, 0.0, 0.0], 0.01) > any([0.0; 3], 0.01));
        assert!(any([], 0.01).abs() < 1e-12);
    }
}
