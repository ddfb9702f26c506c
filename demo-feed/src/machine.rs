//! One unit as a machine: engine, cooling, oil, air, electrical, traction and air supply, step by step.
//!
//! Owns the physics: steady values from `reference`, lags, weather, faults as `effects`. Refuses sensors, clocks
//! and messages. Time constants and relations: common practice for medium-speed engines, from memory.

use crate::channel::{self as ch, COUNT, CYLINDERS, MOTORS};
use crate::effects::Effects;
use crate::reference::{self as table, Place, RATED_KW, RATED_RPM, REFERENCE_C, REFERENCE_HPA};
use crate::rng::Rng;
use crate::weather::Air;

/// What the crew asks for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Demand {
    /// Engine shut down.
    Stopped,
    /// Throttle, 0 (idle) to 8.
    Notch(u8),
    /// Dynamic brake.
    Brake,
}

/// What surrounds the unit during a step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surroundings {
    pub(crate) air: Air,
    /// Uphill share, -1 to 1.
    pub(crate) grade: f64,
    /// Behind another unit, whose compressor and traction it shares.
    pub(crate) coupled: bool,
}

/// How this unit differs from the design, within what a healthy unit may.
#[derive(Clone, Debug)]
pub(crate) struct Build {
    cylinder_k: [f64; CYLINDERS],
    motor: [f64; MOTORS],
    oil: f64,
    boost: f64,
    turbo: f64,
    exhaust_k: f64,
    crankcase: f64,
    fuel: f64,
    battery_v: f64,
}

impl Build {
    /// Draws a healthy unit.
    pub(crate) fn draw(rng: &mut Rng) -> Self {
        Build {
            cylinder_k: std::array::from_fn(|_| 7.0 * rng.bell()),
            motor: std::array::from_fn(|_| 0.008 * rng.bell()),
            oil: 1.0 + 0.02 * rng.bell(),
            boost: 1.0 + 0.008 * rng.bell(),
            turbo: 1.0 + 0.006 * rng.bell(),
            exhaust_k: 5.0 * rng.bell(),
            crankcase: 1.0 + 0.06 * rng.bell(),
            fuel: 1.0 + 0.015 * rng.bell(),
            battery_v: 0.25 * rng.bell(),
        }
    }
}

/// State of the machine. Temperatures in degrees Celsius, pressures in bar, speeds in 1/min and km/h.
#[derive(Clone, Debug)]
pub(crate) struct Machine {
    build: Build,
    demand: Demand,
    rpm: f64,
    power_kw: f64,
    boost: f64,
    turbo: f64,
    exhaust: f64,
    manifold: f64,
    coolant: f64,
    oil: f64,
    room: f64,
    battery: f64,
    fan_amperes: f64,
    pub(crate) speed: f64,
    pub(crate) position_km: f64,
    reservoir: f64,
    compressing: bool,
    pub(crate) hours: f64,
    fuel_level: f64,
    /// Slow common movement of combustion (fuel lot, humidity), spread 1.
    combustion: f64,
}

const SPEED_LAG_S: f64 = 3.0;
const POWER_LAG_S: f64 = 8.0;
const TURBO_LAG_S: f64 = 10.0;
const EXHAUST_LAG_S: f64 = 40.0;
const MANIFOLD_LAG_S: f64 = 70.0;
const COOLANT_LAG_S: f64 = 330.0;
const OIL_LAG_S: f64 = 480.0;
const ROOM_LAG_S: f64 = 900.0;
const BATTERY_LAG_S: f64 = 60.0;
/// How fast a stopped engine cools.
const COLD_LAG_S: f64 = 10_800.0;
const COLD_EXHAUST_LAG_S: f64 = 1_500.0;
/// How slowly combustion wanders.
const COMBUSTION_LAG_S: f64 = 14_400.0;
/// Auxiliary load in dynamic brake, as a share of rated power.
const BRAKE_POWER: f64 = 0.035;
/// Engine speed in dynamic brake, for the blowers.
const BRAKE_RPM: f64 = 580.0;
/// Radiator: temperature difference to ambient that all fans hold at full load, in K.
const RADIATOR_K: f64 = 42.0;
/// All fans together, in A.
const FANS_A: f64 = 160.0;
/// Oil relief valve, in bar.
const OIL_RELIEF: f64 = 6.3;
/// Oil pressure per engine speed at 85 degrees Celsius, in bar minutes (5.5 bar at 1,050 1/min).
const OIL_PER_RPM: f64 = 5.5 / RATED_RPM;
/// How strongly oil pressure follows viscosity.
const OIL_VISCOSITY_POWER: f64 = 0.25;
/// Exhaust temperature per intake temperature (common practice: 1.5 to 2.0).
const EXHAUST_PER_INTAKE: f64 = 1.6;
/// Exhaust temperature for the share of boost lost, in K at full boost.
const EXHAUST_PER_BOOST: f64 = 260.0;
/// Compressor governor, in bar.
const AIR_CUT_IN: f64 = 8.9;
const AIR_CUT_OUT: f64 = 9.7;
/// Compressor delivery at rated speed, in bar a minute of main reservoir.
const AIR_DELIVERY: f64 = 0.62;
/// Air that seeps away with the train's brakes set and the engine stopped, in bar a minute.
const AIR_SEEPAGE: f64 = 0.004;
/// Share of the train's air that a coupled unit makes, and how much faster two units are.
const COUPLED_AIR: f64 = 0.5;
const COUPLED_SPEED: f64 = 1.15;
/// Fuel of a full tank, in kg.
const TANK_KG: f64 = 15_000.0;
/// Heat of combustion, in kWh a kg (42.7 MJ/kg).
const FUEL_KWH: f64 = 42.7 / 3.6;
const REFUEL_BELOW: f64 = 0.22;
const REFUEL_TO: f64 = 0.96;

fn toward(value: &mut f64, target: f64, dt_s: f64, lag_s: f64) {
    *value += (target - *value) * (1.0 - (-dt_s / lag_s).exp());
}

impl Machine {
    /// A warm unit that has idled for a while.
    pub(crate) fn new(rng: &mut Rng, air: Air) -> Self {
        let build = Build::draw(rng);
        Machine {
            build,
            demand: Demand::Notch(0),
            rpm: 440.0,
            power_kw: 15.0,
            boost: 0.0,
            turbo: 4000.0,
            exhaust: 130.0,
            manifold: 45.0,
            coolant: 76.0,
            oil: 72.0,
            room: air.temp_c + 8.0,
            battery: 74.0,
            fan_amperes: 2.0,
            speed: 0.0,
            position_km: rng.between(0.0, 300.0),
            reservoir: rng.between(9.0, 9.6),
            compressing: false,
            hours: rng.between(4_000.0, 38_000.0),
            fuel_level: rng.between(0.4, 0.95),
            combustion: rng.bell(),
        }
    }

    /// Share of rated power now.
    fn load(&self) -> f64 {
        (self.power_kw / RATED_KW).max(0.0)
    }

    fn running(&self) -> bool {
        self.demand != Demand::Stopped
    }

    /// Moves the machine on by `dt_s` seconds under one demand.
    pub(crate) fn advance(
        &mut self,
        dt_s: f64,
        demand: Demand,
        around: Surroundings,
        fx: &Effects,
        rng: &mut Rng,
    ) {
        self.demand = demand;
        let (rpm, power) = match demand {
            Demand::Stopped => (0.0, 0.0),
            Demand::Notch(n) => (table::at_notch(&table::RPM, n), table::at_notch(&table::POWER, n)),
            Demand::Brake => (BRAKE_RPM, BRAKE_POWER),
        };
        let lost = fx.power * ((power - 0.1) / 0.2).clamp(0.0, 1.0);
        toward(&mut self.rpm, rpm, dt_s, SPEED_LAG_S);
        toward(&mut self.power_kw, power * RATED_KW * (1.0 - lost), dt_s, POWER_LAG_S);
        let step = dt_s / COMBUSTION_LAG_S;
        self.combustion += -self.combustion * step + (2.0 * step).sqrt() * rng.bell();
        self.move_train(dt_s, around);
        if self.running() {
            self.breathe(dt_s, around.air, fx);
            self.heat(dt_s, around.air, fx);
            self.hours += dt_s / 3600.0;
        } else {
            self.cool_down(dt_s, around.air);
        }
        self.burn(dt_s);
        self.charge_air(dt_s, around.coupled, fx);
    }

    fn move_train(&mut self, dt_s: f64, around: Surroundings) {
        let more = if around.coupled { COUPLED_SPEED } else { 1.0 };
        let grade = around.grade;
        let (target, lag) = match self.demand {
            Demand::Notch(n) if n > 0 => {
                ((118.0 * more * self.load().powf(0.45) * (1.0 - 0.4 * grade)).min(115.0), 260.0)
            }
            Demand::Brake => (34.0_f64.min(self.speed), 500.0),
            _ => (0.0, 320.0),
        };
        toward(&mut self.speed, target, dt_s, lag);
        if target <= 0.0 && self.speed < 1.5 {
            self.speed = 0.0;
        }
        self.position_km += self.speed * dt_s / 3600.0;
    }

    fn breathe(&mut self, dt_s: f64, air: Air, fx: &Effects) {
        let place = Place::of_power(self.load());
        let warmer = air.temp_c - REFERENCE_C;
        let thinner = air.pressure_hpa / REFERENCE_HPA;
        let design = place.on(&table::BOOST) * self.build.boost;
        let fullness = design / table::at_notch(&table::BOOST, 8);
        let boost = design
            * thinner
            * (1.0 - 0.0015 * warmer)
            * (1.0 - fx.boost * fullness.sqrt())
            * (1.0 + 0.003 * self.combustion);
        let turbo = place.on(&table::TURBO)
            * self.build.turbo
            * thinner.powf(-0.3)
            * (1.0 + 0.0012 * warmer)
            * (1.0 + fx.turbo_speed * fullness.sqrt());
        toward(&mut self.boost, boost, dt_s, TURBO_LAG_S);
        toward(&mut self.turbo, turbo, dt_s, TURBO_LAG_S);
        let hot = table::compressor_out(air.temp_c, 1.0 + self.boost * 1000.0 / air.pressure_hpa);
        let water = table::aftercooler_water(place) + 0.25 * warmer;
        let cooler = (table::AFTERCOOLER - fx.aftercooler).max(0.1);
        toward(&mut self.manifold, water + (1.0 - cooler) * (hot - water), dt_s, MANIFOLD_LAG_S);
        let starved = if fullness > 0.0 { (1.0 - boost / design.max(0.01)).max(0.0) * fullness } else { 0.0 };
        let exhaust = place.on(&table::EXHAUST_C)
            + EXHAUST_PER_INTAKE * (self.manifold - place.on(&table::MANIFOLD_C))
            + EXHAUST_PER_BOOST * starved
            + fx.exhaust_k * (0.3 + 0.7 * self.load())
            + self.build.exhaust_k * self.load()
            + 1.5 * self.combustion;
        toward(&mut self.exhaust, exhaust, dt_s, EXHAUST_LAG_S);
    }

    fn heat(&mut self, dt_s: f64, air: Air, fx: &Effects) {
        let load = self.load();
        let place = Place::of_power(load);
        let set_point = place.on(&table::COOLANT_C);
        let heat = 0.05 + 0.95 * load;
        let fans = (1.0 - fx.fans_lost).max(0.05);
        let capacity = fans * (1.0 - fx.radiator_fouled) * (1.0 - 0.75 * fx.coolant_flow);
        let needed = heat * RADIATOR_K / ((set_point - air.temp_c).max(5.0) * capacity.max(0.05));
        let regulated =
            set_point - fx.thermostat_open * 0.6 * (set_point - air.temp_c - 12.0 - 30.0 * heat).max(0.0);
        let target =
            if needed > 1.0 { air.temp_c + heat * RADIATOR_K / capacity.max(0.05) } else { regulated };
        // A boiling system blows off: it does not get hotter than about 118 degrees under its cap.
        toward(&mut self.coolant, target.min(118.0), dt_s, COOLANT_LAG_S);
        toward(&mut self.fan_amperes, FANS_A * needed.min(1.0) * fans, dt_s, BATTERY_LAG_S);
        let oil = place.on(&table::OIL_C)
            + 0.6 * (self.coolant - set_point)
            + 0.05 * (air.temp_c - REFERENCE_C)
            + fx.oil_hot_k * (0.25 + 0.75 * load);
        toward(&mut self.oil, oil, dt_s, OIL_LAG_S);
        let room = air.temp_c + 8.0 + 14.0 * load + fx.room_k * load;
        toward(&mut self.room, room, dt_s, ROOM_LAG_S);
        let battery = 74.0 + self.build.battery_v - 0.03 * (air.temp_c - REFERENCE_C) + fx.battery_v;
        toward(&mut self.battery, battery, dt_s, BATTERY_LAG_S);
    }

    fn cool_down(&mut self, dt_s: f64, air: Air) {
        toward(&mut self.boost, 0.0, dt_s, TURBO_LAG_S);
        toward(&mut self.turbo, 0.0, dt_s, TURBO_LAG_S);
        toward(&mut self.fan_amperes, 0.0, dt_s, SPEED_LAG_S);
        toward(&mut self.exhaust, air.temp_c + 4.0, dt_s, COLD_EXHAUST_LAG_S);
        toward(&mut self.manifold, air.temp_c + 4.0, dt_s, COLD_EXHAUST_LAG_S);
        toward(&mut self.coolant, air.temp_c, dt_s, COLD_LAG_S);
        toward(&mut self.oil, air.temp_c, dt_s, COLD_LAG_S);
        toward(&mut self.room, air.temp_c + 2.0, dt_s, ROOM_LAG_S);
        toward(&mut self.battery, 65.5 + self.build.battery_v, dt_s, BATTERY_LAG_S);
    }

    fn fuel_kg_h(&self) -> f64 {
        if self.running() {
            let place = Place::of_power(self.load());
            self.power_kw.max(10.0) / (place.on(&table::EFFICIENCY) * FUEL_KWH)
        } else {
            0.0
        }
    }

    fn burn(&mut self, dt_s: f64) {
        self.fuel_level -= self.fuel_kg_h() * dt_s / 3600.0 / TANK_KG;
        if self.fuel_level < REFUEL_BELOW && self.speed < 1.0 {
            self.fuel_level = REFUEL_TO;
        }
        self.fuel_level = self.fuel_level.max(0.05);
    }

    /// Main reservoir between cut-in and cut-out, in steps short enough not to run past them.
    fn charge_air(&mut self, dt_s: f64, coupled: bool, fx: &Effects) {
        const STEP_S: f64 = 10.0;
        let braking = self.speed > 5.0 && matches!(self.demand, Demand::Brake | Demand::Notch(0));
        let used = match (self.running(), braking) {
            (false, _) => AIR_SEEPAGE,
            (true, false) => 0.045,
            (true, true) => 0.105,
        } * if coupled { COUPLED_AIR } else { 1.0 }
            + fx.air_leak;
        let delivered = AIR_DELIVERY * (self.rpm / RATED_RPM) * (1.0 - fx.air_pump);
        let mut left = dt_s;
        while left > 0.0 {
            let step = left.min(STEP_S);
            if self.reservoir <= AIR_CUT_IN {
                self.compressing = true;
            } else if self.reservoir >= AIR_CUT_OUT + fx.air_cut_out {
                self.compressing = false;
            }
            let rate = if self.compressing { delivered } else { 0.0 } - used;
            self.reservoir = (self.reservoir + rate * step / 60.0).clamp(0.0, 10.8);
            left -= step;
        }
        self.compressing &= self.running();
    }
}

mod readings;

#[cfg(test)]
mod tests;
