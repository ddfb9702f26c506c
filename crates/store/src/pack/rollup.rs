//! Half-hour buckets of one unit and UTC day: count, smallest, mean, largest and last value by channel.
//!
//! Owns what a bucket says, and the form in which a day of them is written. Values of one kind stand together over all
//! channels, each as its distance from what is known already, since neighbours look alike.

mod first;

use std::collections::BTreeMap;

use notchwatch_model::{ChannelIx, Sample, Span, Time};

use super::bytes::{Put, Take, compress_well, decompress};
use super::{Broken, extras, values};
use crate::Rollup;

/// Length of a stored bucket. 28 days of them are 1,344 points, about what a screen shows.
pub(crate) const BASE: Span = Span::from_mins(30);
/// Buckets of a day.
const BUCKETS: usize = 48;
/// First bytes and form of what is written.
const MAGIC: [u8; 3] = [b'N', b'R', 2];
/// In place of digits: the channel's values stand as they are.
const PLAIN: u8 = 0xff;

/// Begin of the bucket that holds a time; buckets are aligned to 1970.
pub(crate) fn bucket_of(time: Time, bucket: Span) -> Time {
    let length = bucket.micros().max(1);
    let from = time.micros().div_euclid(length).saturating_mul(length);
    Time::from_micros(from).unwrap_or(time)
}

/// Buckets of one channel's settled samples, which stand in order of time.
pub(crate) fn of_samples(samples: impl IntoIterator<Item = (Time, f64)>, bucket: Span) -> Vec<Rollup> {
    let mut out: Vec<Rollup> = Vec::new();
    let mut open: Option<(Time, Vec<f64>)> = None;
    for (time, value) in samples {
        let from = bucket_of(time, bucket);
        match &mut open {
            Some((begin, values)) if *begin == from => values.push(value),
            _ => out.extend(open.replace((from, vec![value])).and_then(closed)),
        }
    }
    out.extend(open.and_then(closed));
    out
}

fn closed((from, values): (Time, Vec<f64>)) -> Option<Rollup> {
    let (min, max) = values.iter().fold((f64::MAX, f64::MIN), |(min, max), v| (min.min(*v), max.max(*v)));
    let count = u32::try_from(values.len()).unwrap_or(u32::MAX);
    Some(Rollup { from, count, min, mean: mean(&values, min, max), max, last: *values.last()? })
}

/// The exact sum of decimals over their number: the same whatever else stands in the column. Else the sum of shares,
/// which does not overflow at the ends of the range.
fn mean(values: &[f64], min: f64, max: f64) -> f64 {
    let exact = values::scaled(values).and_then(|(digits, whole)| {
        let sum = whole.iter().try_fold(0_i64, |sum, w| sum.checked_add(*w))?;
        mean_of(sum, digits, u32::try_from(values.len()).ok()?)
    });
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53 samples")]
    let shares = || values.iter().map(|v| v / values.len() as f64).sum();
    // Rounding stays between the values.
    exact.unwrap_or_else(shares).max(min).min(max)
}

/// Mean from a sum of whole numbers over `10^digits`, while a float holds the sum exactly.
fn mean_of(sum: i64, digits: u8, count: u32) -> Option<f64> {
    (sum.unsigned_abs() < values::EXACT_WHOLE).then(|| values::value_of(sum, digits) / f64::from(count))
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

/// Streams of a packed day, each compressed alone: what stands in one is alike.
#[derive(Default)]
struct Streams {
    heads: Put,
    min: Put,
    range: Put,
    sum: Put,
    last: Put,
    plain: Put,
}

/// Packs the buckets of a day from its settled samples, which stand in order of time.
pub(crate) fn pack(samples: &[Sample]) -> Vec<u8> {
    let mut channels: BTreeMap<ChannelIx, Vec<(Time, f64)>> = BTreeMap::new();
    for sample in samples {
        channels.entry(sample.channel).or_default().push((sample.time, sample.value));
    }
    let mut streams = Streams::default();
    streams.heads.count(channels.len());
    let mut before = Vec::new();
    for (channel, samples) in channels {
        let buckets = of_samples(samples, BASE);
        streams.heads.number(u64::from(channel.0));
        put_places(&mut streams.heads, &buckets, &mut before);
        put_values(&mut streams, &buckets);
    }
    let Streams { heads, min, range, sum, last, plain } = streams;
    let mut out = Put(MAGIC.to_vec());
    for stream in [heads, min, range, sum, last, plain] {
        out.part(&compress_well(&stream.0));
    }
    out.sealed()
}

/// Buckets of the channels wanted of a packed day, channel by channel. Those of the first form are shorter.
pub(crate) fn unpack(
    bytes: &[u8],
    day: i64,
    wanted: impl Fn(ChannelIx) -> bool,
) -> Result<Vec<Rollup>, Broken> {
    if !bytes.starts_with(&MAGIC) {
        return first::unpack(bytes, day, wanted);
    }
    let mut from = Take::sealed(bytes)?;
    for _ in MAGIC {
        from.byte()?;
    }
    let mut streams = Vec::with_capacity(6);
    for _ in 0..6 {
        streams.push(decompress(from.part()?)?);
    }
    from.end()?;
    let mut takes = streams.iter().map(|s| Take(s));
    let mut next = || takes.next().ok_or(Broken("ends early"));
    let mut from =
        Takes { heads: next()?, min: next()?, range: next()?, sum: next()?, last: next()?, plain: next()? };
    let mut found = Vec::new();
    let mut places = Vec::new();
    for _ in 0..from.heads.count()? {
        let channel = extras::take_channel(&mut from.heads)?;
        take_places(&mut from.heads, &mut places)?;
        let buckets = from.values(&places, day)?;
        if wanted(channel) {
            found.extend(buckets);
        }
    }
    for stream in [from.heads, from.min, from.range, from.sum, from.last, from.plain] {
        stream.end()?;
    }
    Ok(found)
}

/// Number of buckets, then position in the day and number of samples of each; or one byte 0: as the channel before.
fn put_places(out: &mut Put, buckets: &[Rollup], before: &mut Vec<(u64, u32)>) {
    let places: Vec<(u64, u32)> = buckets.iter().map(|b| (position(b), b.count)).collect();
    if places == *before {
        out.byte(0);
        return;
    }
    out.count(places.len());
    for (position, count) in &places {
        out.number(*position);
        out.number(u64::from(*count));
    }
    *before = places;
}

fn take_places(from: &mut Take<'_>, places: &mut Vec<(u64, u32)>) -> Result<(), Broken> {
    let count = from.count_of(BUCKETS)?;
    if count > 0 {
        places.clear();
    }
    for _ in 0..count {
        let position = from.count_of(BUCKETS - 1)? as u64;
        places.push((position, u32::try_from(from.number()?).map_err(|_| Broken("count too large"))?));
    }
    Ok(())
}

fn position(bucket: &Rollup) -> u64 {
    bucket.from.of_day().micros().div_euclid(BASE.micros()).cast_unsigned()
}

/// Buckets of a channel as whole numbers, when every mean comes back from its sum with the same bits: smallest,
/// largest, what the sum is above as many of the smallest, last.
fn whole(buckets: &[Rollup]) -> Option<(u8, Vec<[i64; 4]>)> {
    let ends: Vec<f64> = buckets.iter().flat_map(|b| [b.min, b.max, b.last]).collect();
    let (digits, whole) = values::scaled(&ends)?;
    let rows = buckets.iter().zip(whole.chunks_exact(3)).map(|(bucket, ends)| {
        let [min, max, last] = *ends else { return None };
        let sum = values::nearest(bucket.mean * f64::from(bucket.count), digits)?;
        let back = mean_of(sum, digits, bucket.count)?.max(bucket.min).min(bucket.max);
        let off = sum.checked_sub(min.checked_mul(i64::from(bucket.count))?)?;
        (back.to_bits() == bucket.mean.to_bits()).then_some([min, max, off, last])
    });
    Some((digits, rows.collect::<Option<_>>()?))
}

/// Smallest as difference from the bucket before; largest, and where it differs sum and last, from the smallest.
fn put_values(to: &mut Streams, buckets: &[Rollup]) {
    let Some((digits, rows)) = whole(buckets) else {
        to.heads.byte(PLAIN);
        for value in buckets.iter().flat_map(|b| [b.min, b.mean, b.max, b.last]) {
            to.plain.float(value);
        }
        return;
    };
    to.heads.byte(digits);
    let mut before = 0;
    for [min, max, off, last] in rows {
        to.min.signed(min - before);
        to.range.signed(max - min);
        if max != min {
            to.sum.signed(off);
            to.last.signed(last - min);
        }
        before = min;
    }
}

/// The streams on their way back.
struct Takes<'a> {
    heads: Take<'a>,
    min: Take<'a>,
    range: Take<'a>,
    sum: Take<'a>,
    last: Take<'a>,
    plain: Take<'a>,
}

impl Takes<'_> {
    /// Buckets of the next channel.
    fn values(&mut self, places: &[(u64, u32)], day: i64) -> Result<Vec<Rollup>, Broken> {
        let digits = self.heads.byte()?;
        let mut before = 0_i64;
        places
            .iter()
            .map(|(position, count)| {
                let from = begin(day, *position, BASE)?;
                let [min, mean, max, last] = if digits == PLAIN {
                    [self.plain.float()?, self.plain.float()?, self.plain.float()?, self.plain.float()?]
                } else {
                    self.decimals(digits, *count, &mut before)?
                };
                for value in [min, mean, max, last] {
                    values::finite(value)?;
                }
                Ok(Rollup { from, count: *count, min, mean, max, last })
            })
            .collect()
    }

    /// Smallest, mean, largest and last of the next bucket.
    fn decimals(&mut self, digits: u8, count: u32, before: &mut i64) -> Result<[f64; 4], Broken> {
        const LARGE: Broken = Broken("value out of range");
        let min = before.checked_add(self.min.signed()?).ok_or(LARGE)?;
        *before = min;
        let value = |whole: i64| values::value_of(whole, digits);
        let range = self.range.signed()?;
        if range == 0 {
            return Ok([value(min); 4]);
        }
        let (min_value, max) = (value(min), value(min.checked_add(range).ok_or(LARGE)?));
        let least = min.checked_mul(i64::from(count)).ok_or(LARGE)?;
        let sum = least.checked_add(self.sum.signed()?).ok_or(LARGE)?;
        let mean = mean_of(sum, digits, count).ok_or(LARGE)?.max(min_value).min(max);
        Ok([min_value, mean, max, value(min.checked_add(self.last.signed()?).ok_or(LARGE)?)])
    }
}

/// Begin of a bucket of a day.
fn begin(day: i64, position: u64, length: Span) -> Result<Time, Broken> {
    const LARGE: Broken = Broken("bucket out of range");
    let within = i64::try_from(position).map_err(|_| LARGE)?.saturating_mul(length.micros());
    let micros = day.saturating_mul(Span::from_days(1).micros()).saturating_add(within);
    Time::from_micros(micros).map_err(|_| LARGE)
}

fn joined(a: Rollup, b: Rollup) -> Rollup {
    let count = a.count.saturating_add(b.count);
    let share = f64::from(b.count) / f64::from(count.max(1));
    let (min, max) = (a.min.min(b.min), a.max.max(b.max));
    // Weighted, not by difference, which overflows at the ends of the range; rounding stays between the values.
    let mean = (a.mean * (1.0 - share) + b.mean * share).max(min).min(max);
    Rollup { from: a.from, count, min, mean, max, last: b.last }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEN: Span = Span::from_mins(10);

    fn at(secs: i64) -> Time {
        Time::from_micros(secs * 1_000_000).unwrap()
    }

    #[test]
    fn buckets_are_aligned_and_hold_what_was_measured() {
        let buckets = of_samples([(at(599), 4.0), (at(600), 1.0), (at(660), 3.0), (at(1200), -2.0)], TEN);
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
        assert_eq!(bucket_of(at(-1), TEN), at(-600));
    }

    #[test]
    fn a_packed_day_comes_back_to_the_bit() {
        let day = 20_000;
        let value = |i: u16| match i % 4 {
            0 => f64::from(i).sin(),
            1 => f64::from(i % 50) / 10.0 - 2.0,
            2 => 7.25,
            _ => 1e15 + f64::from(i),
        };
        let samples: Vec<Sample> = (0..600_u16)
            .map(|i| Sample {
                time: at(day * 86_400 + i64::from(i) * 144),
                channel: ChannelIx(i % 4),
                value: value(i),
            })
            .filter(|s| s.channel.0 != 2 || s.time.of_day() < Span::from_hours(9))
            .collect();
        let bytes = pack(&samples);
        for channel in (0..4).map(ChannelIx) {
            let own = samples.iter().filter(|s| s.channel == channel).map(|s| (s.time, s.value));
            let (back, own) = (unpack(&bytes, day, |c| c == channel).unwrap(), of_samples(own, BASE));
            let bits = |all: &[Rollup]| all.iter().map(|b| b.mean.to_bits()).collect::<Vec<_>>();
            assert_eq!((bits(&back), &back), (bits(&own), &own));
        }
        assert_eq!(unpack(&bytes, day, |c| c == ChannelIx(7)).unwrap(), []);
        for at in 0..bytes.len() {
            let mut bytes = bytes.clone();
            bytes[at] ^= 4;
            assert!(unpack(&bytes, day, |_| true).is_err(), "{at}");
        }
    }

    #[test]
    fn a_mean_is_the_same_beside_values_of_more_digits() {
        let rough = [83.4, 83.5, 83.5];
        let fine = values::scaled(&[83.4, 83.5, 83.5, 0.001]).unwrap();
        let sum = fine.1[..3].iter().sum();
        assert_eq!(mean_of(sum, fine.0, 3).unwrap().to_bits(), mean(&rough, 83.4, 83.5).to_bits());
    }

    /// Written by the first form's own code, before the second came: ten-minute buckets.
    const FIRST: &str = "28b52ffd20d4e50400b4080102013c04000a010a020a030a01840d000000ff6766666666e65440018c048d0104000601\
        0702070306ff00f03f535bda3a584c0940a8f4979b77e31140c3c1680564451640ff8cf6867a7b2a004066b1d3c30011\
        0e402ee7fd2719d91340ff60ec05ae7a1740ffcd3b7f669ea00640f94d6434836f1140f3d9a8a4688a15405906f7245c\
        a8188d308fbd05001b511ee1aea60c502ac00c2c4e";

    #[test]
    fn the_first_form_is_still_read() {
        let bytes: Vec<u8> = (0..FIRST.len() / 2)
            .map(|at| u8::from_str_radix(&FIRST[2 * at..2 * at + 2], 16).unwrap())
            .collect();
        let day = 20_513;
        let buckets = unpack(&bytes, day, |c| c == ChannelIx(1)).unwrap();
        assert_eq!(buckets.iter().map(|b| b.count).collect::<Vec<_>>(), [10, 10, 10, 10]);
        assert_eq!(buckets[1].from, at(day * 86_400 + 600));
        assert_eq!((buckets[0].min, buckets[0].max, buckets[0].last), (83.4, 83.8, 83.8));
        let half_hours = coarser(buckets, BASE);
        assert_eq!(half_hours.iter().map(|b| b.count).collect::<Vec<_>>(), [30, 10]);
        assert!(unpack(&bytes[1..], day, |_| true).is_err());
    }
}
