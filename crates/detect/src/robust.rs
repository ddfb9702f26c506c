//! Robust location, spread and slope of a short list of numbers.
//!
//! Sources: Iglewicz and Hoaglin 1993 (modified z, quoted in NIST/SEMATECH e-Handbook 1.3.5.17); Theil 1950 and Sen
//! 1968 (slope, with Kendall's interval). Values that are not finite are refused by the callers, not here.

use crate::num::real;

/// Ratio of a normal distribution's standard deviation to its median absolute deviation, 1 / Φ⁻¹(3/4).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Iglewicz and Hoaglin's factor, Φ⁻¹(3/4) rounded as they print it.
const MODIFIED_Z: f64 = 0.6745;

/// Median; the mean of the two middle values of an even count. `None` of nothing. Reorders its input.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let high = values.get(n / 2).copied()?;
    if n % 2 == 1 { Some(high) } else { values.get(n / 2 - 1).map(|low| f64::midpoint(*low, high)) }
}

/// Median, and median absolute deviation from it, as they are (not scaled to a standard deviation).
pub fn median_mad(values: &[f64]) -> Option<(f64, f64)> {
    let mut work = values.to_vec();
    let centre = median(&mut work)?;
    for (slot, value) in work.iter_mut().zip(values) {
        *slot = (value - centre).abs();
    }
    Some((centre, median(&mut work)?))
}

/// Modified z of each value, 0.6745 (x - median) / MAD. `None` when more than half of the values are equal: the
/// spread is then not known from the data.
pub fn modified_z(values: &[f64]) -> Option<Vec<f64>> {
    let (centre, mad) = median_mad(values)?;
    (mad > 0.0).then(|| values.iter().map(|x| MODIFIED_Z * (x - centre) / mad).collect())
}

/// A slope with an interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Slope {
    /// Lower end of the interval.
    pub low: f64,
    /// Median of the pairwise slopes.
    pub mid: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// Theil–Sen slope of `(x, y)` with Kendall's two-sided interval at `quantile` standard normal deviates (1.2816 for
/// 10 % to 90 %). `None` with fewer than three different `x`. Cost: all pairs, so keep the list short.
pub fn theil_sen(points: &[(f64, f64)], quantile: f64) -> Option<Slope> {
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, (x0, y0)) in points.iter().enumerate() {
        for (x1, y1) in points.iter().skip(i + 1) {
            if (x1 - x0).abs() > 0.0 {
                slopes.push((y1 - y0) / (x1 - x0));
            }
        }
    }
    if points.len() < 3 || slopes.len() < 3 {
        return None;
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let n = real(points.len());
    // Variance of Kendall's S without ties.
    let half = quantile * (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt() / 2.0;
    let centre = (real(slopes.len()) - 1.0) / 2.0;
    Some(Slope {
        low: at(&slopes, centre - half),
        mid: at(&slopes, centre),
        high: at(&slopes, centre + half),
    })
}

/// Value at a fractional position of a sorted list, held within it.
fn at(sorted: &[f64], position: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    let low =
        crate::num::whole(position.floor().max(0.0), 0, u32::try_from(last).unwrap_or(u32::MAX)) as usize;
    let high = (low + 1).min(last);
    let share = (position - real(low)).clamp(0.0, 1.0);
    let (a, b) = (sorted.get(low).copied().unwrap_or(0.0), sorted.get(high).copied().unwrap_or(0.0));
    a + share * (b - a)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 1.3.5.17.1: the uranium isotope data; Iglewicz and Hoaglin's rule flags the last.
    #[test]
    fn modified_z_flags_the_eighth_value() {
        let x = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
        let (centre, mad) = median_mad(&x).unwrap();
        assert!((centre - 201.37).abs() < 1e-9 && (mad - 0.995).abs() < 1e-9);
        let m = modified_z(&x).unwrap();
        assert!((m[7] - 29.962_714).abs() < 1e-4, "{}", m[7]);
        let flagged: Vec<usize> = (0..8).filter(|i| m[*i].abs() > 3.5).collect();
        assert_eq!(flagged, [7]);
    }

    #[test]
    fn half_equal_values_have_no_modified_z() {
        assert_eq!(modified_z(&[5.0, 5.0, 5.0, 5.0, 9.0]), None);
        assert_eq!(median(&mut []), None);
    }

    /// Slopes computed with two public statistics libraries, both agreeing.
    #[test]
    fn theil_sen_shrugs_off_an_outlier() {
        let points = [(1.0, 2.0), (2.0, 3.0), (4.0, 3.0), (7.0, 6.0), (8.0, 50.0), (10.0, 9.0)];
        assert!((theil_sen(&points, 1.96).unwrap().mid - 1.0).abs() < 1e-12);
        let ties: Vec<(f64, f64)> = [3.0, 1.0, 2.0, 4.0, 4.0, 6.0, 5.0, 7.0, 8.0, 7.0]
            .iter()
            .enumerate()
            .map(|(i, y)| (real(i), *y))
            .collect();
        let slope = theil_sen(&ties, 1.96).unwrap();
        assert!((slope.mid - 0.75).abs() < 1e-12);
        assert!((slope.low - 0.444).abs() < 0.06 && (slope.high - 1.0).abs() < 0.06, "{slope:?}");
        assert_eq!(theil_sen(&points[..2], 1.96), None);
    }
}
