//! The samples of one message, in the order they were given.
//!
//! Two forms. *Grid*: the message holds the same channels in the same order at each of its times, as units send;
//! times and channels stand once and values stand by channel. *List*: anything else, sample by sample.

use notchwatch_model::{ChannelIx, Sample, Time};

use super::bytes::{Put, Take};
use super::{Broken, values};

const GRID: u8 = 1;
const LIST: u8 = 2;
/// Most samples of a message: the limit on records of a message is far below.
const MOST: usize = 4_000_000;

/// Packs samples. Values must be finite.
pub(crate) fn pack(samples: &[Sample]) -> Vec<u8> {
    let mut out = Put::default();
    if let Some((times, channels)) = grid(samples) {
        put_grid(&mut out, samples, &times, &channels);
    } else {
        put_list(&mut out, samples);
    }
    out.0
}

/// The reverse of [`pack`].
pub(crate) fn unpack(bytes: &[u8]) -> Result<Vec<Sample>, Broken> {
    let mut from = Take(bytes);
    let samples = match from.byte()? {
        GRID => take_grid(&mut from)?,
        LIST => take_list(&mut from)?,
        _ => return Err(Broken("form of the message is not known")),
    };
    from.end()?;
    Ok(samples)
}

/// Times and channels, when the samples are the same channels in the same order at each time.
fn grid(samples: &[Sample]) -> Option<(Vec<Time>, Vec<ChannelIx>)> {
    let first = samples.first()?;
    let width = samples.iter().take_while(|s| s.time == first.time).count();
    let channels: Vec<ChannelIx> = samples.iter().take(width).map(|s| s.channel).collect();
    let mut times = Vec::with_capacity(samples.len() / width.max(1));
    for row in samples.chunks(width) {
        let time = row.first()?.time;
        let same =
            row.len() == width && row.iter().zip(&channels).all(|(s, c)| s.channel == *c && s.time == time);
        if !same {
            return None;
        }
        times.push(time);
    }
    Some((times, channels))
}

fn put_grid(out: &mut Put, samples: &[Sample], times: &[Time], channels: &[ChannelIx]) {
    out.byte(GRID);
    out.count(times.len());
    out.count(channels.len());
    put_times(out, times.iter().copied());
    put_channels(out, channels.iter().copied());
    // One snapshot, as units send while they have a link: each column is one value.
    if times.len() == 1 {
        for sample in samples {
            values::put(out, &[sample.value]);
        }
        return;
    }
    for column in 0..channels.len() {
        let numbers: Vec<f64> =
            samples.iter().skip(column).step_by(channels.len()).map(|s| s.value).collect();
        values::put(out, &numbers);
    }
}

fn take_grid(from: &mut Take<'_>) -> Result<Vec<Sample>, Broken> {
    let height = from.count()?;
    let width = from.count()?;
    if height.saturating_mul(width) > MOST {
        return Err(Broken("too many samples"));
    }
    let times = take_times(from, height)?;
    let channels = take_channels(from, width)?;
    if let [time] = *times {
        let one = |channel| {
            let value = values::one(from)?;
            Ok(Sample { time, channel, value })
        };
        return channels.into_iter().map(one).collect();
    }
    let mut columns = Vec::with_capacity(width);
    for _ in 0..width {
        columns.push(values::take(from, height)?);
    }
    let mut samples = Vec::with_capacity(height * width);
    for (row, time) in times.iter().enumerate() {
        for (channel, column) in channels.iter().zip(&columns) {
            let value = *column.get(row).ok_or(Broken("column too short"))?;
            samples.push(Sample { time: *time, channel: *channel, value });
        }
    }
    Ok(samples)
}

fn put_list(out: &mut Put, samples: &[Sample]) {
    out.byte(LIST);
    out.count(samples.len());
    put_times(out, samples.iter().map(|s| s.time));
    put_channels(out, samples.iter().map(|s| s.channel));
    let numbers: Vec<f64> = samples.iter().map(|s| s.value).collect();
    values::put(out, &numbers);
}

fn take_list(from: &mut Take<'_>) -> Result<Vec<Sample>, Broken> {
    let count = from.count()?;
    let times = take_times(from, count)?;
    let channels = take_channels(from, count)?;
    let numbers = values::take(from, count)?;
    let rows = times.into_iter().zip(channels).zip(numbers);
    Ok(rows.map(|((time, channel), value)| Sample { time, channel, value }).collect())
}

/// Microseconds, each as difference from the one before.
fn put_times(out: &mut Put, times: impl Iterator<Item = Time>) {
    let mut before = 0_i64;
    for time in times {
        out.signed(time.micros().wrapping_sub(before));
        before = time.micros();
    }
}

fn take_times(from: &mut Take<'_>, count: usize) -> Result<Vec<Time>, Broken> {
    let mut before = 0_i64;
    (0..count)
        .map(|_| {
            before = before.wrapping_add(from.signed()?);
            Time::from_micros(before).map_err(|_| Broken("time out of range"))
        })
        .collect()
}

/// Positions, each as difference from the one before.
fn put_channels(out: &mut Put, channels: impl Iterator<Item = ChannelIx>) {
    let mut before = 0_i64;
    for channel in channels {
        out.signed(i64::from(channel.0) - before);
        before = i64::from(channel.0);
    }
}

fn take_channels(from: &mut Take<'_>, count: usize) -> Result<Vec<ChannelIx>, Broken> {
    let mut before = 0_i64;
    (0..count)
        .map(|_| {
            before = before.wrapping_add(from.signed()?);
            u16::try_from(before).map(ChannelIx).map_err(|_| Broken("channel out of range"))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(secs: i64, channel: u16, value: f64) -> Sample {
        Sample { time: Time::from_micros(secs * 1_000_000).unwrap(), channel: ChannelIx(channel), value }
    }

    #[test]
    fn order_and_repeats_come_back() {
        let snapshots: Vec<Sample> =
            (0..12).flat_map(|t| (0..45).map(move |c| sample(t * 60, c, f64::from(c) + 0.5))).collect();
        let cases = [
            vec![],
            vec![sample(1, 3, 2.5)],
            snapshots.clone(),
            vec![sample(1, 3, 2.5), sample(1, 3, 2.5), sample(1, 1, 7.0)],
            vec![sample(5, 1, 1.0), sample(1, 2, 2.0), sample(5, 1, 3.0)],
            snapshots.iter().take(100).copied().collect(),
        ];
        for case in cases {
            assert_eq!(unpack(&pack(&case)).unwrap(), case);
        }
    }

    #[test]
    fn a_batch_of_a_unit_takes_few_bytes() {
        let batch: Vec<Sample> = (0..12_u16)
            .flat_map(|t| {
                let secs = 1_790_000_000 + i64::from(t) * 60;
                (0..45).map(move |c| sample(secs, c, (f64::from(c) * 100.0 + f64::from(t * 7 % 5)) / 10.0))
            })
            .collect();
        let bytes = pack(&batch).len();
        assert!(bytes < batch.len() * 2, "{bytes} bytes for {} samples", batch.len());
    }

    #[test]
    fn no_bytes_make_it_panic() {
        let good = pack(&[sample(5, 1, 1.0), sample(1, 2, 2.0), sample(5, 1, 3.0)]);
        for cut in 0..good.len() {
            assert!(unpack(&good[..cut]).is_err(), "{cut}");
        }
        for at in 0..good.len() {
            for bit in 0..8 {
                let mut bytes = good.clone();
                bytes[at] ^= 1 << bit;
                if let Ok(samples) = unpack(&bytes) {
                    assert!(samples.iter().all(|s| s.value.is_finite()));
                }
            }
        }
    }
}
