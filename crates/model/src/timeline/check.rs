//! What an entry may hold: lengths, counts, characters.

use super::{Fact, OilResult};

/// Longest text of a note or a description, in characters.
pub const MAX_TEXT_CHARS: usize = 2000;
/// Longest code, version, place or name of an item, in characters.
pub const MAX_WORD_CHARS: usize = 100;
/// Most results of one oil sample, and most channels that one action names.
pub const MAX_PARTS: usize = 50;

impl Fact {
    /// What is wrong with it, with the field it is wrong in; `Ok` when nothing is.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        match self {
            Fact::FaultCode { code, text, .. } => word("code", code).and_then(|()| text_of(text, false)),
            Fact::OilSample { sample, results } => {
                maybe_word("sample", sample)?;
                some("results", results.len(), 1)?;
                results.iter().try_for_each(result)
            }
            Fact::Maintenance { item, channels, text, .. } => {
                maybe_word("item", item)?;
                some("channels", channels.len(), 0)?;
                text_of(text, false)
            }
            Fact::Software { version } => word("version", version),
            Fact::Visit { place, text, .. } => word("place", place).and_then(|()| text_of(text, false)),
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

fn some(field: &'static str, count: usize, least: usize) -> Result<(), (&'static str, String)> {
    if count < least || count > MAX_PARTS {
        return Err((field, format!("holds {count} entries, {least} to {MAX_PARTS} are allowed")));
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
        ] {
            assert_eq!(fact.check(), Ok(()));
            assert_eq!(fact.line(), line);
        }
    }
}
