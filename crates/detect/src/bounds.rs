//! Bounds that a class states outright: limits with deadband and delays (IEC 62682), and ties between channels.
//!
//! Owns how a timed condition becomes a symptom. Both read clean values only, and both are facts, not estimates: their
//! probability is 1.

use notchwatch_model::{Direction, Limit, Span, SymptomChange, SymptomKind, Time};

use crate::book::{Report, bit};
use crate::channel::{Channel, micros};
use crate::moment::Moment;
use crate::plan::ChannelPlan;
use crate::timer::{Delays, Timer};
use crate::track::Point;

impl Channel {
    /// Limits of the class. `point` is what the models expected, where they did.
    pub(crate) fn check_limits(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        x: f64,
        point: Option<Point>,
        out: &mut Vec<SymptomChange>,
    ) {
        if plan.limits.is_empty() || plan.limits_after_start.is_some_and(|after| moment.starting(after)) {
            return;
        }
        self.limits.resize(plan.limits.len(), Timer::default());
        let gap = self.pace.gap();
        let mut turned = None;
        for (limit, timer) in plan.limits.iter().zip(&mut self.limits) {
            if limit.states.admits(moment.state) {
                turned =
                    timer.step(moment.time, beyond(limit, x), back(limit, x), delays(limit, gap)).or(turned);
            }
        }
        let Some((_, since)) = turned else { return };
        let worst = plan
            .limits
            .iter()
            .zip(&self.limits)
            .filter(|(_, timer)| timer.on)
            .map(|(limit, _)| limit)
            .min_by(|a, b| a.priority.cmp(&b.priority).then(a.at.total_cmp(&b.at)));
        match worst {
            None => self.book.clear(SymptomKind::Limit, moment.time, out),
            Some(limit) => {
                self.book.raise(plan, moment.time, limit_report(limit, moment, x, point, since), out);
            }
        }
    }

    /// A tie to another channel: their difference stays within a band.
    pub(crate) fn check_tie(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        index: usize,
        values: (f64, f64),
        out: &mut Vec<SymptomChange>,
    ) {
        let Some(tie) = plan.ties.get(index) else { return };
        if !tie.states.admits(moment.state) {
            return;
        }
        self.ties.resize(plan.ties.len(), Timer::default());
        let lasting = self.pace.block(moment.settings);
        let span = Span::from_micros(micros(f64::from(lasting) * self.pace.seconds()));
        let delays = Delays { on: span, off: span, gap: self.pace.gap() };
        let difference = values.0 - values.1;
        let apart = difference.abs() > tie.within;
        let Some(timer) = self.ties.get_mut(index) else { return };
        match timer.step(moment.time, apart, !apart, delays) {
            None => {}
            Some((false, _)) if self.ties.iter().any(|t| t.on) => {}
            Some((false, _)) => self.book.clear(SymptomKind::Disagreement, moment.time, out),
            Some((true, since)) => {
                let report = Report {
                    kind: SymptomKind::Disagreement,
                    direction: Direction::of(difference),
                    size: difference,
                    spreads: difference / tie.within.max(f64::MIN_POSITIVE),
                    onset: since,
                    probability: 1.0,
                    slots: bit(moment.state.regime),
                    model: "tie",
                    numbers: vec![("measured", values.0), ("expected", values.1), ("within", tie.within)],
                };
                self.book.raise(plan, moment.time, report, out);
            }
        }
    }
}

fn limit_report(limit: &Limit, moment: Moment<'_>, x: f64, point: Option<Point>, since: Time) -> Report {
    let mut numbers = vec![("measured", x), ("limit", limit.at), ("deadband", limit.deadband)];
    // Without an expectation yet, the limit itself is what the size counts from.
    let (mut size, mut spreads) = (x - limit.at, 0.0);
    if let Some(p) = point {
        numbers.extend([("expected", p.expected), ("spread", p.spread)]);
        size = x - p.expected;
        spreads = size / p.spread;
    }
    Report {
        kind: SymptomKind::Limit,
        direction: if limit.high { Direction::Up } else { Direction::Down },
        size,
        spreads,
        onset: since,
        probability: 1.0,
        slots: bit(moment.state.regime),
        model: "limit",
        numbers,
    }
}

fn beyond(limit: &Limit, x: f64) -> bool {
    if limit.high { x >= limit.at } else { x <= limit.at }
}

fn back(limit: &Limit, x: f64) -> bool {
    if limit.high { x < limit.at - limit.deadband } else { x > limit.at + limit.deadband }
}

fn delays(limit: &Limit, gap: Span) -> Delays {
    Delays {
        on: Span::from_secs(i64::from(limit.on_delay_s)),
        off: Span::from_secs(i64::from(limit.off_delay_s)),
        gap,
    }
}
