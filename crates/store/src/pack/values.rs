//! A column of values: whole numbers over a power of ten when that is exact, else as they are.
//!
//! Sensors send decimals of few digits, so `83.4` is kept as 834 over 10. Exact means that the very same bits come
//! back; minus zero and long fractions stay as they are.

use super::Broken;
use super::bytes::{Put, Take};

/// Most decimal digits tried: the finest sensor of the trade sends fewer, and 10^9 is exact in a float.
const MOST_DIGITS: u8 = 9;
/// Marks a column of values as they are.
const PLAIN: u8 = 0xff;
/// Largest whole number that a float holds exactly, 2^53.
const EXACT: f64 = 9_007_199_254_740_992.0;
/// The same as a whole number.
pub(crate) const EXACT_WHOLE: u64 = 1 << 53;

/// The values as whole numbers over `10^digits`, when every one of them comes back with the same bits.
pub(crate) fn scaled(values: &[f64]) -> Option<(u8, Vec<i64>)> {
    let digits = digits(values)?;
    let whole: Option<Vec<i64>> = values.iter().map(|v| whole(*v, digits)).collect();
    whole.map(|whole| (digits, whole))
}

/// Fewest decimal digits with which each value is found.
fn digits(values: &[f64]) -> Option<u8> {
    let mut digits = 0;
    for value in values {
        while whole(*value, digits).is_none() {
            digits += 1;
            if digits > MOST_DIGITS {
                return None;
            }
        }
    }
    Some(digits)
}

/// The value of a whole number over `10^digits`.
pub(crate) fn value_of(whole: i64, digits: u8) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "writers keep whole numbers below 2^53")]
    let value = whole as f64;
    value / power(digits)
}

/// Writes a column: its digits, then whole numbers each as difference from the one before, or plain floats.
pub(crate) fn put(out: &mut Put, values: &[f64]) {
    // More digits than a value needs may cost it its last bits, so all are looked at again.
    let exact = digits(values).filter(|digits| values.iter().all(|v| whole(*v, *digits).is_some()));
    if let Some(digits) = exact {
        out.byte(digits);
        let mut before = 0;
        for number in values.iter().filter_map(|v| whole(*v, digits)) {
            out.signed(number - before);
            before = number;
        }
    } else {
        out.byte(PLAIN);
        for value in values {
            out.float(*value);
        }
    }
}

/// Reads a column of `count` values, finite all.
pub(crate) fn take(from: &mut Take<'_>, count: usize) -> Result<Vec<f64>, Broken> {
    let digits = from.byte()?;
    let mut before = 0_i64;
    let mut values = Vec::with_capacity(count.min(from.0.len()));
    for _ in 0..count {
        values.push(next(from, digits, &mut before)?);
    }
    Ok(values)
}

/// Reads a column of one value.
pub(crate) fn one(from: &mut Take<'_>) -> Result<f64, Broken> {
    let digits = from.byte()?;
    next(from, digits, &mut 0)
}

fn next(from: &mut Take<'_>, digits: u8, before: &mut i64) -> Result<f64, Broken> {
    let value = if digits == PLAIN {
        from.float()?
    } else if digits <= MOST_DIGITS {
        *before = before.checked_add(from.signed()?).ok_or(Broken("value out of range"))?;
        value_of(*before, digits)
    } else {
        return Err(Broken("digits out of range"));
    };
    finite(value)
}

/// Passes a finite value; anything else was never written.
pub(crate) fn finite(value: f64) -> Result<f64, Broken> {
    if value.is_finite() { Ok(value) } else { Err(Broken("value is not finite")) }
}

/// Powers of ten up to the most digits; each is exact.
const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

fn power(digits: u8) -> f64 {
    POWERS.get(usize::from(digits)).copied().unwrap_or(f64::NAN)
}

fn whole(value: f64, digits: u8) -> Option<i64> {
    nearest(value, digits).filter(|number| value_of(*number, digits).to_bits() == value.to_bits())
}

/// The whole number over `10^digits` that is nearest to a value, while a float holds it exactly.
pub(crate) fn nearest(value: f64, digits: u8) -> Option<i64> {
    let number = (value * power(digits)).round();
    if number.is_nan() || number.abs() >= EXACT {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "whole and below 2^53")]
    Some(number as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn back(values: &[f64]) -> (usize, Vec<u64>) {
        let mut put_to = Put::default();
        put(&mut put_to, values);
        let mut from = Take(&put_to.0);
        let read = take(&mut from, values.len()).unwrap();
        assert!(from.end().is_ok());
        (put_to.0.len(), read.iter().map(|v| v.to_bits()).collect())
    }

    #[test]
    fn every_bit_comes_back() {
        for values in [
            vec![83.4, 83.5, -0.1, 101_325.0],
            vec![-0.0, 0.0, 1.0],
            vec![f64::MIN_POSITIVE, f64::MAX, f64::MIN],
            vec![0.1 + 0.2, std::f64::consts::PI],
            vec![9_007_199_254_740_993.0, 1e15 + 0.5],
            vec![],
        ] {
            assert_eq!(back(&values).1, values.iter().map(|v| v.to_bits()).collect::<Vec<_>>(), "{values:?}");
        }
    }

    #[test]
    fn decimals_take_few_bytes() {
        let values: Vec<f64> = (0..100).map(|i| f64::from(800 + i % 7) / 10.0).collect();
        assert!(back(&values).0 < 110);
        assert_eq!(scaled(&[83.4, 1.25]).unwrap(), (2, vec![8340, 125]));
    }

    #[test]
    fn what_is_not_finite_is_refused() {
        let mut put_to = Put::default();
        put_to.byte(PLAIN);
        put_to.float(f64::NAN);
        assert_eq!(take(&mut Take(&put_to.0), 1), Err(Broken("value is not finite")));
    }
}
