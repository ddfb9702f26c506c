//! A block: everything a unit sent for one UTC day, columnar and compressed, with the message each sample came in.
//!
//! Contradictions stay in it and are settled when read, and of repeats the first does, so that a read that stops at a journal
//! position gives the same before and after sealing. Each channel has a checksum of its own: damage takes one, not all.

mod first;
mod messages;
mod repeats;

pub(crate) use repeats::leave_repeats_out;

use notchwatch_model::{ChannelIx, Sample, Seq, TextSample, Time, UomUse};

use super::bytes::{Put, Take};
use super::column::{self, compress, expand};
use super::{Broken, extras};

/// First bytes of a block.
const MAGIC: [u8; 2] = *b"NB";
/// Form that is written.
const VERSION: u8 = 2;
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
    rows: Vec<u32>,
    channels: Vec<(ChannelIx, &'a [u8])>,
    texts: &'a [u8],
    /// Whether channels and texts end with sums of their own.
    summed: bool,
}

/// Packs a day.
pub(crate) fn pack(day: &Day) -> Result<Vec<u8>, Broken> {
    let (rows, columns) = layers(day);
    let mut head = Put::default();
    messages::put(&mut head, &day.messages)?;
    head.count(rows.len());
    let times: Vec<i64> = rows.iter().map(|(time, _)| *time).collect();
    let messages: Vec<u32> = rows.iter().map(|(_, m)| u32::try_from(*m).unwrap_or(u32::MAX)).collect();
    head.part(&compress(&times)?);
    head.part(&compress(&messages)?);
    head.count(columns.len());
    let mut body = Vec::new();
    for (channel, cells) in &columns {
        let part = put_channel(cells, rows.len())?;
        head.number(u64::from(channel.0));
        head.count(part.len());
        body.extend_from_slice(&part);
    }
    let mut texts = Put::default();
    texts.count(day.texts.len());
    for (text, message) in &day.texts {
        texts.count(*message);
        extras::put_text(&mut texts, text);
    }
    body.extend_from_slice(&texts.sealed());
    let mut out = Put(MAGIC.to_vec());
    out.byte(VERSION);
    out.part(&head.sealed());
    out.0.extend_from_slice(&body);
    Ok(out.0)
}

impl<'a> Block<'a> {
    /// Checks the head and reads all but the channels' values and the texts.
    pub(crate) fn open(bytes: &'a [u8]) -> Result<Self, Broken> {
        let mut from = Take(bytes);
        let magic = [from.byte()?, from.byte()?];
        match from.byte()? {
            1 if magic == MAGIC => {
                let (_, body) = Take::sealed(bytes)?.0.split_at_checked(3).ok_or(Broken("too short"))?;
                first::open(Take(body))
            }
            VERSION if magic == MAGIC => Self::open_body(from),
            _ => Err(Broken("form of the block is not known")),
        }
    }

    fn open_body(mut from: Take<'a>) -> Result<Self, Broken> {
        let mut head = Take::sealed(from.part()?)?;
        let messages = messages::take(&mut head)?;
        let count = head.count_of(MOST_ROWS)?;
        let times = times_of(expand::<i64>(head.part()?, count)?)?;
        let rows = expand::<u32>(head.part()?, count)?;
        let width = head.count()?;
        let mut channels = Vec::with_capacity(width);
        for _ in 0..width {
            let channel = extras::take_channel(&mut head)?;
            let length = head.count_of(from.0.len())?;
            let (part, rest) = from.0.split_at_checked(length).ok_or(Broken("ends early"))?;
            channels.push((channel, part));
            from.0 = rest;
        }
        head.end()?;
        Ok(Self { messages, times, rows, channels, texts: from.0, summed: true })
    }

    /// Channels that it holds.
    pub(crate) fn channels(&self) -> impl Iterator<Item = ChannelIx> + '_ {
        self.channels.iter().map(|(channel, _)| *channel)
    }

    /// Samples of one channel that came up to a journal position.
    pub(crate) fn samples(
        &self,
        channel: ChannelIx,
        up_to: Option<Seq>,
    ) -> Result<Vec<(Sample, usize)>, Broken> {
        let mut out = Vec::new();
        for (_, part) in self.channels.iter().filter(|(c, _)| *c == channel) {
            let cells = take_channel(self.part(part)?, self.times.len())?;
            out.reserve(cells.len());
            for (row, value) in cells {
                let time = *self.times.get(row).ok_or(Broken("row out of range"))?;
                let message = *self.rows.get(row).ok_or(Broken("row out of range"))? as usize;
                let seq = self.messages.get(message).ok_or(Broken("message out of range"))?.seq;
                if up_to.is_none_or(|limit| seq <= limit) {
                    out.push((Sample { time, channel, value }, message));
                }
            }
        }
        Ok(out)
    }

    /// Whether a message's times were relative to receipt.
    pub(crate) fn approximate(&self, message: usize) -> bool {
        self.messages.get(message).is_some_and(|m| m.approximate)
    }

    /// Texts of the day.
    pub(crate) fn texts(&self) -> Result<Vec<(TextSample, usize)>, Broken> {
        let mut from = self.part(self.texts)?;
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

    /// Texts of the day that came up to a journal position.
    pub(crate) fn texts_to(&self, up_to: Option<Seq>) -> Result<Vec<TextSample>, Broken> {
        let came =
            |message: usize| self.messages.get(message).is_some_and(|m| up_to.is_none_or(|to| m.seq <= to));
        Ok(self.texts()?.into_iter().filter(|(_, message)| came(*message)).map(|(text, _)| text).collect())
    }

    /// Everything, or what is wrong with any of it.
    pub(crate) fn day(&self) -> Result<Day, Broken> {
        let mut samples = Vec::new();
        for channel in self.channels() {
            samples.extend(self.samples(channel, None)?);
        }
        Ok(Day { messages: self.messages.clone(), samples, texts: self.texts()? })
    }

    /// A part without its sum, which is checked.
    fn part(&self, bytes: &'a [u8]) -> Result<Take<'a>, Broken> {
        if self.summed { Take::sealed(bytes) } else { Ok(Take(bytes)) }
    }
}

fn times_of(micros: Vec<i64>) -> Result<Vec<Time>, Broken> {
    micros.into_iter().map(|t| Time::from_micros(t).map_err(|_| Broken("time out of range"))).collect()
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

/// Presence (one byte 1 when every row has a value; else 0 and a bit a row, the low ones first), then the values.
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
    out.0.extend_from_slice(&column::put(&numbers)?);
    Ok(out.sealed())
}

fn take_channel(mut from: Take<'_>, rows: usize) -> Result<Vec<(usize, f64)>, Broken> {
    let present: Vec<usize> = if from.byte()? == 1 {
        (0..rows).collect()
    } else {
        let (bits, rest) = from.0.split_at_checked(rows.div_ceil(8)).ok_or(Broken("ends early"))?;
        from.0 = rest;
        (0..rows).filter(|row| bits.get(row / 8).is_some_and(|byte| byte & (1 << (row % 8)) != 0)).collect()
    };
    let numbers = column::take(from, present.len())?;
    Ok(present.into_iter().zip(numbers).collect())
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
        assert_eq!(block.samples(ChannelIx(1), Some(Seq(8))).unwrap().len(), 2);
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
    fn every_changed_byte_is_found_and_one_of_a_channel_takes_only_that() {
        let samples = (0..200).flat_map(|t| [cell(t, 1, 0.5, 0), cell(t, 2, 7.25, 0)]).collect();
        let day = Day { messages: vec![message(1)], samples, texts: vec![] };
        let good = pack(&day).unwrap();
        let mut alone = 0;
        for at in 0..good.len() {
            let mut bytes = good.clone();
            bytes[at] ^= 4;
            let Ok(block) = Block::open(&bytes) else { continue };
            assert!(block.day().is_err(), "{at}");
            let read = |channel| block.samples(ChannelIx(channel), None).map(|s| s.len());
            let texts = block.texts();
            let whole = [read(1).is_ok(), read(2).is_ok(), texts.is_ok()];
            assert_eq!(whole.iter().filter(|ok| !**ok).count(), 1, "{at}");
            alone += 1;
        }
        assert!(alone > 20, "{alone} bytes belong to channels and texts");
    }

    /// Written by the first form's own code, before the second came.
    const FIRST: &str = "4e4201030e80c999aae5faa5060001010370736902809b9992120100028084af5f0200293c70636f210300450a040104\
        28000001703839000000001001010000000000000000c000040000a087060000000000f0875bcc23000000fdffffffff\
        002370636f210300450a04010128000000100000000000100020000000005455555555010002013b010170636f210300\
        450a040104280000002500f0420300000000008003303e00000000000008004b350509d188684434221a118d88464423\
        a2110004cf01006adbb66ddb00ff70636f2103008406040106190000100101001095c938ce2900401a000000000000f0\
        bfad11ecf4014d36a1d97e52bc9088ca042adb8f21a27dcab9362fc318194b822261567f2cd68125c1e98fe77de8f009\
        0cedc3c11f36bb735b22c3706949d097d71be7c21cf5722a206d13c275dd098f7ca0f55720f07d93c284be084f838faa\
        5518a01c5d8f51d707d6057fedc81140edd992dd1707e9b642894c0c00dbcbf2ee7506ea4f83ef9d0750db135aa3ea05\
        6bf44c528f03c0fece032771050000000000000000120101809cb7a5e5faa5060906737720312e32c5437a0e";

    #[test]
    fn the_first_form_is_still_read() {
        let bytes: Vec<u8> = (0..FIRST.len() / 2)
            .map(|at| u8::from_str_radix(&FIRST[2 * at..2 * at + 2], 16).unwrap())
            .collect();
        let day = Block::open(&bytes).unwrap().day().unwrap();
        assert_eq!(day.messages.iter().map(|m| m.seq.0).collect::<Vec<_>>(), [7, 8, 9]);
        assert_eq!(
            day.messages[0].uoms,
            [UomUse { channel: ChannelIx(1), sent: Uom::parse("psi").unwrap() }]
        );
        assert_eq!((day.messages[1].retained, day.messages[2].approximate), (true, true));
        assert_eq!((day.samples.len(), day.texts.len()), (40 + 26 + 1, 1));
        let values = |channel| {
            day.samples.iter().filter(move |s| s.0.channel == ChannelIx(channel)).map(|s| s.0.value)
        };
        assert_eq!(values(1).take(4).collect::<Vec<_>>(), [83.4, 83.5, 99.5, 83.6]);
        assert_eq!(values(4).map(f64::to_bits).next(), Some(1.0_f64.to_bits()));
        let again = Block::open(&pack(&day).unwrap()).unwrap().day().unwrap();
        assert_eq!(sorted(again), sorted(day), "written anew in the present form");
        let mut bytes = bytes;
        bytes[40] ^= 1;
        assert!(Block::open(&bytes).is_err());
    }
}
