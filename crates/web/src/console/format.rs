//! Numbers, times and spans as people read them: every number with its unit of measure, every time with its zone.
//!
//! Owns rounding for the eye. Refuses to be read back: figures to compute with come from the API.

use jiff::tz::TimeZone;
use notchwatch_model::{Span, Time, Uom};

/// A time as it is shown: in UTC, and in the railway's zone beside it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Stamp {
    /// RFC 3339, for scripts.
    pub(crate) iso: String,
    /// `2026-11-03 14:05 UTC`.
    pub(crate) utc: String,
    /// `15:05 local (+01:00)`, with the date where it differs; empty where the zone is UTC.
    pub(crate) local: String,
    /// Both without the year, for a list of recent things.
    pub(crate) short: String,
    pub(crate) short_local: String,
    /// How long ago.
    pub(crate) age: String,
}

/// The zone by its IANA name; an unknown one is shown as UTC, which is always right.
pub(crate) fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap_or(TimeZone::UTC)
}

/// A time in UTC and in a zone, with its age at `now`.
pub(crate) fn stamp(time: Time, zone: &TimeZone, now: Time) -> Stamp {
    let iso = time.to_string();
    let Ok(instant) = jiff::Timestamp::from_microsecond(time.micros()) else {
        let none = String::new;
        return Stamp {
            utc: iso.clone(),
            short: iso.clone(),
            iso,
            local: none(),
            short_local: none(),
            age: none(),
        };
    };
    let utc = instant.to_zoned_datetime(TimeZone::UTC);
    let there = instant.to_zoned_datetime(zone.clone());
    let beside = |other_day: &str| {
        if *zone == TimeZone::UTC {
            String::new()
        } else if utc.date() == there.date() {
            there.strftime("%H:%M local (%:z)").to_string()
        } else {
            there.strftime(other_day).to_string()
        }
    };
    Stamp {
        iso,
        local: beside("%Y-%m-%d %H:%M local (%:z)"),
        short_local: beside("%-d %b, %H:%M local (%:z)"),
        short: utc.strftime("%-d %b, %H:%M UTC").to_string(),
        utc: utc.strftime("%Y-%m-%d %H:%M UTC").to_string(),
        age: format!("{} ago", span(now - time)),
    }
}

/// An RFC 3339 time, or one as a form sends it: without zone, then UTC, and without seconds.
pub(crate) fn moment(text: &str) -> Result<Option<Time>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let forms = [text.to_owned(), format!("{text}Z"), format!("{text}:00Z")];
    let found = forms.iter().find_map(|form| form.parse().ok());
    found.map(Some).ok_or_else(|| format!("{text:?} is not a time"))
}

/// A time as a form's field for times shows it: without a zone, then UTC, and with no more than three decimals.
pub(crate) fn field(time: Time) -> String {
    let text = time.to_string();
    let text = text.trim_end_matches('Z');
    match text.split_once('.') {
        Some((whole, part)) => format!("{whole}.{}", part.get(..3).unwrap_or(part)),
        None => text.to_owned(),
    }
}

/// Minutes that the zone is ahead of UTC at a time.
pub(crate) fn offset_minutes(time: Time, zone: &TimeZone) -> i32 {
    jiff::Timestamp::from_microsecond(time.micros()).map_or(0, |t| zone.to_offset(t).seconds() / 60)
}

/// A span in its two largest units; a negative one counts as none.
pub(crate) fn span(span: Span) -> String {
    let seconds = (span.micros() / 1_000_000).max(0);
    let (minutes, hours, days) = (seconds / 60, seconds / 3600, seconds / 86_400);
    if seconds < 90 {
        format!("{seconds} s")
    } else if minutes < 90 {
        format!("{minutes} min")
    } else if hours < 48 {
        format!("{hours} h {} min", minutes % 60)
    } else if days < 14 {
        format!("{days} d {} h", hours % 24)
    } else {
        format!("{days} d")
    }
}

/// A value in an interval of seconds, for a projection.
pub(crate) fn seconds(value: f64) -> String {
    span(span_of(value))
}

/// Seconds as a span, within what a span holds.
#[expect(clippy::cast_possible_truncation, reason = "a float too large becomes the largest span")]
pub(crate) fn span_of(seconds: f64) -> Span {
    Span::from_secs(seconds.clamp(-1e12, 1e12) as i64)
}

/// Factor and name under which values of a unit of measure are shown, for values about as large as `magnitude`.
pub(crate) fn shown_unit(uom: Uom, magnitude: f64) -> (f64, &'static str) {
    match uom.name() {
        "Pa" if magnitude >= 1000.0 => (1e-3, "kPa"),
        "Cel" | "degC" => (1.0, "°C"),
        "degF" => (1.0, "°F"),
        "/" | "%" => (100.0, "%"),
        "/100" => (1.0, "%"),
        other => (1.0, other),
    }
}

/// A value with its unit of measure, in steps that its channel can tell; a step of 0 is not known.
pub(crate) fn quantity(value: f64, uom: Uom, step: f64) -> String {
    let (factor, name) = shown_unit(uom, value.abs());
    let figure = figure_by(value * factor, step * factor);
    if name.is_empty() { figure } else { format!("{figure} {name}") }
}

/// A signed difference with its unit of measure, in steps that its channel can tell; one between temperatures is in
/// kelvin. What is smaller than a step is told as that.
pub(crate) fn difference(value: f64, uom: Uom, step: f64) -> String {
    if value.abs() < step / 2.0 {
        return format!("less than {}", difference(step, uom, step).trim_start_matches('+'));
    }
    let sign = if value > 0.0 { "+" } else { "" };
    match uom.name() {
        "Cel" | "degC" => format!("{sign}{} K", figure_by(value, step)),
        _ => format!("{sign}{}", quantity(value, uom, step)),
    }
}

/// Below this a value is shown as zero.
const SMALLEST: f64 = 5e-7;
/// Most decimals shown.
const MOST_DECIMALS: usize = 9;

/// A number to three significant figures, with a true minus sign.
pub(crate) fn figure(value: f64) -> String {
    written(value, decimals(value.abs()))
}

/// The same, with no more decimals than the step by which the value can move; a step of 0 is not known.
pub(crate) fn figure_by(value: f64, step: f64) -> String {
    if step <= 0.0 {
        return figure(value);
    }
    let whole = |places: &usize| {
        let scaled = step * (0..*places).fold(1.0, |power, _| power * 10.0);
        (scaled - scaled.round()).abs() < 1e-6 * scaled.max(1.0) && scaled >= 0.5
    };
    let told = (value / step).round() * step;
    let most = (0..MOST_DECIMALS).find(whole).unwrap_or(MOST_DECIMALS);
    written(told, decimals(told.abs()).min(most))
}

/// Decimals that make three significant figures.
fn decimals(size: f64) -> usize {
    if size >= 100.0 {
        0
    } else if size >= 10.0 {
        1
    } else if !(SMALLEST..1.0).contains(&size) {
        2
    } else {
        let places = (0..8).find(|n| size * 10_f64.powi(*n) >= 1.0).unwrap_or(7) + 2;
        usize::try_from(places).unwrap_or(4)
    }
}

fn written(value: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", value.abs());
    let zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    if value < 0.0 && !zero { format!("\u{2212}{text}") } else { text }
}

/// A probability in percent, without claiming certainty.
pub(crate) fn percent(part: f64) -> String {
    let hundredths = part * 100.0;
    if hundredths > 99.0 && part < 1.0 {
        "> 99 %".to_owned()
    } else if hundredths < 1.0 && part > 0.0 {
        "< 1 %".to_owned()
    } else {
        format!("{hundredths:.0} %")
    }
}

/// A whole number in groups of three.
pub(crate) fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_three_figures_and_their_unit() {
        let pa = Uom::parse("Pa").unwrap();
        for (value, text) in [(382_140.0, "382 kPa"), (-68_200.0, "\u{2212}68.2 kPa"), (240.0, "240 Pa")] {
            assert_eq!(quantity(value, pa, 0.0), text);
        }
        assert_eq!(quantity(88.04, Uom::parse("Cel").unwrap(), 0.0), "88.0 °C");
        assert_eq!(quantity(0.42, Uom::parse("/").unwrap(), 0.0), "42.0 %");
        assert_eq!(difference(4.0, Uom::NONE, 0.0), "+4.00");
        assert_eq!(difference(-6.5, Uom::parse("Cel").unwrap(), 0.0), "\u{2212}6.50 K");
        assert_eq!(figure(-0.000_01), "\u{2212}0.0000100");
        assert_eq!(figure(-0.0), "0.00");
    }

    #[test]
    fn no_number_has_digits_that_the_sensor_does_not_have() {
        let celsius = Uom::parse("Cel").unwrap();
        assert_eq!(difference(0.0693, celsius, 0.1), "+0.1 K");
        assert_eq!(difference(-0.0399, celsius, 0.1), "less than 0.1 K");
        assert_eq!(quantity(88.04, celsius, 0.5), "88.0 °C");
        assert_eq!(quantity(311_700.0, Uom::parse("Pa").unwrap(), 1000.0), "312 kPa");
        assert_eq!(quantity(-1000.0, Uom::parse("Pa").unwrap(), 500.0), "\u{2212}1.0 kPa");
        for (value, step, text) in
            [(7.0, 1.0, "7"), (0.123_45, 0.001, "0.123"), (1234.0, 10.0, "1230"), (0.07, 0.25, "0.00")]
        {
            assert_eq!(figure_by(value, step), text, "{value} by {step}");
        }
    }

    #[test]
    fn times_come_with_and_without_zone() {
        let whole = moment("2026-03-01T12:30:00Z").unwrap();
        assert!(whole.is_some());
        for form in ["2026-03-01T12:30", "2026-03-01T12:30:00", "2026-03-01T13:30:00+01:00"] {
            assert_eq!(moment(form).unwrap(), whole, "{form}");
        }
        assert_eq!(field(whole.unwrap()), "2026-03-01T12:30:00");
        assert_eq!(field("2026-03-01T12:30:00.621915Z".parse().unwrap()), "2026-03-01T12:30:00.621");
        assert_eq!(moment("").unwrap(), None);
        assert!(moment("yesterday").is_err());
    }

    #[test]
    fn a_time_carries_its_zone_and_its_age() {
        let time: Time = "2026-11-03T23:30:00Z".parse().unwrap();
        let shown = stamp(time, &zone("Europe/Paris"), time + Span::from_hours(3));
        assert_eq!(shown.utc, "2026-11-03 23:30 UTC");
        assert_eq!(shown.local, "2026-11-04 00:30 local (+01:00)");
        assert_eq!(
            (shown.short.as_str(), shown.short_local.as_str()),
            ("3 Nov, 23:30 UTC", "4 Nov, 00:30 local (+01:00)")
        );
        assert_eq!(shown.age, "3 h 0 min ago");
        assert_eq!(stamp(time, &zone("UTC"), time).local, "");
        assert_eq!(stamp(time, &zone("No/Where"), time).local, "", "an unknown zone is UTC, never a guess");
        assert_eq!(offset_minutes(time, &zone("Asia/Kolkata")), 330);
    }

    #[test]
    fn spans_and_probabilities_do_not_overstate() {
        for (secs, text) in
            [(45, "45 s"), (600, "10 min"), (100_000, "27 h 46 min"), (900_000, "10 d 10 h"), (-5, "0 s")]
        {
            assert_eq!(span(Span::from_secs(secs)), text);
        }
        assert_eq!(
            (percent(0.998).as_str(), percent(0.004).as_str(), percent(0.5).as_str()),
            ("> 99 %", "< 1 %", "50 %")
        );
        assert_eq!(count(2_400_000), "2\u{202f}400\u{202f}000");
    }
}
