//! Properties of the whole chain: order, chunks, units of measure, bad numbers, and a fault that lasts.

use std::collections::BTreeSet;

use crate::common::{Noise, channel, class, epoch};
use notchwatch_detect::{Plan, Settings, UnitModel};
use notchwatch_model::{
    Change, ChannelIx, ChannelName, ChannelValue, Class, Limit, OperationRule, Priority, Row, Span,
    StateFilter, SymptomChange, SymptomKind, Tie, Uom,
};

/// A class that has one of everything.
fn rich_class(scale: f64) -> Class {
    let name = |n: &str| ChannelName::new(n).unwrap();
    let mut notch = channel("throttle_notch");
    notch.judged = false;
    let mut oil = channel("oil_pressure");
    oil.resolution = 0.5 * scale;
    oil.range = Some((0.0, 1000.0 * scale));
    oil.max_rate = Some(50.0 * scale);
    oil.covariates = vec![name("oil_temp")];
    oil.limits = vec![limit("low", false, 90.0 * scale, 5.0 * scale)];
    oil.tied = vec![Tie { to: name("oil_spare"), within: 20.0 * scale, states: StateFilter::default() }];
    let mut spare = channel("oil_spare");
    spare.resolution = 0.5 * scale;
    let mut temp = channel("oil_temp");
    temp.resolution = 0.1;
    temp.codes = vec![85.0, -127.0];
    let mut hours = channel("engine_hours");
    hours.value = ChannelValue::Counter;
    let mut channels = vec![notch, oil, spare, temp, hours];
    for i in 0..4 {
        let mut cylinder = channel(&format!("cyl_{i}"));
        cylinder.sisters = Some("cylinders".into());
        cylinder.resolution = 1.0;
        channels.push(cylinder);
    }
    let mut class = class(channels);
    class.operation = OperationRule {
        notch: Some(name("throttle_notch")),
        steady_after_s: 120,
        ..OperationRule::default()
    };
    class
}

fn limit(name: &str, high: bool, at: f64, deadband: f64) -> Limit {
    Limit {
        name: name.into(),
        high,
        at,
        deadband,
        on_delay_s: 120,
        off_delay_s: 300,
        states: StateFilter::default(),
        priority: Priority::High,
    }
}

/// Days of a unit with gaps, notches, a step on the oil pressure, codes, a reset and one cylinder that leaves.
fn story(seed: u64, minutes: i64, scale: f64) -> Vec<Row> {
    let mut noise = Noise::new(seed);
    let (mut notch, mut left, mut slow) = (0.0, 0_u32, 0.0);
    let mut rows = Vec::new();
    for minute in 0..minutes {
        if left == 0 {
            notch = if noise.uniform() < 0.6 { 0.0 } else { 4.0 };
            left = 20 + u32::from(noise.uniform() < 0.5) * 40;
        }
        left -= 1;
        slow = 0.98 * slow + 0.2 * noise.normal();
        let time = epoch() + Span::from_mins(minute);
        let swing = 4.0 * (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
        let late = minute * 3 > minutes * 2;
        let oil_temp = 70.0 + swing + slow;
        let oil =
            200.0 + 40.0 * notch - 0.8 * oil_temp + 2.0 * noise.normal() - if late { 30.0 } else { 0.0 };
        let common = 300.0 + 40.0 * notch + 5.0 * slow + swing;
        let mut values = vec![
            Some(notch),
            Some((oil * 2.0).round() / 2.0 * scale),
            Some(((oil + 3.0 * noise.normal()) * 2.0).round() / 2.0 * scale),
            Some(if noise.uniform() < 0.002 { 85.0 } else { (oil_temp * 10.0).round() / 10.0 }),
            #[expect(clippy::cast_precision_loss, reason = "minutes of some days")]
            Some(if late { 0.0 } else { 5000.0 } + minute as f64 / 60.0),
        ];
        for i in 0..4 {
            let own = if i == 2 && late { 40.0 } else { 0.0 };
            values.push(Some((common + own + 4.0 * noise.normal()).round()));
        }
        for value in values.iter_mut().skip(1) {
            if noise.uniform() < 0.02 {
                *value = None;
            }
        }
        if noise.uniform() > 0.01 && !(700..760).contains(&(minute % 5000)) {
            rows.push(Row { time, values });
        }
    }
    rows
}

fn run(class: &Class, rows: &[Row]) -> (Vec<SymptomChange>, UnitModel) {
    let plan = Plan::new(class, &Settings::default());
    let mut model = UnitModel::new(&plan);
    let changes = rows.iter().flat_map(|row| model.step(&plan, row)).collect();
    (changes, model)
}

fn bytes(model: &UnitModel) -> Vec<u8> {
    postcard::to_allocvec(model).unwrap()
}

#[test]
fn the_story_is_told_in_symptoms() {
    let (changes, model) = run(&rich_class(1.0), &story(1, 20_000, 1.0));
    let raised: BTreeSet<(String, &str)> = changes
        .iter()
        .filter(|c| c.change == Change::Raised)
        .map(|c| (c.symptom.channel.to_string(), c.symptom.kind.word()))
        .collect();
    let has = |channel: &str, kind: &str| raised.iter().any(|(c, k)| c == channel && *k == kind);
    assert!(has("oil_pressure", "level-shift"), "{raised:?}");
    assert!(has("cyl_2", "peer") && has("cyl_2", "level-shift"), "{raised:?}");
    assert!(has("engine_hours", "counter-reset"), "{raised:?}");
    for quiet in ["cyl_0", "cyl_1", "cyl_3", "oil_temp", "throttle_notch"] {
        assert!(raised.iter().all(|(c, _)| c != quiet), "{quiet}: {raised:?}");
    }
    let step = changes.iter().find(|c| c.symptom.channel.as_str() == "oil_pressure").unwrap();
    let lag = (step.symptom.detected - (epoch() + Span::from_mins(13_334))).secs_f64() / 3600.0;
    assert!((0.0..6.0).contains(&lag), "detected {lag} h after the step");
    assert!((step.symptom.size + 30.0).abs() < 8.0 && step.symptom.spreads < -4.0, "{:?}", step.symptom);
    assert!(step.symptom.numbers.contains_key("expected") && step.symptom.numbers.contains_key("measured"));
    let size = bytes(&model).len();
    println!("state: {size} bytes for 9 channels");
    assert!(size < 9 * 4096, "{size} bytes for 9 channels");
}

#[test]
fn chunks_do_not_matter() {
    let class = rich_class(1.0);
    let plan = Plan::new(&class, &Settings::default());
    for seed in 2..5 {
        let rows = story(seed, 9000, 1.0);
        let (whole, end) = run(&class, &rows);
        let mut noise = Noise::new(seed + 100);
        let mut model = UnitModel::new(&plan);
        let mut changes = Vec::new();
        for row in &rows {
            if noise.uniform() < 0.01 {
                model = postcard::from_bytes(&bytes(&model)).unwrap();
            }
            changes.extend(model.step(&plan, row));
        }
        assert_eq!(changes, whole, "seed {seed}");
        assert_eq!(bytes(&model), bytes(&end), "seed {seed}");
    }
}

#[test]
fn later_rows_change_nothing_said_before() {
    let class = rich_class(1.0);
    let rows = story(6, 15_000, 1.0);
    let (whole, _) = run(&class, &rows);
    for cut in [3000, 9000, 12_000] {
        let (part, _) = run(&class, &rows[..cut]);
        let until = rows[cut - 1].time;
        let before: Vec<&SymptomChange> = whole.iter().filter(|c| c.at <= until).collect();
        assert_eq!(part.iter().collect::<Vec<_>>(), before, "cut at {cut}");
    }
}

#[test]
fn rows_that_are_not_later_change_nothing() {
    let class = rich_class(1.0);
    let plan = Plan::new(&class, &Settings::default());
    let rows = story(7, 3000, 1.0);
    let (_, mut model) = run(&class, &rows);
    let before = bytes(&model);
    for row in rows.iter().rev().take(50) {
        assert!(model.step(&plan, row).is_empty());
    }
    assert_eq!(bytes(&model), before);
}

/// Expressed in another unit of measure, the same data gives the same symptoms. A power of two is exact in binary, so
/// everything must be equal; a power of ten must give the same events.
#[test]
fn the_unit_of_measure_does_not_matter() {
    let (plain, _) = run(&rich_class(1.0), &story(8, 20_000, 1.0));
    let events = |changes: &[SymptomChange]| -> Vec<_> {
        changes.iter().map(|c| (c.at, c.symptom.id(), c.change, c.symptom.direction)).collect()
    };
    assert!(plain.iter().any(|c| c.symptom.channel.as_str() == "oil_pressure"));
    for scale in [0.125, 1024.0] {
        let (scaled, _) = run(&rich_class(scale), &story(8, 20_000, scale));
        assert_eq!(events(&scaled), events(&plain), "times {scale}");
        for (s, p) in scaled.iter().zip(&plain) {
            assert_eq!((s.symptom.spreads, s.symptom.onset), (p.symptom.spreads, p.symptom.onset));
        }
    }
    let (scaled, _) = run(&rich_class(1000.0), &story(8, 20_000, 1000.0));
    assert_eq!(events(&scaled), events(&plain));
}

#[test]
fn nothing_that_is_not_a_number_leaves() {
    let class = rich_class(1.0);
    let plan = Plan::new(&class, &Settings::default());
    let mut noise = Noise::new(9);
    let mut rows = story(9, 12_000, 1.0);
    let bad = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE, -0.0, 1e30, 1e-300];
    for row in &mut rows {
        for value in &mut row.values {
            if noise.uniform() < 0.02 {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
                let pick = (noise.uniform() * 8.0) as usize;
                *value = Some(bad[pick.min(7)]);
            }
        }
    }
    let mut model = UnitModel::new(&plan);
    for row in &rows {
        for change in model.step(&plan, row) {
            let s = &change.symptom;
            let all = [s.size, s.spreads, s.probability];
            assert!(all.iter().chain(s.numbers.values()).all(|x| x.is_finite()), "{s:?}");
            assert!((0.0..=1.0).contains(&s.probability));
        }
        for i in 0..9 {
            if let Some(judged) = model.trace(&plan, ChannelIx(i)) {
                let numbers = [Some(judged.measured), judged.expected, judged.spread, Some(judged.score)];
                assert!(numbers.iter().flatten().all(|x| x.is_finite()), "{judged:?}");
            }
        }
    }
}

/// A single channel of white noise about 50, with what is added by minute.
fn lone(class: &Class, minutes: i64, seed: u64, add: impl Fn(i64) -> f64) -> Vec<Row> {
    let mut noise = Noise::new(seed);
    let width = class.channels.len();
    (0..minutes)
        .map(|minute| {
            let x = 50.0 + noise.normal() + add(minute);
            Row { time: epoch() + Span::from_mins(minute), values: vec![Some(x); width] }
        })
        .collect()
}

#[test]
fn a_fault_never_becomes_normal_by_lasting_and_an_accepted_level_does() {
    let class = class(vec![channel("x")]);
    let plan = Plan::new(&class, &Settings::default());
    let rows = lone(&class, 60 * 1440, 10, |m| if m > 5000 { 4.0 } else { 0.0 });
    let mut model = UnitModel::new(&plan);
    let changes: Vec<SymptomChange> = rows.iter().flat_map(|row| model.step(&plan, row)).collect();
    let lives: Vec<Change> = changes.iter().map(|c| c.change).filter(|c| *c != Change::Revised).collect();
    assert_eq!(lives, [Change::Raised], "55 days of the new level");
    let expected = model.trace(&plan, ChannelIx(0)).unwrap().expected.unwrap();
    assert!((expected - 50.0).abs() < 0.5, "still expected {expected}");
    let name = class.channels[0].name.clone();
    model.accept_level(&plan, std::slice::from_ref(&name));
    let mut after = Vec::new();
    let mut noise = Noise::new(11);
    for minute in 0..6 * 1440 {
        let time = epoch() + Span::from_days(60) + Span::from_mins(minute);
        let change = if minute > 4 * 1440 { 4.0 } else { 0.0 };
        after.extend(model.step(&plan, &Row { time, values: vec![Some(54.0 + change + noise.normal())] }));
        if minute == 3 * 1440 {
            assert!(model.learning(&plan).is_empty());
        }
    }
    let lives: Vec<Change> = after.iter().map(|c| c.change).filter(|c| *c != Change::Revised).collect();
    assert_eq!(lives, [Change::Cleared, Change::Raised], "{after:?}");
    assert!((after[1].symptom.size - 4.0).abs() < 1.0, "judged against the accepted level");
}

#[test]
fn held_data_stays_out_of_the_baseline() {
    let class = class(vec![channel("x")]);
    let plan = Plan::new(&class, &Settings::default());
    let mut model = UnitModel::new(&plan);
    // A rise too small for a symptom, which a held channel must not learn.
    for row in lone(&class, 30 * 1440, 12, |m| if m > 5000 { 0.9 } else { 0.0 }) {
        if row.time == epoch() + Span::from_mins(5000) {
            model.hold(&plan, &BTreeSet::from([class.channels[0].name.clone()]));
        }
        assert!(model.step(&plan, &row).is_empty());
    }
    let expected = model.trace(&plan, ChannelIx(0)).unwrap().expected.unwrap();
    assert!((expected - 50.0).abs() < 0.1, "{expected}");
}

#[test]
fn a_second_event_is_seen_as_soon_as_the_first() {
    let class = class(vec![channel("x")]);
    let shift = |m: i64| if (6000..9000).contains(&m) || m > 14_000 { 3.0 } else { 0.0 };
    let (changes, _) = run(&class, &lone(&class, 16_000, 13, shift));
    let at = |wanted: Change| -> Vec<i64> {
        changes
            .iter()
            .filter(|c| c.change == wanted)
            .map(|c| (c.at - epoch()).micros() / 60_000_000)
            .collect()
    };
    let (raised, cleared) = (at(Change::Raised), at(Change::Cleared));
    assert_eq!((raised.len(), cleared.len()), (2, 1), "{changes:?}");
    let (first, second) = (raised[0] - 6000, raised[1] - 14_000);
    assert!(first < 180 && second < 180, "minutes of delay: {first}, {second}");
    assert!((9000..9400).contains(&cleared[0]), "{cleared:?}");
}

#[test]
fn a_drift_is_named_and_says_when_it_meets_the_limit() {
    let mut x = channel("x");
    x.limits = vec![limit("high", true, 62.0, 0.5)];
    let class = class(vec![x]);
    // One spread a day from day 5 on: the limit, twelve away, is met on day 17.
    #[expect(clippy::cast_precision_loss, reason = "minutes of some days")]
    let slope = |m: i64| (m - 7200).max(0) as f64 / 1440.0;
    let (changes, _) = run(&class, &lone(&class, 20 * 1440, 14, slope));
    let raised = changes.iter().find(|c| c.change == Change::Raised).unwrap();
    assert_eq!(raised.symptom.kind, SymptomKind::Drift, "{raised:?}");
    let day = (raised.at - epoch()).secs_f64() / 86_400.0;
    assert!((5.5..8.5).contains(&day), "raised on day {day}");
    let told: Vec<(f64, f64)> = changes
        .iter()
        .filter(|c| c.symptom.kind == SymptomKind::Drift)
        .filter_map(|c| {
            let at = (c.at - epoch()).secs_f64() / 86_400.0;
            c.symptom.numbers.get("ttl_p50_s").map(|s| (at, at + s / 86_400.0))
        })
        .collect();
    let last = told.iter().rfind(|(at, _)| *at < 15.0).unwrap();
    assert!((last.1 - 17.0).abs() < 1.5, "{told:?}");
    assert!(changes.iter().any(|c| c.symptom.kind == SymptomKind::Limit && c.change == Change::Raised));
}

/// A value that dances about a limit within the deadband is one symptom, and clears once.
#[test]
fn a_dance_about_a_limit_is_one_symptom() {
    let mut x = channel("x");
    x.judged = false;
    x.limits = vec![limit("high", true, 100.0, 2.0)];
    let class = class(vec![x]);
    let rows: Vec<Row> = (0..300)
        .map(|minute| {
            let x = if !(20..=140).contains(&minute) {
                80.0
            } else if minute % 4 == 0 {
                99.0
            } else {
                101.0
            };
            Row { time: epoch() + Span::from_mins(minute), values: vec![Some(x)] }
        })
        .collect();
    let (changes, _) = run(&class, &rows);
    let lives: Vec<Change> = changes.iter().map(|c| c.change).collect();
    assert_eq!(lives, [Change::Raised, Change::Cleared], "{changes:?}");
    assert_eq!(changes[0].symptom.numbers.get("limit"), Some(&100.0));
}

/// Two channels that physics ties, in different units of measure: one moves away and the disagreement lasts until it
/// is back.
#[test]
fn tied_channels_that_disagree_are_a_sensor_matter() {
    let mut a = channel("a");
    a.judged = false;
    a.uom = Uom::parse("Pa").unwrap();
    a.tied = vec![Tie { to: ChannelName::new("b").unwrap(), within: 500.0, states: StateFilter::default() }];
    let mut b = channel("b");
    b.judged = false;
    b.uom = Uom::parse("hPa").unwrap();
    let class = class(vec![a, b]);
    let rows: Vec<Row> = (0..300)
        .map(|minute| {
            let a = if (100..200).contains(&minute) { 2900.0 } else { 2100.0 };
            Row { time: epoch() + Span::from_mins(minute), values: vec![Some(a), Some(20.0)] }
        })
        .collect();
    let (changes, _) = run(&class, &rows);
    let lives: Vec<(Change, SymptomKind)> = changes.iter().map(|c| (c.change, c.symptom.kind)).collect();
    assert_eq!(
        lives,
        [(Change::Raised, SymptomKind::Disagreement), (Change::Cleared, SymptomKind::Disagreement)]
    );
}
