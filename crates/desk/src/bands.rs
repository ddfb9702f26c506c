//! What was expected of every channel of a unit, in the buckets of its page.
//!
//! Owns the bands and the copy that serves the page again: one fold of the unit gives all of its channels, and a page
//! that refreshes itself with each event must not fold a month every time.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use notchwatch_model::{ChannelDef, ChannelIx, Principal, Span, Time, UnitKey};

use crate::Desk;
use crate::channels::Range;
use crate::error::Result;
use crate::evidence::TracePoint;

/// How long bands serve again.
const KEPT: Duration = Duration::from_mins(10);
/// Units whose bands are kept; the oldest go.
const MOST_KEPT: usize = 64;

/// What was expected of a channel within one bucket: the mean over the rows for which there was an expectation, as the
/// mean of what was measured is over its samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Begin of the bucket.
    pub from: Time,
    /// As expected, in the channel's stored unit of measure.
    pub expected: f64,
    /// Robust spread of the expectation, in the same.
    pub spread: f64,
}

/// Bands by channel, each by time.
pub(crate) type Bands = BTreeMap<ChannelIx, Vec<Band>>;

/// Bands that serve again.
#[derive(Debug)]
pub(crate) struct Kept {
    at: Instant,
    of: (UnitKey, i64),
    bands: Arc<Bands>,
}

impl Desk {
    /// Bands of some channels of a unit over a range up to `to`; channels without any expectation are left out. Errors
    /// with [`crate::DeskError::Unavailable`] while too many pictures are being drawn.
    pub(crate) async fn bands(
        &self,
        who: &Principal,
        key: &UnitKey,
        wanted: &[(ChannelIx, ChannelDef)],
        (range, to): (Range, Time),
    ) -> Result<Arc<Bands>> {
        self.unit(who, key).await?;
        let of = (key.clone(), range.days());
        if let Some(known) = self.known_bands(&of).await {
            return Ok(known);
        }
        let channels: Vec<ChannelIx> = wanted.iter().filter(|(_, c)| c.judged).map(|(ix, _)| *ix).collect();
        let mut sums = Sums::new(range.bucket());
        if !channels.is_empty() {
            let from = to - Span::from_days(range.days());
            self.fold_each(key, &channels, (from, to), |points| sums.add(&points)).await?;
        }
        let bands = Arc::new(sums.bands());
        let mut kept = self.inner.bands.lock().await;
        kept.retain(|k| k.of != of);
        if kept.len() >= MOST_KEPT {
            kept.remove(0);
        }
        kept.push(Kept { at: Instant::now(), of, bands: bands.clone() });
        Ok(bands)
    }

    async fn known_bands(&self, of: &(UnitKey, i64)) -> Option<Arc<Bands>> {
        let mut kept = self.inner.bands.lock().await;
        kept.retain(|k| k.at.elapsed() < KEPT);
        kept.iter().find(|k| k.of == *of).map(|k| k.bands.clone())
    }
}

/// Sums a bucket.
#[derive(Debug, Default, Clone, Copy)]
struct Sum {
    rows: u32,
    expected: f64,
    spread: f64,
}

/// Sums by channel and bucket.
#[derive(Debug)]
struct Sums {
    bucket: i64,
    sums: BTreeMap<(ChannelIx, i64), Sum>,
}

impl Sums {
    fn new(bucket: Span) -> Self {
        Self { bucket: bucket.micros().max(1), sums: BTreeMap::new() }
    }

    fn add(&mut self, points: &[TracePoint]) {
        for point in points {
            if let (Some(expected), Some(spread)) = (point.expected, point.spread) {
                let place = point.time.micros().div_euclid(self.bucket);
                let sum = self.sums.entry((point.channel, place)).or_default();
                sum.rows += 1;
                sum.expected += expected;
                sum.spread += spread;
            }
        }
    }

    fn bands(self) -> Bands {
        let mut bands = Bands::new();
        for ((channel, place), sum) in self.sums {
            let rows = f64::from(sum.rows);
            if let Ok(from) = Time::from_micros(place.saturating_mul(self.bucket)) {
                let band = Band { from, expected: sum.expected / rows, spread: sum.spread / rows };
                bands.entry(channel).or_default().push(band);
            }
        }
        bands
    }
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Regime;

    use super::*;

    #[test]
    fn rows_of_a_bucket_are_averaged_and_what_was_not_expected_has_no_band() {
        let at = |minutes: i64| Time::EPOCH + Span::from_mins(minutes);
        let point = |channel, minutes, expected: Option<f64>| TracePoint {
            time: at(minutes),
            channel: ChannelIx(channel),
            measured: 99.0,
            expected,
            spread: expected.map(|e| e / 10.0),
            regime: Regime::Running,
            judged: true,
        };
        let mut sums = Sums::new(Span::from_mins(30));
        sums.add(&[point(0, 0, Some(10.0)), point(1, 0, None), point(0, 29, Some(20.0))]);
        sums.add(&[point(0, 31, Some(40.0)), point(0, 32, None)]);
        let expected = vec![
            Band { from: at(0), expected: 15.0, spread: 1.5 },
            Band { from: at(30), expected: 40.0, spread: 4.0 },
        ];
        assert_eq!(sums.bands(), Bands::from([(ChannelIx(0), expected)]));
    }
}
