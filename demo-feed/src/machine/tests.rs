//! The machine against the trade's expectations: healthy values near the table, faults in their direction.

use super::*;
use crate::channel::position;
use crate::fault::{Direction, FaultKind, Part};

const WARM_DAY: Air = Air { temp_c: 36.0, pressure_hpa: 1000.0 };
const REFERENCE_AIR: Air = Air { temp_c: REFERENCE_C, pressure_hpa: REFERENCE_HPA };

/// Mean readings over the last hour of `minutes` under one demand.
fn settled(demand: Demand, air: Air, fx: &Effects, minutes: u32) -> [f64; COUNT] {
    let mut rng = Rng::new(42, 1, 1);
    let mut machine = Machine::new(&mut rng, air);
    machine.build = Build {
        cylinder_k: [0.0; CYLINDERS],
        motor: [0.0; MOTORS],
        oil: 1.0,
        boost: 1.0,
        turbo: 1.0,
        exhaust_k: 0.0,
        crankcase: 1.0,
        fuel: 1.0,
        battery_v: 0.0,
    };
    let mut sum = [0.0; COUNT];
    for minute in 0..minutes {
        machine.advance(60.0, demand, Surroundings { air, grade: 0.0, coupled: false }, fx, &mut rng);
        if minute + 60 >= minutes {
            for (total, value) in sum.iter_mut().zip(machine.readings(air, fx)) {
                *total += value / 60.0;
            }
        }
    }
    sum
}

#[test]
fn a_healthy_engine_meets_the_table_at_every_notch() {
    for notch in 0..=8_u8 {
        let read = settled(Demand::Notch(notch), REFERENCE_AIR, &Effects::default(), 240);
        let near = |channel: usize, wanted: f64, within: f64| {
            let value = read[channel];
            assert!(
                (value - wanted).abs() <= within,
                "notch {notch}, channel {channel}: {value} for {wanted}"
            );
        };
        near(ch::ENGINE_SPEED, table::at_notch(&table::RPM, notch), 1.0);
        near(ch::GROSS_POWER, table::at_notch(&table::POWER, notch) * RATED_KW, 2.0);
        near(ch::MANIFOLD_AIR_TEMP, table::at_notch(&table::MANIFOLD_C, notch), 1.5);
        near(ch::TURBO_SPEED, table::at_notch(&table::TURBO, notch), 200.0);
        near(ch::CYL_EXHAUST, table::at_notch(&table::EXHAUST_C, notch), 8.0);
        near(ch::COOLANT_TEMP, table::at_notch(&table::COOLANT_C, notch), 1.0);
        near(ch::OIL_TEMP, table::at_notch(&table::OIL_C, notch), 1.0);
        let boost = table::at_notch(&table::BOOST, notch) * 1e5;
        near(ch::MANIFOLD_AIR_PRESSURE, 101_325.0 + boost, 3_000.0);
    }
}

#[test]
fn oil_pressure_is_in_the_range_of_the_reference() {
    // Idle 1.8 to 3.2 bar, notch 8 4.5 to 7.0 bar (simulator's reference, common practice).
    let idle = settled(Demand::Notch(0), REFERENCE_AIR, &Effects::default(), 240)[ch::OIL_PRESSURE];
    let full = settled(Demand::Notch(8), REFERENCE_AIR, &Effects::default(), 240)[ch::OIL_PRESSURE];
    assert!(
        (180_000.0..320_000.0).contains(&idle) && (450_000.0..700_000.0).contains(&full),
        "{idle} {full}"
    );
}

#[test]
fn every_machine_fault_moves_its_channels_as_the_trade_expects() {
    let healthy = settled(Demand::Notch(8), WARM_DAY, &Effects::default(), 240);
    for kind in FaultKind::ALL.into_iter().filter(|k| !k.spec().reference.starts_with('X')) {
        let mut fx = Effects::default();
        fx.add(kind, 1.0, 0);
        let faulty = settled(Demand::Notch(8), WARM_DAY, &fx, 240);
        for (name, direction) in kind.spec().channels {
            let full = match *name {
                "cyl_exhaust_temp_" => "cyl_exhaust_temp_01",
                "tm_current_" => "tm_current_1",
                other => other,
            };
            let at = position(full).unwrap();
            let change = faulty[at] - healthy[at];
            let seen = CHANNEL_STEPS * crate::channel::CHANNELS[at].resolution();
            let least = if full == "compressor_running" { 0.05 } else { seen };
            let moved = if *direction == Direction::Up { change } else { -change };
            assert!(moved > least, "{kind:?} {full}: {change}");
        }
    }
}

/// A fault at full size shows by more than that many steps of the sensor.
const CHANNEL_STEPS: f64 = 5.0;

#[test]
fn boost_faults_hide_at_idle() {
    let healthy = settled(Demand::Notch(0), REFERENCE_AIR, &Effects::default(), 180);
    for kind in [FaultKind::BoostLeak, FaultKind::TurboDegraded, FaultKind::AirFilterPlugged] {
        let mut fx = Effects::default();
        fx.add(kind, 1.0, 0);
        let faulty = settled(Demand::Notch(0), REFERENCE_AIR, &fx, 180);
        for at in [ch::MANIFOLD_AIR_PRESSURE, ch::TURBO_SPEED, ch::CYL_EXHAUST] {
            let change = (faulty[at] - healthy[at]).abs();
            assert!(change <= crate::channel::CHANNELS[at].resolution(), "{kind:?} {at}: {change}");
        }
    }
}

#[test]
fn oil_pump_wear_shows_most_at_idle_and_a_breather_everywhere() {
    let share = |kind, demand, at: usize| {
        let mut fx = Effects::default();
        fx.add(kind, 1.0, 0);
        let healthy = settled(demand, REFERENCE_AIR, &Effects::default(), 240)[at];
        (settled(demand, REFERENCE_AIR, &fx, 240)[at] - healthy) / healthy
    };
    let wear = |demand| share(FaultKind::OilPumpWear, demand, ch::OIL_PRESSURE);
    assert!(wear(Demand::Notch(0)) < 2.0 * wear(Demand::Notch(8)) && wear(Demand::Notch(8)) < -0.04);
    let pressure = |kind, demand| {
        let mut fx = Effects::default();
        fx.add(kind, 1.0, 0);
        settled(demand, REFERENCE_AIR, &fx, 240)[ch::CRANKCASE_PRESSURE]
            - settled(demand, REFERENCE_AIR, &Effects::default(), 240)[ch::CRANKCASE_PRESSURE]
    };
    let (idle, full) = (Demand::Notch(0), Demand::Notch(8));
    let breather = pressure(FaultKind::BreatherPlugged, full) / pressure(FaultKind::BreatherPlugged, idle);
    assert!((breather - 1.0).abs() < 0.01, "{breather}");
    assert!(pressure(FaultKind::RingWear, full) > 20.0 * pressure(FaultKind::RingWear, idle));
}

#[test]
fn a_lost_fan_is_masked_by_cold_weather() {
    let mut fx = Effects::default();
    fx.add(FaultKind::RadiatorFanFailed, 1.0, 0);
    let cold = Air { temp_c: -5.0, pressure_hpa: 1000.0 };
    let change = |air| {
        settled(Demand::Notch(8), air, &fx, 240)[ch::COOLANT_TEMP]
            - settled(Demand::Notch(8), air, &Effects::default(), 240)[ch::COOLANT_TEMP]
    };
    assert!(change(cold).abs() < 0.5 && change(WARM_DAY) > 1.5);
}

#[test]
fn a_stopped_engine_gives_true_zeros_and_ambient_boost() {
    let read = settled(Demand::Stopped, REFERENCE_AIR, &Effects::default(), 600);
    for at in [ch::OIL_PRESSURE, ch::FUEL_PRESSURE, ch::CRANKCASE_PRESSURE, ch::TURBO_SPEED, ch::GROSS_POWER]
    {
        assert!(read[at].abs() < 1.0, "{at}: {}", read[at]);
    }
    assert!((read[ch::MANIFOLD_AIR_PRESSURE] - 101_325.0).abs() < 1.0);
    assert!(read[ch::COOLANT_TEMP] < 60.0);
}

#[test]
fn faults_of_parts_stay_on_their_part() {
    let mut fx = Effects::default();
    fx.add(FaultKind::InjectorWeak, 1.0, 6);
    assert_eq!(FaultKind::InjectorWeak.spec().part, Part::Cylinder);
    let healthy = settled(Demand::Notch(8), REFERENCE_AIR, &Effects::default(), 120);
    let faulty = settled(Demand::Notch(8), REFERENCE_AIR, &fx, 120);
    for cylinder in 0..CYLINDERS {
        let change = faulty[ch::CYL_EXHAUST + cylinder] - healthy[ch::CYL_EXHAUST + cylinder];
        let wanted = if cylinder == 6 { change < -80.0 } else { (2.0..20.0).contains(&change) };
        assert!(wanted, "cylinder {}: {change}", cylinder + 1);
    }
}
