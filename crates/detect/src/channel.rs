//! One channel of one unit: what sifts its samples, what judges them, and the book of its symptoms.
//!
//! Owns the order of the chain: quality first, models only on what passed. Limits and ties are `bounds`'.

use notchwatch_model::{ChannelValue, Direction, Span, SymptomChange, SymptomKind, Time};
use serde::{Deserialize, Serialize};

use crate::book::{Book, Report, bit};
use crate::counter::Counter;
use crate::duty::{self, Duty};
use crate::expression::{Expression, Heard, Usual};
use crate::judge::{Around, Judge, Judgement};
use crate::moment::Moment;
use crate::pace::Pace;
use crate::plan::ChannelPlan;
use crate::quality::Quality;
use crate::timer::Timer;
use crate::track::{Point, Track};
use crate::verdict::{self, Subject};

/// Clean samples after which a counter's reset is history.
const COUNTER_CALM: u16 = 30;
/// A jump into another unit of measure is looked for once the notch has been held this long, or as long as the channel
/// takes to settle: exhaust follows load within minutes (common practice).
const JUMP_SETTLED: Span = Span::from_mins(5);
/// A reading in another unit of measure agrees within so many spreads of what is expected, or within that share of it: warm
/// or cold, settled or not.
const AGREES: f64 = 6.0;
const AGREES_SHARE: f64 = 0.25;

/// State of one channel.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Channel {
    pub(crate) pace: Pace,
    pub(crate) quality: Quality,
    expression: Expression,
    counter: Option<Counter>,
    pub(crate) judge: Option<Box<Judge>>,
    pub(crate) limits: Vec<Timer>,
    pub(crate) ties: Vec<Timer>,
    pub(crate) book: Book,
    /// What a flag is judged by.
    duty: Option<Box<Duty>>,
    /// A finding holds its data out of the baselines.
    pub(crate) held: bool,
}

/// A sample that passed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clean {
    pub(crate) x: f64,
    /// Difference to the clean sample before, when there was no gap.
    pub(crate) step: Option<f64>,
}

impl Channel {
    /// First pass: quality, counters, stuck. Returns the sample when it passed.
    pub(crate) fn sift(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        x: f64,
        out: &mut Vec<SymptomChange>,
    ) -> Option<Clean> {
        let time = moment.time;
        let interval = self.pace.observe(time);
        let gap = interval.is_none_or(|i| self.pace.is_gap(i));
        let before = self.quality.last;
        // What moves fast after a change of notch may jump to anything.
        let usual =
            self.quality.usual(plan).filter(|_| !gap && moment.lasted >= plan.settle.min(JUMP_SETTLED));
        let heard = self.expression.step(&plan.others, x, usual);
        if self.withhold(plan, moment, x, heard, out) {
            return None;
        }
        let fault = self.quality.step(plan, time, x);
        self.report_quality(plan, moment, x, before, out);
        if fault.is_some() {
            return None;
        }
        if plan.value == ChannelValue::Counter {
            self.count(plan, time, x, out);
        }
        if plan.judged && !duty::judged(plan) {
            self.watch_stuck(plan, moment, x, out);
        }
        Some(Clean { x, step: before.filter(|_| !gap).map(|(_, last)| x - last) })
    }

    /// Between the passes: whether a sample that passed agrees with another unit of measure than the channel's, given what
    /// the operating state lets one expect. Such a sample goes no further.
    pub(crate) fn misread(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        x: f64,
        covariates: &[f64],
        out: &mut Vec<SymptomChange>,
    ) -> bool {
        if plan.others.is_empty() {
            return false;
        }
        let slot = moment.state.regime.slot().and_then(|s| u8::try_from(s).ok());
        let expected =
            slot.zip(self.judge.as_deref()).and_then(|(slot, judge)| judge.expects(slot, covariates));
        let Some((value, spread)) = expected else { return false };
        let within = if moment.lasted >= plan.settle { AGREES * spread } else { 0.0 };
        let usual = Usual { value, within, share: AGREES_SHARE };
        let heard = self.expression.check(&plan.others, x, usual);
        self.withhold(plan, moment, x, heard, out)
    }

    fn withhold(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        x: f64,
        heard: Heard,
        out: &mut Vec<SymptomChange>,
    ) -> bool {
        match heard {
            Heard::Plain => return false,
            Heard::Withheld => {}
            Heard::Ended => self.book.clear(SymptomKind::UomChange, moment.time, out),
            Heard::Found => {
                let mut numbers = vec![("measured", x)];
                numbers.extend(self.quality.last.map(|(_, last)| ("expected", last)));
                let report = Report { numbers, ..plain(SymptomKind::UomChange, moment, "expression") };
                self.book.raise(plan, moment.time, report, out);
            }
        }
        true
    }

    /// Second pass: the models. `None` when the channel is not judged now, or nothing is expected of it yet.
    pub(crate) fn judge(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        clean: Clean,
        covariates: &[f64],
        out: &mut Vec<SymptomChange>,
    ) -> Option<Judgement> {
        let slot = moment.state.regime.slot().and_then(|s| u8::try_from(s).ok())?;
        if !plan.judged || !plan.judged_in.admits(moment.state) || moment.lasted < plan.settle {
            return None;
        }
        if moment.starting(plan.after_start) {
            return None;
        }
        let means;
        let (clean, covariates) = if duty::judged(plan) {
            let (share, of) = self.duty.get_or_insert_default().take(slot, clean.x, covariates)?;
            means = of;
            (Clean { x: share, step: None }, means.get(..covariates.len()).unwrap_or_default())
        } else {
            (clean, covariates)
        };
        let judge = self.judge.get_or_insert_with(|| {
            let mut judge = Box::<Judge>::default();
            judge.floor.resolution = plan.resolution;
            if duty::judged(plan) {
                judge.level.wander.known(duty::OVER, moment.settings.block_samples);
            }
            judge
        });
        let around = Around {
            settings: moment.settings,
            time: moment.time,
            slot,
            pace: &self.pace,
            covariates,
            step: clean.step,
            sisters: plan.sisters,
            frozen: self.held || !self.book.is_empty() || judge.suspect(moment.settings),
        };
        let judgement = judge.take(clean.x, &around)?;
        self.report_judgement(plan, moment, &judgement, out);
        Some(judgement)
    }

    /// Begins anew with as-built levels, by slot of the operating state.
    pub(crate) fn begin(
        &mut self,
        plan: &ChannelPlan,
        time: Time,
        levels: impl Iterator<Item = (Option<u8>, f64, f64)>,
    ) {
        let mut judge = Box::<Judge>::default();
        judge.floor.resolution = plan.resolution;
        judge.begin(time, levels);
        self.judge = Some(judge);
        self.book.end_all();
    }

    /// Takes the distance from sister channels, for a sample that was judged.
    pub(crate) fn compare(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        point: Point,
        out: &mut Vec<SymptomChange>,
    ) {
        let frozen = self.held || !self.book.is_empty();
        let Some(judge) = self.judge.as_deref_mut() else { return };
        let frozen = frozen || judge.suspect(moment.settings);
        let size = self.pace.block(moment.settings);
        verdict::note(&[SymptomKind::Peer], &point, &mut self.book);
        let track = judge.peer.get_or_insert_with(Box::<Track>::default);
        let ready = track.ready();
        if track.take(&point, size, moment.settings, ready, !frozen) && ready {
            let subject = Subject { plan, settings: moment.settings, time: moment.time, stood: moment.stood };
            verdict::peer(subject, track, &mut self.book, out);
        }
    }

    fn report_quality(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        x: f64,
        before: Option<(Time, f64)>,
        out: &mut Vec<SymptomChange>,
    ) {
        let tallies =
            [(SymptomKind::OutOfRange, self.quality.range), (SymptomKind::ImpossibleRate, self.quality.rate)];
        for (kind, tally) in tallies {
            let lasts = self.book.has(kind);
            if lasts && tally.clears() {
                self.book.clear(kind, moment.time, out);
            } else if !lasts && tally.raises() {
                let mut numbers = vec![("measured", x), ("bad_samples", tally.count)];
                numbers.extend(before.map(|(_, last)| ("expected", last)));
                numbers.extend(plan.range.iter().flat_map(|(l, h)| [("range_low", *l), ("range_high", *h)]));
                numbers.extend(plan.max_rate.map(|r| ("max_rate", r)));
                let size = before.map_or(0.0, |(_, last)| x - last);
                let report = Report {
                    kind,
                    direction: Direction::of(size),
                    size,
                    spreads: 0.0,
                    onset: tally.from.unwrap_or(moment.time),
                    probability: 1.0,
                    slots: bit(moment.state.regime),
                    model: "quality",
                    numbers,
                };
                self.book.raise(plan, moment.time, report, out);
            }
        }
    }

    fn count(&mut self, plan: &ChannelPlan, time: Time, x: f64, out: &mut Vec<SymptomChange>) {
        let reset = self.counter.get_or_insert_default().step(time, x, plan.max_rate);
        if let Some(entry) = self.book.find(SymptomKind::CounterReset) {
            entry.calm += 1;
            if entry.calm >= COUNTER_CALM {
                self.book.clear(SymptomKind::CounterReset, time, out);
            }
        }
        if let Some(reset) = reset {
            let report = Report {
                kind: SymptomKind::CounterReset,
                direction: Direction::Down,
                size: reset.now - reset.before,
                spreads: 0.0,
                onset: reset.from,
                probability: 1.0,
                slots: 0,
                model: "counter",
                numbers: vec![("expected", reset.before), ("measured", reset.now)],
            };
            self.book.clear(SymptomKind::CounterReset, time, out);
            self.book.raise(plan, time, report, out);
        }
    }

    fn watch_stuck(&mut self, plan: &ChannelPlan, moment: Moment<'_>, x: f64, out: &mut Vec<SymptomChange>) {
        let Some(judge) = self.judge.as_deref_mut() else { return };
        let slot = moment.state.regime.slot().and_then(|s| u8::try_from(s).ok());
        let settled = plan.judged_in.admits(moment.state) && moment.lasted >= plan.settle;
        let moving = settled && slot.is_some_and(|s| judge.moves(s));
        match judge.stuck.step(x, moving) {
            None => {}
            Some(false) => self.book.clear(SymptomKind::Stuck, moment.time, out),
            Some(true) => {
                let run_s = f64::from(judge.stuck.run) * self.pace.seconds();
                let report = Report {
                    kind: SymptomKind::Stuck,
                    direction: Direction::None,
                    size: 0.0,
                    spreads: 0.0,
                    onset: moment.time - Span::from_micros(micros(run_s)),
                    probability: judge.stuck.probability(),
                    slots: bit(moment.state.regime),
                    model: "stuck",
                    numbers: vec![
                        ("measured", x),
                        ("run_samples", f64::from(judge.stuck.run)),
                        ("longest_before", f64::from(judge.stuck.longest)),
                    ],
                };
                self.book.raise(plan, moment.time, report, out);
            }
        }
    }

    fn report_judgement(
        &mut self,
        plan: &ChannelPlan,
        moment: Moment<'_>,
        judgement: &Judgement,
        out: &mut Vec<SymptomChange>,
    ) {
        let Some(judge) = self.judge.as_deref_mut() else { return };
        let point = judgement.point;
        verdict::note(&[SymptomKind::Drift, SymptomKind::LevelShift], &point, &mut self.book);
        if judgement.judged {
            let block_s = f64::from(self.pace.block(moment.settings)) * self.pace.seconds();
            self.book.follow(plan, &point, block_s);
        }
        if let Some((left, share)) = judgement.day.and_then(|d| d.left) {
            if left {
                let numbers = vec![("pattern_share", share), ("strength", judge.season.strength())];
                let report = Report { numbers, ..plain(SymptomKind::Seasonal, moment, "stl") };
                self.book.raise(plan, moment.time, report, out);
            } else {
                self.book.clear(SymptomKind::Seasonal, moment.time, out);
            }
        }
        match judgement.noisy {
            None => {}
            Some(false) => self.book.clear(SymptomKind::Noisy, moment.time, out),
            Some(true) => {
                let noisy = &judge.noisy;
                let numbers = vec![
                    ("measured", noisy.last * point.spread),
                    ("expected", noisy.usual() * point.spread),
                    ("spread", point.spread),
                ];
                let report = Report {
                    spreads: noisy.excess(),
                    numbers,
                    ..plain(SymptomKind::Noisy, moment, "moving-range")
                };
                self.book.raise(plan, moment.time, report, out);
            }
        }
        if judgement.closed && judgement.judged {
            let subject = Subject { plan, settings: moment.settings, time: moment.time, stood: moment.stood };
            verdict::level(subject, &mut judge.level, &mut self.book, out);
        }
    }
}

/// A report of something that has no size.
fn plain(kind: SymptomKind, moment: Moment<'_>, model: &'static str) -> Report {
    Report {
        kind,
        direction: Direction::None,
        size: 0.0,
        spreads: 0.0,
        onset: moment.time,
        probability: 1.0,
        slots: bit(moment.state.regime),
        model,
        numbers: Vec::new(),
    }
}

/// Microseconds of so many seconds, held within what a span takes.
pub(crate) fn micros(seconds: f64) -> i64 {
    i64::from(crate::num::whole(seconds * 1e3, 0, u32::MAX)) * 1000
}
