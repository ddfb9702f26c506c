//! Ten-minute buckets of one unit and UTC day: count, smallest, mean, largest and last value by channel.

use std::collections::BTreeMap;

use notchwatch_model::{ChannelIx, Sample, Span, Time};

use super::bytes::{Put, Take, compress, decompress};
use super::{Broken, extras, values};
use crate::Rollup;

/// Length of a stored bucket.
pub(crate) const BASE: Span = Span::from_mins(10);
/// Buckets of a day.
const BUCKETS: usize = 144;
const VERSION: u8 = 1;

/// Begin of the bucket that holds a time; buckets are aligned to 1970.
pub(crate) fn bucket_of(time: Time, bucket: Span) -> Time {
    let length = bucket.micros().max(1);
    let from = time.micros().div_euclid(length).saturating_mul(length);
    Time::from_micros(from).unwrap_or(time)
}

/// Buckets of one channel's settled samples, which stand in order of time.
pub(crate) fn of_samples(samples: impl IntoIterator<Item = (Time, f64)>, bucket: Span) -> Vec<Rollup> {
    let mut out: Vec<Rollup> = Vec::new();
    for (time, value) in samples {
        let from = bucket_of(time, bucket);
        let one = Rollup { from, count: 1, min: value, mean: value, max: value, last: value };
        match out.last_mut() {
            Some(open) if open.from == from => *open = joined(*open, one),
            _ => out.push(one),
        }
    }
    out
}

/// Joins finer buckets, which stand in order of time, into longer ones.
pub(crate) fn coarser(fine: impl IntoIterator<Item = Rollup>, bucket: Span) -> Vec<Rollup> {
    let mut out: Vec<Rollup> = Vec::new();
    for part in fine {
        let from = bucket_of(part.from, bucket);
        match out.last_mut() {
            Some(open) if open.from == from => *open = joined(*open, part),
            _ => out.push(Rollup { from, ..part }),
        }
    }
    out
}

/// Packs the buckets of a day from its settled samples, which stand in order of time.
pub(crate) fn pack(samples: &[Sample]) -> Vec<u8> {
    let mut channels: BTreeMap<ChannelIx, Vec<(Time, f64)>> = BTreeMap::new();
    for sample in samples {
        channels.entry(sample.channel).or_default().push((sample.time, sample.value));
    }
    let mut out = Put::default();
    out.byte(VERSION);
    out.count(channels.len());
    for (channel, samples) in channels {
        out.number(u64::from(channel.0));
        let mut part = Put::default();
        put_channel(&mut part, &of_samples(samples, BASE));
        out.part(&part.0);
    }
    compress(&out.sealed())
}

/// Buckets of the channels wanted of a packed day, channel by channel.
pub(crate) fn unpack(
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

fn joined(a: Rollup, b: Rollup) -> Rollup {
    let count = a.count.saturating_add(b.count);
    let share = f64::from(b.count) / f64::from(count.max(1));
    let (min, max) = (a.min.min(b.min), a.max.max(b.max));
    // Weighted, not by difference, which overflows at the ends of the range; rounding stays between the values.
    let mean = (a.mean * (1.0 - share) + b.mean * share).max(min).min(max);
    Rollup { from: a.from, count, min, mean, max, last: b.last }
}

fn put_channel(out: &mut Put, buckets: &[Rollup]) {
    out.count(buckets.len());
    for bucket in buckets {
        out.number(bucket.from.of_day().micros().div_euclid(BASE.micros()).cast_unsigned());
        out.number(u64::from(bucket.count));
    }
    for column in [|b: &Rollup| b.min, |b: &Rollup| b.mean, |b: &Rollup| b.max, |b: &Rollup| b.last] {
        values::put(out, &buckets.iter().map(column).collect::<Vec<_>>());
    }
}

fn take_channel(mut from: Take<'_>, day: i64) -> Result<Vec<Rollup>, Broken> {
    let count = from.count_of(BUCKETS)?;
    let mut heads = Vec::with_capacity(count);
    for _ in 0..count {
        let position =
            i64::try_from(from.count_of(BUCKETS - 1)?).map_err(|_| Broken("bucket out of range"))?;
        let micros = day.saturating_mul(Span::from_days(1).micros()).saturating_add(position * BASE.micros());
        let begin = Time::from_micros(micros).map_err(|_| Broken("time out of range"))?;
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

#[cfg(test)]
mod tests {
    use super::*;

    fn at(secs: i64) -> Time {
        Time::from_micros(secs * 1_000_000).unwrap()
    }

    #[test]
    fn buckets_are_aligned_and_hold_what_was_measured() {
        let buckets = of_samples([(at(599), 4.0), (at(600), 1.0), (at(660), 3.0), (at(1200), -2.0)], BASE);
        assert_eq!(
            buckets,
            [
                Rollup { from: at(0), count: 1, min: 4.0, mean: 4.0, max: 4.0, last: 4.0 },
                Rollup { from: at(600), count: 2, min: 1.0, mean: 2.0, max: 3.0, last: 3.0 },
                Rollup { from: at(1200), count: 1, min: -2.0, mean: -2.0, max: -2.0, last: -2.0 },
            ]
        );
        let hour = coarser(buckets, Span::from_hours(1));
        let [Rollup { mean, .. }] = hour[..] else { panic!("one bucket: {hour:?}") };
        assert!((mean - 1.5).abs() < 1e-12, "{mean}");
        assert_eq!(hour, [Rollup { from: at(0), count: 4, min: -2.0, mean, max: 4.0, last: -2.0 }]);
        let ends = of_samples([(at(0), f64::MAX), (at(1), f64::MIN), (at(2), f64::MAX)], BASE);
        assert!(ends[0].mean.is_finite());
        assert_eq!(bucket_of(at(-1), BASE), at(-600));
    }

    #[test]
    fn a_packed_day_comes_back() {
        let day = 20_000;
        let samples: Vec<Sample> = (0..300_u16)
            .map(|i| Sample {
                time: at(day * 86_400 + i64::from(i) * 288),
                channel: ChannelIx(i % 2),
                value: f64::from(i).sin(),
            })
            .collect();
        let bytes = pack(&samples);
        for channel in [ChannelIx(0), ChannelIx(1)] {
            let own = samples.iter().filter(|s| s.channel == channel).map(|s| (s.time, s.value));
            assert_eq!(unpack(&bytes, day, |c| c == channel).unwrap(), of_samples(own, BASE));
        }
        assert_eq!(unpack(&bytes, day, |c| c == ChannelIx(7)).unwrap(), []);
        assert!(unpack(&bytes[1..], day, |_| true).is_err());
    }
}
