//! The 45 channels of the invented class, as sent: name, unit of measure, step of the sensor, noise.
//!
//! Owns their order and how well each is measured. Refuses physics. Noise and scatter are a simulator's values
//! (common practice, from memory), chosen so that a healthy unit looks like one.

/// How many channels a snapshot has.
pub const COUNT: usize = 45;
/// How many cylinders.
pub(crate) const CYLINDERS: usize = 12;
/// How many traction motors.
pub(crate) const MOTORS: usize = 6;

/// One channel as it is sent and measured.
#[derive(Clone, Copy, Debug)]
pub struct Channel {
    /// `SenML` name without the unit's prefix.
    pub name: &'static str,
    /// `SenML` unit of measure; `None` where the value has none.
    pub uom: Option<&'static str>,
    /// Sent as a boolean.
    pub flag: bool,
    /// Digits after the point.
    pub decimals: u32,
    /// Step of the sensor, in units of the last digit sent.
    pub step: i32,
    /// Spread of the noise, in the channel's unit of measure.
    pub noise: f64,
    /// Spread of the noise as a share of the value, on top.
    pub noise_share: f64,
    /// Spread of the sensor's constant error between units, in the channel's unit of measure.
    pub scatter: f64,
}

impl Channel {
    /// Smallest change it can show, in its unit of measure.
    pub fn resolution(&self) -> f64 {
        f64::from(self.step) / scale(self.decimals)
    }
}

/// Ten to the number of decimals.
pub(crate) fn scale(decimals: u32) -> f64 {
    f64::from(10_u32.pow(decimals.min(6)))
}

/// Position of a channel by name.
pub(crate) fn position(name: &str) -> Option<usize> {
    CHANNELS.iter().position(|c| c.name == name)
}

pub(crate) const THROTTLE_NOTCH: usize = 0;
pub(crate) const DYNAMIC_BRAKE: usize = 1;
pub(crate) const ENGINE_RUNNING: usize = 2;
pub(crate) const SPEED: usize = 3;
pub(crate) const AMBIENT_TEMP: usize = 4;
pub(crate) const AMBIENT_PRESSURE: usize = 5;
pub(crate) const ENGINE_SPEED: usize = 6;
pub(crate) const GROSS_POWER: usize = 7;
pub(crate) const OIL_PRESSURE: usize = 8;
pub(crate) const OIL_TEMP: usize = 9;
pub(crate) const OIL_FILTER_DIFFERENTIAL: usize = 10;
pub(crate) const COOLANT_TEMP: usize = 11;
pub(crate) const COOLANT_PRESSURE: usize = 12;
pub(crate) const CRANKCASE_PRESSURE: usize = 13;
pub(crate) const MANIFOLD_AIR_PRESSURE: usize = 14;
pub(crate) const MANIFOLD_AIR_TEMP: usize = 15;
pub(crate) const TURBO_SPEED: usize = 16;
pub(crate) const TURBINE_INLET_TEMP: usize = 17;
pub(crate) const FUEL_PRESSURE: usize = 18;
pub(crate) const FUEL_FILTER_DIFFERENTIAL: usize = 19;
/// First of twelve.
pub(crate) const CYL_EXHAUST: usize = 20;
pub(crate) const RADIATOR_FAN_CURRENT: usize = 32;
pub(crate) const BATTERY_VOLTAGE: usize = 33;
/// First of six.
pub(crate) const TM_CURRENT: usize = 34;
pub(crate) const MAIN_RESERVOIR_PRESSURE: usize = 40;
pub(crate) const COMPRESSOR_RUNNING: usize = 41;
pub(crate) const ENGINE_ROOM_TEMP: usize = 42;
pub(crate) const ENGINE_HOURS: usize = 43;
pub(crate) const FUEL_LEVEL: usize = 44;

const fn exact(name: &'static str, uom: Option<&'static str>, decimals: u32) -> Channel {
    Channel { name, uom, flag: false, decimals, step: 1, noise: 0.0, noise_share: 0.0, scatter: 0.0 }
}

const fn flag(name: &'static str) -> Channel {
    Channel { flag: true, ..exact(name, None, 0) }
}

const fn measured(
    name: &'static str,
    uom: &'static str,
    (decimals, step): (u32, i32),
    (noise, noise_share): (f64, f64),
    scatter: f64,
) -> Channel {
    Channel { name, uom: Some(uom), flag: false, decimals, step, noise, noise_share, scatter }
}

const fn cylinder(name: &'static str) -> Channel {
    measured(name, "Cel", (0, 1), (1.2, 0.004), 1.5)
}

const fn motor(name: &'static str) -> Channel {
    measured(name, "A", (0, 1), (1.0, 0.006), 0.5)
}

/// Every channel, in the order of the class.
pub static CHANNELS: [Channel; COUNT] = [
    exact("throttle_notch", None, 0),
    flag("dynamic_brake"),
    flag("engine_running"),
    measured("speed", "km/h", (1, 1), (0.05, 0.002), 0.0),
    measured("ambient_temp", "Cel", (1, 1), (0.2, 0.0), 0.4),
    measured("ambient_pressure", "hPa", (1, 1), (0.15, 0.0), 0.6),
    measured("engine_speed", "1/min", (0, 1), (0.6, 0.001), 0.0),
    measured("gross_power", "kW", (0, 1), (1.0, 0.004), 1.0),
    measured("oil_pressure", "Pa", (0, 1000), (900.0, 0.004), 1500.0),
    measured("oil_temp", "Cel", (1, 1), (0.25, 0.0), 0.4),
    measured("oil_filter_differential", "Pa", (0, 500), (500.0, 0.012), 700.0),
    measured("coolant_temp", "Cel", (1, 1), (0.25, 0.0), 0.4),
    measured("coolant_pressure", "Pa", (0, 1000), (900.0, 0.006), 1200.0),
    measured("crankcase_pressure", "Pa", (0, 5), (4.0, 0.02), 5.0),
    measured("manifold_air_pressure", "Pa", (0, 500), (300.0, 0.003), 250.0),
    measured("manifold_air_temp", "Cel", (1, 1), (0.3, 0.0), 0.4),
    measured("turbo_speed", "1/min", (0, 10), (8.0, 0.003), 0.0),
    measured("turbine_inlet_temp", "Cel", (0, 1), (1.5, 0.004), 2.0),
    measured("fuel_pressure", "Pa", (0, 1000), (900.0, 0.006), 1500.0),
    measured("fuel_filter_differential", "Pa", (0, 500), (400.0, 0.012), 400.0),
    cylinder("cyl_exhaust_temp_01"),
    cylinder("cyl_exhaust_temp_02"),
    cylinder("cyl_exhaust_temp_03"),
    cylinder("cyl_exhaust_temp_04"),
    cylinder("cyl_exhaust_temp_05"),
    cylinder("cyl_exhaust_temp_06"),
    cylinder("cyl_exhaust_temp_07"),
    cylinder("cyl_exhaust_temp_08"),
    cylinder("cyl_exhaust_temp_09"),
    cylinder("cyl_exhaust_temp_10"),
    cylinder("cyl_exhaust_temp_11"),
    cylinder("cyl_exhaust_temp_12"),
    measured("radiator_fan_current", "A", (0, 1), (0.8, 0.01), 0.5),
    measured("battery_voltage", "V", (1, 1), (0.12, 0.0), 0.15),
    motor("tm_current_1"),
    motor("tm_current_2"),
    motor("tm_current_3"),
    motor("tm_current_4"),
    motor("tm_current_5"),
    motor("tm_current_6"),
    measured("main_reservoir_pressure", "Pa", (0, 1000), (800.0, 0.001), 1500.0),
    flag("compressor_running"),
    measured("engine_room_temp", "Cel", (1, 1), (0.3, 0.0), 0.5),
    exact("engine_hours", Some("h"), 2),
    measured("fuel_level", "/", (3, 2), (0.001, 0.0), 0.002),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_agree_with_names() {
        for (at, name) in [
            (SPEED, "speed"),
            (OIL_PRESSURE, "oil_pressure"),
            (TURBO_SPEED, "turbo_speed"),
            (FUEL_FILTER_DIFFERENTIAL, "fuel_filter_differential"),
            (CYL_EXHAUST, "cyl_exhaust_temp_01"),
            (CYL_EXHAUST + 11, "cyl_exhaust_temp_12"),
            (RADIATOR_FAN_CURRENT, "radiator_fan_current"),
            (TM_CURRENT + 5, "tm_current_6"),
            (FUEL_LEVEL, "fuel_level"),
        ] {
            assert_eq!(position(name), Some(at), "{name}");
        }
    }

    #[test]
    fn the_resolution_is_the_step_in_the_unit_of_measure() {
        assert!((CHANNELS[OIL_TEMP].resolution() - 0.1).abs() < 1e-12);
        assert!((CHANNELS[MANIFOLD_AIR_PRESSURE].resolution() - 500.0).abs() < 1e-12);
        assert!((CHANNELS[FUEL_LEVEL].resolution() - 0.002).abs() < 1e-12);
    }
}
