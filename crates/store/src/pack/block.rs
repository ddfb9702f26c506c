//! A block: everything a unit sent for one UTC day, columnar and compressed, with the message each sample came in.
//!
//! Repeats and contradictions stay in it and are settled when read, so that a read that stops at a journal position
//! gives the same before and after sealing.

use notchwatch_model::{ChannelIx, Sample, Seq, TextSample, Time, UomUse};
use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress};

use super::bytes::{Put, Take};
use super::{Broken, extras, values};

/// First bytes of a block, and its version.
const MAGIC: [u8; 3] = [b'N', b'B', 1];
const PLAIN: u8 = 0xff;
/// Most rows of a day: one each 10 ms.
const MOST_ROWS: usize = 8_640_000;

/// A message of the day.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Message {
    pub(crate) seq: Seq,
    pub(crate) received: Time,
    pub(crate) retained: bool,
    pub(crate) approximate: bool,
    pub(crate) uoms: Vec<UomUse>,
}

/// What a block holds, unpacked. `usize` is a position in `messages`.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Day {
    /// In order of the journal.
    pub(crate) messages: Vec<Message>,
    pub(crate) samples: Vec<(Sample, usize)>,
    pub(crate) texts: Vec<(TextSample, usize)>,
}

/// An opened block, of which single channels can be unpacked.
pub(crate) struct Block<'a> {
    messages: Vec<Message>,
    times: Vec<Time>,
    rows: Vec<usize>,
    channels: Vec<(ChannelIx, &'a [u8])>,
    texts: &'a [u8],
}

/// Packs a day.
pub(crate) fn pack(day: &Day) -> Result<Vec<u8>, Broken> {
    let (rows, columns) = layers(day);
    let mut out = Put(MAGIC.to_vec());
    put_messages(&mut out, &day.messages);
    out.count(rows.len());
    let times: Vec<i64> = rows.iter().map(|(time, _)| *time).collect();
    let messages: Vec<u32> = rows.iter().map(|(_, m)| u32::try_from(*m).unwrap_or(u32::MAX)).collect();
    out.part(&compress(&times)?);
    out.part(&compress(&messages)?);
    out.count(columns.len());
    for (channel, cells) in &columns {
        out.number(u64::from(channel.0));
        out.part(&put_channel(cells, rows.len())?);
    }
    let mut texts = Put::default();
    texts.count(day.texts.len());
    for (text, message) in &day.texts {
        texts.count(*message);
        extras::put_text(&mut texts, text);
    }
    out.part(&texts.0);
    Ok(out.sealed())
}

impl<'a> Block<'a> {
    /// Checks the sum and reads all but the channels' values.
    pub(crate) fn open(bytes: &'a [u8]) -> Result<Self, Broken> {
        let mut from = Take::sealed(bytes)?;
        for expected in MAGIC {
            if from.byte()? != expected {
                return Err(Broken("form of the block is not known"));
            }
        }
        let messages = take_messages(&mut from)?;
        let count = from.count_of(MOST_ROWS)?;
        let times = expand::<i64>(from.part()?, count)?;
        let rows = expand::<u32>(from.part()?, count)?;
        let width = from.count()?;
        let mut channels = Vec::with_capacity(width);
        for _ in 0..width {
            channels.push((extras::take_channel(&mut from)?, from.part()?));
        }
        let texts = from.part()?;
        from.end()?;
        let times = times
            .into_iter()
            .map(|t| Time::from_micros(t).map_err(|_| Broken("time out of range")))
            .collect::<Result<_, _>>()?;
        Ok(Self { messages, times, rows: rows.into_iter().map(|m| m as usize).collect(), channels, texts })
    }

    /// Samples of one channel, or of all, that came up to a journal position.
    pub(crate) fn samples(
        &self,
        only: Option<ChannelIx>,
        up_to: Option<Seq>,
    ) -> Result<Vec<(Sample, usize)>, Broken> {
        let mut out = Vec::new();
        for (channel, part) in self.channels.iter().filter(|(c, _)| only.is_none_or(|only| only == *c)) {
            for (row, value) in take_channel(part, self.times.len())? {
                let time = *self.times.get(row).ok_or(Broken("row out of range"))?;
                let message = *self.rows.get(row).ok_or(Broken("row out of range"))?;
                let seq = self.messages.get(message).ok_or(Broken("message out of range"))?.seq;
                if up_to.is_none_or(|limit| seq <= limit) {
                    out.push((Sample { time, channel: *channel, value }, message));
                }
            }
        }
        Ok(out)
    }

    /// Texts of the day.
    pub(crate) fn texts(&self) -> Result<Vec<(TextSample, usize)>, Broken> {
        let mut from = Take(self.texts);
        let count = from.count()?;
        let texts = (0..count)
            .map(|_| {
                let message = from.count_of(self.messages.len().saturating_sub(1))?;
                Ok((extras::take_text(&mut from)?, message))
            })
            .collect::<Result<Vec<_>, Broken>>()?;
        from.end()?;
        Ok(texts)
    }

    /// Everything.
    pub(crate) fn day(&self) -> Result<Day, Broken> {
        let samples = self.samples(None, None)?;
        Ok(Day { messages: self.messages.clone(), samples, texts: self.texts()? })
    }
}

/// One row's time and message.
type RowKey = (i64, usize);
/// A channel and its cells: row and value.
type Cells = (ChannelIx, Vec<(usize, f64)>);

/// Rows of the table that the samples make: one a time and message, and one more where a message repeats a channel
/// at one time.
fn layers(day: &Day) -> (Vec<RowKey>, Vec<Cells>) {
    let mut sorted: Vec<&(Sample, usize)> = day.samples.iter().collect();
    sorted.sort_by_key(|(sample, message)| (sample.time, *message, sample.channel));
    let mut rows: Vec<RowKey> = Vec::new();
    let mut columns: std::collections::BTreeMap<ChannelIx, Vec<(usize, f64)>> =
        std::collections::BTreeMap::new();
    for group in sorted.chunk_by(|a, b| a.0.time == b.0.time && a.1 == b.1) {
        let base = rows.len();
        let mut layer = 0;
        let mut before = None;
        for (sample, message) in group {
            layer = if before == Some(sample.channel) { layer + 1 } else { 0 };
            before = Some(sample.channel);
            if base + layer == rows.len() {
                rows.push((sample.time.micros(), *message));
            }
            columns.entry(sample.channel).or_default().push((base + layer, sample.value));
        }
    }
    (rows, columns.into_iter().collect())
}

fn put_messages(out: &mut Put, messages: &[Message]) {
    out.count(messages.len());
    let (mut seq, mut received) = (0, 0);
    for message in messages {
        out.signed(message.seq.0 - seq);
        out.signed(message.received.micros() - received);
        out.byte(u8::from(message.retained) | u8::from(message.approximate) << 1);
        extras::put_uoms(out, &message.uoms);
        (seq, received) = (message.seq.0, message.received.micros());
    }
}

fn take_messages(from: &mut Take<'_>) -> Result<Vec<Message>, Broken> {
    let count = from.count()?;
    let (mut seq, mut received) = (0_i64, 0_i64);
    (0..count)
        .map(|_| {
            seq = seq.wrapping_add(from.signed()?);
            received = received.wrapping_add(from.signed()?);
            let flags = from.byte()?;
            Ok(Message {
                seq: Seq(seq),
                received: Time::from_micros(received).map_err(|_| Broken("time out of range"))?,
                retained: flags & 1 != 0,
                approximate: flags & 2 != 0,
                uoms: extras::take_uoms(from)?,
            })
        })
        .collect()
}

/// Presence (one byte 1 when every row has a value; else 0 and a bit a row, the low ones first), digits or
/// [`PLAIN`], then the values by `pco`.
fn put_channel(cells: &[(usize, f64)], rows: usize) -> Result<Vec<u8>, Broken> {
    let mut out = Put::default();
    if cells.len() == rows {
        out.byte(1);
    } else {
        out.byte(0);
        let mut bits = vec![0_u8; rows.div_ceil(8)];
        for (row, _) in cells {
            if let Some(byte) = bits.get_mut(row / 8) {
                *byte |= 1 << (row % 8);
            }
        }
        out.0.extend_from_slice(&bits);
    }
    let numbers: Vec<f64> = cells.iter().map(|(_, value)| *value).collect();
    if let Some((digits, whole)) = values::scaled(&numbers) {
        out.byte(digits);
        out.0.extend_from_slice(&compress(&whole)?);
    } else {
        out.byte(PLAIN);
        out.0.extend_from_slice(&compress(&numbers)?);
    }
    Ok(out.0)
}

fn take_channel(part: &[u8], rows: usize) -> Result<Vec<(usize, f64)>, Broken> {
    let mut from = Take(part);
    let present: Vec<usize> = if from.byte()? == 1 {
        (0..rows).collect()
    } else {
        let (bits, rest) = from.0.split_at_checked(rows.div_ceil(8)).ok_or(Broken("ends early"))?;
        from.0 = rest;
        (0..rows).filter(|row| bits.get(row / 8).is_some_and(|byte| byte & (1 << (row % 8)) != 0)).collect()
    };
    let digits = from.byte()?;
    let numbers: Vec<f64> = if digits == PLAIN {
        expand::<f64>(from.0, present.len())?
    } else {
        expand::<i64>(from.0, present.len())?.into_iter().map(|w| values::value_of(w, digits)).collect()
    };
    present.into_iter().zip(numbers).map(|(row, value)| Ok((row, values::finite(value)?))).collect()
}

fn compress<T: pco::data_types::Number>(numbers: &[T]) -> Result<Vec<u8>, Broken> {
    simple_compress(numbers, &ChunkConfig::default()).map_err(|_| Broken("pco does not take the column"))
}

fn expand<T: pco::data_types::Number>(bytes: &[u8], count: usize) -> Result<Vec<T>, Broken> {
    let numbers: Vec<T> = simple_decompress(bytes).map_err(|_| Broken("pco does not decode"))?;
    if numbers.len() == count { Ok(numbers) } else { Err(Broken("column of another length")) }
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Uom;

    use super::*;

    fn message(seq: i64) -> Message {
        Message {
            seq: Seq(seq),
            received: Time::from_micros(seq * 1_000_000).unwrap(),
            retained: seq % 2 == 0,
            approximate: seq % 3 == 0,
            uoms: Vec::new(),
        }
    }

    fn cell(secs: i64, channel: u16, value: f64, message: usize) -> (Sample, usize) {
        (
            Sample { time: Time::from_micros(secs * 1_000_000).unwrap(), channel: ChannelIx(channel), value },
            message,
        )
    }

    fn sorted(mut day: Day) -> Day {
        day.samples.sort_by(|a, b| {
            (a.0.channel, a.0.time, a.1)
                .cmp(&(b.0.channel, b.0.time, b.1))
                .then(a.0.value.total_cmp(&b.0.value))
        });
        day
    }

    #[test]
    fn a_day_with_gaps_repeats_and_contradictions_comes_back() {
        let mut first = message(7);
        first.uoms = vec![UomUse { channel: ChannelIx(1), sent: Uom::parse("psi").unwrap() }];
        let text = TextSample { time: Time::EPOCH, channel: ChannelIx(9), text: "sw 1.2".into() };
        let day = Day {
            messages: vec![first, message(9)],
            samples: vec![
                cell(60, 1, 5.5, 0),
                cell(60, 2, 0.1 + 0.2, 0),
                cell(60, 1, 5.5, 0),
                cell(60, 1, 6.5, 1),
                cell(120, 2, -0.0, 1),
            ],
            texts: vec![(text, 1)],
        };
        let bytes = pack(&day).unwrap();
        let block = Block::open(&bytes).unwrap();
        assert_eq!(sorted(block.day().unwrap()), sorted(day));
        assert_eq!(block.samples(Some(ChannelIx(1)), Some(Seq(8))).unwrap().len(), 2);
        assert_eq!(block.messages.len(), 2);
    }

    #[test]
    fn an_empty_day_comes_back() {
        let bytes = pack(&Day::default()).unwrap();
        assert_eq!(Block::open(&bytes).unwrap().day().unwrap(), Day::default());
    }

    #[test]
    fn a_usual_day_takes_less_than_two_bytes_a_sample() {
        let samples: Vec<_> = (0..1440_u16)
            .flat_map(|t| {
                (0..20).map(move |c| {
                    cell(
                        i64::from(t) * 60,
                        c,
                        f64::from(8340 + (u32::from(t) * 7 + u32::from(c)) % 13) / 10.0,
                        0,
                    )
                })
            })
            .collect();
        let count = samples.len();
        let bytes = pack(&Day { messages: vec![message(1)], samples, texts: vec![] }).unwrap().len();
        assert!(bytes < count * 2, "{bytes} bytes for {count} samples");
    }

    #[test]
    fn a_changed_block_is_refused() {
        let day = Day { messages: vec![message(1)], samples: vec![cell(1, 1, 1.0, 0)], texts: vec![] };
        let good = pack(&day).unwrap();
        for at in 0..good.len() {
            let mut bytes = good.clone();
            bytes[at] ^= 4;
            assert!(Block::open(&bytes).is_err(), "{at}");
        }
    }
}
