//! Properties of what judges files of unknown channels: prefix, unit of measure, shift, gaps, repeats, and series with
//! little or nothing in them. Each on one channel (surprise) and on several (joint).

use crate::common::{Noise, epoch};
use notchwatch_detect::Settings;
use notchwatch_detect::examine::{Examined, Examiner};
use notchwatch_model::{Row, Span, Time};

const ROWS: usize = 3000;
const EVENT: usize = 2200;

/// Series with a daily swing, autocorrelation, a step and a spike; `width` channels of them.
fn story(seed: u64, width: usize) -> Vec<Row> {
    swinging(seed, width, 3.0)
}

fn swinging(seed: u64, width: usize, height: f64) -> Vec<Row> {
    let mut noise = Noise::new(seed);
    let mut slow = vec![0.0; width];
    let rows = (0..ROWS).map(|i| {
        let time = epoch() + Span::from_mins(10 * i64::try_from(i).unwrap());
        let swing = height * (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
        let values = slow.iter_mut().enumerate().map(|(c, slow)| {
            *slow = 0.5 * *slow + noise.normal();
            let step = if c == 0 && i >= EVENT { 14.0 } else { 0.0 };
            let spike = if c == 0 && i == 1500 { 30.0 } else { 0.0 };
            Some(100.0 + swing + *slow + step + spike)
        });
        Row { time, values: values.collect() }
    });
    rows.collect()
}

fn run(rows: &[Row]) -> Vec<Examined> {
    let width = rows.first().map_or(1, |r| r.values.len());
    let names: Vec<String> = (0..width).map(|c| format!("c{c}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut examiner = Examiner::generic(&names, &Settings::default()).unwrap();
    let given: Vec<Examined> = rows.iter().map(|row| examiner.row(row)).collect();
    for (i, e) in given.iter().enumerate() {
        let all = e.scores.iter().chain([&e.all]);
        assert!(all.clone().all(|s| (0.0..=1.0).contains(s)), "row {i}: {:?} {}", e.scores, e.all);
    }
    given
}

fn scaled(rows: &[Row], factor: f64, shift: f64) -> Vec<Row> {
    let value = |x: &Option<f64>| x.map(|x| factor * x + shift);
    rows.iter().map(|r| Row { time: r.time, values: r.values.iter().map(value).collect() }).collect()
}

fn alarms(given: &[Examined]) -> Vec<usize> {
    given.iter().enumerate().filter_map(|(i, e)| (e.all >= 0.5).then_some(i)).collect()
}

fn events(given: &[Examined]) -> Vec<usize> {
    given
        .iter()
        .enumerate()
        .filter_map(|(i, e)| e.scores.first().is_some_and(|s| *s >= 0.6).then_some(i))
        .collect()
}

#[test]
fn the_step_and_the_spike_are_events_one_each() {
    for seed in 1..4 {
        let given = run(&story(seed, 1));
        let found = events(&given);
        let near = |at: usize| found.iter().filter(|i| (at..at + 40).contains(*i)).count();
        assert_eq!((near(1500), near(EVENT)), (1, 1), "seed {seed}: {found:?}");
        assert!(found.len() <= 6, "seed {seed}: {found:?}");
    }
}

#[test]
fn a_lasting_step_of_one_channel_is_an_alarm_of_all_that_lasts() {
    let given = run(&swinging(5, 3, 0.5));
    let first = *alarms(&given).iter().find(|i| **i >= EVENT).unwrap();
    assert!(first < EVENT + 30, "{first}");
    assert!(given[first + 10..].iter().all(|e| e.all >= 0.5));
}

#[test]
fn later_rows_change_no_score() {
    for width in [1, 3] {
        let rows = story(6, width);
        let whole = run(&rows);
        for cut in [299, 301, 1501, 2205] {
            assert_eq!(run(&rows[..cut]), whole[..cut], "{width} channels, cut at {cut}");
        }
    }
}

/// A power of two is exact in binary, so that scores are equal; another unit of measure gives the same alarms.
#[test]
fn neither_unit_of_measure_nor_zero_matters() {
    for width in [1, 3] {
        let rows = story(7, width);
        let plain = run(&rows);
        assert!(!events(&plain).is_empty());
        for factor in [0.25, 1024.0] {
            let given = run(&scaled(&rows, factor, 0.0));
            let same = given.iter().zip(&plain).all(|(a, b)| (a.all - b.all).abs() < 1e-9);
            assert!(same, "times {factor}, {width} channels");
        }
        for (factor, shift) in [(1.8, 32.0), (-1.0, 0.0), (0.001, 5.0)] {
            let given = run(&scaled(&rows, factor, shift));
            assert_eq!(events(&given), events(&plain), "times {factor} plus {shift}, {width} channels");
        }
    }
}

#[test]
fn repeats_are_no_event_and_change_nothing_after_them() {
    for width in [1, 3] {
        let rows = story(8, width);
        let plain = run(&rows);
        let mut repeated = Vec::new();
        let mut kept = Vec::new();
        for (i, row) in rows.iter().enumerate() {
            kept.push(repeated.len());
            repeated.push(row.clone());
            if i % 7 == 0 {
                repeated.push(row.clone());
            }
        }
        let given = run(&repeated);
        let firsts: Vec<f64> = kept.iter().map(|i| given[*i].all).collect();
        assert_eq!(firsts, plain.iter().map(|e| e.all).collect::<Vec<f64>>(), "{width} channels");
        assert_eq!(events(&given).len(), events(&plain).len(), "{width} channels");
    }
}

#[test]
fn gaps_are_no_event() {
    for width in [1, 3] {
        let mut rows = story(9, width);
        rows.truncate(1400);
        let plain = events(&run(&rows));
        rows.retain(|r| {
            let hour = (r.time - epoch()).secs_f64() / 3600.0;
            !(100.0..150.0).contains(&hour) && !(190.0..191.5).contains(&hour)
        });
        let holed = events(&run(&rows));
        assert!(holed.len() <= plain.len() + 1, "{width} channels: {holed:?} against {plain:?}");
    }
}

fn series(values: impl Iterator<Item = Option<f64>>) -> Vec<Row> {
    let row = |(i, x): (usize, Option<f64>)| {
        let time: Time = epoch() + Span::from_mins(i64::try_from(i).unwrap());
        Row { time, values: vec![x, x.map(|x| 2.0 * x)] }
    };
    values.enumerate().map(row).collect()
}

#[test]
fn little_or_nothing_is_no_alarm() {
    let mut noise = Noise::new(12);
    let two_level: Vec<f64> = (0..4000).map(|_| if noise.uniform() < 0.5 { 0.0 } else { 50.0 }).collect();
    let cases: [(&str, Vec<Row>); 5] = [
        ("constant", series((0..2000).map(|_| Some(21.5)))),
        ("all missing", series((0..2000).map(|_| None))),
        ("one sample", series((0..1).map(|_| Some(3.0)))),
        ("not finite", series((0..2000).map(|i| Some(if i % 2 == 0 { f64::NAN } else { f64::INFINITY })))),
        ("two levels", series(two_level.into_iter().map(Some))),
    ];
    for (name, rows) in cases {
        let given = run(&rows);
        let rows = alarms(&given).len();
        let found = events(&given).into_iter().filter(|i| *i > 2000).count();
        assert!(rows == 0 && found == 0, "{name}: {rows} rows in alarm, {found} events after learning");
    }
}
