//! The preview's clock, and evidence out of a formula.

use futures::FutureExt as _;
use futures::future::BoxFuture;
use notchwatch_desk::{Clock, EvidenceError, Level, TracePoint};
use notchwatch_model::{ChannelIx, ClassId, Regime, Span, Time, UnitKey};

use crate::made_up::now;

/// The machine's clock.
#[derive(Debug)]
pub(crate) struct Wall;

impl Clock for Wall {
    fn now(&self) -> Time {
        now()
    }
}

/// Evidence out of a formula.
#[derive(Debug)]
pub(crate) struct Evidence;

impl notchwatch_desk::Evidence for Evidence {
    fn trace(
        &self,
        _: UnitKey,
        channels: Vec<ChannelIx>,
        from: Time,
        to: Time,
    ) -> BoxFuture<'_, Result<Vec<TracePoint>, EvidenceError>> {
        let channel = channels.first().copied().unwrap_or(ChannelIx(1));
        let fault_from = now() - Span::from_days(9);
        let step = 12 * 60 * 1_000_000_i64;
        let rows = (from.micros() / step..to.micros() / step).map(move |k| {
            let time = Time::from_micros(k * step).unwrap_or_default();
            let notch = match (k / 7).rem_euclid(8) {
                0..=2 => 0,
                3 => 3,
                4 => 5,
                5 | 6 => 8,
                _ => 4,
            };
            let hours = time.secs_f64() / 3600.0;
            let noise = (hours * 611.7).sin() * 0.5;
            let expected = 380_000.0 + 22_000.0 * f64::from(notch) + 6_000.0 * (hours / 12.0).sin();
            let gone = ((time - fault_from).secs_f64() / 86_400.0).max(0.0);
            let measured = expected + noise * 22_000.0 - gone * 8_500.0;
            TracePoint {
                time,
                channel,
                measured,
                expected: Some(expected),
                spread: Some(8_500.0),
                regime: Regime::Notch(notch),
                judged: k % 7 > 0,
            }
        });
        std::future::ready(Ok(rows.collect())).boxed()
    }

    fn levels(
        &self,
        _: ClassId,
        units: Vec<UnitKey>,
        _: ChannelIx,
        _: (Time, Time),
    ) -> BoxFuture<'_, Result<Vec<Vec<Level>>, EvidenceError>> {
        let of = |place: u32| {
            let off = f64::from(place * 7 % 12) * 900.0 - if place == 0 { 40_000.0 } else { 0.0 };
            let level = |notch: u8| Level {
                regime: Regime::Notch(notch),
                samples: 40 + place,
                middle: 380_000.0 + 22_000.0 * f64::from(notch) + off,
            };
            vec![level(0), level(4), level(8)]
        };
        let found = (0..).map(of).take(units.len()).collect();
        std::future::ready(Ok(found)).boxed()
    }
}
