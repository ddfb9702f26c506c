//! What is read for the page of a unit: every channel over a stated range, its newest value, the trace of one.
//!
//! Owns the ranges, each with a bucket that bounds the points drawn and the bytes read.

use std::str::FromStr;
use std::sync::Arc;

use notchwatch_model::{ChannelDef, ChannelIx, ChannelName, ChannelValue, Principal, Span, Time, UnitKey};
use notchwatch_store::Rollup;

use crate::Desk;
use crate::bands::Band;
use crate::error::{DeskError, Result};
use crate::trace::{MAX_TRACE_POINTS, Trace, channel_of, thin};

/// How far back a unit's channels are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Range {
    /// One day, in half hours.
    Day,
    /// Seven days, in two hours.
    #[default]
    Week,
    /// Twenty-eight days, in eight hours: one a shift.
    Month,
}

impl Range {
    /// Every range, the shortest first.
    pub const ALL: [Range; 3] = [Range::Day, Range::Week, Range::Month];

    /// Its days.
    pub const fn days(self) -> i64 {
        match self {
            Range::Day => 1,
            Range::Week => 7,
            Range::Month => 28,
        }
    }

    /// Length of a bucket: 48 to 84 of them are drawn.
    pub const fn bucket(self) -> Span {
        match self {
            Range::Day => Span::from_mins(30),
            Range::Week => Span::from_hours(2),
            Range::Month => Span::from_hours(8),
        }
    }
}

impl FromStr for Range {
    type Err = String;
    fn from_str(text: &str) -> std::result::Result<Self, String> {
        let named = Range::ALL.into_iter().find(|r| r.days().to_string() == text);
        named.ok_or_else(|| format!("{text:?} is not a range: 1, 7 or 28 days"))
    }
}

/// One channel of a unit over a range.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitChannel {
    /// The channel.
    pub def: ChannelDef,
    /// Buckets by time; empty ones are left out.
    pub buckets: Vec<Rollup>,
    /// Newest value and its event time.
    pub latest: Option<(Time, f64)>,
    /// What was expected, by bucket; empty when nothing was, or when it cannot be computed now.
    pub bands: Vec<Band>,
}

impl Desk {
    /// Channels of a unit up to `to`, texts left out, in the order of the class.
    pub async fn unit_channels(
        &self,
        who: &Principal,
        key: &UnitKey,
        range: Range,
        to: Time,
    ) -> Result<Vec<UnitChannel>> {
        let wanted = self.measured(who, key).await?;
        let ixs: Vec<ChannelIx> = wanted.iter().map(|w| w.0).collect();
        let from = to - Span::from_days(range.days());
        let found = self.store().unit_rollups(key, &ixs, (from, to), range.bucket()).await?;
        let latest = self.store().latest(key, to).await?;
        let bands = match self.bands(who, key, &wanted, (range, to)).await {
            Ok(bands) => bands,
            // The page is worth more without them than not at all.
            Err(DeskError::Unavailable(_)) => Arc::default(),
            Err(error) => return Err(error),
        };
        Ok(wanted
            .into_iter()
            .zip(found)
            .map(|((ix, def), buckets)| UnitChannel {
                def,
                buckets,
                latest: latest.iter().find(|s| s.channel == ix).map(|s| (s.time, s.value)),
                bands: bands.get(&ix).cloned().unwrap_or_default(),
            })
            .collect())
    }

    /// The newest sample of each channel up to now, by event time, texts left out, in the order of the class.
    pub async fn newest(&self, who: &Principal, key: &UnitKey) -> Result<Vec<(ChannelDef, Time, f64)>> {
        let wanted = self.measured(who, key).await?;
        let newest = self.store().latest(key, self.now()).await?;
        let found = wanted.into_iter().filter_map(|(ix, def)| {
            let sample = newest.iter().find(|sample| sample.channel == ix)?;
            Some((def, sample.time, sample.value))
        });
        Ok(found.collect())
    }

    /// Channels that a unit has, texts left out, in the order of the class.
    async fn measured(&self, who: &Principal, key: &UnitKey) -> Result<Vec<(ChannelIx, ChannelDef)>> {
        let (unit, class) = self.unit(who, key).await?;
        let fitted = |c: &ChannelDef| !c.optional || unit.fitted.is_empty() || unit.fitted.contains(&c.name);
        let numbered = (0..).map(ChannelIx).zip(&class.channels);
        let measured = numbered.filter(|(_, def)| def.value != ChannelValue::Text && fitted(def));
        Ok(measured.map(|(ix, def)| (ix, def.clone())).collect())
    }

    /// One channel of a unit beside what was expected of it, over a range up to now.
    pub async fn unit_trace(
        &self,
        who: &Principal,
        key: &UnitKey,
        channel: &ChannelName,
        range: Range,
    ) -> Result<Trace> {
        let (_, class) = self.unit(who, key).await?;
        let (ix, def) = channel_of(&class, channel)?;
        let to = self.now();
        let from = to - Span::from_days(range.days());
        let points = self.fold_again(key, ix, from, to).await?;
        let rows = points.len();
        Ok(Trace {
            unit: key.clone(),
            channel: def.clone(),
            from,
            to,
            points: thin(points, from, to, MAX_TRACE_POINTS),
            rows,
            onset: None,
            symptoms: Vec::new(),
            time_to_limit: None,
        })
    }
}
