//! One cell: a number, nothing measured, or something else.
//!
//! Owns the words that say "nothing was measured" and the decimal comma. Refuses infinity: nobody measured it.

use csv::StringRecord;

use super::time;

/// What a cell holds.
pub(super) enum Cell {
    Missing,
    Number(f64),
    /// Neither, and why.
    Other(String),
}

/// Words that say that nothing was measured, compared without case. Common practice of statistics programs and exports.
const MISSING: &[&str] = &["", "na", "n/a", "nan", "null", "none", "nil", "-", "--", "?", "#n/a", "missing"];
/// Delimiters tried, in order of preference.
const DELIMITERS: &[u8] = b",;\t|";
/// Longest piece of a cell shown in a message, in characters.
const SHOWN: usize = 40;

/// Reads a cell. With `decimal_comma` a single comma stands for the decimal point.
pub(super) fn read(text: &str, decimal_comma: bool) -> Cell {
    if MISSING.iter().any(|word| text.eq_ignore_ascii_case(word)) {
        return Cell::Missing;
    }
    let parsed = match text.split_once(',') {
        Some((whole, fraction)) if decimal_comma && !text.contains('.') && !fraction.contains(',') => {
            format!("{whole}.{fraction}").parse::<f64>()
        }
        _ => text.parse::<f64>(),
    };
    let shown: String = text.chars().take(SHOWN).collect();
    match parsed {
        Ok(value) if value.is_finite() => Cell::Number(value),
        Ok(_) => Cell::Other(format!("{shown:?} is not a finite number")),
        Err(_) => Cell::Other(format!("{shown:?} is not a number")),
    }
}

/// Whether a first line is data and no header: each cell is a number, a date-time or empty, and not all are empty.
pub(super) fn looks_like_data(row: &StringRecord, decimal_comma: bool) -> bool {
    let mut any = false;
    for cell in row {
        match read(cell, decimal_comma) {
            Cell::Missing => {}
            Cell::Number(_) => any = true,
            Cell::Other(_) if time::is_date_time(cell) => any = true,
            Cell::Other(_) => return false,
        }
    }
    any
}

/// The delimiter that stands most often in the first line outside quotes; a comma when none does.
pub(super) fn delimiter_of(text: &[u8]) -> u8 {
    let line = text.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |delimiter: u8| {
        let mut quoted = false;
        line.iter()
            .filter(|b| {
                quoted ^= **b == b'"';
                !quoted && **b == delimiter
            })
            .count()
    };
    let mut best = (b',', 0);
    for delimiter in DELIMITERS {
        let n = count(*delimiter);
        if n > best.1 {
            best = (*delimiter, n);
        }
    }
    best.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_numbers_missing_or_neither() {
        let show = |text, comma| match read(text, comma) {
            Cell::Missing => "missing".to_owned(),
            Cell::Number(value) => value.to_string(),
            Cell::Other(reason) => reason,
        };
        for (text, comma, wanted) in [
            ("1.5", false, "1.5"),
            ("-3e2", false, "-300"),
            ("1,5", true, "1.5"),
            ("1,5", false, "\"1,5\" is not a number"),
            ("1,000,5", true, "\"1,000,5\" is not a number"),
            ("", false, "missing"),
            ("NaN", false, "missing"),
            ("N/A", false, "missing"),
            ("inf", false, "\"inf\" is not a finite number"),
            ("1e999", false, "\"1e999\" is not a finite number"),
            ("on", false, "\"on\" is not a number"),
        ] {
            assert_eq!(show(text, comma), wanted, "{text:?}");
        }
    }

    #[test]
    fn the_delimiter_is_the_one_that_stands_most_often() {
        for (line, wanted) in
            [("a,b", b','), ("a;b;c,d", b';'), ("a\tb", b'\t'), ("\"a;b;c\",d", b','), ("a", b',')]
        {
            assert_eq!(delimiter_of(line.as_bytes()), wanted, "{line}");
        }
    }
}
