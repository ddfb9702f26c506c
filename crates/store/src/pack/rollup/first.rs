//! The first form of rollups, which is read and no longer written: buckets of ten minutes, one zstd frame.

use notchwatch_model::{ChannelIx, Span};

use super::begin;
use crate::Rollup;
use crate::pack::bytes::{Take, decompress};
use crate::pack::{Broken, extras, values};

/// Length of a bucket.
const LENGTH: Span = Span::from_mins(10);
/// Buckets of a day.
const BUCKETS: usize = 144;
const VERSION: u8 = 1;

/// Buckets of the channels wanted of a packed day, channel by channel.
pub(super) fn unpack(
    bytes: &[u8],
    day: i64,
    wanted: impl Fn(ChannelIx) -> bool,
) -> Result<Vec<Rollup>, Broken> {
    let bytes = decompress(bytes)?;
    let mut from = Take::sealed(&bytes)?;
    if from.byte()? != VERSION {
        return Err(Broken("form of the rollup is not known"));
    }
    let count = from.count()?;
    let mut found = Vec::new();
    for _ in 0..count {
        let of = extras::take_channel(&mut from)?;
        let part = from.part()?;
        if wanted(of) {
            found.extend(take_channel(Take(part), day)?);
        }
    }
    from.end()?;
    Ok(found)
}

fn take_channel(mut from: Take<'_>, day: i64) -> Result<Vec<Rollup>, Broken> {
    let count = from.count_of(BUCKETS)?;
    let mut heads = Vec::with_capacity(count);
    for _ in 0..count {
        let begin = begin(day, from.count_of(BUCKETS - 1)? as u64, LENGTH)?;
        heads.push((begin, u32::try_from(from.number()?).map_err(|_| Broken("count too large"))?));
    }
    let min = values::take(&mut from, count)?;
    let mean = values::take(&mut from, count)?;
    let max = values::take(&mut from, count)?;
    let last = values::take(&mut from, count)?;
    from.end()?;
    let numbers = min.into_iter().zip(mean).zip(max).zip(last);
    let rows = heads.into_iter().zip(numbers);
    Ok(rows
        .map(|((from, count), (((min, mean), max), last))| Rollup { from, count, min, mean, max, last })
        .collect())
}
