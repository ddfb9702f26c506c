//! Numbers as JSON and CBOR write them: exact, finite, or refused.
//!
//! Owns the rule that a whole number is kept exactly or not at all, and that nothing but a finite number passes.

use super::record::Scalar;

/// Whole numbers up to this size are exact in a 64-bit float (IEEE 754 binary64: 53 bits of precision).
pub(crate) const EXACT: u64 = 1 << 53;
/// Powers of ten up to this one are exact in binary64, so one multiplication or division rounds once.
const EXACT_POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// A whole number, by magnitude and sign.
pub(crate) fn whole<'a>(magnitude: u64, negative: bool) -> Scalar<'a> {
    if magnitude > EXACT {
        return Scalar::Inexact;
    }
    #[expect(clippy::cast_precision_loss, reason = "at most 2^53, which is exact")]
    let value = magnitude as f64;
    Scalar::Number(if negative { -value } else { value })
}

/// A float as it stands in CBOR or as JSON's parser rounded it.
pub(crate) fn float<'a>(value: f64) -> Scalar<'a> {
    if value.is_finite() { Scalar::Number(value) } else { Scalar::NotFinite }
}

/// A JSON number literal. One without exponent whose fraction is zero counts as a whole number.
pub(crate) fn literal<'a>(text: &str) -> Scalar<'a> {
    let digits = text.strip_prefix('-').unwrap_or(text);
    let whole_part = match digits.split_once('.') {
        None => Some(digits),
        Some((whole, fraction)) => fraction.bytes().all(|b| b == b'0').then_some(whole),
    };
    match whole_part.filter(|part| part.bytes().all(|b| b.is_ascii_digit())) {
        Some(part) => part.parse().map_or(Scalar::Inexact, |n| whole(n, text.starts_with('-'))),
        None => text.parse().map_or(Scalar::NotFinite, float),
    }
}

/// `mantissa * 10^exponent`: a CBOR decimal fraction (RFC 8949 section 3.4.4), rounded as JSON's text form would be.
pub(crate) fn decimal_fraction<'a>(exponent: i64, mantissa: i128) -> Scalar<'a> {
    let Ok(magnitude) = u64::try_from(mantissa.unsigned_abs()) else { return Scalar::Inexact };
    let power = usize::try_from(exponent.unsigned_abs()).ok().and_then(|e| EXACT_POWERS.get(e));
    match (whole(magnitude, mantissa < 0), power) {
        (Scalar::Number(value), Some(power)) if exponent < 0 => float(value / power),
        (Scalar::Number(value), Some(power)) => match value * power {
            #[expect(clippy::cast_precision_loss, reason = "2^53 is exact")]
            product if product.abs() > EXACT as f64 => Scalar::Inexact,
            product => float(product),
        },
        (Scalar::Inexact, _) if exponent >= 0 => Scalar::Inexact,
        _ => format!("{mantissa}e{exponent}").parse().map_or(Scalar::NotFinite, float),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_are_exact_or_refused() {
        for (text, wanted) in [
            ("0", Scalar::Number(0.0)),
            ("-7", Scalar::Number(-7.0)),
            ("9007199254740992", Scalar::Number(9_007_199_254_740_992.0)),
            ("9007199254740991.0", Scalar::Number(9_007_199_254_740_991.0)),
            ("9007199254740993", Scalar::Inexact),
            ("-9007199254740993", Scalar::Inexact),
            ("9007199254740993.00", Scalar::Inexact),
            ("18446744073709551616", Scalar::Inexact),
            ("1e308", Scalar::Number(1e308)),
            ("1e309", Scalar::NotFinite),
            ("-1e999", Scalar::NotFinite),
            ("0.1", Scalar::Number(0.1)),
        ] {
            assert_eq!(literal(text), wanted, "{text}");
        }
    }

    #[test]
    fn decimal_fractions_equal_their_text() {
        for (exponent, mantissa, wanted) in [
            (-1, 415, Scalar::Number(41.5)),
            (-2, 27_315, Scalar::Number(273.15)),
            (3, 5, Scalar::Number(5000.0)),
            (-30, 1, Scalar::Number(1e-30)),
            (-400, 1, Scalar::Number(0.0)),
            (400, 1, Scalar::NotFinite),
            (i64::MAX, 1, Scalar::NotFinite),
            (i64::MIN, -1, Scalar::Number(-0.0)),
            (0, i128::from(u64::MAX), Scalar::Inexact),
            (-3, 9_007_199_254_740_993_001, Scalar::Number(9_007_199_254_740_993.001)),
            (1, 9_007_199_254_740_992, Scalar::Inexact),
        ] {
            assert_eq!(decimal_fraction(exponent, mantissa), wanted, "{mantissa}e{exponent}");
        }
    }
}
