//! From true values to what the sensors send: constant error, slow noise, steps of the sensor, sensor faults.
//!
//! Owns the reading as whole units of the last digit sent. Refuses physics.

use crate::channel::{CHANNELS, COUNT, Channel, scale};
use crate::rng::Rng;

/// A value that is not sent.
pub(crate) const MISSING: i32 = i32::MIN;
/// What an open thermocouple input reads, in degrees Celsius: the end of a type K input's range (common practice).
pub(crate) const OPEN_THERMOCOUPLE_C: f64 = 1372.0;
/// How long sensor noise remembers itself, in seconds (common practice).
const NOISE_MEMORY_S: f64 = 150.0;

/// What a broken sensor does to its channel.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum SensorFault {
    /// Added to the true value, in the channel's unit of measure.
    Offset(f64),
    /// Reads this whatever happens.
    Reads(f64),
    /// Repeats the last value.
    Stuck,
    /// Times this.
    Gain(f64),
}

/// The sensors of one unit.
#[derive(Clone, Debug)]
pub(crate) struct Instruments {
    bias: [f32; COUNT],
    noise: [f32; COUNT],
    last: [i32; COUNT],
}

impl Instruments {
    /// Draws healthy sensors.
    #[expect(clippy::cast_possible_truncation, reason = "noise needs no more than f32")]
    pub(crate) fn draw(rng: &mut Rng) -> Self {
        let mut bias = [0.0; COUNT];
        for (value, channel) in bias.iter_mut().zip(&CHANNELS) {
            *value = (channel.scatter * rng.bell()) as f32;
        }
        let mut noise = [0.0; COUNT];
        for value in &mut noise {
            *value = rng.bell() as f32;
        }
        Instruments { bias, noise, last: [MISSING; COUNT] }
    }

    /// Reads all channels `dt_s` seconds after the last reading. `faults` hold at most a few channels.
    #[expect(clippy::cast_possible_truncation, reason = "noise needs no more than f32")]
    pub(crate) fn read(
        &mut self,
        truth: &[f64; COUNT],
        dt_s: f64,
        faults: &[(usize, SensorFault)],
        rng: &mut Rng,
    ) -> [i32; COUNT] {
        let keep = (-dt_s / NOISE_MEMORY_S).exp();
        let fresh = (1.0 - keep * keep).sqrt();
        let mut out = [MISSING; COUNT];
        let state = self.bias.iter().zip(&mut self.noise).zip(&mut self.last);
        let sensors = CHANNELS.iter().zip(truth).zip(state).zip(&mut out).enumerate();
        for (i, (((channel, value), ((bias, noise), last)), sent)) in sensors {
            let mut value = *value;
            if channel.noise > 0.0 {
                *noise = (f64::from(*noise) * keep + fresh * rng.bell()) as f32;
                let spread = channel.noise + channel.noise_share * value.abs();
                value += f64::from(*bias) + spread * f64::from(*noise);
            }
            *sent = if faults.is_empty() {
                whole(channel, value)
            } else {
                faulty(channel, value, *last, faults.iter().filter(|f| f.0 == i).map(|f| f.1))
            };
            *last = *sent;
        }
        out
    }
}

fn faulty(channel: &Channel, mut value: f64, last: i32, faults: impl Iterator<Item = SensorFault>) -> i32 {
    let mut stuck = false;
    for fault in faults {
        match fault {
            SensorFault::Offset(by) => value += by,
            SensorFault::Reads(reading) => value = reading,
            SensorFault::Gain(factor) => value *= factor,
            SensorFault::Stuck => stuck = true,
        }
    }
    if stuck && last != MISSING { last } else { whole(channel, value) }
}

/// Rounds to the sensor's step, in units of the last digit. Quantities that cannot be negative stay so.
#[expect(clippy::cast_possible_truncation, reason = "`as` saturates, and no channel comes near 2^31")]
fn whole(channel: &Channel, value: f64) -> i32 {
    let step = f64::from(channel.step);
    let rounded = (value * scale(channel.decimals) / step).round() as i32;
    let signed = matches!(channel.uom, Some("Cel" | "Pa"));
    let rounded = if signed { rounded } else { rounded.max(0) };
    rounded.saturating_mul(channel.step)
}

/// A reading in the channel's unit of measure.
pub(crate) fn value(channel: &Channel, whole: i32) -> Option<f64> {
    (whole != MISSING).then(|| f64::from(whole) / scale(channel.decimals))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::channel as ch;

    #[test]
    fn readings_come_in_steps_of_the_sensor() {
        let mut rng = Rng::new(1, 1, 1);
        let mut sensors = Instruments::draw(&mut rng);
        let mut truth = [0.0; COUNT];
        truth[ch::MANIFOLD_AIR_PRESSURE] = 312_345.0;
        let read = sensors.read(&truth, 60.0, &[], &mut rng);
        assert_eq!(read[ch::MANIFOLD_AIR_PRESSURE] % 500, 0);
        assert!((read[ch::MANIFOLD_AIR_PRESSURE] - 312_345).abs() < 6_000);
    }

    #[test]
    fn broken_sensors_read_as_they_must() {
        let mut rng = Rng::new(1, 1, 1);
        let mut sensors = Instruments::draw(&mut rng);
        let mut truth = [0.0; COUNT];
        truth[ch::OIL_TEMP] = 80.0;
        let before = sensors.read(&truth, 60.0, &[], &mut rng)[ch::OIL_TEMP];
        truth[ch::OIL_TEMP] = 95.0;
        let mut read = |fault| sensors.read(&truth, 60.0, &[(ch::OIL_TEMP, fault)], &mut rng)[ch::OIL_TEMP];
        assert_eq!(read(SensorFault::Stuck), before);
        assert_eq!(read(SensorFault::Reads(OPEN_THERMOCOUPLE_C)), 13_720);
        assert!((read(SensorFault::Offset(-20.0)) - 750).abs() < 40);
    }

    #[test]
    fn noise_remembers_itself_and_keeps_its_spread() {
        let mut rng = Rng::new(4, 1, 1);
        let mut sensors = Instruments::draw(&mut rng);
        sensors.bias = [0.0; COUNT];
        let mut truth = [0.0; COUNT];
        truth[ch::OIL_TEMP] = 80.0;
        let read: Vec<f64> = (0..20_000)
            .map(|_| f64::from(sensors.read(&truth, 60.0, &[], &mut rng)[ch::OIL_TEMP]) / 10.0 - 80.0)
            .collect();
        let variance = read.iter().map(|r| r * r).sum::<f64>() / 20_000.0;
        let next = read.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / 20_000.0;
        assert!((variance.sqrt() - 0.25).abs() < 0.03, "{}", variance.sqrt());
        assert!((next / variance - (-60.0_f64 / 150.0).exp()).abs() < 0.06, "{}", next / variance);
    }
}
