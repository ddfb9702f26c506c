//! Which symptoms make one finding, and what a sensor in doubt takes along.

use notchwatch_model::{ChannelIx, Tie};

use super::*;

#[test]
fn symptoms_of_one_system_or_one_fault_make_one_finding() {
    use SymptomKind::{Drift, LevelShift, Limit};
    for (name, symptoms, findings) in [
        (
            "same channel, weeks later",
            vec![
                ("coolant_temp", Drift, 4.0, "2026-11-01T00:00:00Z"),
                ("coolant_temp", Limit, 9.0, "2026-11-25T00:00:00Z"),
            ],
            1,
        ),
        (
            "same system, a day apart",
            vec![
                ("oil_pressure", LevelShift, -3e4, "2026-11-01T00:00:00Z"),
                ("oil_filter_differential", LevelShift, -3e4, "2026-11-02T00:00:00Z"),
            ],
            1,
        ),
        (
            "one fault over three systems",
            vec![
                ("manifold_air_pressure", Drift, -2e4, "2026-11-01T00:00:00Z"),
                ("turbo_speed", Drift, -900.0, "2026-11-06T00:00:00Z"),
                ("cyl_exhaust_temp_01", Drift, 30.0, "2026-11-10T00:00:00Z"),
                ("cyl_exhaust_temp_02", Drift, 30.0, "2026-11-10T00:00:00Z"),
            ],
            1,
        ),
        (
            "two injectors, a week apart",
            vec![
                ("cyl_exhaust_temp_03", LevelShift, -90.0, "2026-11-01T00:00:00Z"),
                ("cyl_exhaust_temp_09", LevelShift, -90.0, "2026-11-08T00:00:00Z"),
            ],
            2,
        ),
        (
            "no fault moves both",
            vec![
                ("battery_voltage", LevelShift, -5.0, "2026-11-01T00:00:00Z"),
                ("oil_pressure", LevelShift, -3e4, "2026-11-01T00:00:00Z"),
            ],
            2,
        ),
        (
            "same system, far apart, no fault moves both so",
            vec![
                ("oil_pressure", LevelShift, 3e4, "2026-11-01T00:00:00Z"),
                ("oil_temp", LevelShift, -9.0, "2026-11-20T00:00:00Z"),
            ],
            2,
        ),
    ] {
        let mut bench = Bench::new();
        for (channel, kind, size, at) in symptoms {
            bench.raise(channel, kind, size, at);
        }
        assert_eq!(bench.parts().len(), findings, "{name}");
    }
}

#[test]
fn a_class_that_the_library_does_not_know_has_unexplained_changes() {
    let mut bench = Bench::new();
    for channel in &mut bench.class.channels {
        channel.system = notchwatch_model::System::Machine;
        channel.name = ChannelName::new(&format!("x-{}", channel.name)).unwrap();
    }
    bench.raise("x-oil_pressure", SymptomKind::LevelShift, 2.0, "2026-11-01T00:00:00Z");
    bench.raise("x-oil_temp", SymptomKind::LevelShift, 2.0, "2026-11-01T03:00:00Z");
    let parts = bench.parts();
    assert_eq!(parts.len(), 1);
    assert_eq!(parts[0].faults[0].id.as_str(), "unexplained-change");
    assert_eq!(parts[0].system, notchwatch_model::System::Machine);
}

#[test]
fn sensor_findings_stand_apart_and_take_what_their_channel_showed() {
    let mut bench = Bench::new();
    bench.raise("oil_pressure", SymptomKind::LevelShift, -3e4, "2026-11-01T00:00:00Z");
    bench.raise("oil_filter_differential", SymptomKind::LevelShift, 3e4, "2026-11-01T00:00:00Z");
    let changed = bench.raise("oil_pressure", SymptomKind::Stuck, 0.0, "2026-11-01T06:00:00Z");
    assert_eq!(changed.len(), 2);
    let of = |kind| bench.parts().into_iter().find(|p| p.kind == kind).unwrap().clone();
    let (machine, sensor) = (of(FindingKind::Machine), of(FindingKind::Sensor));
    assert!(machine.symptoms.iter().all(|s| s.channel.as_str() == "oil_filter_differential"));
    assert_eq!((sensor.symptoms.len(), sensor.lasting.len()), (2, 2));
    assert_eq!(sensor.title, "Oil pressure sensor does not move since 1 Nov UTC");
    bench.raise("oil_pressure", SymptomKind::Limit, -9e4, "2026-11-01T07:00:00Z");
    assert_eq!(bench.parts().len(), 2, "a limit on a channel in doubt is the sensor's");
}

#[test]
fn a_machine_finding_of_the_doubted_channel_alone_turns_into_a_sensor_finding() {
    let mut bench = Bench::new();
    let id = bench.raise("oil_temp", SymptomKind::LevelShift, 30.0, "2026-11-01T00:00:00Z")[0].id.clone();
    let changed = bench.raise("oil_temp", SymptomKind::OutOfRange, 0.0, "2026-11-01T01:00:00Z");
    assert_eq!(changed.len(), 1);
    assert_eq!((&changed[0].id, changed[0].kind), (&id, FindingKind::Sensor));
}

/// What people did to an instrument is told as that at once, not as the machine's until both loads were seen.
#[test]
fn a_step_at_a_standstill_is_the_instruments_from_the_first() {
    let mut bench = Bench::new();
    let mut step = symptom("coolant_temp", SymptomKind::LevelShift, 3.0, "2026-11-03T05:00:00Z");
    step.numbers.insert("after_standing_s".to_owned(), 7200.0);
    let told = bench.change(step.detected, &step, Change::Raised);
    assert_eq!(told.iter().map(|f| f.kind).collect::<Vec<_>>(), [FindingKind::Sensor]);
    let mut bench = Bench::new();
    let told = bench.raise("coolant_temp", SymptomKind::LevelShift, 3.0, "2026-11-03T05:00:00Z");
    assert_eq!(told.iter().map(|f| f.kind).collect::<Vec<_>>(), [FindingKind::Machine]);
}

#[test]
fn an_old_drift_is_not_explained_by_a_sensor_that_fails_weeks_later() {
    let mut bench = Bench::new();
    bench.raise("oil_temp", SymptomKind::Drift, 9.0, "2026-11-01T00:00:00Z");
    bench.raise("oil_temp", SymptomKind::Stuck, 0.0, "2026-11-21T00:00:00Z");
    let kinds: Vec<FindingKind> = bench.parts().iter().map(|p| p.kind).collect();
    assert_eq!(kinds, [FindingKind::Machine, FindingKind::Sensor]);
}

#[test]
fn noise_joins_the_machine_finding_of_its_channel_and_else_is_the_sensors() {
    let mut bench = Bench::new();
    bench.raise("turbo_speed", SymptomKind::LevelShift, -900.0, "2026-11-01T00:00:00Z");
    bench.raise("turbo_speed", SymptomKind::Noisy, 0.0, "2026-11-01T01:00:00Z");
    bench.raise("oil_temp", SymptomKind::Noisy, 0.0, "2026-11-01T05:00:00Z");
    let kinds: Vec<(FindingKind, usize)> = bench.parts().iter().map(|p| (p.kind, p.symptoms.len())).collect();
    assert_eq!(kinds, [(FindingKind::Machine, 2), (FindingKind::Sensor, 1)]);
}

#[test]
fn tied_channels_that_disagree_and_channels_that_stick_at_once_have_one_cause() {
    let mut bench = Bench::new();
    let to = ChannelName::new("manifold_air_temp").unwrap();
    let ix = bench.class.channel_ix("oil_temp").map(ChannelIx::index).unwrap();
    bench.class.channels[ix].tied =
        vec![Tie { to, within: 5.0, states: notchwatch_model::StateFilter::default() }];
    bench.raise("oil_temp", SymptomKind::Disagreement, 9.0, "2026-11-01T00:00:00Z");
    bench.raise("manifold_air_temp", SymptomKind::Disagreement, -9.0, "2026-11-01T04:00:00Z");
    assert_eq!(bench.parts().len(), 1);
    for channel in ["coolant_temp", "coolant_pressure", "fuel_pressure"] {
        bench.raise(channel, SymptomKind::Stuck, 0.0, "2026-11-05T00:10:00Z");
    }
    assert_eq!(bench.parts().len(), 2);
}
