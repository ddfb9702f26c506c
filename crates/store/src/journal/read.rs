//! Reading messages and samples: blocks and the journal's open rows, merged and settled.

use std::collections::BTreeMap;

use notchwatch_model::{ChannelIx, Sample, Seq, Span, TextSample, Time, UnitKey};

use crate::damage::{Known, Place};
use crate::db::{Row, Tx, values};
use crate::pack::block::{Block, Day};
use crate::pack::{Broken, bytes, extras, message};
use crate::{Result, Store};

/// Which samples of a unit are wanted: `from <= time < to`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wanted<'a> {
    pub(crate) unit_no: i64,
    pub(crate) from: Time,
    pub(crate) to: Time,
    /// These channels alone; every one without.
    pub(crate) only: Option<&'a [ChannelIx]>,
    pub(crate) up_to: Option<Seq>,
}

impl Wanted<'_> {
    pub(super) fn admits(&self, channel: ChannelIx) -> bool {
        self.only.is_none_or(|only| only.contains(&channel))
    }

    fn within(&self, time: Time) -> bool {
        self.from <= time && time < self.to
    }
}

impl Store {
    /// All samples of a unit with `from <= time < to`, settled (one a channel and time), by time and channel.
    /// With `up_to`, only messages up to that journal position count.
    pub async fn unit_samples(
        &self,
        unit: &UnitKey,
        from: Time,
        to: Time,
        up_to: Option<Seq>,
    ) -> Result<Vec<Sample>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let mut tx = self.read().await?;
        let samples =
            samples(&mut tx, &self.shared.known, &Wanted { unit_no, from, to, only: None, up_to }).await?;
        tx.end().await?;
        Ok(samples)
    }

    /// Samples of one channel with `from <= time < to`, settled, by time; the caller bounds the span.
    pub async fn channel_samples(
        &self,
        unit: &UnitKey,
        channel: ChannelIx,
        from: Time,
        to: Time,
    ) -> Result<Vec<(Time, f64)>> {
        let samples = self.samples_of(unit, &[channel], from, to).await?;
        Ok(samples.into_iter().map(|s| (s.time, s.value)).collect())
    }

    /// Samples of some channels with `from <= time < to`, settled, by time and channel, in one pass over what is stored;
    /// the caller bounds the span.
    pub async fn samples_of(
        &self,
        unit: &UnitKey,
        channels: &[ChannelIx],
        from: Time,
        to: Time,
    ) -> Result<Vec<Sample>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let wanted = Wanted { unit_no, from, to, only: Some(channels), up_to: None };
        let mut tx = self.read().await?;
        let samples = samples(&mut tx, &self.shared.known, &wanted).await?;
        tx.end().await?;
        Ok(samples)
    }

    /// Texts of a unit with `from <= time < to`, by time; of two texts for one channel and time the greater one. With
    /// `up_to`, only messages up to that journal position count.
    pub async fn unit_texts(
        &self,
        unit: &UnitKey,
        from: Time,
        to: Time,
        up_to: Option<Seq>,
    ) -> Result<Vec<TextSample>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let wanted = Wanted { unit_no, from, to, only: None, up_to };
        let known = &self.shared.known;
        let mut tx = self.read().await?;
        let mut found = Vec::new();
        for row in block_rows(&mut tx, &wanted).await? {
            found.extend(block_texts(known, &row, up_to)?);
        }
        for row in open_rows(&mut tx, &wanted).await? {
            found.extend(open_texts(known, &row)?);
        }
        tx.end().await?;
        Ok(settled_texts(found, from, to))
    }

    /// What [`Store::unit_samples`] and [`Store::unit_texts`] give, in one pass over what is stored.
    pub async fn unit_record(
        &self,
        unit: &UnitKey,
        from: Time,
        to: Time,
        up_to: Option<Seq>,
    ) -> Result<(Vec<Sample>, Vec<TextSample>)> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok((Vec::new(), Vec::new())) };
        let wanted = Wanted { unit_no, from, to, only: None, up_to };
        let known = &self.shared.known;
        let mut tx = self.read().await?;
        let (mut found, mut texts) = (Vec::new(), Vec::new());
        for row in block_rows(&mut tx, &wanted).await? {
            found.extend(
                block_samples(known, &row, None, up_to)?.into_iter().filter(|s| wanted.within(s.time)),
            );
            texts.extend(block_texts(known, &row, up_to)?);
        }
        for row in open_rows(&mut tx, &wanted).await? {
            found.extend(open_row(known, &row, &wanted)?);
            texts.extend(open_texts(known, &row)?);
        }
        tx.end().await?;
        Ok((settled(found), settled_texts(texts, from, to)))
    }

    /// Newest sample of each channel of a unit whose event time is not after `now`.
    pub async fn latest(&self, unit: &UnitKey, now: Time) -> Result<Vec<Sample>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let end = now + Span::from_micros(1);
        let known = &self.shared.known;
        let mut tx = self.read().await?;
        let mut newest = Newest::default();
        let sql = "SELECT packed, crc FROM latest WHERE unit_no = $1";
        let mut beyond = false;
        if let Some(row) = tx.fetch_one(sql, values![unit_no]).await? {
            let sealed = known.spare(Place::Latest { unit_no }, latest_samples(&row).map(Some))?;
            beyond = sealed.as_ref().is_none_or(|sealed| sealed.iter().any(|s| s.time > now));
            let sealed = sealed.unwrap_or_default();
            newest.extend(sealed.into_iter().filter(|s| s.time <= now));
        }
        if beyond {
            newest.extend(last_before(&mut tx, known, unit_no, end).await?);
        }
        let open = Wanted { unit_no, from: Time::EPOCH, to: end, only: None, up_to: None };
        newest.extend(open_samples(&mut tx, known, &open).await?);
        tx.end().await?;
        Ok(newest.into_samples())
    }
}

/// Newest sample of each channel; of two at one time the settled one.
#[derive(Debug, Default)]
pub(crate) struct Newest(BTreeMap<ChannelIx, Sample>);

impl Newest {
    pub(crate) fn extend(&mut self, samples: impl IntoIterator<Item = Sample>) {
        for sample in samples {
            self.0
                .entry(sample.channel)
                .and_modify(|held| {
                    if sample.time > held.time {
                        *held = sample;
                    } else if sample.time == held.time {
                        *held = held.settle(sample);
                    }
                })
                .or_insert(sample);
        }
    }

    /// By channel.
    pub(crate) fn into_samples(self) -> Vec<Sample> {
        self.0.into_values().collect()
    }
}

/// One sample a channel and time, by time and channel.
pub(crate) fn settled(mut samples: Vec<Sample>) -> Vec<Sample> {
    samples.sort_unstable_by_key(|s| (s.time, s.channel));
    samples.dedup_by(|next, kept| {
        let same = next.time == kept.time && next.channel == kept.channel;
        if same {
            *kept = kept.settle(*next);
        }
        same
    });
    samples
}

/// One text a channel and time, of two the greater, by time and channel.
fn settled_texts(found: Vec<TextSample>, from: Time, to: Time) -> Vec<TextSample> {
    let mut settled: BTreeMap<(Time, ChannelIx), String> = BTreeMap::new();
    for text in found.into_iter().filter(|text| from <= text.time && text.time < to) {
        let held = settled.entry((text.time, text.channel)).or_default();
        if text.text > *held {
            *held = text.text;
        }
    }
    settled.into_iter().map(|((time, channel), text)| TextSample { time, channel, text }).collect()
}

/// Settled samples, from blocks and the journal's open rows.
pub(crate) async fn samples(tx: &mut Tx, known: &Known, wanted: &Wanted<'_>) -> Result<Vec<Sample>> {
    let mut found = Vec::new();
    for row in block_rows(tx, wanted).await? {
        let samples = block_samples(known, &row, wanted.only, wanted.up_to)?;
        found.extend(samples.into_iter().filter(|s| wanted.within(s.time)));
    }
    found.extend(open_samples(tx, known, wanted).await?);
    Ok(settled(found))
}

/// Samples of the journal's rows that are in no block yet, not settled.
async fn open_samples(tx: &mut Tx, known: &Known, wanted: &Wanted<'_>) -> Result<Vec<Sample>> {
    let mut found = Vec::new();
    for row in open_rows(tx, wanted).await? {
        found.extend(open_row(known, &row, wanted)?);
    }
    Ok(found)
}

/// Wanted samples of one of those rows.
fn open_row(known: &Known, row: &Row, wanted: &Wanted<'_>) -> Result<Vec<Sample>> {
    let open = row.int("open_day")?;
    let mut samples = known.spare(journal_place(row)?, row_samples(row))?;
    samples.retain(|s| s.time.day() >= open && wanted.within(s.time) && wanted.admits(s.channel));
    Ok(samples)
}

/// Texts of one of those rows.
fn open_texts(known: &Known, row: &Row) -> Result<Vec<TextSample>> {
    let open = row.int("open_day")?;
    let (mut texts, _) = known.spare(journal_place(row)?, texts_and_uoms(row))?;
    texts.retain(|text| text.time.day() >= open);
    Ok(texts)
}

/// Samples of the newest block that begins before `end`, and of older ones for channels it lacks.
pub(crate) async fn last_before(tx: &mut Tx, known: &Known, unit_no: i64, end: Time) -> Result<Vec<Sample>> {
    let sql =
        "SELECT unit_no, day, packed FROM block WHERE unit_no = $1 AND day <= $2 ORDER BY day DESC LIMIT 40";
    let mut newest = Newest::default();
    for row in tx.fetch(sql, values![unit_no, end.day()]).await? {
        newest.extend(block_samples(known, &row, None, None)?.into_iter().filter(|s| s.time < end));
    }
    Ok(newest.into_samples())
}

pub(super) async fn block_rows(tx: &mut Tx, wanted: &Wanted<'_>) -> Result<Vec<Row>> {
    let sql =
        "SELECT unit_no, day, packed FROM block WHERE unit_no = $1 AND day >= $2 AND day <= $3 ORDER BY day";
    tx.fetch(sql, values![wanted.unit_no, wanted.from.day(), wanted.to.day()]).await
}

/// Rows of which a day is in no block yet.
pub(super) async fn open_rows(tx: &mut Tx, wanted: &Wanted<'_>) -> Result<Vec<Row>> {
    let sql = "SELECT seq, open_day, approximate, packed, extras, crc FROM journal WHERE unit_no = $1 AND open_day IS NOT NULL \
               AND last_event >= $2 AND first_event < $3 AND ($4 IS NULL OR seq <= $4) ORDER BY seq";
    let up_to = wanted.up_to.map(|seq| seq.0);
    tx.fetch(sql, values![wanted.unit_no, wanted.from, wanted.to, up_to]).await
}

pub(super) fn journal_place(row: &Row) -> Result<Place> {
    Ok(Place::Journal { seq: row.int("seq")? })
}

/// Part of a row's block.
fn block_of<T>(row: &Row, part: impl FnOnce(&Block<'_>) -> std::result::Result<T, Broken>) -> Result<T> {
    Block::open(&row.blob("packed")?).and_then(|block| part(&block)).map_err(|b| b.at("block"))
}

/// Everything in a row's block.
#[expect(clippy::redundant_closure_for_method_calls, reason = "the method itself is of one lifetime only")]
pub(crate) fn block_day(row: &Row) -> Result<Day> {
    block_of(row, |block| block.day())
}

/// Samples of a row's block, those of damaged channels left out and noted.
pub(crate) fn block_samples(
    known: &Known,
    row: &Row,
    only: Option<&[ChannelIx]>,
    up_to: Option<Seq>,
) -> Result<Vec<Sample>> {
    Ok(block_told(known, row, only, up_to)?.into_iter().map(|(sample, _)| sample).collect())
}

/// The same, each with whether its time was taken from receipt.
pub(super) fn block_told(
    known: &Known,
    row: &Row,
    only: Option<&[ChannelIx]>,
    up_to: Option<Seq>,
) -> Result<Vec<(Sample, bool)>> {
    let (unit_no, day) = (row.int("unit_no")?, row.int("day")?);
    let read = block_of(row, |block| {
        let wanted = block.channels().filter(|c| only.is_none_or(|only| only.contains(c)));
        let told = |(sample, message)| (sample, block.approximate(message));
        let samples =
            |c| block.samples(c, up_to).map(|found| found.into_iter().map(told).collect::<Vec<_>>());
        Ok(wanted.map(|c| (c, samples(c))).collect::<Vec<_>>())
    });
    let mut found = Vec::new();
    for (channel, read) in known.spare(Place::Block { unit_no, day }, read)? {
        let place = Place::Channel { unit_no, day, channel: channel.0 };
        found.extend(known.spare(place, read.map_err(|b| b.at("block")))?);
    }
    Ok(found)
}

/// Texts of a row's block that came up to a journal position, none when they are damaged.
pub(crate) fn block_texts(known: &Known, row: &Row, up_to: Option<Seq>) -> Result<Vec<TextSample>> {
    let (unit_no, day) = (row.int("unit_no")?, row.int("day")?);
    let read =
        known.spare(Place::Block { unit_no, day }, block_of(row, |block| Ok(Some(block.texts_to(up_to)))))?;
    let texts = read.map_or(Ok(Vec::new()), |read| {
        known.spare(Place::Texts { unit_no, day }, read.map_err(|b| b.at("block")))
    })?;
    Ok(texts)
}

/// Samples of a journal row, whose sum is checked when it has one.
pub(crate) fn row_samples(row: &Row) -> Result<Vec<Sample>> {
    let seq = row.int("seq")?;
    let (packed, extras) = (row.blob("packed")?, row.maybe_blob("extras")?);
    checked(row, &[&packed, extras.as_deref().unwrap_or_default()])?
        .and_then(|()| message::unpack(&packed))
        .map_err(|b| b.at(format!("journal {seq}")))
}

/// Texts and units of measure of a journal row. [`row_samples`] checks the sum.
pub(crate) fn texts_and_uoms(row: &Row) -> Result<(Vec<TextSample>, Vec<notchwatch_model::UomUse>)> {
    let seq = row.int("seq")?;
    extras::unpack(row.maybe_blob("extras")?.as_deref()).map_err(|b| b.at(format!("journal {seq}")))
}

/// Newest samples of a unit, whose sum is checked when they have one.
pub(crate) fn latest_samples(row: &Row) -> Result<Vec<Sample>> {
    let packed = row.blob("packed")?;
    checked(row, &[&packed])?.and_then(|()| message::unpack(&packed)).map_err(|b| b.at("latest"))
}

/// Compares bytes with the row's sum; rows of before have none.
fn checked(row: &Row, parts: &[&[u8]]) -> Result<std::result::Result<(), Broken>> {
    let right = row.maybe_int("crc")?.is_none_or(|told| told == bytes::crc(parts));
    Ok(if right { Ok(()) } else { Err(Broken("checksum does not match")) })
}
