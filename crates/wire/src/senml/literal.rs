//! JSON as text: literals that are not JSON mended, and what a literal holds.
//!
//! Owns the three literals of numbers that common encoders write and JSON does not have. Refuses to mend anything else.

use std::borrow::Cow;

use super::record::Scalar;

/// A number that every JSON parser refuses as too large: stands in for the literals that are not JSON.
const OVERFLOW: &str = "1e999";

/// The text with `NaN`, `Infinity` and `-Infinity` outside strings replaced by a number that overflows.
pub(super) fn repaired(text: &str) -> Cow<'_, str> {
    let mut out = String::new();
    let (mut copied, mut at, mut in_string) = (0, 0, false);
    while let Some(rest) = text.as_bytes().get(at..).filter(|rest| !rest.is_empty()) {
        let literal = if in_string {
            None
        } else {
            ["NaN", "Infinity"].iter().find(|l| rest.starts_with(l.as_bytes()))
        };
        match (rest.first(), literal) {
            (_, Some(literal)) => {
                out.push_str(text.get(copied..at).unwrap_or_default());
                out.push_str(OVERFLOW);
                at += literal.len();
                copied = at;
                continue;
            }
            (Some(b'"'), _) => in_string = !in_string,
            (Some(b'\\'), _) if in_string => at += 1,
            _ => {}
        }
        at += 1;
    }
    if copied == 0 {
        return Cow::Borrowed(text);
    }
    out.push_str(text.get(copied..).unwrap_or_default());
    Cow::Owned(out)
}

/// A text from its literal, quotes and all.
pub(super) fn text(literal: &str) -> Scalar<'_> {
    let inner = literal.strip_prefix('"').and_then(|l| l.strip_suffix('"'));
    match inner.filter(|inner| !inner.contains('\\')) {
        Some(plain) => Scalar::Text(Cow::Borrowed(plain)),
        None => serde_json::from_str(literal)
            .map_or(Scalar::BrokenText, |text: String| Scalar::Text(Cow::Owned(text))),
    }
}

/// Deepest nesting within a well-formed JSON value.
pub(super) fn nesting(literal: &str) -> usize {
    let (mut depth, mut deepest, mut in_string, mut escaped) = (0_usize, 0, false, false);
    for byte in literal.bytes() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            b'[' | b'{' if !in_string => {
                depth += 1;
                deepest = deepest.max(depth);
            }
            b']' | b'}' if !in_string => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    deepest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn literals_that_are_not_json_are_mended_outside_strings_only() {
        assert_eq!(repaired(r#"[{"n":"NaN","v":NaN},-Infinity]"#), r#"[{"n":"NaN","v":1e999},-1e999]"#);
        assert_eq!(repaired(r#"{"a":"\"NaN"}"#), r#"{"a":"\"NaN"}"#);
        assert!(matches!(repaired("[1,2]"), Cow::Borrowed(_)));
    }

    #[test]
    fn brackets_in_texts_do_not_nest() {
        for (text, depth) in [(r#"[{"a":"[["}]"#, 2), (r#"{"a":"\"[","b":[]}"#, 2), ("[]", 1)] {
            assert_eq!(nesting(text), depth, "{text}");
        }
    }
}
