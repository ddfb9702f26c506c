//! Growth: when a departure that grows on meets a bound, as a distribution.
//!
//! A departure is taken for a power of the time since its onset: an exponent of 1 is a straight line, one above gathers
//! pace, one below flattens. Neither exponent nor onset is known, so a small grid of both is weighed by how well each
//! pair explains what was seen (Bayesian model averaging, Hoeting et al. 1999), each with the doubt of its own size (linear
//! regression with unknown noise, Gelman et al. 2013, chapter 14). A level that stays is weighed against all of them. Owns
//! the weighing and the quantiles; refuses to know channels, states and limits.

use crate::num::{real, unset};

mod spread;

use spread::Spread;

/// Exponents that are weighed: a filter that plugs gathers pace, a film that settles flattens.
const EXPONENTS: [f64; 8] = [0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0];
/// Their prior is log-normal: wear is a line or gathers some pace (common practice), seldom beyond a factor of this e-fold.
const EXPONENT_MEDIAN: f64 = 1.2;
const EXPONENT_SPREAD: f64 = 0.5;
/// How long before the estimated onset it may have begun, in leads: a slow change is dated late.
const LEADS: [f64; 7] = [0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0];
/// Each of these is so much less likely than the one before, as a logarithm.
const LEAD_DECAY: f64 = 0.3;
/// Prior probability that a level that changed stays where it is: most that are told of do not grow.
const STAYS: f64 = 0.3;
/// A cell counts as half a witness, since neighbours resemble each other.
const WITNESS: f64 = 0.5;
/// A cell of so many samples counts half as much as one of very many: a block.
const HALF_SAMPLES: f64 = 15.0;
/// How much the prior of the noise is worth: twice this many witnesses.
const NOISE_WORTH: f64 = 2.0;
/// Middles of fifths of a standard normal.
const FIFTHS: [f64; 5] =
    [-1.281_551_565_544_6, -0.524_400_512_708_0, 0.0, 0.524_400_512_708_0, 1.281_551_565_544_6];
/// No model knows the next weeks' work: the least spread of the logarithm of the time left.
const LEAST_SPREAD: f64 = 0.25;
/// With less than this left of the weight nearly all that was seen says that the bound was met by now, and it was not: the
/// rest is no answer.
const LEAST_LEFT: f64 = 0.05;
/// The nearest bound that is reckoned with, as a share of the way: noise alone does not carry it further.
const NEAREST: f64 = 0.05;

/// What a stretch of time showed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Stage {
    /// Seconds after the estimated onset.
    pub(crate) at_s: f64,
    /// Share of the way to the bound: 0 at the baseline, 1 at the bound.
    pub(crate) way: f64,
    /// Samples that it is the mean of.
    pub(crate) samples: f64,
}

/// What surrounds the stages.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Frame {
    /// Now, in seconds after the estimated onset.
    pub(crate) now_s: f64,
    /// How long the change went unseen, in seconds: measures how late it may be dated.
    pub(crate) lead_s: f64,
    /// Noise of a stage, as a share of the way, before any was seen.
    pub(crate) noise: f64,
    /// By how much samples stray about their level, as a share of the way: the bound is met that much sooner or later.
    pub(crate) strays: f64,
    /// Shortest time that is told, in seconds.
    pub(crate) least_s: f64,
}

/// When the bound is met, in seconds from now.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Ahead {
    pub(crate) p10_s: f64,
    pub(crate) p50_s: f64,
    pub(crate) p90_s: f64,
    /// Probability that the level stays where it is.
    pub(crate) stays: f64,
    /// Present speed, in shares of the way a second.
    pub(crate) speed: f64,
}

/// One course: a size times a power of the time since an onset.
struct Fit {
    log_weight: f64,
    exponent: f64,
    onset_s: f64,
    /// Share of the way now, and its standard error.
    size: f64,
    error: f64,
}

/// When the bound is met, given that it was not met yet. `None` when next to nothing that was seen leaves it ahead.
pub(crate) fn ahead(stages: &[Stage], frame: &Frame) -> Option<Ahead> {
    let fits: Vec<Fit> = EXPONENTS
        .iter()
        .flat_map(|exponent| (0..).zip(LEADS).map(move |lead| (*exponent, lead)))
        .map(|(exponent, (rank, lead))| fit(stages, frame, exponent, (f64::from(rank), lead)))
        .collect();
    let top = fits.iter().map(|f| f.log_weight).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = fits.iter().map(|f| (f.log_weight - top).exp()).sum();
    if !sum.is_finite() || unset(sum) {
        return None;
    }
    let level = weigh(stages, frame, |_| 1.0);
    let (still, grows) = (STAYS * (level.0 - top).exp(), (1.0 - STAYS) * sum);
    let stays = still / (still + grows);
    let mut spread = Spread::new(frame.least_s);
    let mut speed = 0.0;
    for fit in &fits {
        let weight = (fit.log_weight - top).exp() / sum * (1.0 - stays);
        speed += weight * fit.size * fit.exponent / (frame.now_s - fit.onset_s).max(frame.least_s);
        share_out(fit, frame, weight, &mut spread);
    }
    spread.never(stays);
    if spread.total() < LEAST_LEFT {
        return None;
    }
    spread.widen(LEAST_SPREAD);
    let [p10_s, p50_s, p90_s] = spread.quantiles([0.1, 0.5, 0.9])?;
    Some(Ahead { p10_s, p50_s, p90_s, stays, speed })
}

/// Weighs one course; `lead` is its place in the list and its length in leads.
fn fit(stages: &[Stage], frame: &Frame, exponent: f64, lead: (f64, f64)) -> Fit {
    let onset_s = -lead.1 * frame.lead_s;
    let whole = (frame.now_s - onset_s).max(frame.least_s);
    let (log_weight, size, error) =
        weigh(stages, frame, |at_s| ((at_s - onset_s).max(0.0) / whole).powf(exponent));
    let prior = prior(exponent) - LEAD_DECAY * lead.0;
    Fit { log_weight: log_weight + prior - prior_mass(), exponent, onset_s, size, error }
}

/// Logarithm of the prior of an exponent, up to a constant.
fn prior(exponent: f64) -> f64 {
    -0.5 * ((exponent / EXPONENT_MEDIAN).ln() / EXPONENT_SPREAD).powi(2)
}

/// Logarithm of the prior's mass over the whole grid.
fn prior_mass() -> f64 {
    let leads: f64 = (0..LEADS.len()).map(|rank| (-LEAD_DECAY * real(rank)).exp()).sum();
    (EXPONENTS.iter().map(|e| prior(*e).exp()).sum::<f64>() * leads).ln()
}

/// Logarithm of how well a shape of size 1 explains the stages, up to a constant; its size and the size's standard error.
fn weigh(stages: &[Stage], frame: &Frame, shape: impl Fn(f64) -> f64) -> (f64, f64, f64) {
    let (mut gg, mut gy, mut yy) = (f64::MIN_POSITIVE, 0.0, 0.0);
    for stage in stages {
        let weight = WITNESS * stage.samples / (stage.samples + HALF_SAMPLES);
        let g = shape(stage.at_s);
        gg += weight * g * g;
        gy += weight * g * stage.way;
        yy += weight * stage.way * stage.way;
    }
    let size = gy / gg;
    let left = (yy - gy * size).max(0.0);
    let worth = NOISE_WORTH + WITNESS * real(stages.len()) / 2.0;
    let noise = NOISE_WORTH * frame.noise * frame.noise + left / 2.0;
    (-worth * noise.ln() - 0.5 * gg.ln(), size, (noise / worth / gg).sqrt())
}

/// Shares a course's weight out over its sizes and over where samples meet the bound.
fn share_out(fit: &Fit, frame: &Frame, weight: f64, spread: &mut Spread) {
    let each = weight / real(FIFTHS.len() * FIFTHS.len());
    for size in FIFTHS.map(|z| fit.size + z * fit.error) {
        for bound in FIFTHS.map(|z| (1.0 + z * frame.strays).max(NEAREST)) {
            if size <= 0.0 {
                spread.never(each);
                continue;
            }
            let since = frame.now_s - fit.onset_s;
            // What would have been met by now was not: it is left out, and the rest counts for more.
            spread.add(since * ((bound / size).powf(1.0 / fit.exponent) - 1.0), each);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_S: f64 = 3600.0;

    /// A hundred hours of stages of four hours from hour 20 on.
    fn stages(way: impl Fn(f64) -> f64) -> Vec<Stage> {
        (5..25)
            .map(|i| f64::from(i) * 4.0 + 2.0)
            .map(|hour| Stage { at_s: hour * HOUR_S, way: way(hour), samples: 200.0 })
            .collect()
    }

    fn frame(strays: f64) -> Frame {
        Frame { now_s: 100.0 * HOUR_S, lead_s: 20.0 * HOUR_S, noise: 0.01, strays, least_s: 300.0 }
    }

    #[test]
    fn courses_of_the_grid_are_carried_on_to_the_bound() {
        // Half of the way after a hundred hours: the rest takes 100 h on a line and 41 h on a square.
        for (exponent, hours) in [(1.0, 100.0), (2.0, 41.4)] {
            let found = ahead(&stages(|hour| 0.5 * (hour / 100.0_f64).powf(exponent)), &frame(0.0)).unwrap();
            assert!((found.p50_s / HOUR_S / hours).ln().abs() < 0.15, "{exponent}: {found:?}");
            assert!(found.p10_s < hours * HOUR_S && found.p90_s > hours * HOUR_S, "{exponent}: {found:?}");
            assert!((found.speed * HOUR_S / (0.005 * exponent)).ln().abs() < 0.2, "{exponent}: {found:?}");
            assert!(found.stays < 0.01, "{found:?}");
        }
    }

    #[test]
    fn a_level_that_stays_is_known_as_one() {
        assert!(ahead(&stages(|_| 0.5), &frame(0.0)).unwrap().stays > 0.5);
    }

    /// Samples that stray more meet the bound sooner or later: the interval is wider.
    #[test]
    fn what_strays_widens_the_interval() {
        let width = |strays| {
            let found = ahead(&stages(|hour| 0.005 * hour), &frame(strays)).unwrap();
            found.p90_s / found.p10_s
        };
        assert!(width(0.3) > 1.2 * width(0.0), "{} {}", width(0.3), width(0.0));
    }

    #[test]
    fn what_lies_beyond_the_bound_leaves_nothing_ahead() {
        assert_eq!(ahead(&stages(|hour| 0.03 * hour), &frame(0.0)), None);
        assert_eq!(ahead(&[], &frame(0.0)).map(|a| a.p50_s.is_finite()), Some(true));
    }
}
