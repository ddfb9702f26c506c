//! What a register refuses, and how it reads.

use super::*;

fn channel(name: &str) -> ChannelDef {
    ChannelDef::new(ChannelName::new(name).unwrap(), System::Machine)
}

fn register() -> Register {
    let railway = Railway { id: RailwayId::new("r").unwrap(), name: "R".into(), zone: utc() };
    let class = Class {
        id: ClassId::new("c").unwrap(),
        name: "C".into(),
        operation: OperationRule::default(),
        channels: vec![channel("a"), channel("b")],
    };
    let unit = Unit {
        railway: railway.id.clone(),
        id: UnitId::new("1").unwrap(),
        class: class.id.clone(),
        region: String::new(),
        zone: None,
        status: ServiceStatus::InService,
        engines: vec![],
        fitted: vec![],
    };
    Register { railways: vec![railway], classes: vec![class], units: vec![unit] }
}

#[test]
fn a_sound_register_has_no_problems() {
    assert_eq!(register().problems(), vec![]);
}

#[test]
fn each_problem_names_its_place() {
    let mut bad = register();
    bad.railways[0].zone = "Mars/Base".into();
    bad.classes[0].channels[0].covariates = vec![ChannelName::new("z").unwrap()];
    bad.classes[0].channels[1].range = Some((2.0, 1.0));
    bad.units[0].class = ClassId::new("other").unwrap();
    let places: Vec<String> = bad.problems().into_iter().map(|p| p.place).collect();
    assert_eq!(
        places,
        ["railways.r.zone", "classes.c.channels.a", "classes.c.channels.b.range", "units.r/1.class"]
    );
}

#[test]
fn merging_replaces_by_identity() {
    let mut all = register();
    let mut other = register();
    other.units[0].region = "north".into();
    all.merge(other);
    assert_eq!((all.units.len(), all.units[0].region.as_str()), (1, "north"));
}

#[test]
fn the_engine_is_the_one_fitted_at_the_time() {
    let mut unit = register().units.remove(0);
    let day = |d| Time::EPOCH + Span::from_days(d);
    let fit = |serial, from, to| EngineFit { serial: EngineSerial::new(serial).unwrap(), from, to };
    unit.engines = vec![fit("e1", day(0), Some(day(10))), fit("e2", day(12), None)];
    let at = |d| unit.engine_at(day(d)).map(EngineSerial::as_str);
    assert_eq!([at(5), at(10), at(12)], [Some("e1"), None, Some("e2")]);
}
