//! Times of rows: date-times with or without an offset, or plain numbers.
//!
//! Owns the forms understood. Refuses a form in which day and month could be swapped, and a file that mixes date-times and
//! numbers.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use notchwatch_model::Time;

/// Times of a file's rows.
#[derive(Clone, PartialEq, Debug)]
pub enum Clock {
    /// Instants; the flag says that some carried no offset and no zone was given, so that UTC was assumed.
    Instants {
        /// One a row.
        times: Vec<Time>,
        /// Whether UTC was assumed.
        assumed_utc: bool,
    },
    /// Plain numbers: the row's, a cycle's, a year with fraction. What one step of them lasts is not known.
    Numbers(Vec<f64>),
}

/// A time zone for date-times that carry no offset.
#[derive(Clone, PartialEq, Debug)]
pub struct Zone(TimeZone);

/// A text that is no time zone.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0:?} is not a time zone of the IANA database, such as Europe/Paris")]
pub struct ZoneError(String);

impl std::str::FromStr for Zone {
    type Err = ZoneError;
    fn from_str(name: &str) -> Result<Self, ZoneError> {
        TimeZone::get(name).map(Zone).map_err(|_| ZoneError(name.to_owned()))
    }
}

/// Forms of a date-time without offset, beside ISO 8601. Year first or month in words or dots between day, month and year:
/// no other order is written so.
const NAIVE_FORMS: &[&str] = &[
    "%Y/%m/%d %H:%M:%S%.f",
    "%Y/%m/%d %H:%M",
    "%Y.%m.%d %H:%M:%S%.f",
    "%Y.%m.%d.%H.%M.%S",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d.%m.%Y %H:%M",
    "%d-%b-%Y %H:%M:%S%.f",
    "%d-%b-%Y %H:%M",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M",
];
/// Forms of a date alone: midnight is meant.
const DATE_FORMS: &[&str] = &["%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d-%b-%Y"];
/// Headers of a time column, compared without case. Common practice.
const HEADERS: &[&str] = &["time", "timestamp", "datetime", "date", "date_time", "ds", "date time"];

/// Whether a header says that its column holds times.
pub(super) fn is_time_header(header: &str) -> bool {
    HEADERS.iter().any(|known| header.eq_ignore_ascii_case(known))
}

/// Whether a cell is a date-time.
pub(super) fn is_date_time(text: &str) -> bool {
    matches!(Stamp::read(text), Some(Stamp::Instant(_) | Stamp::Naive(_)))
}

enum Stamp {
    Instant(Time),
    Naive(DateTime),
    Number(f64),
}

impl Stamp {
    fn read(text: &str) -> Option<Self> {
        if let Some(number) = text.parse::<f64>().ok().filter(|n| n.is_finite()) {
            return Some(Stamp::Number(number));
        }
        if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
            return Time::from_micros(stamp.as_microsecond()).ok().map(Stamp::Instant);
        }
        naive(text).map(Stamp::Naive)
    }
}

fn naive(text: &str) -> Option<DateTime> {
    if let Ok(date_time) = text.parse::<DateTime>() {
        return Some(date_time);
    }
    NAIVE_FORMS
        .iter()
        .find_map(|form| DateTime::strptime(form, text).ok())
        .or_else(|| DATE_FORMS.iter().find_map(|form| Date::strptime(form, text).ok()).map(Into::into))
        .or_else(|| {
            Date::strptime("%Y-%m-%d", format!("{text}-01")).ok().filter(|_| text.len() == 7).map(Into::into)
        })
}

/// Reads the times of a file, row by row.
pub(super) struct Parser<'z> {
    zone: Option<&'z Zone>,
    instants: Vec<Time>,
    numbers: Vec<f64>,
    assumed_utc: bool,
}

impl<'z> Parser<'z> {
    pub(super) fn new(zone: Option<&'z Zone>) -> Self {
        Self { zone, instants: Vec::new(), numbers: Vec::new(), assumed_utc: false }
    }

    /// Takes the next row's time. Errors say why it is none.
    pub(super) fn push(&mut self, text: &str) -> Result<(), String> {
        let Some(stamp) = Stamp::read(text) else { return Err(refusal(text)) };
        match stamp {
            Stamp::Number(_) if !self.instants.is_empty() => {
                return Err("a number after date-times".to_owned());
            }
            Stamp::Instant(_) | Stamp::Naive(_) if !self.numbers.is_empty() => {
                return Err("a date-time after plain numbers".to_owned());
            }
            Stamp::Number(number) => self.numbers.push(number),
            Stamp::Instant(time) => self.instants.push(time),
            Stamp::Naive(date_time) => {
                let time = self.in_zone(date_time)?;
                self.instants.push(time);
            }
        }
        Ok(())
    }

    pub(super) fn finish(self) -> Clock {
        if self.instants.is_empty() {
            Clock::Numbers(self.numbers)
        } else {
            Clock::Instants { times: self.instants, assumed_utc: self.assumed_utc }
        }
    }

    /// A date-time on the given zone's clock. In the hour that a change of the clocks repeats the earlier instant is
    /// taken, in the one it skips the later (RFC 5545's rule).
    fn in_zone(&mut self, date_time: DateTime) -> Result<Time, String> {
        let zone = self.zone.map_or(TimeZone::UTC, |zone| zone.0.clone());
        self.assumed_utc |= self.zone.is_none();
        let stamp = zone.to_timestamp(date_time).map_err(|e| e.to_string())?;
        Time::from_micros(stamp.as_microsecond()).map_err(|e| e.to_string())
    }
}

fn refusal(text: &str) -> String {
    let shown: String = text.chars().take(40).collect();
    let slashes = text.split('/').count() == 3;
    let hint =
        if slashes { " (with slashes the year stands first: day and month could be swapped)" } else { "" };
    format!(
        "{shown:?} is neither a date-time, such as 2026-01-31T06:00:00Z or 2026-01-31 06:00:00, nor a number{hint}"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(text: &str, zone: Option<&str>) -> Result<String, String> {
        let zone: Option<Zone> = zone.map(|z| z.parse().unwrap());
        let mut parser = Parser::new(zone.as_ref());
        parser.push(text)?;
        match parser.finish() {
            Clock::Instants { times, .. } => Ok(times[0].to_string()),
            Clock::Numbers(numbers) => Ok(numbers[0].to_string()),
        }
    }

    #[test]
    fn common_forms_are_read() {
        for (text, wanted) in [
            // Examples of RFC 3339 section 5.8.
            ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"),
            ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
            ("2020-02-08 13:30:47", "2020-02-08T13:30:47Z"),
            ("2020-02-08T13:30:47.25", "2020-02-08T13:30:47.25Z"),
            ("2020-02-08 13:30", "2020-02-08T13:30:00Z"),
            ("2020-02-08", "2020-02-08T00:00:00Z"),
            ("2020/02/08 13:30:47", "2020-02-08T13:30:47Z"),
            ("08.02.2020 13:30", "2020-02-08T13:30:00Z"),
            ("2004.02.12.10.32.39", "2004-02-12T10:32:39Z"),
            ("08-Feb-2020 13:30:47", "2020-02-08T13:30:47Z"),
            ("1949-03", "1949-03-01T00:00:00Z"),
            ("1949.25", "1949.25"),
            ("17", "17"),
        ] {
            assert_eq!(time(text, None).as_deref(), Ok(wanted), "{text}");
        }
    }

    #[test]
    fn what_could_mean_two_things_is_refused() {
        assert!(time("08/02/2020 13:30", None).unwrap_err().contains("swapped"));
        assert!(time("yesterday", None).unwrap_err().contains("neither"));
        assert!(time("", None).is_err());
        assert!(time("inf", None).is_err());
        assert!(time("2023-02-29 00:00:00", None).is_err());
        let mut parser = Parser::new(None);
        parser.push("2020-01-01").unwrap();
        assert!(parser.push("5").is_err());
    }

    #[test]
    fn the_zone_holds_for_naive_times_only() {
        let paris = Some("Europe/Paris");
        assert_eq!(time("2026-07-01 12:00:00", paris).unwrap(), "2026-07-01T10:00:00Z");
        assert_eq!(time("2026-07-01T12:00:00Z", paris).unwrap(), "2026-07-01T12:00:00Z");
        // Clocks go back at 03:00 on 2026-10-25 and forward at 02:00 on 2026-03-29 (the European Union's rule).
        assert_eq!(time("2026-10-25 02:30:00", paris).unwrap(), "2026-10-25T00:30:00Z");
        assert_eq!(time("2026-03-29 02:30:00", paris).unwrap(), "2026-03-29T01:30:00Z");
        assert!("Mars/Base".parse::<Zone>().is_err());
    }
}
