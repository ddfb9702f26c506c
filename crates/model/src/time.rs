//! Time as the store keeps it: microseconds of UTC, and spans between two such times.
//!
//! Owns the range that counts as a time at all and its text form. Refuses to read a clock and to guess
//! seconds against milliseconds: every constructor names its unit.

use std::fmt;
use std::ops::{Add, Sub};
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A point in time: microseconds since 1970-01-01T00:00:00Z, UTC, no leap seconds.
///
/// Always between the years 1 and 9999, so that it can be written as RFC 3339.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Time(i64);

/// A signed span of time in microseconds.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(i64);

/// Why a number or a text is not a [`Time`].
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TimeError {
    /// The value lies outside the years 1 to 9999.
    #[error("time {0} s since 1970 lies outside the years 1 to 9999")]
    OutOfRange(f64),
    /// The value is not a finite number.
    #[error("time is not a finite number")]
    NotFinite,
    /// The text is not an RFC 3339 date-time with an offset.
    #[error("{0:?} is not an RFC 3339 date-time with an offset, such as 2026-01-31T06:00:00Z")]
    Text(String),
}

const MICROS: i64 = 1_000_000;
/// 0001-01-01T00:00:00Z.
const EARLIEST: i64 = -62_135_596_800 * MICROS;
/// 9999-12-30T22:00:00Z: the last instant that jiff writes in every zone.
const LATEST: i64 = 253_402_207_200 * MICROS;

impl Time {
    /// 1970-01-01T00:00:00Z.
    pub const EPOCH: Time = Time(0);

    /// The latest time there is, in the year 9999.
    pub const LATEST: Time = Time(LATEST);

    /// From whole microseconds since 1970, UTC. Errors outside the years 1 to 9999.
    pub fn from_micros(micros: i64) -> Result<Self, TimeError> {
        if (EARLIEST..=LATEST).contains(&micros) { Ok(Self(micros)) } else { Err(out_of_range(micros)) }
    }

    /// From seconds since 1970, UTC, rounded to the nearest microsecond. Errors when not finite or out of range.
    pub fn from_secs_f64(secs: f64) -> Result<Self, TimeError> {
        if !secs.is_finite() {
            return Err(TimeError::NotFinite);
        }
        #[expect(clippy::cast_precision_loss, reason = "both limits are far below 2^53 seconds")]
        let (low, high) = ((EARLIEST / MICROS) as f64, (LATEST / MICROS) as f64);
        if secs < low || secs > high {
            return Err(TimeError::OutOfRange(secs));
        }
        let whole = secs.floor();
        #[expect(clippy::cast_possible_truncation, reason = "the range was checked above")]
        let micros = (whole as i64) * MICROS + ((secs - whole) * 1e6).round() as i64;
        Self::from_micros(micros)
    }

    /// From whole milliseconds since 1970, UTC. Errors outside the years 1 to 9999.
    pub fn from_millis(millis: i64) -> Result<Self, TimeError> {
        Self::from_micros(millis.saturating_mul(1000))
    }

    /// Whole microseconds since 1970, UTC.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Seconds since 1970, UTC.
    #[expect(clippy::cast_precision_loss, reason = "a microsecond is kept until the year 2255")]
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Number of whole UTC days since 1970-01-01.
    pub const fn day(self) -> i64 {
        self.0.div_euclid(86_400 * MICROS)
    }

    /// Time since midnight UTC.
    pub const fn of_day(self) -> Span {
        Span(self.0.rem_euclid(86_400 * MICROS))
    }

    /// `self + span`, held within the years 1 to 9999.
    #[must_use]
    pub fn saturating_add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0).clamp(EARLIEST, LATEST))
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// From whole microseconds.
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros)
    }

    /// From whole seconds.
    pub const fn from_secs(secs: i64) -> Self {
        Self(secs.saturating_mul(MICROS))
    }

    /// From whole minutes.
    pub const fn from_mins(mins: i64) -> Self {
        Self::from_secs(mins.saturating_mul(60))
    }

    /// From whole hours.
    pub const fn from_hours(hours: i64) -> Self {
        Self::from_mins(hours.saturating_mul(60))
    }

    /// From whole days of 24 hours.
    pub const fn from_days(days: i64) -> Self {
        Self::from_hours(days.saturating_mul(24))
    }

    /// Whole microseconds.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Seconds.
    #[expect(
        clippy::cast_precision_loss,
        reason = "spans beyond 285 years lose a microsecond, none is that long"
    )]
    pub fn secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

fn out_of_range(micros: i64) -> TimeError {
    #[expect(clippy::cast_precision_loss, reason = "only shown in a message")]
    TimeError::OutOfRange(micros as f64 / 1e6)
}

impl Sub for Time {
    type Output = Span;
    fn sub(self, other: Time) -> Span {
        Span(self.0 - other.0)
    }
}

impl Add<Span> for Time {
    type Output = Time;
    fn add(self, span: Span) -> Time {
        self.saturating_add(span)
    }
}

impl Sub<Span> for Time {
    type Output = Time;
    fn sub(self, span: Span) -> Time {
        self.saturating_add(Span(span.0.saturating_neg()))
    }
}

impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(stamp) => fmt::Display::fmt(&stamp, f),
            Err(_) => write!(f, "{} us since 1970", self.0),
        }
    }
}

impl fmt::Debug for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Time {
    type Err = TimeError;
    fn from_str(text: &str) -> Result<Self, TimeError> {
        let stamp: jiff::Timestamp = text.parse().map_err(|_| TimeError::Text(text.to_owned()))?;
        Self::from_micros(stamp.as_microsecond())
    }
}

/// RFC 3339 text in formats for people; microseconds as an integer in binary ones.
impl Serialize for Time {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if serializer.is_human_readable() {
            serializer.collect_str(self)
        } else {
            serializer.serialize_i64(self.0)
        }
    }
}

impl<'de> Deserialize<'de> for Time {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        use serde::de::Error;
        if deserializer.is_human_readable() {
            String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
        } else {
            Self::from_micros(i64::deserialize(deserializer)?).map_err(D::Error::custom)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_form_is_rfc_3339_and_comes_back() {
        let time = Time::from_secs_f64(1_320_078_429.1).unwrap();
        assert_eq!(time.to_string(), "2011-10-31T16:27:09.1Z");
        assert_eq!(time.to_string().parse::<Time>().unwrap(), time);
    }

    #[test]
    fn a_naive_date_time_is_refused() {
        assert!("2026-01-31T06:00:00".parse::<Time>().is_err());
    }

    #[test]
    fn far_and_non_finite_times_are_errors() {
        assert!(matches!(Time::from_secs_f64(1e18), Err(TimeError::OutOfRange(_))));
        assert!(matches!(Time::from_secs_f64(f64::NAN), Err(TimeError::NotFinite)));
        assert!(Time::from_micros(i64::MAX).is_err());
    }

    #[test]
    fn days_before_1970_count_down() {
        let time: Time = "1969-12-31T23:00:00Z".parse().unwrap();
        assert_eq!((time.day(), time.of_day()), (-1, Span::from_hours(23)));
    }
}
