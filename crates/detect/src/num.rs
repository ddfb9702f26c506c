//! Small number helpers: casts with their reason in one place, so that kernels read as formulas.
//!
//! Refuses anything that is statistics.

/// A count as a real number. Counts here stay far below 2^53.
#[expect(clippy::cast_precision_loss, reason = "counts stay far below 2^53")]
pub(crate) const fn real(n: usize) -> f64 {
    n as f64
}

/// Kept in single precision: stored values need no more than seven digits.
#[expect(clippy::cast_possible_truncation, reason = "single precision is what the store holds")]
pub(crate) const fn single(x: f64) -> f32 {
    x as f32
}

/// A value in `low..=high`, rounded to the nearest whole number.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before the cast")]
pub(crate) fn whole(x: f64, low: u32, high: u32) -> u32 {
    if x.is_finite() { x.round().clamp(f64::from(low), f64::from(high)) as u32 } else { high }
}

/// Whether a number is exactly zero: the state "never set", not a comparison of measurements.
pub(crate) fn unset(x: f64) -> bool {
    x.to_bits() << 1 == 0
}
