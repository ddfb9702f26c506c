//! Events put into generated series: found or not, how late, and how many false ones in a year.

use std::io;
use std::path::Path;

use notchwatch_detect::Settings;
use notchwatch_detect::examine::Examiner;
use notchwatch_model::{Row, Span, Time};

use super::figure::{Board, Figure, median, real};
use super::noise::Noise;
use super::run::{alarm, fail};
use super::series::{EVENTS, KINDS, Series, inject};

/// Series of each kind and event.
const EACH: u64 = 3;
/// No event begins in the first so much of a series.
const CALM: f64 = 0.35;
/// An event is found by an alarm that begins within so many rows of its onset.
const SOON: usize = 64;
const YEAR: f64 = 365.25 * 86_400.0;

/// One series with its scores: what was put in, and the row.
pub(crate) struct Injected {
    pub(crate) kind: &'static str,
    pub(crate) event: &'static str,
    pub(crate) onset: usize,
    pub(crate) step: f64,
    pub(crate) scores: Vec<f64>,
}

#[derive(Clone, Default)]
struct Tally {
    events: usize,
    delays: Vec<f64>,
    false_count: usize,
    years: f64,
}

/// All series of this seed through the chain.
pub(crate) fn scored(seed: u64) -> io::Result<Vec<Injected>> {
    let mut all = Vec::new();
    for (k, (kind, make)) in (0..).zip(KINDS) {
        for (e, event) in (0..).zip(EVENTS) {
            for i in 0..EACH {
                let mut noise = Noise(((seed * 101 + k) * 101 + e) * 101 + i);
                let mut series = make(&mut noise);
                let rows = real(series.values.len());
                let onset = noise.row(whole(rows * CALM), whole(rows * 0.9));
                inject(&mut series, event, onset, &mut noise);
                all.push(Injected { kind, event, onset, step: series.step, scores: scores(&series)? });
            }
        }
    }
    Ok(all)
}

pub(crate) fn board(_data: &Path) -> io::Result<Board> {
    let all = scored(1)?;
    let mut notes = vec![
        "Invented series and events; sizes of 3 to 7 spreads of all rows before. Found: an alarm begins within 64 rows of the onset.\n"
            .to_owned(),
        "| | events | found % | median delay, rows | false a series-year |".to_owned(),
        "| --- | --- | --- | --- | --- |".to_owned(),
    ];
    for event in EVENTS {
        notes.push(Tally::of(all.iter().filter(|s| s.event == event)).line(event));
    }
    for (kind, _) in KINDS {
        notes.push(Tally::of(all.iter().filter(|s| s.kind == kind)).line(kind));
    }
    let tally = Tally::of(all.iter());
    // Nobody publishes such figures: what is wanted is what was seen, with room.
    let name = |what: &str| format!("injected events, {} series, {what}", all.len());
    let figures = vec![
        Figure::high(&name("found, %"), tally.found(), 80.0, "none"),
        Figure::low(&name("median delay, rows"), median(&tally.delays), 12.0, "none"),
        Figure::low(&name("false a series-year"), tally.false_rate(), 40.0, "none"),
    ];
    Ok(Board { title: "Events injected into generated series", figures, notes })
}

impl Tally {
    fn of<'a>(all: impl Iterator<Item = &'a Injected>) -> Self {
        let mut tally = Self::default();
        for one in all {
            tally.events += 1;
            tally.years += real(one.scores.len()) * one.step / YEAR;
            let begins = (1..one.scores.len()).filter(|i| {
                let score = |i: usize| one.scores.get(i).copied().unwrap_or(0.0);
                alarm(score(*i)) && (!alarm(score(i - 1)) || score(*i) >= EVENT)
            });
            let (after, before): (Vec<usize>, Vec<usize>) = begins.partition(|i| *i >= one.onset);
            tally.delays.extend(after.iter().map(|i| i - one.onset).find(|late| *late <= SOON).map(real));
            tally.false_count += before.len();
            // What follows an event is about it for as long as it may last.
            tally.years -= real(one.scores.len() - one.onset) * one.step / YEAR;
        }
        tally
    }

    fn found(&self) -> f64 {
        100.0 * real(self.delays.len()) / real(self.events.max(1))
    }

    fn false_rate(&self) -> f64 {
        real(self.false_count) / self.years.max(1e-9)
    }

    fn line(&self, name: &str) -> String {
        format!(
            "| {name} | {} | {:.0} | {:.0} | {:.1} |",
            self.events,
            self.found(),
            median(&self.delays),
            self.false_rate()
        )
    }
}

/// A score from which a row begins an event.
const EVENT: f64 = 0.6;

fn scores(series: &Series) -> io::Result<Vec<f64>> {
    let mut examiner = Examiner::generic(&["x"], &Settings::default()).map_err(fail)?;
    let start = Time::from_secs_f64(1_767_225_600.0).map_err(fail)?;
    let mut scores = Vec::with_capacity(series.values.len());
    let mut time = start;
    let step = Span::from_secs(i64::from(whole_seconds(series.step)));
    for x in &series.values {
        scores.push(examiner.row(&Row { time, values: vec![Some(*x)] }).all);
        time = time + step;
    }
    Ok(scores)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rows of a series")]
fn whole(x: f64) -> usize {
    x as usize
}

#[expect(clippy::cast_possible_truncation, reason = "seconds between rows: hours at most")]
fn whole_seconds(x: f64) -> i32 {
    x as i32
}
