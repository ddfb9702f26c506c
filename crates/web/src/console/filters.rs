//! Filters of the queue: how they are sent, checked, offered and kept in links.
//!
//! Refuses a word that is none: a mistyped filter must not show everything.

use notchwatch_model::{FindingKind, Priority, Register, System};
use notchwatch_store::FindingQuery;
use serde::Deserialize;

/// Filters as the form sends them; an empty one is none.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Filters {
    pub(crate) railway: String,
    pub(crate) class: String,
    pub(crate) system: String,
    pub(crate) kind: String,
    pub(crate) priority: String,
    pub(crate) state: String,
}

/// Which states are shown.
const STATES: &[(&str, &str)] = &[
    ("", "open, not shelved"),
    ("unacknowledged", "unacknowledged"),
    ("mine", "taken by me"),
    ("new", "new"),
    ("taken", "taken"),
    ("waiting", "waiting"),
    ("shelved", "shelved"),
    ("closed", "closed"),
];

/// One entry of a filter's list.
#[derive(Debug)]
pub(crate) struct Choice {
    pub(crate) value: String,
    pub(crate) label: String,
    pub(crate) chosen: bool,
}

/// Most findings on the page. Far beyond what one person works in a shift; filters narrow further.
const MOST: usize = 500;

/// The lists offered.
#[derive(Debug)]
pub(crate) struct Choices {
    pub(crate) railways: Vec<Choice>,
    pub(crate) classes: Vec<Choice>,
    pub(crate) systems: Vec<Choice>,
    pub(crate) kinds: Vec<Choice>,
    pub(crate) states: Vec<Choice>,
}

impl Choices {
    /// Lists of what the register of the caller holds, with the present filters chosen.
    pub(crate) fn of(register: &Register, filters: &Filters) -> Self {
        let railways = register.railways.iter().map(|r| (r.id.as_str(), r.name.as_str()));
        let classes = register.classes.iter().map(|c| (c.id.as_str(), c.name.as_str()));
        let state = |(value, label): &(&str, &str)| Choice {
            value: (*value).to_owned(),
            label: (*label).to_owned(),
            chosen: *value == filters.state,
        };
        Self {
            railways: choices(railways, &filters.railway),
            classes: choices(classes, &filters.class),
            systems: choices(System::ALL.iter().map(|s| (s.word(), s.word())), &filters.system),
            kinds: choices(FindingKind::ALL.iter().map(|k| (k.word(), k.word())), &filters.kind),
            states: STATES.iter().map(state).collect(),
        }
    }
}

impl Filters {
    /// Whether none is set.
    pub(crate) fn plain(&self) -> bool {
        [&self.railway, &self.class, &self.system, &self.kind, &self.priority, &self.state]
            .iter()
            .all(|f| f.is_empty())
    }

    /// What the store is asked for. Errors with the word that is none.
    pub(crate) fn query(&self) -> Result<FindingQuery, String> {
        some::<Priority>(&self.priority)?;
        if !STATES.iter().any(|(value, _)| *value == self.state) {
            return Err(format!("{:?} is not a state to filter by", self.state));
        }
        let system = match self.system.as_str() {
            "" => None,
            word => match System::ALL.iter().find(|s| s.word() == word) {
                Some(system) => Some(*system),
                None => return Err(format!("{word:?} is not a system")),
            },
        };
        Ok(FindingQuery {
            railway: some(&self.railway)?,
            class: some(&self.class)?,
            system,
            kind: some(&self.kind)?,
            open: Some(self.state != "closed"),
            limit: MOST,
            ..FindingQuery::default()
        })
    }

    /// Address of the same page with one filter changed.
    pub(crate) fn with(&self, change: impl FnOnce(&mut Self)) -> String {
        let mut next = self.clone();
        change(&mut next);
        let pairs = [
            ("railway", &next.railway),
            ("class", &next.class),
            ("system", &next.system),
            ("kind", &next.kind),
            ("priority", &next.priority),
            ("state", &next.state),
        ];
        let set: Vec<String> =
            pairs.iter().filter(|(_, v)| !v.is_empty()).map(|(k, v)| format!("{k}={v}")).collect();
        if set.is_empty() { "/queue".to_owned() } else { format!("/queue?{}", set.join("&")) }
    }
}

/// A field of a form as what it stands for; an empty one is none. Errors with what is wrong.
pub(crate) fn some<T: std::str::FromStr>(text: &str) -> Result<Option<T>, String>
where
    T::Err: std::fmt::Display,
{
    if text.is_empty() { Ok(None) } else { text.parse().map(Some).map_err(|e: T::Err| e.to_string()) }
}

/// A list with an entry for "all" first.
pub(crate) fn choices<'a>(all: impl Iterator<Item = (&'a str, &'a str)>, chosen: &str) -> Vec<Choice> {
    let any = Choice { value: String::new(), label: "all".to_owned(), chosen: chosen.is_empty() };
    let each = all.map(|(value, label)| Choice {
        value: value.to_owned(),
        label: label.to_owned(),
        chosen: value == chosen,
    });
    std::iter::once(any).chain(each).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_that_are_none_are_refused_and_links_keep_the_others() {
        let filters = Filters { railway: "northmoor".into(), ..Filters::default() };
        assert_eq!(filters.with(|f| f.priority = "high".into()), "/queue?railway=northmoor&priority=high");
        assert!(Filters { state: "lost".into(), ..Filters::default() }.query().is_err());
        assert!(Filters { system: "wheels".into(), ..Filters::default() }.query().is_err());
        assert_eq!(
            Filters { state: "closed".into(), ..Filters::default() }.query().unwrap().open,
            Some(false)
        );
    }
}
