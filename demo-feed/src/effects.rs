//! What faults do to the machine: sizes of every departure from health, all zero on a healthy unit.
//!
//! Owns the departures and how large each is at severity 1 (sizes after the trade's fault tables; common
//! practice). Refuses time: a severity is passed in.

use crate::channel::{CYLINDERS, MOTORS};
use crate::fault::FaultKind;

/// Departures from health. Shares are of the healthy value, 0 to 1.
#[derive(Clone, Debug, Default)]
pub(crate) struct Effects {
    /// Share of oil delivery lost at every speed.
    pub(crate) oil_slip: f64,
    /// Share of oil delivery lost on top at idle speed, vanishing at rated speed.
    pub(crate) oil_idle_slip: f64,
    /// Share of oil viscosity lost.
    pub(crate) oil_thinned: f64,
    /// Oil filter differential at rated speed, in bar.
    pub(crate) oil_filter_bar: f64,
    /// Oil temperature at full load, in K.
    pub(crate) oil_hot_k: f64,
    /// Crankcase pressure at every load, in Pa.
    pub(crate) crankcase_pa: f64,
    /// Crankcase pressure that grows with load, in Pa at full load.
    pub(crate) blow_by_pa: f64,
    /// Share of radiator fans lost.
    pub(crate) fans_lost: f64,
    /// Share of radiator capacity lost with all fans running.
    pub(crate) radiator_fouled: f64,
    /// Share of coolant flow lost.
    pub(crate) coolant_flow: f64,
    /// Coolant system pressure lost, in bar.
    pub(crate) coolant_lost_bar: f64,
    /// Coolant system pressure gained from combustion gas, in bar at full load.
    pub(crate) coolant_gas_bar: f64,
    /// Share by which the thermostat stays open.
    pub(crate) thermostat_open: f64,
    /// Effectiveness of the aftercooler lost.
    pub(crate) aftercooler: f64,
    /// Share of boost lost at full load.
    pub(crate) boost: f64,
    /// Share of turbocharger speed gained at full load; negative when lost.
    pub(crate) turbo_speed: f64,
    /// Engine room temperature, in K at full load.
    pub(crate) room_k: f64,
    /// Fuel filter differential at full flow, in bar.
    pub(crate) fuel_filter_bar: f64,
    /// Fuel pressure lost at full flow, in bar.
    pub(crate) fuel_bar: f64,
    /// Exhaust temperature of one cylinder at every notch, in K at full load.
    pub(crate) cylinder_k: [f64; CYLINDERS],
    /// Exhaust temperature of one cylinder that shows at high load only, in K at full load.
    pub(crate) cylinder_high_k: [f64; CYLINDERS],
    /// Exhaust temperature of all cylinders at full load, in K.
    pub(crate) exhaust_k: f64,
    /// Share of power missing under load.
    pub(crate) power: f64,
    /// Share by which one motor's current differs.
    pub(crate) motor: [f64; MOTORS],
    /// Battery voltage with the engine running, in V.
    pub(crate) battery_v: f64,
    /// Share of compressor delivery lost.
    pub(crate) air_pump: f64,
    /// Air leak, in bar a minute.
    pub(crate) air_leak: f64,
    /// Compressor cut-out raised, in bar.
    pub(crate) air_cut_out: f64,
}

impl Effects {
    /// Adds one fault of the given severity; `which` counts cylinders or motors from 0.
    pub(crate) fn add(&mut self, kind: FaultKind, severity: f64, which: usize) {
        let s = severity;
        match kind {
            FaultKind::OilPumpWear => {
                self.oil_slip += 0.10 * s;
                self.oil_idle_slip += 0.12 * s;
            }
            FaultKind::FuelDilution => self.oil_thinned += 0.45 * s,
            FaultKind::OilFilterPlugged => self.oil_filter_bar += 0.9 * s,
            FaultKind::OilCoolerFouled => self.oil_hot_k += 11.0 * s,
            FaultKind::BearingDistress => {
                self.oil_slip += 0.13 * s;
                self.oil_hot_k += 5.0 * s;
                self.crankcase_pa += 90.0 * s;
            }
            FaultKind::PistonCracked => {
                self.blow_by_pa += 900.0 * s;
                self.oil_hot_k += 3.0 * s;
                bump(&mut self.cylinder_k, which, -60.0 * s);
            }
            FaultKind::RingWear => {
                self.blow_by_pa += 260.0 * s;
                bump(&mut self.cylinder_high_k, which, 12.0 * s);
            }
            FaultKind::BreatherPlugged => self.crankcase_pa += 260.0 * s,
            FaultKind::HeadGasketLeak => {
                self.coolant_gas_bar += 0.6 * s;
                self.crankcase_pa += 40.0 * s;
            }
            _ => self.add_cooling_and_air(kind, s, which),
        }
    }

    fn add_cooling_and_air(&mut self, kind: FaultKind, s: f64, which: usize) {
        match kind {
            FaultKind::RadiatorFanFailed => self.fans_lost += 0.25 * s,
            FaultKind::RadiatorFouled => self.radiator_fouled += 0.32 * s,
            FaultKind::CoolantLoss => {
                self.coolant_lost_bar += 0.5 * s;
                self.coolant_flow += 0.4 * s;
            }
            FaultKind::CoolantPumpFailed => self.coolant_flow += 0.55 * s,
            FaultKind::ThermostatStuckOpen => self.thermostat_open += s,
            FaultKind::AftercoolerFouled => self.aftercooler += 0.11 * s,
            FaultKind::AirFilterPlugged => {
                self.boost += 0.08 * s;
                self.turbo_speed += 0.03 * s;
            }
            FaultKind::BoostLeak => {
                self.boost += 0.14 * s;
                self.turbo_speed += 0.05 * s;
            }
            FaultKind::TurboDegraded => {
                self.boost += 0.13 * s;
                self.turbo_speed -= 0.07 * s;
            }
            FaultKind::ExhaustLeak => {
                self.boost += 0.07 * s;
                self.turbo_speed -= 0.04 * s;
                self.room_k += 12.0 * s;
            }
            _ => self.add_fuel_and_electrical(kind, s, which),
        }
    }

    fn add_fuel_and_electrical(&mut self, kind: FaultKind, s: f64, which: usize) {
        match kind {
            FaultKind::FuelFilterPlugged => {
                self.fuel_filter_bar += 0.9 * s;
                self.fuel_bar += 0.9 * s;
            }
            FaultKind::FuelPumpWeak => self.fuel_bar += 1.2 * s,
            FaultKind::InjectorLeaking => bump(&mut self.cylinder_k, which, 55.0 * s),
            FaultKind::InjectorWeak => bump(&mut self.cylinder_k, which, -95.0 * s),
            FaultKind::ExhaustValveLeak => bump(&mut self.cylinder_high_k, which, 80.0 * s),
            FaultKind::TimingRetarded => self.exhaust_k += 35.0 * s,
            FaultKind::PowerLow => self.power += 0.18 * s,
            FaultKind::TractionMotorDistress => bump(&mut self.motor, which, 0.16 * s),
            FaultKind::BatteryUndercharged => self.battery_v -= 4.5 * s,
            FaultKind::CompressorWorn => self.air_pump += 0.62 * s,
            FaultKind::AirLeak => self.air_leak += 0.17 * s,
            FaultKind::CompressorGovernor => self.air_cut_out += 0.6 * s,
            // Faults of sensors act on what is read, not on the machine: see `instrument`.
            _ => {}
        }
    }
}

fn bump<const N: usize>(values: &mut [f64; N], which: usize, by: f64) {
    if let Some(value) = values.get_mut(which) {
        *value += by;
    }
}
