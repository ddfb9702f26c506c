//! Findings: a matter on one unit, and what the machine says of it.
//!
//! Owns the words of findings and the machine half, which evaluation alone writes.

use serde::{Deserialize, Serialize};

use crate::{
    ClassId, EngineSerial, FaultId, FindingId, Rationale, Scope, Symptom, SymptomId, System, Time, UnitKey,
    Uom,
};

/// What a finding is about. Sensor and data findings never go to the shop as engine faults.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum FindingKind {
    Machine,
    Sensor,
    Data,
    Comms,
}

/// Lists that findings are worked in. Sensor and data findings never stand among those of the machine.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum WorkList {
    Machine,
    Instruments,
    Comms,
}

impl WorkList {
    /// The list of a kind.
    pub const fn of(kind: FindingKind) -> Self {
        match kind {
            FindingKind::Machine => WorkList::Machine,
            FindingKind::Sensor | FindingKind::Data => WorkList::Instruments,
            FindingKind::Comms => WorkList::Comms,
        }
    }
}

/// Priority, from consequence and time to respond (IEC 62682). Critical sorts first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum Priority {
    Critical,
    High,
    Medium,
    Low,
}

/// Where the work on a finding stands.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WorkState {
    /// Nobody has taken it.
    New,
    /// Somebody works on it.
    Taken,
    /// Until a date or an answer.
    Waiting,
    /// Done, with an outcome.
    Closed,
}

/// How a finding ended.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// The fault was there, as ranked first.
    ConfirmedAsAdvised,
    /// A fault was there, another one.
    ConfirmedOtherCause,
    /// Inspected, nothing found.
    NoFaultFound,
    /// Nobody looked.
    NotInspected,
    /// Put right without this finding.
    RepairedElsewhere,
    /// The instrument was at fault.
    SensorAtFault,
    /// The new level is right and becomes the baseline.
    LevelAccepted,
    /// Back to normal by itself and quiet since; closed by the machine.
    ReturnedToNormal,
    /// Data that arrived later took the evidence away; closed by the machine.
    Withdrawn,
    /// One matter with another finding, which carries its symptoms on.
    Merged,
}

impl Outcome {
    /// Whether a person chooses it when closing. The others follow from something else.
    pub const fn chosen(self) -> bool {
        !matches!(self, Outcome::ReturnedToNormal | Outcome::Withdrawn | Outcome::Merged)
    }
}

/// How soon, in words.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names say it")]
pub enum Urgency {
    Now,
    BeforeDeparture,
    WithinAWeek,
    NextInspection,
    Watch,
}

macro_rules! words {
    ($name:ident, $text:literal, $($variant:ident = $word:literal),+ $(,)?) => {
        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];

            /// The word as it is written in the API and shown on screens.
            pub const fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.word())
            }
        }

        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                $name::ALL.iter().copied().find(|v| v.word() == text).ok_or_else(|| {
                    let known: Vec<&str> = $name::ALL.iter().map(|v| v.word()).collect();
                    format!("{text:?} is not {}: {}", $text, known.join(", "))
                })
            }
        }
    };
}

words!(FindingKind, "a kind", Machine = "machine", Sensor = "sensor", Data = "data", Comms = "comms");
words!(WorkList, "a list", Machine = "machine", Instruments = "instruments", Comms = "comms");
words!(Priority, "a priority", Critical = "critical", High = "high", Medium = "medium", Low = "low");
words!(WorkState, "a work state", New = "new", Taken = "taken", Waiting = "waiting", Closed = "closed");
words!(
    Outcome,
    "an outcome",
    ConfirmedAsAdvised = "confirmed-as-advised",
    ConfirmedOtherCause = "confirmed-other-cause",
    NoFaultFound = "no-fault-found",
    NotInspected = "not-inspected",
    RepairedElsewhere = "repaired-elsewhere",
    SensorAtFault = "sensor-at-fault",
    LevelAccepted = "level-accepted",
    ReturnedToNormal = "returned-to-normal",
    Withdrawn = "withdrawn",
    Merged = "merged",
);
words!(
    Urgency,
    "an urgency",
    Now = "now",
    BeforeDeparture = "before departure",
    WithinAWeek = "within a week",
    NextInspection = "next inspection",
    Watch = "watch",
);

/// One piece of evidence and how much it moved a fault's probability.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct EvidenceWeight {
    /// The evidence in words, such as `oil_pressure down 18 % at idle`.
    pub evidence: String,
    /// Natural logarithm of the likelihood ratio: above 0 speaks for, below against.
    pub weight: f64,
}

/// A fault that may explain the symptoms, with the reasons.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RankedFault {
    /// Identity in the fault library.
    pub id: FaultId,
    /// Name for people.
    pub name: String,
    /// Probability among the explanations, 0 to 1.
    pub probability: f64,
    /// What speaks for it.
    #[serde(rename = "for")]
    pub supports: Vec<EvidenceWeight>,
    /// What speaks against it.
    pub against: Vec<EvidenceWeight>,
    /// What would decide.
    pub decides: Vec<String>,
    /// What to check, in order.
    pub checks: Vec<String>,
    /// How soon.
    pub urgency: Urgency,
    /// What can hurt someone.
    pub cautions: Vec<String>,
    /// Cause, consequence and response; absent for explanations that are no fault of the library.
    #[serde(default)]
    pub rationale: Option<Rationale>,
}

/// Time until a limit is reached (ISO 13381-1): three percentiles, the limit, and what was assumed.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct TimeToLimit {
    /// Channel and name of the limit.
    pub limit: String,
    /// Value of the limit, in `uom`.
    pub at: f64,
    /// Unit of measure of the limit.
    pub uom: Uom,
    /// One in ten reaches it within this many seconds from `from`.
    pub p10: f64,
    /// Half reach it within this many seconds.
    pub p50: f64,
    /// Nine in ten reach it within this many seconds.
    pub p90: f64,
    /// Event time that the seconds count from.
    pub from: Time,
    /// What was assumed of the load.
    pub assumes: String,
}

/// An earlier finding of the same unit and cause that had ended.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Earlier {
    /// Which.
    pub finding: FindingId,
    /// How it ended.
    pub outcome: Outcome,
    /// When it ended: event time where the machine ended it, our clock where a person did.
    pub ended: Time,
}

/// What evaluation says of a finding. A pure function of accepted samples and decisions.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct MachinePart {
    /// Identity, from unit, cause and onset.
    pub id: FindingId,
    /// The unit.
    pub unit: UnitKey,
    /// The engine fitted at the onset.
    pub engine: Option<EngineSerial>,
    /// The unit's class.
    pub class: ClassId,
    /// The system its symptoms belong to.
    pub system: System,
    /// What it is about.
    pub kind: FindingKind,
    /// One line for a list.
    pub title: String,
    /// Estimated start.
    pub onset: Time,
    /// Event time at which the evidence sufficed.
    pub opened: Time,
    /// Event time of the last change of the machine part.
    pub changed: Time,
    /// Priority.
    pub priority: Priority,
    /// Whether any of its symptoms lasts.
    pub active: bool,
    /// How many times it became active, from 1. An acknowledgement holds for one occurrence.
    pub occurrence: u32,
    /// It came and went several times within a short time.
    pub unstable: bool,
    /// Its symptoms, the strongest first, those that have cleared included.
    pub symptoms: Vec<Symptom>,
    /// Which of them last.
    pub lasting: Vec<SymptomId>,
    /// Faults that may explain it, the likeliest first.
    pub faults: Vec<RankedFault>,
    /// Time until a limit is reached.
    pub time_to_limit: Option<TimeToLimit>,
    /// Why there is no time to a limit.
    pub time_to_limit_reason: Option<String>,
    /// Closed by the machine: when, and as what.
    pub ended: Option<(Time, Outcome)>,
    /// Version of the settings that judged it.
    pub settings_version: u32,
    /// One unit, or what its members share.
    #[serde(default)]
    pub scope: Scope,
    /// Units that share the cause now, when the scope is wider than a unit.
    #[serde(default)]
    pub members: Vec<UnitKey>,
    /// The same matter was there before: the latest time.
    #[serde(default)]
    pub again: Option<Earlier>,
    /// A person split it off this finding.
    #[serde(default)]
    pub split_from: Option<FindingId>,
    /// It has one cause with findings of other units, which this finding stands for.
    #[serde(default)]
    pub part_of: Option<FindingId>,
}

/// What a finding is, when it opens.
#[derive(Debug, Clone)]
pub struct Opening {
    /// Identity.
    pub id: FindingId,
    /// The unit.
    pub unit: UnitKey,
    /// The unit's class.
    pub class: ClassId,
    /// The system its symptoms belong to.
    pub system: System,
    /// What it is about.
    pub kind: FindingKind,
    /// Estimated start.
    pub onset: Time,
    /// Event time at which the evidence sufficed.
    pub opened: Time,
}

/// Begin of the ids of findings that follow from receive times, not from samples.
pub const RECEIPT_ID: &str = "c-";

impl MachinePart {
    /// A finding as it opens: active for the first time, of low priority, on one unit, with nothing known beside.
    pub fn new(opening: Opening) -> Self {
        let Opening { id, unit, class, system, kind, onset, opened } = opening;
        Self {
            id,
            unit,
            engine: None,
            class,
            system,
            kind,
            title: String::new(),
            onset,
            opened,
            changed: opened,
            priority: Priority::Low,
            active: true,
            occurrence: 1,
            unstable: false,
            symptoms: Vec::new(),
            lasting: Vec::new(),
            faults: Vec::new(),
            time_to_limit: None,
            time_to_limit_reason: None,
            ended: None,
            settings_version: 1,
            scope: Scope::Unit,
            members: Vec::new(),
            again: None,
            split_from: None,
            part_of: None,
        }
    }

    /// Whether it follows from when messages came: folding samples again neither finds nor withdraws it.
    pub fn from_receipt(&self) -> bool {
        self.id.as_str().starts_with(RECEIPT_ID)
    }
}
