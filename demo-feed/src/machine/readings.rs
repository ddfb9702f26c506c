//! What perfect sensors would read on the machine.
//!
//! Owns the step from state to channel values, in the channels' units of measure. Refuses noise.

use super::{
    Air, COUNT, CYLINDERS, Demand, Effects, MOTORS, Machine, OIL_PER_RPM, OIL_RELIEF, OIL_VISCOSITY_POWER,
    RATED_RPM, ch, table,
};

/// Pa in a bar.
const PA: f64 = 1e5;

impl Machine {
    /// True values of every channel, in channel order.
    pub(crate) fn readings(&self, air: Air, fx: &Effects) -> [f64; COUNT] {
        let mut out = [0.0; COUNT];
        self.read_operation(&mut out, air);
        self.read_oil_and_water(&mut out, fx);
        self.read_air_and_fuel(&mut out, air, fx);
        self.read_cylinders(&mut out, fx);
        self.read_motors(&mut out, fx);
        out[ch::RADIATOR_FAN_CURRENT] = self.fan_amperes;
        out[ch::BATTERY_VOLTAGE] = self.battery;
        out[ch::MAIN_RESERVOIR_PRESSURE] = self.reservoir * PA;
        out[ch::COMPRESSOR_RUNNING] = f64::from(u8::from(self.compressing));
        out[ch::ENGINE_ROOM_TEMP] = self.room;
        out[ch::ENGINE_HOURS] = self.hours;
        out[ch::FUEL_LEVEL] = self.fuel_level;
        out
    }

    fn read_operation(&self, out: &mut [f64; COUNT], air: Air) {
        out[ch::THROTTLE_NOTCH] = match self.demand {
            Demand::Notch(n) => f64::from(n),
            _ => 0.0,
        };
        out[ch::DYNAMIC_BRAKE] = f64::from(u8::from(self.demand == Demand::Brake));
        out[ch::ENGINE_RUNNING] = f64::from(u8::from(self.running()));
        out[ch::SPEED] = self.speed;
        out[ch::AMBIENT_TEMP] = air.temp_c;
        out[ch::AMBIENT_PRESSURE] = air.pressure_hpa;
        out[ch::ENGINE_SPEED] = self.rpm;
        out[ch::GROSS_POWER] = self.power_kw;
    }

    fn read_oil_and_water(&self, out: &mut [f64; COUNT], fx: &Effects) {
        let turning = self.rpm / RATED_RPM;
        let thick = table::viscosity(self.oil) * (1.0 - fx.oil_thinned).max(0.1);
        let idle = (1.0 - (self.rpm - 440.0) / (RATED_RPM - 440.0)).clamp(0.0, 1.0);
        let slip = (1.0 - fx.oil_slip - fx.oil_idle_slip * idle).max(0.0);
        let pressure = OIL_PER_RPM * self.rpm * self.build.oil * thick.powf(OIL_VISCOSITY_POWER) * slip;
        out[ch::OIL_PRESSURE] = relieved(pressure) * PA;
        out[ch::OIL_TEMP] = self.oil;
        let filter = (0.45 + fx.oil_filter_bar) * turning * table::viscosity(self.oil).powf(0.35);
        out[ch::OIL_FILTER_DIFFERENTIAL] = filter.min(2.0) * PA;
        out[ch::COOLANT_TEMP] = self.coolant;
        let cap = (0.35 + 0.006 * (self.coolant - 80.0) - fx.coolant_lost_bar).max(0.0);
        let water = cap
            + 1.6 * turning * turning * (1.0 - fx.coolant_flow).max(0.0)
            + fx.coolant_gas_bar * self.load();
        out[ch::COOLANT_PRESSURE] = water * PA;
        let running = if self.running() { 1.0 } else { 0.0 };
        out[ch::CRANKCASE_PRESSURE] = running
            * ((80.0 + 170.0 * self.load()) * self.build.crankcase + fx.crankcase_pa)
            + fx.blow_by_pa * self.load();
    }

    fn read_air_and_fuel(&self, out: &mut [f64; COUNT], air: Air, fx: &Effects) {
        out[ch::MANIFOLD_AIR_PRESSURE] = air.pressure_hpa * 100.0 + self.boost * PA;
        out[ch::MANIFOLD_AIR_TEMP] = self.manifold;
        out[ch::TURBO_SPEED] = self.turbo;
        let flow = self.fuel_kg_h() / 677.7;
        let squeezed = flow.powf(1.5);
        if self.running() {
            out[ch::FUEL_PRESSURE] =
                ((4.6 * self.build.fuel - 0.25 * flow - fx.fuel_bar * squeezed).max(0.2)) * PA;
            out[ch::FUEL_FILTER_DIFFERENTIAL] = (0.12 + 0.22 * flow + fx.fuel_filter_bar * squeezed) * PA;
        }
    }

    fn read_cylinders(&self, out: &mut [f64; COUNT], fx: &Effects) {
        if !self.running() {
            if let Some(cylinders) = out.get_mut(ch::CYL_EXHAUST..ch::CYL_EXHAUST + CYLINDERS) {
                cylinders.fill(self.exhaust);
            }
            out[ch::TURBINE_INLET_TEMP] = self.exhaust;
            return;
        }
        let load = self.load();
        let all_loads = 0.35 + 0.65 * load;
        // What one cylinder no longer does, the governor asks of the others.
        let missing: f64 = fx.cylinder_k.iter().filter(|k| **k < 0.0).sum();
        let mut sum = 0.0;
        let cylinders = out.iter_mut().skip(ch::CYL_EXHAUST).take(CYLINDERS);
        let parts = self.build.cylinder_k.iter().zip(&fx.cylinder_k).zip(&fx.cylinder_high_k);
        for (value, ((built, always), high)) in cylinders.zip(parts) {
            let shared = if *always < 0.0 { 0.0 } else { -missing * 0.1 };
            *value = self.exhaust + built * all_loads + (always + shared) * all_loads + high * load * load;
            sum += *value;
        }
        out[ch::TURBINE_INLET_TEMP] = sum / 12.0 + 20.0 + 60.0 * load;
    }

    fn read_motors(&self, out: &mut [f64; COUNT], fx: &Effects) {
        const LARGEST_A: f64 = 1150.0;
        let each = match self.demand {
            Demand::Notch(n) if n > 0 => {
                let volts = (180.0 + 11.5 * self.speed).clamp(250.0, 1250.0);
                ((self.power_kw - 15.0).max(0.0) * 930.0 / (6.0 * volts)).min(LARGEST_A)
            }
            Demand::Brake => (9.0 * (self.speed - 6.0)).clamp(0.0, 620.0),
            _ => 0.0,
        };
        let motors = out.iter_mut().skip(ch::TM_CURRENT).take(MOTORS);
        for (value, (built, fault)) in motors.zip(self.build.motor.iter().zip(&fx.motor)) {
            *value = each * (1.0 + built + fault);
        }
    }
}

/// Pressure after the relief valve, which opens softly around its set point.
fn relieved(bar: f64) -> f64 {
    let over = bar - (OIL_RELIEF - 0.4);
    if over <= 0.0 { bar } else { OIL_RELIEF - 0.4 + 0.6 * (1.0 - (-over / 0.6).exp()) }
}
