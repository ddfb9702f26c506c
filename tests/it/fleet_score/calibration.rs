//! Times to a limit that findings told, against when the limit was crossed.
//!
//! Owns what counts as a telling and as a hit. Refuses to say what is good enough.

use std::collections::BTreeMap;

use demo_feed::TruthEntry;
use notchwatch_model::{MachinePart, TimeToLimit};

use crate::fleet::chain::Outcome;

/// Seconds in an hour.
const HOUR_S: f64 = 3600.0;
/// A telling counts while at least this much was left: nobody plans by less, in seconds.
const LEAST_LEFT_S: f64 = HOUR_S;
const LEAST_LEFT_US: i64 = 3_600_000_000;

/// What the findings of one fault told of the limit that it crossed.
pub(crate) struct Told<'a> {
    pub(crate) truth: &'a TruthEntry,
    /// Tellings of the limit crossed, before it was: where the crossing lay in each.
    pub(crate) tellings: Vec<Telling>,
    /// Why the last version at least an hour before the crossing told none, where none ever did.
    pub(crate) none: Option<String>,
}

/// One telling against the truth, in seconds from when it was told.
pub(crate) struct Telling {
    pub(crate) p10: f64,
    pub(crate) p50: f64,
    pub(crate) p90: f64,
    pub(crate) truth: f64,
}

/// Figures over many faults, each of which weighs the same however often its findings told a time. Shares are 0 to 1.
#[derive(Debug)]
pub(crate) struct Calibration {
    pub(crate) faults: usize,
    pub(crate) tellings: usize,
    pub(crate) within: f64,
    pub(crate) sooner: f64,
    pub(crate) later: f64,
    pub(crate) before_median: f64,
    /// Median over the tellings of |median told - truth| / truth.
    pub(crate) error: f64,
}

/// What was told of every fault that crossed a limit.
pub(crate) fn told(outcome: &Outcome) -> Vec<Told<'_>> {
    outcome.truth.iter().filter(|t| t.course.is_some()).filter_map(|t| of_fault(outcome, t)).collect()
}

fn of_fault<'a>(outcome: &Outcome, truth: &'a TruthEntry) -> Option<Told<'a>> {
    let limit = truth.limit.as_ref()?;
    let named = format!("{} {}", limit.channel, limit.limit);
    let (onset, crossed) = (truth.onset.as_microsecond(), limit.at.as_microsecond());
    let mut versions: Vec<&MachinePart> = outcome
        .found
        .iter()
        .filter(|(key, _)| key.railway.as_str() == truth.railway && key.unit.as_str() == truth.unit)
        .flat_map(|(_, findings)| findings.values().flatten())
        .filter(|f| f.opened.micros() >= onset && f.changed.micros() < crossed)
        .collect();
    versions.sort_by_key(|f| f.changed);
    let mut tellings: BTreeMap<i64, Telling> = BTreeMap::new();
    let mut other = false;
    for time in versions.iter().filter_map(|f| f.time_to_limit.as_ref()) {
        if time.limit != named {
            other = true;
        } else if let Some(telling) = telling(time, crossed) {
            tellings.insert(time.from.micros(), telling);
        }
    }
    // Within the last hour the limit itself is reached, which hides what was said before.
    let early = |f: &&&MachinePart| f.changed.micros() <= crossed - LEAST_LEFT_US;
    let none = tellings.is_empty().then(|| match versions.iter().rfind(early) {
        None if versions.is_empty() => "no finding before the crossing".to_owned(),
        None => "found within the last hour".to_owned(),
        Some(_) if other => "another limit was told".to_owned(),
        Some(f) => f.time_to_limit_reason.clone().unwrap_or_else(|| "told within the last hour".to_owned()),
    });
    Some(Told { truth, tellings: tellings.into_values().collect(), none })
}

#[expect(clippy::cast_precision_loss, reason = "microseconds of weeks are far below 2^53")]
fn telling(time: &TimeToLimit, crossed: i64) -> Option<Telling> {
    let truth = (crossed - time.from.micros()) as f64 / 1e6;
    (truth >= LEAST_LEFT_S).then_some(Telling { p10: time.p10, p50: time.p50, p90: time.p90, truth })
}

/// Figures over what was told; `None` when nothing was.
#[expect(clippy::cast_precision_loss, reason = "counts of faults and tellings")]
pub(crate) fn calibration(told: &[Told<'_>]) -> Option<Calibration> {
    let with: Vec<&Told<'_>> = told.iter().filter(|t| !t.tellings.is_empty()).collect();
    let share = |hit: &dyn Fn(&Telling) -> bool| {
        let of =
            |t: &&Told<'_>| t.tellings.iter().filter(|x| hit(x)).count() as f64 / t.tellings.len() as f64;
        with.iter().map(of).sum::<f64>() / with.len() as f64
    };
    let mut errors: Vec<f64> =
        with.iter().flat_map(|t| &t.tellings).map(|x| (x.p50 - x.truth).abs() / x.truth).collect();
    errors.sort_by(f64::total_cmp);
    let error = *errors.get(errors.len() / 2)?;
    Some(Calibration {
        faults: with.len(),
        tellings: errors.len(),
        within: share(&|x| (x.p10..=x.p90).contains(&x.truth)),
        sooner: share(&|x| x.truth < x.p10),
        later: share(&|x| x.truth > x.p90),
        before_median: share(&|x| x.truth < x.p50),
        error,
    })
}
