//! What is read for a picture: traces of a finding's evidence, samples and rollups of a unit.
//!
//! Owns the spans and point limits, and thinning that keeps extremes. Refuses to draw.

use std::collections::BTreeSet;

use notchwatch_model::{
    ChannelDef, ChannelIx, ChannelName, Class, Finding, FindingId, Limit, Principal, Span, Symptom, Time,
    TimeToLimit, UnitKey, Uom,
};
use notchwatch_store::{Rollup, ToldSample};

use crate::Desk;
use crate::error::{DeskError, Result};
use crate::evidence::{EvidenceError, TracePoint};

/// Traces at one time.
pub(crate) const AT_ONE_TIME: usize = 2;
/// Traces that run or wait; the next caller is told to come back.
pub(crate) const MAX_WAITING: usize = 16;
/// Longest span of a trace.
pub const MAX_TRACE_SPAN: Span = Span::from_days(92);
/// Most points of a trace.
pub const MAX_TRACE_POINTS: usize = 4000;
/// Points kept a bucket when a trace is thinned: first, lowest, highest, furthest from expected.
const KEPT_A_BUCKET: usize = 4;
/// Span folded at one time: bounds the samples held in memory.
const STEP: Span = Span::from_days(7);
/// Least span shown before the onset: what normal looked like, a weekend included.
const LEAD: Span = Span::from_days(7);
/// Share of the time since the onset that is shown before it, as a divisor: a fifth.
const LEAD_SHARE: i64 = 5;
/// How long after a finding ended its trace goes on.
const TAIL: Span = Span::from_days(1);
/// Longest span of raw samples in one call.
pub const MAX_SAMPLE_SPAN: Span = Span::from_days(7);
/// Most raw samples in one call, all channels together.
pub const MAX_SAMPLE_POINTS: usize = 50_000;
/// Most buckets of a rollup in one call.
pub const MAX_ROLLUP_BUCKETS: i64 = 4000;

/// Evidence of one channel of a finding, to be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// The unit.
    pub unit: UnitKey,
    /// The channel, as the class defines it now.
    pub channel: ChannelDef,
    /// Begin of the span.
    pub from: Time,
    /// End of the span.
    pub to: Time,
    /// Measured beside expected, by time.
    pub points: Vec<TracePoint>,
    /// Rows before thinning.
    pub rows: usize,
    /// Estimated start of the finding that it is evidence of.
    pub onset: Option<Time>,
    /// Symptoms of this channel, with their onsets.
    pub symptoms: Vec<Symptom>,
    /// The projection, when it is this channel's.
    pub time_to_limit: Option<TimeToLimit>,
}

impl Trace {
    /// Limits of the class on the channel.
    pub fn limits(&self) -> &[Limit] {
        &self.channel.limits
    }
}

/// Raw samples of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// The channel.
    pub channel: ChannelName,
    /// Unit of measure of the values.
    pub uom: Uom,
    /// Samples by time.
    pub points: Vec<ToldSample>,
}

impl Desk {
    /// Evidence of one channel of a finding. Without a window the span goes from a week (or a fifth of the time
    /// since, if that is longer) before the onset to now, or to a day after the end.
    pub async fn trace(
        &self,
        who: &Principal,
        id: &FindingId,
        channel: &ChannelName,
        window: Option<(Time, Time)>,
    ) -> Result<Trace> {
        let finding = self.finding(who, id).await?;
        let (_, class) = self.unit(who, &finding.machine.unit).await?;
        let (ix, def) = channel_of(&class, channel)?;
        let (from, to) = match window {
            Some(window) => checked_window(window, MAX_TRACE_SPAN)?,
            None => span_of(&finding, self.now()),
        };
        let mut points = self.fold_again(&finding.machine.unit, ix, from, to).await?;
        let rows = points.len();
        points = thin(points, from, to, MAX_TRACE_POINTS);
        let ours = |limit: &TimeToLimit| limit.limit.split_whitespace().next() == Some(channel.as_str());
        let symptoms = finding.machine.symptoms.into_iter().filter(|s| s.channel == *channel).collect();
        Ok(Trace {
            unit: finding.machine.unit,
            channel: def.clone(),
            from,
            to,
            points,
            rows,
            onset: Some(finding.machine.onset),
            symptoms,
            time_to_limit: finding.machine.time_to_limit.filter(ours),
        })
    }

    /// Raw samples of some channels of a unit with `from <= time < to`. Refuses spans beyond [`MAX_SAMPLE_SPAN`] and
    /// answers beyond [`MAX_SAMPLE_POINTS`].
    pub async fn samples(
        &self,
        who: &Principal,
        unit: &UnitKey,
        channels: &[ChannelName],
        from: Time,
        to: Time,
    ) -> Result<Vec<Series>> {
        let (_, class) = self.unit(who, unit).await?;
        let (from, to) = checked_window((from, to), MAX_SAMPLE_SPAN)?;
        let (mut found, mut total) = (Vec::new(), 0);
        for name in channels.iter().collect::<BTreeSet<_>>() {
            let (ix, def) = channel_of(&class, name)?;
            let points = self.store().samples_told(unit, &[ix], from, to).await?;
            total += points.len();
            if total > MAX_SAMPLE_POINTS {
                return Err(DeskError::Refused(format!(
                    "more than {MAX_SAMPLE_POINTS} samples: ask for a shorter span or fewer channels"
                )));
            }
            found.push(Series { channel: name.clone(), uom: def.uom, points });
        }
        Ok(found)
    }

    /// Buckets of one channel of a unit, empty ones left out.
    pub async fn rollup(
        &self,
        who: &Principal,
        unit: &UnitKey,
        channel: &ChannelName,
        (from, to): (Time, Time),
        bucket: Span,
    ) -> Result<Vec<Rollup>> {
        let (_, class) = self.unit(who, unit).await?;
        let (ix, _) = channel_of(&class, channel)?;
        if bucket < Span::from_secs(1) || from >= to {
            return Err(DeskError::Refused(
                "a bucket has a second or more, a span begins before it ends".into(),
            ));
        }
        if (to - from).micros() / bucket.micros() > MAX_ROLLUP_BUCKETS {
            return Err(DeskError::Refused(format!(
                "more than {MAX_ROLLUP_BUCKETS} buckets: ask for a shorter span or longer buckets"
            )));
        }
        Ok(self.store().rollup(unit, ix, from, to, bucket).await?)
    }

    pub(crate) async fn fold_again(
        &self,
        unit: &UnitKey,
        ix: ChannelIx,
        from: Time,
        to: Time,
    ) -> Result<Vec<TracePoint>> {
        let mut points = Vec::new();
        self.fold_each(unit, &[ix], (from, to), |found| points.extend(found)).await?;
        Ok(points)
    }

    /// Folds a unit again and hands over the rows of some channels, a stretch at a time.
    pub(crate) async fn fold_each(
        &self,
        unit: &UnitKey,
        channels: &[ChannelIx],
        (from, to): (Time, Time),
        mut each: impl FnMut(Vec<TracePoint>),
    ) -> Result<()> {
        let _place = self.inner.trace_places.try_acquire().map_err(|_| {
            DeskError::Unavailable("too many pictures are being drawn, try again in a moment".to_owned())
        })?;
        let _turn = self.inner.tracing.acquire().await.map_err(|e| DeskError::Internal(e.to_string()))?;
        let mut begin = from;
        while begin < to {
            let end = (begin + STEP).min(to);
            let found = self.inner.evidence.trace(unit.clone(), channels.to_vec(), begin, end).await;
            each(found.map_err(evidence_error)?);
            begin = end;
        }
        Ok(())
    }
}

pub(crate) fn evidence_error(error: EvidenceError) -> DeskError {
    match error {
        EvidenceError::UnknownUnit => DeskError::NotFound,
        EvidenceError::Unavailable(what) => DeskError::Unavailable(what),
        EvidenceError::Failed(what) => DeskError::Internal(what),
    }
}

pub(crate) fn channel_of<'a>(class: &'a Class, name: &ChannelName) -> Result<(ChannelIx, &'a ChannelDef)> {
    let ix = class.channel_ix(name.as_str()).ok_or(DeskError::NotFound)?;
    Ok((ix, class.channel(ix).ok_or(DeskError::NotFound)?))
}

pub(crate) fn checked_window((from, to): (Time, Time), most: Span) -> Result<(Time, Time)> {
    if from >= to {
        return Err(DeskError::Refused("the span ends before it begins".to_owned()));
    }
    if to - from > most {
        let days = most.micros() / Span::from_days(1).micros();
        return Err(DeskError::Refused(format!("the span is longer than {days} days")));
    }
    Ok((from, to))
}

/// Span of a finding's picture.
fn span_of(finding: &Finding, now: Time) -> (Time, Time) {
    let machine = &finding.machine;
    let to =
        machine.ended.map_or(now, |(at, _)| (at + TAIL).min(now)).max(machine.changed + Span::from_mins(1));
    let share = Span::from_micros((to - machine.onset).micros().max(0) / LEAD_SHARE);
    let from = machine.onset - LEAD.max(share);
    if to - from > MAX_TRACE_SPAN { (to - MAX_TRACE_SPAN, to) } else { (from, to) }
}

/// Keeps at most `most` points: of each bucket the first, the lowest, the highest and the one furthest from expected.
pub(crate) fn thin(points: Vec<TracePoint>, from: Time, to: Time, most: usize) -> Vec<TracePoint> {
    if points.len() <= most {
        return points;
    }
    let buckets = i64::try_from(most / KEPT_A_BUCKET).unwrap_or(1).max(1);
    let width = ((to - from).micros() / buckets).max(1);
    let bucket_of = |p: &TracePoint| ((p.time - from).micros() / width).clamp(0, buckets - 1);
    points.chunk_by(|a, b| bucket_of(a) == bucket_of(b)).flat_map(extremes).collect()
}

fn extremes(bucket: &[TracePoint]) -> Vec<TracePoint> {
    let off = |p: &TracePoint| p.expected.filter(|_| p.judged).map_or(-1.0, |e| (p.measured - e).abs());
    let numbered = || bucket.iter().enumerate();
    let lowest = numbered().min_by(|a, b| a.1.measured.total_cmp(&b.1.measured));
    let highest = numbered().max_by(|a, b| a.1.measured.total_cmp(&b.1.measured));
    let furthest = numbered().max_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    let kept: BTreeSet<usize> =
        [numbered().next(), lowest, highest, furthest].into_iter().flatten().map(|(i, _)| i).collect();
    kept.into_iter().filter_map(|i| bucket.get(i)).copied().collect()
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Regime;

    use super::*;

    fn point(minute: i64, measured: f64) -> TracePoint {
        TracePoint {
            time: Time::EPOCH + Span::from_mins(minute),
            channel: ChannelIx(0),
            measured,
            expected: Some(0.0),
            spread: Some(1.0),
            regime: Regime::Running,
            judged: true,
        }
    }

    #[test]
    fn thinning_keeps_extremes_order_and_the_limit() {
        let mut points: Vec<TracePoint> = (0..20_000).map(|i| point(i, 0.0)).collect();
        points[7_777].measured = 9.0;
        points[12_345].measured = -9.0;
        let to = Time::EPOCH + Span::from_mins(20_000);
        let thinned = thin(points, Time::EPOCH, to, MAX_TRACE_POINTS);
        assert!(thinned.len() <= MAX_TRACE_POINTS && thinned.len() >= MAX_TRACE_POINTS / KEPT_A_BUCKET);
        assert!(thinned.is_sorted_by(|a, b| a.time < b.time));
        for extreme in [9.0, -9.0] {
            assert_eq!(thinned.iter().filter(|p| p.measured.total_cmp(&extreme).is_eq()).count(), 1);
        }
    }

    #[test]
    fn few_points_stay_as_they_are() {
        let points = vec![point(0, 1.0), point(1, 2.0)];
        assert_eq!(thin(points.clone(), Time::EPOCH, Time::EPOCH + Span::from_mins(2), 4000), points);
    }
}
