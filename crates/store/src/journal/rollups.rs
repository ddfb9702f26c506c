//! Reading buckets: from stored rollups where a day is sealed, from samples elsewhere, with the same numbers.

use std::collections::BTreeSet;

use notchwatch_model::{ChannelIx, Span, Time, UnitKey};

use super::Rollup;
use super::read::{Wanted, samples};
use crate::damage::{Known, Place};
use crate::db::{Tx, values};
use crate::pack::rollup::{BASE, coarser, of_samples, unpack};
use crate::{Error, Result, Store};

impl Store {
    /// Buckets of one channel with `from <= time < to`, each `bucket` long and aligned to 1970, empty ones left out.
    pub async fn rollup(
        &self,
        unit: &UnitKey,
        channel: ChannelIx,
        from: Time,
        to: Time,
        bucket: Span,
    ) -> Result<Vec<Rollup>> {
        if bucket <= Span::ZERO {
            return Err(Error::Refused("a bucket has to be longer than no time".into()));
        }
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let wanted = Wanted { unit_no, from, to, only: Some(&[channel]), up_to: None };
        let mut tx = self.read().await?;
        let fine = bucket.micros() % BASE.micros() == 0;
        let found = if fine {
            coarser(base_buckets(&mut tx, &self.shared.known, &wanted, channel).await?, bucket)
        } else {
            let settled = samples(&mut tx, &self.shared.known, &wanted).await?;
            of_samples(settled.into_iter().map(|s| (s.time, s.value)), bucket)
        };
        tx.end().await?;
        Ok(found)
    }

    /// The same of several channels in one pass, in the order asked: stored days are read once, and so are the samples of
    /// days that are not sealed. The bucket has to be a multiple of half an hour.
    pub async fn unit_rollups(
        &self,
        unit: &UnitKey,
        channels: &[ChannelIx],
        (from, to): (Time, Time),
        bucket: Span,
    ) -> Result<Vec<Vec<Rollup>>> {
        if bucket <= Span::ZERO || bucket.micros() % BASE.micros() != 0 {
            return Err(Error::Refused("a bucket of several channels is a multiple of half an hour".into()));
        }
        let mut found: Vec<Vec<Rollup>> = vec![Vec::new(); channels.len()];
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(found) };
        let wanted = Wanted { unit_no, from, to, only: None, up_to: None };
        let known = &self.shared.known;
        let mut tx = self.read().await?;
        let dirty = dirty_days(&mut tx, &wanted).await?;
        let mut clean: BTreeSet<i64> = BTreeSet::new();
        for row in tx.fetch(SEALED, values![unit_no, first_whole_day(from), to.day()]).await? {
            let day = row.int("day")?;
            if dirty.iter().any(|(from, to)| (*from..=*to).contains(&day)) {
                continue;
            }
            let packed = row.blob("packed")?;
            let read = channels
                .iter()
                .map(|channel| unpack(&packed, day, |c| c == *channel))
                .collect::<std::result::Result<Vec<_>, _>>();
            let place = Place::Rollup { unit_no, day };
            if let Some(sealed) = known.spare(place, read.map(Some).map_err(|b| b.at("rollup")))? {
                found.iter_mut().zip(sealed).for_each(|(all, day)| all.extend(day));
                clean.insert(day);
            }
        }
        for (from, to) in gaps(from, to, &clean) {
            let settled = samples(&mut tx, known, &Wanted { from, to, ..wanted }).await?;
            for (all, channel) in found.iter_mut().zip(channels) {
                let own = settled.iter().filter(|s| s.channel == *channel).map(|s| (s.time, s.value));
                all.extend(of_samples(own, BASE));
            }
        }
        tx.end().await?;
        for all in &mut found {
            all.sort_by_key(|bucket| bucket.from);
        }
        Ok(found.into_iter().map(|all| coarser(all, bucket)).collect())
    }
}

/// Sealed rollups of a unit within some days.
const SEALED: &str =
    "SELECT day, packed FROM rollup WHERE unit_no = $1 AND day >= $2 AND day < $3 ORDER BY day";

fn first_whole_day(from: Time) -> i64 {
    (from + Span::from_micros(86_400_000_000 - 1)).day()
}

/// Half-hour buckets in order of time.
async fn base_buckets(
    tx: &mut Tx,
    known: &Known,
    wanted: &Wanted<'_>,
    channel: ChannelIx,
) -> Result<Vec<Rollup>> {
    let mut buckets = Vec::new();
    let mut clean: BTreeSet<i64> = BTreeSet::new();
    let dirty = dirty_days(tx, wanted).await?;
    for row in
        tx.fetch(SEALED, values![wanted.unit_no, first_whole_day(wanted.from), wanted.to.day()]).await?
    {
        let day = row.int("day")?;
        if dirty.iter().any(|(from, to)| (*from..=*to).contains(&day)) {
            continue;
        }
        // A damaged one is computed from samples, as if the day were not sealed.
        let read = unpack(&row.blob("packed")?, day, |c| c == channel).map_err(|b| b.at("rollup"));
        if let Some(sealed) = known.spare(Place::Rollup { unit_no: wanted.unit_no, day }, read.map(Some))? {
            buckets.extend(sealed);
            clean.insert(day);
        }
    }
    for (from, to) in gaps(wanted.from, wanted.to, &clean) {
        let settled = samples(tx, known, &Wanted { from, to, ..*wanted }).await?;
        buckets.extend(of_samples(settled.into_iter().map(|s| (s.time, s.value)), BASE));
    }
    buckets.sort_by_key(|bucket| bucket.from);
    Ok(buckets)
}

/// Days that open rows of the journal touch.
async fn dirty_days(tx: &mut Tx, wanted: &Wanted<'_>) -> Result<Vec<(i64, i64)>> {
    let sql = "SELECT open_day, last_event FROM journal WHERE unit_no = $1 AND open_day IS NOT NULL \
               AND last_event >= $2 AND first_event < $3";
    let rows = tx.fetch(sql, values![wanted.unit_no, wanted.from, wanted.to]).await?;
    rows.iter().map(|row| Ok((row.int("open_day")?, row.time("last_event")?.day()))).collect()
}

/// Spans between the clean days.
fn gaps(from: Time, to: Time, clean: &BTreeSet<i64>) -> Vec<(Time, Time)> {
    let mut spans = Vec::new();
    let mut begin = from;
    for day in clean {
        let start = Time::EPOCH + Span::from_days(*day);
        if begin < start {
            spans.push((begin, start));
        }
        begin = start + Span::from_days(1);
    }
    if begin < to {
        spans.push((begin, to));
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_lie_between_clean_days() {
        let at = |hours| Time::EPOCH + Span::from_hours(hours);
        let days = BTreeSet::from([1, 2, 5]);
        assert_eq!(gaps(at(12), at(150), &days), [(at(12), at(24)), (at(72), at(120)), (at(144), at(150))]);
        assert_eq!(gaps(at(24), at(72), &BTreeSet::from([1, 2])), []);
    }
}
