//! Steady values of the invented engine, notch by notch, at 25 degrees Celsius and sea level, warm.
//!
//! Owns the table and the reading between its rows. Values for a simulator, not limits of any real engine.
//! Power fractions and efficiencies: NREL ALTRIOS `fuel_converter.default.yaml`; the rest common practice, from
//! memory.

/// Gross power at notch 8, in kW.
pub(crate) const RATED_KW: f64 = 3356.0;
/// Air temperature the table holds for, in degrees Celsius.
pub(crate) const REFERENCE_C: f64 = 25.0;
/// Air pressure the table holds for, in hPa.
pub(crate) const REFERENCE_HPA: f64 = 1013.25;
/// Engine speed at notch 8, in 1/min.
pub(crate) const RATED_RPM: f64 = 1050.0;
/// Compressor efficiency of the turbocharger (common practice: 0.70 to 0.80).
const COMPRESSOR_EFFICIENCY: f64 = 0.78;
/// (k - 1) / k of air.
const AIR_EXPONENT: f64 = 0.286;
/// Effectiveness of the aftercooler as built (common practice: 0.80 to 0.90).
pub(crate) const AFTERCOOLER: f64 = 0.85;
/// Zero of the Celsius scale, in K.
pub(crate) const KELVIN: f64 = 273.15;

/// One quantity at idle and notches 1 to 8.
pub(crate) type Curve = [f64; 9];

/// Gross power as a share of [`RATED_KW`].
pub(crate) const POWER: Curve =
    [0.004_562, 0.067_605, 0.135_349, 0.279_407, 0.393_484, 0.527_557, 0.694_049, 0.848_721, 1.0];
/// Brake efficiency.
pub(crate) const EFFICIENCY: Curve = [0.1015, 0.3622, 0.3734, 0.3914, 0.4106, 0.4165, 0.4266, 0.4251, 0.4175];
/// Engine speed, in 1/min.
pub(crate) const RPM: Curve = [440.0, 440.0, 580.0, 720.0, 850.0, 890.0, 995.0, 995.0, 1050.0];
/// Boost over ambient, in bar.
pub(crate) const BOOST: Curve = [0.0, 0.04, 0.09, 0.34, 0.64, 1.04, 1.59, 2.14, 2.59];
/// Manifold air temperature, in degrees Celsius.
pub(crate) const MANIFOLD_C: Curve = [45.0, 45.0, 46.0, 50.0, 54.0, 58.0, 64.0, 70.0, 76.0];
/// Turbocharger speed, in 1/min.
pub(crate) const TURBO: Curve =
    [4000.0, 5500.0, 7000.0, 10_500.0, 13_000.0, 16_000.0, 19_500.0, 22_000.0, 24_500.0];
/// Exhaust temperature of a cylinder, in degrees Celsius.
pub(crate) const EXHAUST_C: Curve = [130.0, 200.0, 255.0, 340.0, 390.0, 430.0, 465.0, 495.0, 530.0];
/// Coolant leaving the engine, in degrees Celsius.
pub(crate) const COOLANT_C: Curve = [76.0, 78.0, 80.0, 82.0, 83.0, 84.0, 85.0, 86.0, 86.0];
/// Oil entering the engine, in degrees Celsius.
pub(crate) const OIL_C: Curve = [72.0, 74.0, 77.0, 80.0, 83.0, 85.0, 88.0, 90.0, 92.0];

/// A place between two rows of the table.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    low: usize,
    weight: f64,
}

impl Place {
    /// Where a share of rated power lies; beyond the ends it stays at the end.
    pub(crate) fn of_power(share: f64) -> Place {
        for (low, pair) in POWER.windows(2).enumerate() {
            if let [from, to] = pair
                && share <= *to
            {
                return Place { low, weight: ((share - from) / (to - from)).clamp(0.0, 1.0) };
            }
        }
        Place { low: POWER.len() - 2, weight: 1.0 }
    }

    /// The curve's value there.
    pub(crate) fn on(self, curve: &Curve) -> f64 {
        let at = |i: usize| curve.get(i).copied().unwrap_or(0.0);
        at(self.low) + (at(self.low + 1) - at(self.low)) * self.weight
    }
}

/// The curve's value at a notch.
pub(crate) fn at_notch(curve: &Curve, notch: u8) -> f64 {
    curve.get(usize::from(notch)).copied().unwrap_or(0.0)
}

/// Temperature of the air that leaves the compressor, in degrees Celsius.
pub(crate) fn compressor_out(inlet_c: f64, pressure_ratio: f64) -> f64 {
    let inlet = inlet_c + KELVIN;
    inlet * (1.0 + (pressure_ratio.max(1.0).powf(AIR_EXPONENT) - 1.0) / COMPRESSOR_EFFICIENCY) - KELVIN
}

/// Water temperature at the aftercooler that makes the table come true, in degrees Celsius.
pub(crate) fn aftercooler_water(place: Place) -> f64 {
    let hot = compressor_out(REFERENCE_C, 1.0 + place.on(&BOOST) * 1000.0 / REFERENCE_HPA);
    (place.on(&MANIFOLD_C) - (1.0 - AFTERCOOLER) * hot) / AFTERCOOLER
}

/// Viscosity of the oil against that at 85 degrees Celsius (Vogel's equation for an SAE 40 oil; constants from
/// memory: 145 mm2/s at 40, 14.5 at 100).
pub(crate) fn viscosity(oil_c: f64) -> f64 {
    const B: f64 = 1010.0;
    const C: f64 = 95.0;
    (B * (1.0 / (oil_c.max(-40.0) + C) - 1.0 / (85.0 + C))).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reading_between_rows_meets_the_rows() {
        for notch in 0..=8_u8 {
            let place = Place::of_power(at_notch(&POWER, notch));
            assert!((place.on(&EXHAUST_C) - at_notch(&EXHAUST_C, notch)).abs() < 1e-9);
        }
        assert!((Place::of_power(2.0).on(&TURBO) - 24_500.0).abs() < 1e-9);
        assert!((Place::of_power(0.0).on(&TURBO) - 4_000.0).abs() < 1e-9);
    }

    #[test]
    fn compressed_air_is_as_hot_as_the_formula_says() {
        // T1 (1 + (PR^0.286 - 1) / 0.78) at ratio 3.5 and 25 C: about 190 C.
        assert!((compressor_out(25.0, 3.5) - 190.0).abs() < 3.0);
    }

    #[test]
    fn aftercooler_water_is_cooler_than_the_engine() {
        for notch in 0..=8_u8 {
            let water = aftercooler_water(Place::of_power(at_notch(&POWER, notch)));
            assert!((40.0..65.0).contains(&water), "{notch}: {water}");
        }
    }

    #[test]
    fn oil_thins_with_heat() {
        assert!((viscosity(85.0) - 1.0).abs() < 1e-9);
        let ratio = viscosity(40.0) / viscosity(100.0);
        assert!((ratio - 10.0).abs() < 1.5, "{ratio}");
    }
}
