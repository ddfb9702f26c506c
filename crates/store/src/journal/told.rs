//! Samples for people and other programs: each with whether its time was taken from receipt.
//!
//! Owns which mark stays when a sample came more than once. Models read samples without it.

use notchwatch_model::{ChannelIx, Sample, Time, UnitKey};

use super::read::{Wanted, block_rows, block_told, journal_place, open_rows, row_samples};
use crate::{Result, Store};

/// A sample as it is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToldSample {
    /// The sample.
    pub sample: Sample,
    /// Its time was relative to receipt: it is off by as much as the message was under way.
    pub approximate: bool,
}

impl Store {
    /// Samples of some channels with `from <= time < to`, settled, by time and channel; the caller bounds the span.
    pub async fn samples_told(
        &self,
        unit: &UnitKey,
        channels: &[ChannelIx],
        from: Time,
        to: Time,
    ) -> Result<Vec<ToldSample>> {
        let Some(unit_no) = self.unit_no(unit).await? else { return Ok(Vec::new()) };
        let wanted = Wanted { unit_no, from, to, only: Some(channels), up_to: None };
        let known = &self.shared.known;
        let mut tx = self.read().await?;
        let mut found = Vec::new();
        for row in block_rows(&mut tx, &wanted).await? {
            found.extend(block_told(known, &row, wanted.only, None)?);
        }
        for row in open_rows(&mut tx, &wanted).await? {
            let (open, approximate) = (row.int("open_day")?, row.flag("approximate")?);
            let samples = known.spare(journal_place(&row)?, row_samples(&row))?;
            let fits = |s: &Sample| s.time.day() >= open && wanted.admits(s.channel);
            found.extend(samples.into_iter().filter(fits).map(|sample| (sample, approximate)));
        }
        tx.end().await?;
        found.retain(|(sample, _)| from <= sample.time && sample.time < to);
        let told = |(sample, approximate)| ToldSample { sample, approximate };
        Ok(settled(found.into_iter().map(told).collect()))
    }
}

/// One a channel and time. The mark is that of the value that stays, and of two equal ones the sure one's.
fn settled(mut found: Vec<ToldSample>) -> Vec<ToldSample> {
    found.sort_by_key(|t| (t.sample.time, t.sample.channel));
    found.dedup_by(|next, kept| {
        let same = next.sample.time == kept.sample.time && next.sample.channel == kept.sample.channel;
        if same {
            let stays = kept.sample.settle(next.sample);
            let of = |told: &ToldSample| told.sample.value.to_bits() == stays.value.to_bits();
            let sure = [&*kept, &*next].into_iter().any(|told| of(told) && !told.approximate);
            *kept = ToldSample { sample: stays, approximate: !sure };
        }
        same
    });
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mark_is_of_the_value_that_stays() {
        let told = |value: f64, approximate| ToldSample {
            sample: Sample { time: Time::EPOCH, channel: ChannelIx(0), value },
            approximate,
        };
        for (sent, stays) in [
            (vec![told(1.0, true), told(2.0, false)], told(2.0, false)),
            (vec![told(1.0, false), told(2.0, true)], told(2.0, true)),
            (vec![told(2.0, true), told(2.0, false), told(1.0, true)], told(2.0, false)),
            (vec![told(2.0, true)], told(2.0, true)),
        ] {
            let mut turned = sent.clone();
            turned.reverse();
            assert_eq!((settled(sent), settled(turned)), (vec![stays], vec![stays]));
        }
    }
}
