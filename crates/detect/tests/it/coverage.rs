//! Times to a limit over many courses through the whole chain: how often the crossing lies within what was told.
//!
//! An interval from one in ten to nine in ten is right when it holds four in five (coverage of a prediction interval, ISO 16269-8).
//! Courses are straight, gather pace or flatten; none is one that the forecast assumes exactly, since the onset is not told.

use crate::common::{Noise, channel, class, epoch};
use notchwatch_detect::{Plan, Settings, UnitModel};
use notchwatch_model::{
    Change, ChannelDef, Direction, Limit, OperationRule, Priority, Row, Span, StateFilter, SymptomKind,
};

/// Minutes of health first.
const HEALTHY: i64 = 5 * 1440;
/// The limit stands so many spreads above the healthy level.
const WAY: f64 = 14.0;
/// Tellings count while an hour is left.
const LEAST_LEFT_S: f64 = 3600.0;

/// One course: an exponent and the days in which the level itself comes to the limit.
struct Way {
    exponent: f64,
    days: f64,
}

/// What one channel told: p10, p50 and p90, each in seconds after the start, with the time of telling.
#[derive(Default)]
struct Told {
    tellings: Vec<(f64, [f64; 3])>,
    crossed: Option<f64>,
}

fn ways() -> Vec<Way> {
    let days = [3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0];
    [0.6, 1.0, 1.4, 2.0]
        .into_iter()
        .flat_map(|exponent| days.map(|days| Way { exponent, days: days + exponent / 10.0 }))
        .collect()
}

fn limit() -> Limit {
    Limit {
        name: "high".into(),
        high: true,
        at: 50.0 + WAY,
        deadband: 0.5,
        on_delay_s: 300,
        off_delay_s: 600,
        states: StateFilter::default(),
        priority: Priority::High,
    }
}

/// Plays every course, each on a channel of its own with noise whose minutes resemble each other.
fn play(ways: &[Way], seed: u64) -> Vec<Told> {
    let limited = |i| ChannelDef { limits: vec![limit()], ..channel(&format!("c{i}")) };
    let class = class((0..ways.len()).map(limited).collect());
    let plan = Plan::new(&class, &Settings::default());
    let mut model = UnitModel::new(&plan);
    let mut noise = Noise::new(seed);
    let mut slow = vec![0.0; ways.len()];
    let mut told: Vec<Told> = ways.iter().map(|_| Told::default()).collect();
    for minute in 0..HEALTHY + 16 * 1440 {
        #[expect(clippy::cast_precision_loss, reason = "minutes of some days")]
        let day = (minute - HEALTHY).max(0) as f64 / 1440.0;
        let values = ways.iter().zip(&mut slow).map(|(way, slow)| {
            *slow = 0.9 * *slow + 0.43 * noise.normal();
            Some(50.0 + *slow + WAY * (day / way.days).powf(way.exponent))
        });
        let row = Row { time: epoch() + Span::from_mins(minute), values: values.collect() };
        for change in model.step(&plan, &row) {
            let at = (change.at - epoch()).secs_f64();
            let place = class.channels.iter().position(|c| c.name == change.symptom.channel);
            let told = place.and_then(|place| told.get_mut(place)).unwrap();
            let numbers = &change.symptom.numbers;
            let quantiles = ["ttl_p10_s", "ttl_p50_s", "ttl_p90_s"].map(|n| numbers.get(n).copied());
            if change.symptom.kind == SymptomKind::Limit && change.change == Change::Raised {
                told.crossed.get_or_insert(at);
            } else if let [Some(p10), Some(p50), Some(p90)] = quantiles
                && told.crossed.is_none()
            {
                told.tellings.push((at, [p10, p50, p90]));
            }
        }
    }
    told
}

#[test]
fn four_in_five_cross_within_what_was_told() {
    let ways = ways();
    let all = play(&ways, 61);
    let (mut with, mut within, mut sooner, mut later) = (0.0, 0.0, 0.0, 0.0);
    let mut errors = Vec::new();
    for told in &all {
        let crossed = told.crossed.unwrap();
        let left = told.tellings.iter().map(|(at, q)| (crossed - at, q)).filter(|(t, _)| *t >= LEAST_LEFT_S);
        let left: Vec<(f64, &[f64; 3])> = left.collect();
        if left.is_empty() {
            continue;
        }
        with += 1.0;
        #[expect(clippy::cast_precision_loss, reason = "some tellings a course")]
        let each = 1.0 / left.len() as f64;
        for (truth, [p10, p50, p90]) in left {
            if truth < *p10 {
                sooner += each;
            } else if truth > *p90 {
                later += each;
            } else {
                within += each;
            }
            errors.push((p50 - truth).abs() / truth);
        }
    }
    errors.sort_by(f64::total_cmp);
    let middle = errors.get(errors.len() / 2).copied().unwrap_or(f64::INFINITY);
    let shares = [within, sooner, later].map(|share| share / with);
    println!(
        "told for {with} of {}: within, sooner, later {shares:.2?}; median error {middle:.2}",
        ways.len()
    );
    assert!(with >= 22.0, "told for {with} of {}", ways.len());
    assert!((0.7..=0.95).contains(&shares[0]), "within {shares:.2?}");
    assert!(shares[1] < 0.2 && shares[2] < 0.2, "within, sooner, later {shares:.2?}");
    assert!(middle < 0.5, "median error {middle:.2}");
}

/// A fault that shows at full load only: its time is told for that load, also from blocks at idle, which say nothing of its size.
#[test]
fn a_time_told_at_idle_leaves_the_size_alone() {
    let mut x = channel("x");
    x.limits = vec![limit()];
    let mut small = class(vec![channel("notch"), x]);
    small.operation = OperationRule { notch: Some(small.channels[0].name.clone()), ..small.operation };
    small.channels[0].judged = false;
    let plan = Plan::new(&small, &Settings::default());
    let (mut model, mut noise) = (UnitModel::new(&plan), Noise::new(62));
    let (mut told, mut crossed) = (0, false);
    for minute in 0..HEALTHY + 10 * 1440 {
        let notch = if minute / 60 % 4 == 0 { 8.0 } else { 0.0 };
        #[expect(clippy::cast_precision_loss, reason = "minutes of some days")]
        let day = (minute - HEALTHY).max(0) as f64 / 1440.0;
        let x = 50.0 + noise.normal() + if notch > 0.0 { WAY * day / 8.0 } else { 0.0 };
        let row = Row { time: epoch() + Span::from_mins(minute), values: vec![Some(notch), Some(x)] };
        for change in model.step(&plan, &row) {
            let symptom = &change.symptom;
            crossed |= symptom.kind == SymptomKind::Limit;
            if !crossed && let Some(slot) = symptom.numbers.get("ttl_slot") {
                told += 1;
                assert!((slot - 9.0).abs() < 1e-9, "{symptom:?}");
                assert!(symptom.direction == Direction::Up && symptom.spreads > 0.9, "{symptom:?}");
            }
        }
    }
    assert!(crossed && told >= 3, "told {told} times");
}
