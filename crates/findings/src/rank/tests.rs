//! The ranking on made-up symptoms of the demo class: likely faults first, order that nothing changes.

use notchwatch_model::Class;

use super::*;
use crate::testing::{class, symptom, unit};
use crate::{Background, Library};

const AT: &str = "2026-11-03T05:00:00Z";

/// Explanations of symptoms on a unit of a class, with what is known of it beside.
pub(super) fn explained(
    class: &Class,
    background: &Background,
    kind: FindingKind,
    symptoms: &[Symptom],
) -> Vec<RankedFault> {
    let (unit, library) = (unit(), Library::builtin().unwrap());
    rank(&Context { unit: &unit, class, library: &library, settings_version: 1, background }, kind, symptoms)
}

fn ranked(kind: FindingKind, symptoms: &[Symptom]) -> Vec<RankedFault> {
    explained(&class(), &Background::default(), kind, symptoms)
}

fn machine(moves: &[(&str, f64)], kind: SymptomKind) -> Vec<Symptom> {
    moves.iter().map(|(channel, size)| symptom(channel, kind, *size, AT)).collect()
}

fn first(ranked: &[RankedFault]) -> &str {
    ranked.first().map_or("", |f| f.id.as_str())
}

fn cylinders(sign: f64) -> Vec<(String, f64)> {
    (1..=12).map(|i| (format!("cyl_exhaust_temp_{i:02}"), sign * 30.0)).collect()
}

#[test]
fn the_fault_whose_signs_are_there_comes_first() {
    use SymptomKind::{Drift, LevelShift};
    for (fault, kind, moves) in [
        ("oil-pump-wear", Drift, vec![("oil_pressure", -40_000.0)]),
        ("oil-filter-plugged", Drift, vec![("oil_filter_differential", 9e4), ("oil_pressure", -2e4)]),
        ("oil-cooler-fouled", Drift, vec![("oil_temp", 9.0)]),
        (
            "bearing-distress",
            LevelShift,
            vec![("oil_pressure", -3e4), ("oil_temp", 4.0), ("crankcase_pressure", 300.0)],
        ),
        ("radiator-fouled", Drift, vec![("coolant_temp", 8.0), ("oil_temp", 6.0)]),
        ("radiator-fan-failed", LevelShift, vec![("radiator_fan_current", -40.0), ("coolant_temp", 8.0)]),
        ("breather-plugged", LevelShift, vec![("crankcase_pressure", 300.0)]),
        ("fuel-filter-plugged", Drift, vec![("fuel_filter_differential", 4e4), ("fuel_pressure", -9e4)]),
        ("injector-weak", LevelShift, vec![("cyl_exhaust_temp_05", -90.0)]),
        ("injector-leaking", LevelShift, vec![("cyl_exhaust_temp_05", 60.0)]),
        ("traction-motor-distress", LevelShift, vec![("tm_current_3", -80.0)]),
        ("charger-weak", LevelShift, vec![("battery_voltage", -9.0)]),
    ] {
        let found = ranked(FindingKind::Machine, &machine(&moves, kind));
        assert_eq!(
            first(&found),
            fault,
            "{:?}",
            found.iter().map(|f| (&f.id, f.probability)).collect::<Vec<_>>()
        );
    }
}

#[test]
fn turbocharger_speed_tells_a_leak_from_a_tired_turbocharger() {
    for (fault, speed, kind) in
        [("boost-leak", 900.0, SymptomKind::LevelShift), ("turbo-degraded", -900.0, SymptomKind::Drift)]
    {
        let cylinders = cylinders(1.0);
        let mut moves = vec![("manifold_air_pressure", -2e4), ("turbo_speed", speed)];
        moves.extend(cylinders.iter().map(|(name, size)| (name.as_str(), *size)));
        let found = ranked(FindingKind::Machine, &machine(&moves, kind));
        assert_eq!(first(&found), fault);
        assert!(found[0].probability > 0.5, "{}", found[0].probability);
    }
}

#[test]
fn every_reason_is_told_and_its_sign_says_which_way_it_speaks() {
    let found = ranked(FindingKind::Machine, &machine(&[("oil_pressure", -4e4)], SymptomKind::Drift));
    for fault in &found {
        assert!(
            fault.supports.iter().all(|e| e.weight > 0.0) && fault.against.iter().all(|e| e.weight <= 0.0)
        );
        assert!(fault.supports.iter().chain(&fault.against).all(|e| e.weight.is_finite()));
    }
    let pump = &found[0];
    assert!(pump.supports.iter().any(|e| e.evidence == "Oil pressure down 40 kPa"), "{:?}", pump.supports);
    assert!(
        pump.decides.iter().any(|d| d.starts_with("against fuel in the lubricating oil:")),
        "{:?}",
        pump.decides
    );
    assert!(pump.checks[0].contains("; stop when: "));
    let total: f64 = found.iter().map(|f| f.probability).sum();
    assert!(total <= 1.0 + 1e-12 && total > 0.9, "{total}");
}

#[test]
fn sensor_and_unexplained_change_are_always_among_the_explanations() {
    for symptoms in [
        machine(&[("oil_pressure", -4e4)], SymptomKind::Drift),
        machine(
            &[("oil_pressure", 4e4), ("tm_current_2", 9.0), ("fuel_pressure", 9e4)],
            SymptomKind::LevelShift,
        ),
    ] {
        let found = ranked(FindingKind::Machine, &symptoms);
        for id in OWN_IDS {
            assert!(found.iter().any(|f| f.id.as_str() == id), "{id}");
        }
    }
    let odd = machine(
        &[("oil_pressure", 4e4), ("tm_current_2", 9.0), ("fuel_pressure", 9e4)],
        SymptomKind::LevelShift,
    );
    assert_eq!(first(&ranked(FindingKind::Machine, &odd)), UNEXPLAINED);
}

#[test]
fn a_value_that_no_healthy_sensor_gives_points_at_sensors() {
    for (channel, kind, fault) in [
        ("cyl_exhaust_temp_04", SymptomKind::OutOfRange, "exhaust-probe"),
        ("oil_pressure", SymptomKind::Stuck, "oil-pressure-sensor"),
        ("turbo_speed", SymptomKind::ImpossibleRate, "turbo-speed-pickup"),
        ("battery_voltage", SymptomKind::Stuck, "battery-sensor"),
    ] {
        let found = ranked(FindingKind::Sensor, &[symptom(channel, kind, 0.0, AT)]);
        let library = Library::builtin().unwrap();
        for shown in found.iter().filter(|f| f.probability > 0.2) {
            let sensors = library.fault(&shown.id).is_none_or(|f| f.system.is_none());
            assert!(
                sensors && shown.id.as_str() != UNEXPLAINED,
                "{channel}: {:?} {}",
                shown.id,
                shown.probability
            );
        }
        assert!(found.iter().take(2).any(|f| f.id.as_str() == fault), "{channel}: {}", first(&found));
    }
}

/// A pickup that misses teeth reads low at once; a slower turbocharger would give less boost.
#[test]
fn a_turbo_speed_that_falls_while_boost_stays_points_at_its_pickup() {
    let of = |moves: &[(&str, f64)]| {
        let mut symptoms = machine(moves, SymptomKind::LevelShift);
        for symptom in &mut symptoms {
            symptom.spreads = -40.0;
        }
        let found = ranked(FindingKind::Machine, &symptoms);
        (first(&found).to_owned(), elsewhere_share(&Library::builtin().unwrap(), &found))
    };
    let (alone, (share, kind)) = of(&[("turbo_speed", -9000.0)]);
    assert_eq!((alone.as_str(), kind), ("turbo-speed-pickup", FindingKind::Sensor), "{share}");
    assert!(share > 0.7, "{share}");
    let (both, (share, _)) = of(&[("turbo_speed", -900.0), ("manifold_air_pressure", -2e4)]);
    assert!(both != "turbo-speed-pickup" && share < 0.3, "{both} {share}");
}

#[test]
fn a_data_symptom_asks_what_was_exchanged() {
    let found = ranked(FindingKind::Data, &[symptom("engine_hours", SymptomKind::CounterReset, 0.0, AT)]);
    assert_eq!(first(&found), "controller-exchanged");
    assert!(found.iter().all(|f| f.id.as_str() != SENSOR));
}

#[test]
fn order_of_symptoms_changes_nothing() {
    let mut symptoms =
        machine(&[("oil_pressure", -3e4), ("oil_temp", 4.0), ("coolant_temp", 2.0)], SymptomKind::Drift);
    let forward = ranked(FindingKind::Machine, &symptoms);
    symptoms.reverse();
    assert_eq!(ranked(FindingKind::Machine, &symptoms), forward);
}

#[test]
fn channels_that_the_class_does_not_have_say_nothing() {
    let mut class = class();
    class.channels.retain(|c| c.name.as_str() == "oil_pressure");
    let symptoms = machine(&[("oil_pressure", -4e4)], SymptomKind::Drift);
    let found = explained(&class, &Background::default(), FindingKind::Machine, &symptoms);
    let evidence = found.iter().flat_map(|f| f.supports.iter().chain(&f.against));
    assert!(evidence.into_iter().all(|e| !e.evidence.contains("temperature")));
}

/// A symptom seen at low and at high load, and with the engine stopped where that is given.
fn by_load(channel: &str, low: f64, high: f64, stopped: Option<f64>) -> Vec<Symptom> {
    let mut seen = symptom(channel, SymptomKind::LevelShift, high, AT);
    seen.numbers = [("at_low_load".to_owned(), low), ("at_high_load".to_owned(), high)].into();
    seen.numbers.extend(stopped.map(|s| ("at_stopped".to_owned(), s)));
    vec![seen]
}

/// What separates faults that move the same channel the same way is how the size goes with load (fault tables of the
/// trade, common practice: a blocked breather lifts crankcase pressure alike at idle and full load, blow-by with load).
#[test]
fn the_course_over_load_tells_faults_of_one_channel_apart() {
    for (channel, low, high, stopped, fault) in [
        ("crankcase_pressure", 240.0, 260.0, None, "breather-plugged"),
        ("crankcase_pressure", 40.0, 260.0, None, "ring-wear"),
        ("cyl_exhaust_temp_05", -20.0, -95.0, None, "injector-weak"),
        ("cyl_exhaust_temp_05", -60.0, -62.0, None, "exhaust-probe"),
    ] {
        let found = ranked(FindingKind::Machine, &by_load(channel, low, high, stopped));
        let told: Vec<_> = found.iter().map(|f| (f.id.as_str(), f.probability)).collect();
        assert_eq!(first(&found), fault, "{channel} {low} {high} {stopped:?}: {told:?}");
    }
}

#[test]
fn a_sensor_that_reads_right_with_the_engine_stopped_is_not_off() {
    let share = |stopped| {
        let found = ranked(FindingKind::Machine, &by_load("oil_pressure", -30e3, -33e3, Some(stopped)));
        elsewhere_share(&Library::builtin().unwrap(), &found).0
    };
    let (right, off) = (share(-200.0), share(-30e3));
    assert!(right < 0.1 && off > 0.7, "{right} {off}");
}

#[test]
fn what_grows_after_it_was_found_creeps() {
    let moves = |settled: f64| {
        let mut seen =
            machine(&[("manifold_air_pressure", -2e4), ("turbo_speed", 900.0)], SymptomKind::LevelShift);
        for symptom in &mut seen {
            symptom.numbers.insert("settled_spreads".to_owned(), settled * symptom.spreads);
        }
        first(&ranked(FindingKind::Machine, &seen)).to_owned()
    };
    assert_eq!((moves(0.4).as_str(), moves(1.0).as_str()), ("air-filter-plugged", "boost-leak"));
}

/// Steps, each dated to a standstill of two hours or not.
fn steps(moves: &[(&str, f64)], stood: bool) -> Vec<Symptom> {
    let mut steps = machine(moves, SymptomKind::LevelShift);
    for step in steps.iter_mut().filter(|_| stood) {
        step.numbers.insert(AFTER_STANDING.to_owned(), 7200.0);
    }
    steps
}

/// Share of what explains the steps outside the machine, and what the likeliest of that is about.
fn elsewhere(moves: &[(&str, f64)], stood: bool) -> (f64, FindingKind) {
    let found = ranked(FindingKind::Machine, &steps(moves, stood));
    elsewhere_share(&Library::builtin().unwrap(), &found)
}

/// Instruments are exchanged on an engine that stands, and differ by little from those before.
#[test]
fn a_small_step_of_one_channel_at_a_standstill_is_its_instrument() {
    for (channel, size) in [
        ("oil_pressure", -12e3),
        ("coolant_temp", 3.0),
        ("fuel_pressure", -12e3),
        ("cyl_exhaust_temp_05", 14.0),
    ] {
        let (share, about) = elsewhere(&[(channel, size)], true);
        assert!(share >= 0.75 && about == FindingKind::Sensor, "{channel} {size}: {share} {about}");
        let (share, _) = elsewhere(&[(channel, size)], false);
        assert!(share < 0.5, "{channel} {size}, while it ran: {share}");
    }
    for (channel, size) in
        [("cyl_exhaust_temp_05", -95.0), ("fuel_pressure", -120e3), ("oil_pressure", -60e3)]
    {
        let (share, _) = elsewhere(&[(channel, size)], true);
        assert!(share < 0.6, "{channel} {size}: no two instruments differ by so much, {share}");
    }
    let (share, _) = elsewhere(&[("coolant_temp", 3.0), ("oil_temp", 3.0)], true);
    assert!(share < 0.5, "two channels at once: {share}");
}

/// Fresh oil is thicker, and elements are renewed with it.
#[test]
fn oil_pressure_that_rises_a_little_at_a_standstill_is_fresh_oil() {
    let both = [("oil_filter_differential", -12e3), ("oil_pressure", 7e3)];
    let (share, about) = elsewhere(&both, true);
    assert!(share >= 0.75 && about == FindingKind::Data, "{share} {about}");
    assert_eq!(first(&ranked(FindingKind::Machine, &steps(&both, true))), "oil-renewed");
    let alone = ranked(FindingKind::Machine, &steps(&both[..1], true));
    assert_eq!(first(&alone), "oil-filter-renewed");
}
