//! What an entry may hold: lengths, counts, characters.

use std::collections::HashSet;

use super::{AsBuilt, Fact, OilResult};
use crate::Regime;

/// Longest text of a note or a description, in characters.
pub const MAX_TEXT_CHARS: usize = 2000;
/// Longest code, version, place or name of an item, in characters.
pub const MAX_WORD_CHARS: usize = 100;
/// Most results of one oil sample, and most channels that one action names.
pub const MAX_PARTS: usize = 50;
/// Most as-built levels of one entry: every channel of a large class in every operating state.
pub const MAX_LEVELS: usize = 1000;

impl Fact {
    /// What is wrong with it, with the field it is wrong in; `Ok` when nothing is.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        match self {
            Fact::FaultCode { code, text, .. } => word("code", code).and_then(|()| text_of(text, false)),
            Fact::OilSample { sample, results } => {
                maybe_word("sample", sample)?;
                some("results", results.len(), 1, MAX_PARTS)?;
                results.iter().try_for_each(result)
            }
            Fact::Maintenance { item, channels, text, .. } => {
                maybe_word("item", item)?;
                some("channels", channels.len(), 0, MAX_PARTS)?;
                text_of(text, false)
            }
            Fact::Software { version } => word("version", version),
            Fact::Visit { place, text, .. } => word("place", place).and_then(|()| text_of(text, false)),
            Fact::AsBuilt { levels, text } => {
                some("levels", levels.len(), 1, MAX_LEVELS)?;
                as_built(levels)?;
                text_of(text, false)
            }
            Fact::Note { text } => text_of(text, true),
        }
    }
}

fn result(result: &OilResult) -> Result<(), (&'static str, String)> {
    let lower = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    let named = !result.quantity.is_empty()
        && result.quantity.len() <= MAX_WORD_CHARS
        && result.quantity.bytes().all(lower);
    if !named {
        let what = format!("{:?} is not lower-case words joined by hyphens", result.quantity);
        return Err(("results", what));
    }
    if !result.value.is_finite() {
        return Err(("results", format!("{} is no finite number", result.quantity)));
    }
    word("results", &result.uom)
}

/// Each state of a channel once, with a level and a spread that a model can judge by.
fn as_built(levels: &[AsBuilt]) -> Result<(), (&'static str, String)> {
    let mut seen = HashSet::new();
    for AsBuilt { channel, state, level, spread } in levels {
        let wrong = if !level.is_finite() {
            "the level is no finite number"
        } else if !(spread.is_finite() && *spread > 0.0) {
            "the spread is no finite number above nought"
        } else if *state == Some(Regime::Unknown) {
            "nothing is judged in an unknown operating state"
        } else if !seen.insert((channel, *state)) {
            "an operating state is given twice"
        } else {
            continue;
        };
        return Err(("levels", format!("{channel}: {wrong}")));
    }
    Ok(())
}

fn some(field: &'static str, count: usize, least: usize, most: usize) -> Result<(), (&'static str, String)> {
    if count < least || count > most {
        return Err((field, format!("holds {count} entries, {least} to {most} are allowed")));
    }
    Ok(())
}

fn word(field: &'static str, text: &str) -> Result<(), (&'static str, String)> {
    if text.trim().is_empty() {
        return Err((field, "is empty".to_owned()));
    }
    maybe_word(field, text)
}

fn maybe_word(field: &'static str, text: &str) -> Result<(), (&'static str, String)> {
    if text.chars().count() > MAX_WORD_CHARS {
        return Err((field, format!("is longer than {MAX_WORD_CHARS} characters")));
    }
    if text.chars().any(char::is_control) {
        return Err((field, "holds a control character".to_owned()));
    }
    Ok(())
}

fn text_of(text: &str, needed: bool) -> Result<(), (&'static str, String)> {
    if needed && text.trim().is_empty() {
        return Err(("text", "is empty".to_owned()));
    }
    if text.chars().count() > MAX_TEXT_CHARS {
        return Err(("text", format!("is longer than {MAX_TEXT_CHARS} characters")));
    }
    if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
        return Err(("text", "holds a control character".to_owned()));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Activity, Purpose};

    fn as_built(levels: &[(Option<Regime>, f64, f64)]) -> Fact {
        let channel = crate::ChannelName::new("oil_pressure").unwrap();
        let level = |(state, level, spread): &(Option<Regime>, f64, f64)| AsBuilt {
            channel: channel.clone(),
            state: *state,
            level: *level,
            spread: *spread,
        };
        Fact::AsBuilt { levels: levels.iter().map(level).collect(), text: String::new() }
    }

    fn oil(quantity: &str, value: f64, uom: &str) -> Fact {
        let result = OilResult { quantity: quantity.into(), value, uom: uom.into(), verdict: None };
        Fact::OilSample { sample: String::new(), results: vec![result] }
    }

    #[test]
    fn what_is_wrong_is_told_with_its_field() {
        let long = "x".repeat(MAX_TEXT_CHARS + 1);
        for (fact, field, what) in [
            (Fact::Software { version: " ".into() }, "version", "empty"),
            (Fact::Note { text: String::new() }, "text", "empty"),
            (Fact::Note { text: long }, "text", "longer"),
            (Fact::FaultCode { code: "a\nb".into(), active: true, text: String::new() }, "code", "control"),
            (Fact::OilSample { sample: String::new(), results: vec![] }, "results", "0 entries"),
            (oil("Iron", 1.0, "mg/kg"), "results", "lower-case"),
            (oil("iron", f64::NAN, "mg/kg"), "results", "finite"),
            (oil("iron", 1.0, ""), "results", "empty"),
            (as_built(&[]), "levels", "0 entries"),
            (as_built(&[(None, f64::INFINITY, 1.0)]), "levels", "the level"),
            (as_built(&[(None, 1.0, 0.0)]), "levels", "the spread"),
            (as_built(&[(Some(Regime::Unknown), 1.0, 1.0)]), "levels", "unknown"),
            (as_built(&[(None, 1.0, 1.0), (None, 2.0, 1.0)]), "levels", "twice"),
            (
                Fact::Visit { place: String::new(), purpose: Purpose::Shop, text: String::new() },
                "place",
                "empty",
            ),
        ] {
            let (at, said) = fact.check().unwrap_err();
            assert!(at == field && said.contains(what), "{fact:?}: {at}: {said}");
        }
    }

    #[test]
    fn a_sound_fact_passes_and_reads_as_one_line() {
        let work = Fact::Maintenance {
            activity: Activity::Replace,
            system: Some(crate::System::Fuel),
            item: "injector 4".into(),
            channels: vec![],
            text: "leaking".into(),
        };
        for (fact, line) in [
            (work, "replace, injector 4, fuel: leaking"),
            (oil("iron", 120.0, "mg/kg"), "oil sample: iron 120 mg/kg"),
            (
                as_built(&[(None, 3e5, 4e3), (Some(Regime::Notch(8)), 5e5, 4e3)]),
                "as-built levels of oil_pressure",
            ),
        ] {
            assert_eq!(fact.check(), Ok(()));
            assert_eq!(fact.line(), line);
        }
    }
}
