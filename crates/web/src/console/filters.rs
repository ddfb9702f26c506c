//! Filters of the queue: how they are sent, checked, offered and kept in links.
//!
//! Refuses a word that is none: a mistyped filter must not show everything.

use notchwatch_model::{AccountName, Priority, Register, System, WorkList};
use notchwatch_store::{Cursor, FindingQuery};
use serde::Deserialize;

/// Filters as the form sends them; an empty one is none.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Filters {
    pub(crate) railway: String,
    pub(crate) class: String,
    pub(crate) system: String,
    /// One kind of the list.
    pub(crate) kind: String,
    /// Which list; empty: the machine's.
    pub(crate) list: String,
    pub(crate) priority: String,
    pub(crate) state: String,
    /// Place in the list after which the page begins.
    pub(crate) after: String,
}

/// Which states are shown.
const STATES: &[(&str, &str)] = &[
    ("", "open, not hidden"),
    ("unacknowledged", "unacknowledged"),
    ("mine", "taken by me"),
    ("new", "new"),
    ("taken", "taken"),
    ("waiting", "waiting"),
    ("shelved", "shelved"),
    ("out-of-service", "out of service"),
    ("closed", "closed"),
];

/// One entry of a filter's list.
#[derive(Debug)]
pub(crate) struct Choice {
    pub(crate) value: String,
    pub(crate) label: String,
    pub(crate) chosen: bool,
}

/// Findings on a page: what one person works in a shift fits on it.
const A_PAGE: usize = 100;

/// The lists offered.
#[derive(Debug)]
pub(crate) struct Choices {
    pub(crate) railways: Vec<Choice>,
    pub(crate) classes: Vec<Choice>,
    pub(crate) systems: Vec<Choice>,
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
            states: STATES.iter().map(state).collect(),
        }
    }
}

impl Filters {
    /// Whether none is set that narrows its list.
    pub(crate) fn plain(&self) -> bool {
        [&self.railway, &self.class, &self.system, &self.kind, &self.priority, &self.state]
            .iter()
            .all(|f| f.is_empty())
    }

    /// The list shown: the one asked for, or that of the kind asked for. Errors with the word that is none.
    pub(crate) fn list(&self) -> Result<WorkList, String> {
        match (self.list.as_str(), self.kind.as_str()) {
            ("", "") => Ok(WorkList::Machine),
            ("", kind) => kind.parse().map(WorkList::of),
            (list, _) => list.parse(),
        }
    }

    /// What the store is asked for. Errors with the word that is none.
    pub(crate) fn query(&self, me: &AccountName) -> Result<FindingQuery, String> {
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
            list: Some(self.list()?),
            priority: some::<Priority>(&self.priority)?,
            open: Some(self.state != "closed"),
            state: match self.state.as_str() {
                "" => Some(notchwatch_store::Shown::NotHidden),
                word => crate::words::shown(word, me),
            },
            after: Some(self.after.clone()).filter(|after| !after.is_empty()).map(Cursor),
            limit: A_PAGE,
            ..FindingQuery::default()
        })
    }

    /// Address of the first page with one filter changed.
    pub(crate) fn with(&self, change: impl FnOnce(&mut Self)) -> String {
        let mut next = Self { after: String::new(), ..self.clone() };
        change(&mut next);
        let pairs = [
            ("railway", &next.railway),
            ("class", &next.class),
            ("system", &next.system),
            ("list", &next.list),
            ("kind", &next.kind),
            ("priority", &next.priority),
            ("state", &next.state),
            ("after", &next.after),
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
        let me = AccountName::new("asha").unwrap();
        let filters = Filters { railway: "northmoor".into(), ..Filters::default() };
        assert_eq!(filters.with(|f| f.priority = "high".into()), "/queue?railway=northmoor&priority=high");
        let paged = Filters { after: "0:1:2:f-1".into(), ..filters.clone() };
        assert_eq!(paged.with(|f| f.list = "comms".into()), "/queue?railway=northmoor&list=comms");
        assert_eq!(filters.list(), Ok(WorkList::Machine));
        assert_eq!(Filters { kind: "data".into(), ..Filters::default() }.list(), Ok(WorkList::Instruments));
        assert!(Filters { list: "engines".into(), ..Filters::default() }.query(&me).is_err());
        assert!(Filters { state: "lost".into(), ..Filters::default() }.query(&me).is_err());
        assert!(Filters { system: "wheels".into(), ..Filters::default() }.query(&me).is_err());
        assert_eq!(
            Filters { state: "closed".into(), ..Filters::default() }.query(&me).unwrap().open,
            Some(false)
        );
    }
}
