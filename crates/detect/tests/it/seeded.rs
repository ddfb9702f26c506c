//! As-built levels: a channel judges by them at once, says so, and goes over to what it has learned itself.

use crate::common::{Noise, channel, class, epoch};
use notchwatch_detect::{Plan, Settings, UnitModel};
use notchwatch_model::{
    AsBuilt, Change, ChannelName, Class, FindingKind, OperationRule, Regime, Row, Span, SymptomChange,
};

fn level(name: &str, state: Option<Regime>, level: f64) -> AsBuilt {
    AsBuilt { channel: ChannelName::new(name).unwrap(), state, level, spread: 1.0 }
}

/// A notch, an ambient temperature that swings by the day, and a pressure that follows both.
fn unit_class() -> Class {
    let (mut notch, mut ambient, mut pressure) = (channel("notch"), channel("ambient"), channel("pressure"));
    (notch.judged, ambient.judged) = (false, false);
    pressure.covariates = vec![ChannelName::new("ambient").unwrap()];
    let mut class = class(vec![notch, ambient, pressure]);
    let notch = Some(ChannelName::new("notch").unwrap());
    class.operation = OperationRule { notch, steady_after_s: 60, ..OperationRule::default() };
    class
}

/// Rows of the unit; the pressure is `off` from what it was built with, and twenty higher at notch 8.
fn rows(days: i64, seed: u64, off: f64) -> impl Iterator<Item = Row> {
    let (mut noise, mut slow) = (Noise::new(seed), 0.0);
    (0..days * 1440).map(move |minute| {
        let time = epoch() + Span::from_mins(minute);
        let notch = if minute / 90 % 2 == 0 { 0.0 } else { 8.0 };
        let ambient = 15.0 + 6.0 * (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
        slow = 0.9 * slow + 0.19_f64.sqrt() * noise.normal();
        let pressure = 50.0 + 2.5 * notch + 0.1 * (ambient - 15.0) + slow + off;
        Row { time, values: vec![Some(notch), Some(ambient), Some(pressure)] }
    })
}

fn seeded(plan: &Plan, levels: &[AsBuilt]) -> UnitModel {
    let mut model = UnitModel::new(plan);
    model.seed(plan, epoch(), levels);
    model
}

fn raised(plan: &Plan, model: &mut UnitModel, rows: impl Iterator<Item = Row>) -> Vec<SymptomChange> {
    let changes = rows.flat_map(|row| model.step(plan, &row)).collect::<Vec<_>>();
    let machine =
        |c: &SymptomChange| c.change == Change::Raised && c.symptom.kind.about() == FindingKind::Machine;
    changes.into_iter().filter(machine).collect()
}

/// Levels of both notches, and one for all states.
fn given() -> [Vec<AsBuilt>; 2] {
    let idle = level("pressure", Some(Regime::Notch(0)), 50.0);
    let full = level("pressure", Some(Regime::Notch(8)), 70.0);
    [vec![idle.clone(), full.clone()], vec![AsBuilt { state: None, ..idle }, full]]
}

#[test]
fn a_departure_from_the_as_built_level_is_told_long_before_anything_could_be_learned() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    for levels in given() {
        let mut model = seeded(&plan, &levels);
        let found = raised(&plan, &mut model, rows(1, 31, -6.0));
        assert_eq!(found.len(), 1, "{found:?}");
        let symptom = &found[0].symptom;
        assert!(symptom.detected - epoch() < Span::from_hours(4), "{symptom:?}");
        assert!((symptom.size + 6.0).abs() < 2.0, "{symptom:?}");
        assert_eq!(raised(&plan, &mut UnitModel::new(&plan), rows(1, 31, -6.0)), [], "without the levels");
    }
}

#[test]
fn a_seeded_channel_says_so_until_it_has_learned_itself() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    let name = ChannelName::new("pressure").unwrap();
    let mut model = seeded(&plan, &given()[0]);
    assert_eq!(model.seeded(&plan).get(&name), Some(&0.0));
    let mut part = 0.0;
    for (minute, row) in rows(4, 32, 0.0).enumerate() {
        model.step(&plan, &row);
        assert!(!model.learning(&plan).contains_key(&name), "minute {minute}");
        if minute < 2000 {
            let now = model.seeded(&plan)[&name];
            assert!(now >= part, "minute {minute}: {now} after {part}");
            part = now;
        }
    }
    assert!(part > 0.5 && model.seeded(&plan).is_empty(), "{part}");
}

/// A month each of twenty units, each half a spread to a spread off: a test cell is not the line.
#[test]
fn healthy_units_whose_as_built_levels_are_a_little_off_are_quiet() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    let mut found = Vec::new();
    for seed in 0..20 {
        let off = if seed % 2 == 0 { 0.5 } else { -1.0 };
        found.extend(raised(&plan, &mut seeded(&plan, &given()[0]), rows(30, 100 + seed, off)));
    }
    assert!(found.len() <= 1, "{found:?}");
}

#[test]
fn what_was_learned_gives_way_to_as_built_levels_and_symptoms_end() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    let mut model = UnitModel::new(&plan);
    let all: Vec<Row> = rows(8, 33, 0.0).collect();
    let (first, then) = all.split_at(5 * 1440);
    assert_eq!(raised(&plan, &mut model, first.iter().cloned()), []);
    let high: Vec<AsBuilt> =
        given()[0].iter().map(|l| AsBuilt { level: l.level + 9.0, ..l.clone() }).collect();
    model.seed(&plan, then[0].time, &high);
    let found = raised(&plan, &mut model, then[..400].iter().cloned());
    assert!(found.len() == 1 && found[0].symptom.size < -6.0, "{found:?}");
    model.seed(&plan, then[400].time, &given()[0]);
    let changes: Vec<SymptomChange> = then[400..].iter().flat_map(|row| model.step(&plan, row)).collect();
    assert!(changes.iter().all(|c| c.change == Change::Cleared) && changes.len() == 1, "{changes:?}");
}

#[test]
fn channels_that_are_not_judged_by_level_are_left_alone() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    let nothing = seeded(&plan, &[level("notch", None, 3.0), level("elsewhere", None, 1.0)]);
    assert_eq!(nothing, UnitModel::new(&plan));
}

/// The state with as-built levels is written and read back at any row without changing what follows.
#[test]
fn a_seeded_state_comes_back_as_it_was() {
    let plan = Plan::new(&unit_class(), &Settings::default());
    let mut model = seeded(&plan, &given()[1]);
    for (i, row) in rows(4, 34, 1.0).enumerate() {
        if i % 97 == 0 {
            let mut again: UnitModel = postcard::from_bytes(&postcard::to_allocvec(&model).unwrap()).unwrap();
            assert_eq!(again.step(&plan, &row), model.step(&plan, &row));
            model = again;
        } else {
            model.step(&plan, &row);
        }
    }
}
