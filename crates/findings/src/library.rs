//! The fault library: what each fault shows, what speaks for and against it, and what to do about it.
//!
//! Owns the library's meaning. Its text form (TOML) and the checks at load are in `schema`. Refuses to rank.

mod schema;

use notchwatch_model::{
    Direction, FaultId, FindingKind, Rationale, Regime, SymptomKind, System, Urgency, Verdict,
};

pub use schema::LibraryError;

/// The faults known, in the order of their files. Immutable once loaded.
#[derive(Debug, Clone, PartialEq)]
pub struct Library {
    faults: Vec<Fault>,
}

/// A condition of a component that explains symptoms.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Identity: short lower-case words.
    pub id: FaultId,
    /// Key in the table that the library is based on, such as `L1`.
    pub reference: String,
    /// Name for people.
    pub name: String,
    /// System it belongs to; `None` for faults of sensors and of the data path.
    pub system: Option<System>,
    /// What a finding is about that it explains best: machine, sensor or data.
    pub about: FindingKind,
    /// How common it is.
    pub rarity: Rarity,
    /// How it develops.
    pub course: Course,
    /// What the channels show.
    pub shows: Vec<Expected>,
    /// What a timeline says under it.
    pub evidence: Vec<Named>,
    /// Evidence outside the channels that speaks for it.
    pub supports: Vec<String>,
    /// Evidence outside the channels that speaks against it.
    pub against: Vec<String>,
    /// What separates it from faults that look alike.
    pub confusions: Vec<Confusion>,
    /// What to check, in order.
    pub checks: Vec<Check>,
    /// How soon: the time to respond.
    pub urgency: Urgency,
    /// Cause, consequence, response, and what it takes.
    pub rationale: Rationale,
    /// What can hurt someone or mislead.
    pub cautions: Vec<String>,
    /// Where it comes from.
    pub source: String,
    /// How far it has been proved.
    pub status: String,
}

/// What one channel, or one group of sister channels, shows under a fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// Channel name; one `*` in it stands for any text.
    pub channel: String,
    /// What happens to it.
    pub expects: Expects,
    /// How many channels of the pattern show it.
    pub share: Share,
    /// How often the fault shows it.
    pub often: Often,
    /// Operating states where it shows best; empty means everywhere.
    pub regimes: Vec<Regime>,
    /// How its size goes with load; `None` when that tells nothing.
    pub profile: Option<Profile>,
    /// How large it gets at most, as a share of the range that the class gives the channel; `None` when that tells nothing.
    pub within: Option<f64>,
}

/// How the size of a departure, in the channel's unit of measure, goes with load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Profile {
    /// As large at high load as at low: an offset.
    Steady,
    /// Larger at high load.
    Grows,
    /// Larger at low load.
    Fades,
}

/// Low over high load from which the size is no longer the same at both (common practice: a factor of 1.6, about the
/// error of two means over short stays in a notch).
const SAME_WITHIN: f64 = 1.6;

impl Profile {
    /// The profile of a departure that is `low` at low load and `high` at high load. `None` when both are nought.
    pub fn of(low: f64, high: f64) -> Option<Self> {
        let (low, high) = if low.abs() > high.abs() {
            (low.abs(), high * low.signum())
        } else {
            (low * high.signum(), high.abs())
        };
        if low == 0.0 && high == 0.0 {
            return None;
        }
        Some(if low * SAME_WITHIN < high {
            Profile::Grows
        } else if high * SAME_WITHIN < low {
            Profile::Fades
        } else {
            Profile::Steady
        })
    }
}

/// Evidence beside the channels that a fault names: of a timeline, or of what the unit did when it began.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// What it is.
    pub what: NamedWhat,
    /// How often the fault comes with it.
    pub often: Often,
}

/// What evidence it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NamedWhat {
    /// A result of an oil sample.
    Oil {
        /// The quantity.
        quantity: String,
        /// How it is under the fault.
        verdict: Verdict,
    },
    /// One of these fault codes.
    Code(Vec<String>),
    /// It begins soon after work on a system.
    After(System),
    /// It begins with a standstill of the engine: nobody works on one that runs.
    Standing,
}

/// What happens to a channel under a fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expects {
    /// The level moves this way.
    Moves(Direction),
    /// The level moves either way.
    Changes,
    /// The level is off by the same amount at every load. Speaks only once the symptom has been seen at low load and at
    /// high load.
    Offset,
    /// It stays as it was; a symptom on it speaks against the fault.
    Same,
    /// Symptoms of these kinds, such as a stuck value.
    Kinds(Vec<SymptomKind>),
}

/// How many channels of a pattern show it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Share {
    /// One of them.
    One,
    /// Most or all of them.
    Most,
}

/// How often a fault shows an effect once it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Often {
    /// In nine cases of ten.
    Always,
    /// In two cases of three.
    Usually,
    /// In one case of three.
    Sometimes,
}

/// How common a fault is among the faults of a unit's life.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rarity {
    /// Several times in a fleet's year.
    Common,
    /// Now and then.
    Occasional,
    /// Seldom.
    Rare,
}

/// How a fault develops.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Course {
    /// At once, or within hours.
    Sudden,
    /// Within days.
    Days,
    /// Over weeks and months.
    Slow,
}

/// What separates a fault from one that looks alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Confusion {
    /// The other fault.
    pub with: FaultId,
    /// What tells them apart.
    pub by: String,
}

/// One check and when to stop checking.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// What to do.
    pub act: String,
    /// What found ends the search.
    pub stop: String,
}

impl Expected {
    /// Whether the entry speaks of the channel.
    pub fn concerns(&self, channel: &str) -> bool {
        match self.channel.split_once('*') {
            None => self.channel == channel,
            Some((begin, end)) => {
                channel.len() >= begin.len() + end.len()
                    && channel.starts_with(begin)
                    && channel.ends_with(end)
            }
        }
    }
}

impl Library {
    /// The library that comes with the program.
    pub fn builtin() -> Result<Self, LibraryError> {
        schema::builtin()
    }

    /// Reads a library from TOML files, each with the name that messages call it by.
    pub fn parse<'a>(files: impl IntoIterator<Item = (&'a str, &'a str)>) -> Result<Self, LibraryError> {
        schema::parse(files)
    }

    /// Every fault, in order.
    pub fn faults(&self) -> &[Fault] {
        &self.faults
    }

    /// One fault.
    pub fn fault(&self, id: &FaultId) -> Option<&Fault> {
        self.faults.iter().find(|fault| fault.id == *id)
    }
}
