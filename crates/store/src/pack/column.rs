//! Long columns of numbers by `pco`: the cheapest of a few ways is kept, and each names itself in its bytes.
//!
//! Refuses to choose by guessing: every way is tried, since a day is sealed once and read for years.

use pco::ChunkConfig;
use pco::DeltaSpec;
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress};

use super::bytes::{Put, Take};
use super::{Broken, values};

/// Marks values as they are.
const PLAIN: u8 = 0xff;
/// Added to the digits where whole numbers are of 32 bits: `pco` spends less on them.
const SHORT: u8 = 16;

/// Numbers before a number that predict it: slow quantities of fine resolution.
const BEFORE: usize = 2;
/// Shorter columns are not predicted: nothing is won, and `pco` 1.1.0 panics on one that is shorter than [`BEFORE`].
const PREDICTED_FROM: usize = 16;

/// Writes values: a byte of form, then the `pco` file.
pub(crate) fn put(numbers: &[f64]) -> Result<Vec<u8>, Broken> {
    let mut out = Put::default();
    let file = if let Some((digits, whole)) = values::scaled(numbers) {
        if let Some(short) = short(&whole) {
            out.byte(SHORT + digits);
            let ways = [DeltaSpec::Auto, DeltaSpec::TryConsecutive(1), DeltaSpec::TryConv1(BEFORE)];
            let fit = if short.len() < PREDICTED_FROM { 2 } else { ways.len() };
            least(&short, ways.get(..fit).unwrap_or(&ways))?
        } else {
            out.byte(digits);
            least(&whole, &[DeltaSpec::Auto, DeltaSpec::TryConsecutive(1)])?
        }
    } else {
        out.byte(PLAIN);
        least(numbers, &[DeltaSpec::Auto])?
    };
    out.0.extend_from_slice(&file);
    Ok(out.0)
}

/// Reads `count` values, finite all.
pub(crate) fn take(mut from: Take<'_>, count: usize) -> Result<Vec<f64>, Broken> {
    let form = from.byte()?;
    let numbers: Vec<f64> = if form == PLAIN {
        expand::<f64>(from.0, count)?
    } else if let Some(digits) = form.checked_sub(SHORT) {
        expand::<i32>(from.0, count)?.into_iter().map(|w| values::value_of(i64::from(w), digits)).collect()
    } else {
        expand::<i64>(from.0, count)?.into_iter().map(|w| values::value_of(w, form)).collect()
    };
    numbers.into_iter().map(values::finite).collect()
}

/// A `pco` file by its own choice of delta.
pub(crate) fn compress<T: Number>(numbers: &[T]) -> Result<Vec<u8>, Broken> {
    least(numbers, &[DeltaSpec::Auto])
}

/// The reverse of [`compress`]; refuses another number of them.
pub(crate) fn expand<T: Number>(bytes: &[u8], count: usize) -> Result<Vec<T>, Broken> {
    let numbers: Vec<T> = simple_decompress(bytes).map_err(|_| Broken("pco does not decode"))?;
    if numbers.len() == count { Ok(numbers) } else { Err(Broken("column of another length")) }
}

/// The shortest file of those that the ways make.
fn least<T: Number>(numbers: &[T], ways: &[DeltaSpec]) -> Result<Vec<u8>, Broken> {
    ways.iter()
        .filter_map(|way| simple_compress(numbers, &ChunkConfig::default().with_delta_spec(way.clone())).ok())
        .min_by_key(Vec::len)
        .ok_or(Broken("pco does not take the column"))
}

fn short(whole: &[i64]) -> Option<Vec<i32>> {
    whole.iter().map(|w| i32::try_from(*w).ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_comes_back_to_the_bit() {
        let cases: [(u8, Vec<f64>); 4] = [
            (SHORT + 1, (0..500).map(|i| f64::from(800 + i % 7) / 10.0).collect()),
            (0, (0..500).map(|i| 1e10 + f64::from(i)).collect()),
            (PLAIN, (0..500).map(|i| f64::from(i).sqrt()).collect()),
            (SHORT, Vec::new()),
        ];
        for (form, numbers) in cases {
            let bytes = put(&numbers).unwrap();
            assert_eq!(bytes[0], form);
            let back = take(Take(&bytes), numbers.len()).unwrap();
            let bits = |n: &[f64]| n.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            assert_eq!(bits(&back), bits(&numbers));
            assert!(take(Take(&bytes), numbers.len() + 1).is_err());
        }
    }

    #[test]
    fn columns_of_every_length_come_back() {
        for count in (0..70).chain([255, 256, 257, 1440]) {
            for step in [0.1, 1e9, std::f64::consts::PI] {
                let numbers: Vec<f64> = (0..count).map(|i| f64::from(i * i % 11) * step).collect();
                let back = take(Take(&put(&numbers).unwrap()), numbers.len()).unwrap();
                assert_eq!(back, numbers, "{count} numbers in steps of {step}");
            }
        }
    }

    #[test]
    fn a_form_that_nobody_writes_is_refused() {
        let mut bytes = put(&[1.0, 2.0]).unwrap();
        for form in [10, 15, SHORT + 10, 200] {
            bytes[0] = form;
            assert!(take(Take(&bytes), 2).is_err(), "{form}");
        }
    }
}
