//! Facts: what an entry of a timeline says.
//!
//! Owns the kinds and their words. What each may hold is checked in `check`.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::{ChannelName, Regime, System};

macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal, $($(#[$variant_doc:meta])* $variant:ident = $word:literal),+ $(,)?) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum $name { $($(#[$variant_doc])* $variant),+ }

        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];

            /// The word as it is written in the API, stored and shown on screens.
            pub const fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                $name::ALL.iter().copied().find(|v| v.word() == text).ok_or_else(|| {
                    let known: Vec<&str> = $name::ALL.iter().map(|v| v.word()).collect();
                    format!("{text:?} is not {}: {}", $what, known.join(", "))
                })
            }
        }
    };
}

words!(
    /// Kind of an entry.
    FactKind, "a kind of entry",
    /// A controller told of a fault, or that it is gone.
    FaultCode = "fault-code",
    /// A laboratory's results on a sample of oil.
    OilSample = "oil-sample",
    /// Something was done to the machine.
    Maintenance = "maintenance",
    /// The software that runs on the unit's controller from then on.
    Software = "software",
    /// The unit was at a place for a purpose.
    Visit = "visit",
    /// Levels of channels as measured when the engine was released.
    AsBuilt = "as-built",
    /// A remark.
    Note = "note",
);

words!(
    /// What was done: the activities of ISO 14224:2016, annex B, table B.5 (from memory, in our own words).
    Activity, "an activity",
    /// Another item in place of the old one.
    Replace = "replace",
    /// The item put right.
    Repair = "repair",
    /// The item changed in design.
    Modify = "modify",
    /// Brought back into tolerance.
    Adjust = "adjust",
    /// Minor work to bring it back to an acceptable state.
    Refit = "refit",
    /// The cause looked for, nothing done.
    Check = "check",
    /// Periodic service: fluids, filters, lubrication.
    Service = "service",
    /// A periodic test of function.
    Test = "test",
    /// Looked at, thoroughly or not, nothing done.
    Inspection = "inspection",
    /// Taken apart and renewed.
    Overhaul = "overhaul",
    /// Several of these.
    Combination = "combination",
    /// Something else.
    Other = "other",
);

words!(
    /// What a laboratory or the stated limits say of one result.
    Verdict, "a verdict",
    /// Within what is usual.
    Normal = "normal",
    /// Above it.
    High = "high",
    /// Below it.
    Low = "low",
);

words!(
    /// Why a unit was at a place.
    Purpose, "a purpose",
    /// Fuel was taken.
    Fuelling = "fuelling",
    /// It was serviced: sand, water, oil, inspection.
    Service = "service",
    /// It was in a shop.
    Shop = "shop",
    /// Something else.
    Other = "other",
);

words!(
    /// By which way an entry came.
    Origin, "an origin",
    /// Through the API or a page.
    Api = "api",
    /// Out of a file.
    File = "file",
    /// Out of a text channel of the unit's messages.
    Channel = "channel",
);

impl Activity {
    /// Whether it leaves the machine other than it was: levels may move by it.
    pub const fn changes(self) -> bool {
        !matches!(self, Activity::Check | Activity::Test | Activity::Inspection)
    }
}

/// One result of an oil sample.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct OilResult {
    /// What was measured, in lower-case words joined by hyphens, such as `iron` or `fuel-dilution`.
    pub quantity: String,
    /// How much, in `uom`. Finite.
    pub value: f64,
    /// Unit of measure as the laboratory writes it, such as `mg/kg`, `%` or `mm2/s`.
    pub uom: String,
    /// What the laboratory says of it; stated limits judge it when it says nothing.
    #[serde(default)]
    pub verdict: Option<Verdict>,
}

/// Level of a channel as measured in the acceptance run.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct AsBuilt {
    /// The channel.
    pub channel: ChannelName,
    /// Operating state that it holds for; every state that has none of its own when absent.
    #[serde(default)]
    pub state: Option<Regime>,
    /// Level, in the channel's stored unit of measure. Finite.
    pub level: f64,
    /// Standard deviation of single samples about it, in the same. Above nought.
    pub spread: f64,
}

/// What an entry says.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fact {
    /// A controller's fault code.
    FaultCode {
        /// The code as the controller writes it.
        code: String,
        /// It came (`true`) or went.
        active: bool,
        /// The controller's words.
        #[serde(default)]
        text: String,
    },
    /// Results of an oil sample.
    OilSample {
        /// The laboratory's number of it.
        #[serde(default)]
        sample: String,
        /// The results.
        results: Vec<OilResult>,
    },
    /// A maintenance action (EN 13306).
    Maintenance {
        /// What was done.
        activity: Activity,
        /// On which system.
        system: Option<System>,
        /// On which item, such as `relief valve`.
        #[serde(default)]
        item: String,
        /// Channels whose sensor was exchanged or whose level is new by the work: they learn anew.
        #[serde(default)]
        channels: Vec<ChannelName>,
        /// More words.
        #[serde(default)]
        text: String,
    },
    /// Software of the unit's controller from then on.
    Software {
        /// The version.
        version: String,
    },
    /// The unit was at a place.
    Visit {
        /// The place.
        place: String,
        /// Why.
        purpose: Purpose,
        /// More words.
        #[serde(default)]
        text: String,
    },
    /// Levels as measured when the engine was released (acceptance run): the channels begin with them, and what they learned
    /// before is dropped.
    AsBuilt {
        /// The levels.
        levels: Vec<AsBuilt>,
        /// More words.
        #[serde(default)]
        text: String,
    },
    /// A remark.
    Note {
        /// The remark.
        text: String,
    },
}

impl Fact {
    /// Its kind.
    pub const fn kind(&self) -> FactKind {
        match self {
            Fact::FaultCode { .. } => FactKind::FaultCode,
            Fact::OilSample { .. } => FactKind::OilSample,
            Fact::Maintenance { .. } => FactKind::Maintenance,
            Fact::Software { .. } => FactKind::Software,
            Fact::Visit { .. } => FactKind::Visit,
            Fact::AsBuilt { .. } => FactKind::AsBuilt,
            Fact::Note { .. } => FactKind::Note,
        }
    }

    /// One line for a list.
    pub fn line(&self) -> String {
        let with =
            |begin: String, rest: &str| if rest.is_empty() { begin } else { format!("{begin}: {rest}") };
        match self {
            Fact::FaultCode { code, active: true, text } => with(format!("fault code {code}"), text),
            Fact::FaultCode { code, active: false, text } => with(format!("fault code {code} gone"), text),
            Fact::OilSample { results, .. } => {
                let each = results.iter().map(|r| {
                    let verdict = r.verdict.map_or(String::new(), |v| format!(" ({})", v.word()));
                    format!("{} {} {}{verdict}", r.quantity.replace('-', " "), r.value, r.uom)
                });
                format!("oil sample: {}", each.collect::<Vec<_>>().join(", "))
            }
            Fact::Maintenance { activity, system, item, text, .. } => {
                let system = system.map_or("", System::word);
                let what = [activity.word(), item, system].into_iter().filter(|w| !w.is_empty());
                with(what.collect::<Vec<_>>().join(", "), text)
            }
            Fact::Software { version } => format!("software {version}"),
            Fact::Visit { place, purpose, text } => with(format!("{} at {place}", purpose.word()), text),
            Fact::AsBuilt { levels, text } => {
                let channels: BTreeSet<&str> = levels.iter().map(|l| l.channel.as_str()).collect();
                let names = channels.into_iter().collect::<Vec<_>>().join(", ");
                with(format!("as-built levels of {names}"), text)
            }
            Fact::Note { text } => text.clone(),
        }
    }
}
