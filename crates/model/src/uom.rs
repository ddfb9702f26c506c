//! Units of measure: the `SenML` registry (RFC 8428 section 12.1, RFC 8798) and the usual engineering ones of the trade.
//!
//! Owns names, dimensions and conversion. Refuses conversion across dimensions. Note two names that mislead:
//! in the `SenML` registry `%` is a ratio from 0 to 1, not percent; percent is `/100`.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// What a unit of measure measures. Units convert only within one dimension.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[expect(missing_docs, reason = "the names are the documentation")]
pub enum Dimension {
    Length,
    Mass,
    Time,
    Current,
    Temperature,
    LuminousIntensity,
    Amount,
    Frequency,
    /// Revolutions: kept apart from `Frequency`, since 1/min on a shaft is a speed.
    Angle,
    SolidAngle,
    Force,
    Pressure,
    Energy,
    Power,
    ApparentPower,
    ReactivePower,
    ApparentEnergy,
    ReactiveEnergy,
    Charge,
    Voltage,
    Capacitance,
    Resistance,
    Conductance,
    Conductivity,
    MagneticFlux,
    MagneticFluxDensity,
    Inductance,
    LuminousFlux,
    Illuminance,
    Activity,
    AbsorbedDose,
    EquivalentDose,
    CatalyticActivity,
    Area,
    Volume,
    Velocity,
    Acceleration,
    VolumeFlow,
    Irradiance,
    Luminance,
    Information,
    DataRate,
    Latitude,
    Longitude,
    Acidity,
    Level,
    PowerLevel,
    SoundLevel,
    Count,
    Ratio,
    RelativeHumidity,
    BatteryLevel,
    BatterySeconds,
    HeartRate,
    HeartBeats,
    EnergyPerLength,
    Density,
    None,
}

/// One row of the table: `in the dimension's base unit = value * scale + offset`.
struct Entry {
    name: &'static str,
    dimension: Dimension,
    scale: f64,
    offset: f64,
    origin: Origin,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Origin {
    /// RFC 8428 section 12.1, or a primary unit that RFC 8798 added.
    Primary,
    /// Secondary unit of RFC 8798.
    Secondary,
    /// Not in the registry; usual in the trade.
    Trade,
}

/// A unit of measure known to the project.
#[derive(Clone, Copy)]
pub struct Uom(&'static Entry);

/// Why a unit of measure cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UomError {
    /// The name is not in the table.
    #[error("unit of measure {0:?} is not known")]
    Unknown(String),
    /// The two units measure different things.
    #[error("unit of measure {from} does not convert to {to}")]
    Incompatible {
        /// As sent.
        from: Uom,
        /// As the channel stores it.
        to: Uom,
    },
}

const fn primary(name: &'static str, dimension: Dimension) -> Entry {
    Entry { name, dimension, scale: 1.0, offset: 0.0, origin: Origin::Primary }
}

const fn scaled(name: &'static str, dimension: Dimension, scale: f64, offset: f64, origin: Origin) -> Entry {
    Entry { name, dimension, scale, offset, origin }
}

use Dimension as D;
use Origin::{Primary as P, Secondary as S, Trade as T};

/// Source: RFC 8428 section 12.1 and RFC 8798; factors of the trade's units: NIST SP 811 (exact by definition,
/// but inHg and inH2O, which are conventional at 0 and 4 degrees Celsius; values from memory).
static TABLE: &[Entry] = &[
    primary("m", D::Length),
    primary("kg", D::Mass),
    scaled("g", D::Mass, 1e-3, 0.0, P),
    primary("s", D::Time),
    primary("A", D::Current),
    primary("K", D::Temperature),
    primary("cd", D::LuminousIntensity),
    primary("mol", D::Amount),
    primary("Hz", D::Frequency),
    primary("rad", D::Angle),
    scaled("deg", D::Angle, std::f64::consts::PI / 180.0, 0.0, P),
    primary("sr", D::SolidAngle),
    primary("N", D::Force),
    primary("Pa", D::Pressure),
    primary("J", D::Energy),
    primary("W", D::Power),
    primary("C", D::Charge),
    primary("V", D::Voltage),
    primary("F", D::Capacitance),
    primary("Ohm", D::Resistance),
    primary("S", D::Conductance),
    primary("Wb", D::MagneticFlux),
    primary("T", D::MagneticFluxDensity),
    primary("H", D::Inductance),
    scaled("Cel", D::Temperature, 1.0, 273.15, P),
    primary("lm", D::LuminousFlux),
    primary("lx", D::Illuminance),
    primary("Bq", D::Activity),
    primary("Gy", D::AbsorbedDose),
    primary("Sv", D::EquivalentDose),
    primary("kat", D::CatalyticActivity),
    primary("m2", D::Area),
    primary("m3", D::Volume),
    scaled("l", D::Volume, 1e-3, 0.0, P),
    primary("m/s", D::Velocity),
    primary("m/s2", D::Acceleration),
    primary("m3/s", D::VolumeFlow),
    scaled("l/s", D::VolumeFlow, 1e-3, 0.0, P),
    primary("W/m2", D::Irradiance),
    primary("cd/m2", D::Luminance),
    primary("bit", D::Information),
    primary("bit/s", D::DataRate),
    primary("lat", D::Latitude),
    primary("lon", D::Longitude),
    primary("pH", D::Acidity),
    primary("dB", D::Level),
    primary("dBW", D::PowerLevel),
    primary("Bspl", D::SoundLevel),
    primary("count", D::Count),
    primary("/", D::Ratio),
    primary("%", D::Ratio),
    primary("%RH", D::RelativeHumidity),
    primary("%EL", D::BatteryLevel),
    primary("EL", D::BatterySeconds),
    primary("1/s", D::Frequency),
    scaled("1/min", D::Frequency, 1.0 / 60.0, 0.0, P),
    primary("beat/min", D::HeartRate),
    primary("beats", D::HeartBeats),
    primary("S/m", D::Conductivity),
    scaled("B", D::Information, 8.0, 0.0, P),
    primary("VA", D::ApparentPower),
    primary("VAs", D::ApparentEnergy),
    primary("var", D::ReactivePower),
    primary("vars", D::ReactiveEnergy),
    primary("J/m", D::EnergyPerLength),
    primary("kg/m3", D::Density),
    scaled("ms", D::Time, 1e-3, 0.0, S),
    scaled("min", D::Time, 60.0, 0.0, S),
    scaled("h", D::Time, 3600.0, 0.0, S),
    scaled("MHz", D::Frequency, 1e6, 0.0, S),
    scaled("kW", D::Power, 1e3, 0.0, S),
    scaled("kVA", D::ApparentPower, 1e3, 0.0, S),
    scaled("kvar", D::ReactivePower, 1e3, 0.0, S),
    scaled("Ah", D::Charge, 3600.0, 0.0, S),
    scaled("Wh", D::Energy, 3600.0, 0.0, S),
    scaled("kWh", D::Energy, 3.6e6, 0.0, S),
    scaled("varh", D::ReactiveEnergy, 3600.0, 0.0, S),
    scaled("kvarh", D::ReactiveEnergy, 3.6e6, 0.0, S),
    scaled("kVAh", D::ApparentEnergy, 3.6e6, 0.0, S),
    scaled("Wh/km", D::EnergyPerLength, 3.6, 0.0, S),
    scaled("KiB", D::Information, 8192.0, 0.0, S),
    scaled("GB", D::Information, 8e9, 0.0, S),
    scaled("Mbit/s", D::DataRate, 1e6, 0.0, S),
    scaled("B/s", D::DataRate, 8.0, 0.0, S),
    scaled("MB/s", D::DataRate, 8e6, 0.0, S),
    scaled("mV", D::Voltage, 1e-3, 0.0, S),
    scaled("mA", D::Current, 1e-3, 0.0, S),
    scaled("dBm", D::PowerLevel, 1.0, -30.0, S),
    scaled("ug/m3", D::Density, 1e-9, 0.0, S),
    scaled("mm/h", D::Velocity, 1.0 / 3.6e6, 0.0, S),
    scaled("m/h", D::Velocity, 1.0 / 3600.0, 0.0, S),
    scaled("ppm", D::Ratio, 1e-6, 0.0, S),
    scaled("/100", D::Ratio, 1e-2, 0.0, S),
    scaled("/1000", D::Ratio, 1e-3, 0.0, S),
    scaled("hPa", D::Pressure, 100.0, 0.0, S),
    scaled("mm", D::Length, 1e-3, 0.0, S),
    scaled("cm", D::Length, 1e-2, 0.0, S),
    scaled("km", D::Length, 1e3, 0.0, S),
    scaled("km/h", D::Velocity, 1.0 / 3.6, 0.0, S),
    scaled("kPa", D::Pressure, 1e3, 0.0, T),
    scaled("bar", D::Pressure, 1e5, 0.0, T),
    scaled("psi", D::Pressure, 6_894.757_293_168_361, 0.0, T),
    scaled("inHg", D::Pressure, 3_386.389, 0.0, T),
    scaled("inH2O", D::Pressure, 249.082, 0.0, T),
    scaled("degC", D::Temperature, 1.0, 273.15, T),
    scaled("degF", D::Temperature, 5.0 / 9.0, 459.67 * 5.0 / 9.0, T),
    scaled("mi/h", D::Velocity, 0.447_04, 0.0, T),
    scaled("l/min", D::VolumeFlow, 1e-3 / 60.0, 0.0, T),
    primary("", D::None),
];

impl Uom {
    /// No unit of measure: a position, a flag, a text.
    pub const NONE: Uom =
        Uom(&Entry { name: "", dimension: D::None, scale: 1.0, offset: 0.0, origin: Origin::Primary });

    /// Looks the name up. Errors when it is not in the table.
    pub fn parse(name: &str) -> Result<Self, UomError> {
        TABLE
            .iter()
            .find(|e| e.name == name)
            .map(Uom)
            .ok_or_else(|| UomError::Unknown(name.chars().take(32).collect()))
    }

    /// Every unit of measure of the table.
    pub fn all() -> impl Iterator<Item = Uom> {
        TABLE.iter().map(Uom)
    }

    /// The name as the registry or the trade writes it.
    pub fn name(self) -> &'static str {
        self.0.name
    }

    /// What it measures.
    pub fn dimension(self) -> Dimension {
        self.0.dimension
    }

    /// Whether `SenML` version 10 allows it in `u` without a declared feature (RFC 8428 section 12.1, RFC 8798).
    pub fn is_senml_primary(self) -> bool {
        self.0.origin == Origin::Primary
    }

    /// Whether RFC 8798 lists it as a secondary unit.
    pub fn is_senml_secondary(self) -> bool {
        self.0.origin == Origin::Secondary
    }

    /// Whether the two measure the same thing.
    pub fn converts_to(self, to: Uom) -> bool {
        self.0.dimension == to.0.dimension
    }

    /// `value` in `self`, expressed in `to`. Errors when the two measure different things.
    pub fn convert(self, value: f64, to: Uom) -> Result<f64, UomError> {
        if self == to {
            return Ok(value);
        }
        if !self.converts_to(to) {
            return Err(UomError::Incompatible { from: self, to });
        }
        Ok((value * self.0.scale + self.0.offset - to.0.offset) / to.0.scale)
    }

    /// The size of a difference (no offset) of `value` in `self`, expressed in `to`.
    pub fn convert_difference(self, value: f64, to: Uom) -> Result<f64, UomError> {
        if !self.converts_to(to) {
            return Err(UomError::Incompatible { from: self, to });
        }
        Ok(value * self.0.scale / to.0.scale)
    }
}

impl PartialEq for Uom {
    fn eq(&self, other: &Self) -> bool {
        self.0.name == other.0.name
    }
}

impl Eq for Uom {}

impl std::hash::Hash for Uom {
    fn hash<H: std::hash::Hasher>(&self, state: &mut H) {
        self.0.name.hash(state);
    }
}

impl Default for Uom {
    fn default() -> Self {
        Self::NONE
    }
}

impl fmt::Display for Uom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.name)
    }
}

impl fmt::Debug for Uom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0.name)
    }
}

impl FromStr for Uom {
    type Err = UomError;
    fn from_str(name: &str) -> Result<Self, UomError> {
        Self::parse(name)
    }
}

impl Serialize for Uom {
    fn serialize<Z: Serializer>(&self, serializer: Z) -> Result<Z::Ok, Z::Error> {
        serializer.serialize_str(self.0.name)
    }
}

impl<'de> Deserialize<'de> for Uom {
    fn deserialize<Z: Deserializer<'de>>(deserializer: Z) -> Result<Self, Z::Error> {
        let name = String::deserialize(deserializer)?;
        Self::parse(&name).map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(value: f64, from: &str, to: &str) -> f64 {
        Uom::parse(from).unwrap().convert(value, Uom::parse(to).unwrap()).unwrap()
    }

    /// The two examples are RFC 8798's own.
    #[test]
    fn secondary_units_of_rfc_8798() {
        assert!((convert(100.0, "ms", "s") - 0.1).abs() < 1e-15);
        assert!((convert(10.0, "dBm", "dBW") + 20.0).abs() < 1e-12);
    }

    /// Fixed points of the temperature scales: common knowledge, no table needed.
    #[test]
    fn trade_units_meet_their_fixed_points() {
        assert!((convert(212.0, "degF", "Cel") - 100.0).abs() < 1e-9);
        assert!((convert(-40.0, "degF", "degC") + 40.0).abs() < 1e-9);
        assert!((convert(1.0, "bar", "kPa") - 100.0).abs() < 1e-12);
        assert!((convert(14.503_773_773, "psi", "bar") - 1.0).abs() < 1e-9);
        assert!((convert(60.0, "mi/h", "km/h") - 96.560_64).abs() < 1e-9);
    }

    #[test]
    fn pressure_does_not_become_temperature() {
        let error = Uom::parse("Pa").unwrap().convert(1.0, Uom::parse("Cel").unwrap()).unwrap_err();
        assert_eq!(error.to_string(), "unit of measure Pa does not convert to Cel");
        assert!(Uom::parse("furlong").is_err());
    }

    #[test]
    fn a_percent_sign_is_a_ratio_in_the_registry() {
        assert!((convert(0.5, "%", "/100") - 50.0).abs() < 1e-12);
    }
}
