//! Free text on its way into a column: a NUL, which `PostgreSQL` refuses, is replaced visibly.

/// The text with the replacement character for each NUL.
pub(crate) fn clean(text: &str) -> String {
    text.replace('\0', "\u{fffd}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nul_becomes_visible_and_nothing_else_changes() {
        assert_eq!(clean("a\0b\u{1}\n"), "a\u{fffd}b\u{1}\n");
    }
}
