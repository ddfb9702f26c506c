//! Facts out of a unit's own text channels: what a value says that the one before did not.
//!
//! Owns the change from one value to the next. The same values give the same facts, so nothing of this is recorded:
//! the fold and the page of a unit read it from the messages.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::{FAULT_CODE_CHANNEL, Fact, SOFTWARE_CHANNEL, codes};

/// What the text channels of a unit said last.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct TextState {
    /// Fault codes that are on.
    codes: BTreeSet<String>,
    /// Version of the software.
    software: Option<String>,
}

impl TextState {
    /// Takes a value of a text channel. Returns what it changes: codes that came, codes that went, another version.
    /// Other channels say nothing here.
    pub fn take(&mut self, channel: &str, text: &str) -> Vec<Fact> {
        match channel {
            FAULT_CODE_CHANNEL => self.take_codes(text),
            SOFTWARE_CHANNEL => self.take_software(text),
            _ => vec![],
        }
    }

    /// Takes note that another source said which software is in force: a value that says otherwise is a change.
    pub fn hold(&mut self, version: &str) {
        self.software = Some(version.to_owned());
    }

    fn take_codes(&mut self, text: &str) -> Vec<Fact> {
        let now: BTreeSet<String> = codes(text).into_iter().map(str::to_owned).collect();
        let said =
            |code: &String, active| Fact::FaultCode { code: code.clone(), active, text: String::new() };
        let facts = self
            .codes
            .difference(&now)
            .map(|gone| said(gone, false))
            .chain(now.difference(&self.codes).map(|new| said(new, true)))
            .collect();
        self.codes = now;
        facts
    }

    fn take_software(&mut self, text: &str) -> Vec<Fact> {
        let version = text.trim();
        let same = self.software.as_deref() == Some(version);
        let fact = Fact::Software { version: version.to_owned() };
        if version.is_empty() || same || fact.check().is_err() {
            return vec![];
        }
        self.software = Some(version.to_owned());
        vec![fact]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(facts: &[Fact]) -> Vec<String> {
        facts.iter().map(Fact::line).collect()
    }

    #[test]
    fn only_changes_are_facts() {
        let mut state = TextState::default();
        assert_eq!(lines(&state.take("fault_code", "E7 E12")), ["fault code E12", "fault code E7"]);
        assert!(state.take("fault_code", "E12,E7").is_empty());
        assert_eq!(lines(&state.take("fault_code", "E7")), ["fault code E12 gone"]);
        assert_eq!(lines(&state.take("fault_code", "")), ["fault code E7 gone"]);
        assert_eq!(lines(&state.take("software_version", "4.1")), ["software 4.1"]);
        assert!(state.take("software_version", " 4.1 ").is_empty());
        assert!(state.take("software_version", "").is_empty(), "no version says nothing");
        assert!(state.take("other", "E9").is_empty());
    }

    #[test]
    fn what_another_source_said_of_the_software_is_contradicted() {
        let mut state = TextState::default();
        assert_eq!(lines(&state.take("software_version", "4.1")), ["software 4.1"]);
        state.hold("4.2");
        assert_eq!(lines(&state.take("software_version", "4.1")), ["software 4.1"], "the controller knows");
        state.hold("4.1");
        assert!(state.take("software_version", "4.1").is_empty());
    }
}
