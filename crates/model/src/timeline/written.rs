//! An entry as people write it: every field by name, most of them absent. The API and files share this way in.
//!
//! Owns which fields belong to which kind. Refuses a field that the kind does not have, so that nothing written is lost.

use super::{Activity, AsBuilt, Fact, FactKind, OilResult, Purpose};
use crate::{ChannelName, System};

/// Fields of an entry. Those that a kind does not have must be absent.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Written {
    /// Fault code.
    pub code: Option<String>,
    /// Whether the fault code came (as when absent) or went.
    pub active: Option<bool>,
    /// Words.
    pub text: Option<String>,
    /// Number of an oil sample.
    pub sample: Option<String>,
    /// Results of an oil sample.
    pub results: Option<Vec<OilResult>>,
    /// What was done.
    pub activity: Option<String>,
    /// On which system.
    pub system: Option<String>,
    /// On which item.
    pub item: Option<String>,
    /// Channels that learn anew.
    pub channels: Option<Vec<String>>,
    /// Version of software.
    pub version: Option<String>,
    /// Where.
    pub place: Option<String>,
    /// Why there.
    pub purpose: Option<String>,
    /// As-built levels.
    pub levels: Option<Vec<AsBuilt>>,
}

/// What is wrong with a field: its name, and what would be right.
pub type WrittenError = (&'static str, String);

impl Written {
    /// The fact that the fields make. Errors name the field.
    pub fn fact(mut self, kind: FactKind) -> Result<Fact, WrittenError> {
        let text = self.text.take();
        let words = || text.clone().unwrap_or_default();
        let fact = match kind {
            FactKind::FaultCode => Fact::FaultCode {
                code: needed("code", self.code.take())?,
                active: self.active.take().unwrap_or(true),
                text: words(),
            },
            FactKind::OilSample => Fact::OilSample {
                sample: self.sample.take().unwrap_or_default(),
                results: needed("results", self.results.take())?,
            },
            FactKind::Maintenance => Fact::Maintenance {
                activity: parsed::<Activity>("activity", &needed("activity", self.activity.take())?)?,
                system: self.system.take().map(|s| system(&s)).transpose()?,
                item: self.item.take().unwrap_or_default(),
                channels: channels(self.channels.take().unwrap_or_default())?,
                text: words(),
            },
            FactKind::Software => Fact::Software { version: needed("version", self.version.take())? },
            FactKind::Visit => Fact::Visit {
                place: needed("place", self.place.take())?,
                purpose: parsed::<Purpose>("purpose", &needed("purpose", self.purpose.take())?)?,
                text: words(),
            },
            FactKind::AsBuilt => {
                Fact::AsBuilt { levels: needed("levels", self.levels.take())?, text: words() }
            }
            FactKind::Note => Fact::Note { text: needed("text", text.clone())? },
        };
        let has_text = !matches!(kind, FactKind::OilSample | FactKind::Software);
        self.text = text.filter(|_| !has_text);
        match self.left() {
            Some(field) => Err((field, format!("is no field of a {}", kind.word()))),
            None => fact.check().map(|()| fact),
        }
    }

    /// The first field that nothing took.
    fn left(&self) -> Option<&'static str> {
        [
            ("code", self.code.is_some()),
            ("active", self.active.is_some()),
            ("text", self.text.is_some()),
            ("sample", self.sample.is_some()),
            ("results", self.results.is_some()),
            ("activity", self.activity.is_some()),
            ("system", self.system.is_some()),
            ("item", self.item.is_some()),
            ("channels", self.channels.is_some()),
            ("version", self.version.is_some()),
            ("place", self.place.is_some()),
            ("purpose", self.purpose.is_some()),
            ("levels", self.levels.is_some()),
        ]
        .into_iter()
        .find_map(|(field, there)| there.then_some(field))
    }
}

fn needed<T>(field: &'static str, value: Option<T>) -> Result<T, WrittenError> {
    value.ok_or_else(|| (field, "is needed".to_owned()))
}

fn parsed<T: std::str::FromStr<Err = String>>(field: &'static str, text: &str) -> Result<T, WrittenError> {
    text.parse().map_err(|e| (field, e))
}

fn system(text: &str) -> Result<System, WrittenError> {
    System::ALL.iter().copied().find(|s| s.word() == text).ok_or_else(|| {
        let known: Vec<&str> = System::ALL.iter().map(|s| s.word()).collect();
        ("system", format!("{text:?} is not a system: {}", known.join(", ")))
    })
}

fn channels(names: Vec<String>) -> Result<Vec<ChannelName>, WrittenError> {
    names.iter().map(|name| ChannelName::new(name).map_err(|e| ("channels", e.to_string()))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_takes_its_fields_and_no_other() {
        let code = Written { code: Some("E12".into()), ..Written::default() };
        let fact = Fact::FaultCode { code: "E12".into(), active: true, text: String::new() };
        assert_eq!(code.clone().fact(FactKind::FaultCode), Ok(fact));
        for (written, kind, field, what) in [
            (code.clone(), FactKind::Note, "text", "needed"),
            (
                Written { text: Some("x".into()), ..code.clone() },
                FactKind::Note,
                "code",
                "no field of a note",
            ),
            (
                Written { version: Some("1".into()), text: Some("x".into()), ..Written::default() },
                FactKind::Software,
                "text",
                "no field of a software",
            ),
            (
                Written { activity: Some("swap".into()), ..Written::default() },
                FactKind::Maintenance,
                "activity",
                "replace, repair",
            ),
            (
                Written {
                    activity: Some("check".into()),
                    system: Some("wheels".into()),
                    ..Written::default()
                },
                FactKind::Maintenance,
                "system",
                "lubrication",
            ),
            (
                Written { version: Some(" ".into()), ..Written::default() },
                FactKind::Software,
                "version",
                "empty",
            ),
        ] {
            let (at, said) = written.fact(kind).unwrap_err();
            assert!(at == field && said.contains(what), "{at}: {said}");
        }
    }
}
