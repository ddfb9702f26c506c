//! Findings, decisions and the event log: shapes here, the work in the files below.

pub(crate) mod count;
mod decide;
mod list;
pub(crate) mod log;
pub(crate) mod rows;

use notchwatch_model::{
    AccountName, Act, ClassId, Decision, DecisionId, EventId, Finding, FindingId, FindingKind, MachinePart,
    OperatorPart, Priority, RailwayId, System, Time, UnitKey, WorkList,
};

/// Which findings. Every field narrows.
#[derive(Debug, Clone, Default)]
pub struct FindingQuery {
    /// Of this railway.
    pub railway: Option<RailwayId>,
    /// Of this unit.
    pub unit: Option<UnitKey>,
    /// Of this class.
    pub class: Option<ClassId>,
    /// Of this system.
    pub system: Option<System>,
    /// Of this kind.
    pub kind: Option<FindingKind>,
    /// In this list.
    pub list: Option<WorkList>,
    /// In this state at the time of asking.
    pub state: Option<Shown>,
    /// Of this priority.
    pub priority: Option<Priority>,
    /// Open or closed.
    pub open: Option<bool>,
    /// Opened at or after.
    pub since: Option<Time>,
    /// After this place in the list.
    pub after: Option<Cursor>,
    /// Most items; 0 means 100.
    pub limit: usize,
}

/// States that a list shows, at the time of asking. All but the overlays leave out what an overlay hides, and `Mine`
/// shows it too.
#[derive(Debug, Clone, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum Shown {
    /// Neither shelved nor out of service.
    NotHidden,
    /// The last occurrence is not acknowledged.
    Unacknowledged,
    /// Taken by this account.
    Mine(AccountName),
    New,
    Taken,
    Waiting,
    Shelved,
    OutOfService,
}

impl Shown {
    const fn word(&self) -> &'static str {
        match self {
            Shown::NotHidden => "open",
            Shown::Unacknowledged => "unacknowledged",
            Shown::Mine(_) => "mine",
            Shown::New => "new",
            Shown::Taken => "taken",
            Shown::Waiting => "waiting",
            Shown::Shelved => "shelved",
            Shown::OutOfService => "out-of-service",
        }
    }
}

/// How many findings of a kind and priority are in which state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindingCount {
    /// The kind.
    pub kind: FindingKind,
    /// The priority.
    pub priority: Priority,
    /// All of them.
    pub all: u64,
    /// Neither shelved nor out of service.
    pub shown: u64,
    /// Of those: not acknowledged.
    pub unacknowledged: u64,
    /// Taken by the account asked for.
    pub mine: u64,
    /// Shelved.
    pub shelved: u64,
    /// Out of service.
    pub out_of_service: u64,
}

/// A place in a list. Opaque text to callers of the API.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cursor(pub String);

/// A page of a list.
#[derive(Debug, Clone)]
pub struct Page<T> {
    /// The items.
    pub items: Vec<T>,
    /// Where the next page begins, when there is one.
    pub next: Option<Cursor>,
    /// What cannot be read is left out, here or somewhere in the table: the page may not be whole.
    pub left_out: bool,
}

/// Asked what a decision does: to a finding, and to the other that its act names, when there is such a one.
pub type Judge<'a> = &'a (dyn Fn(&Finding, Option<&Finding>) -> Verdict + Send + Sync);

/// A decision to record.
#[derive(Debug, Clone)]
pub struct NewDecision {
    /// The finding.
    pub finding: FindingId,
    /// Version the decider saw.
    pub seen: u32,
    /// Who.
    pub by: AccountName,
    /// When.
    pub at: Time,
    /// What.
    pub act: Act,
}

/// What a decision does to a finding, as the rules of findings say.
#[expect(clippy::large_enum_variant, reason = "there is one at a time, and it does not last")]
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// It applies: the operator half becomes this.
    Apply(OperatorPart),
    /// It applies to two findings: the operator halves of this one and of the other become these.
    Both(Box<(OperatorPart, OperatorPart)>),
    /// The same person decided the same before: nothing changes, and that is fine.
    Repeat,
    /// It was taken on another version than the present one.
    Stale,
    /// It makes no sense for the finding as it stands.
    Refuse(String),
}

/// Outcome of a decision, with the finding as it stands after it.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdicted {
    /// What was said.
    pub verdict: Verdict,
    /// The finding now.
    pub finding: Finding,
    /// Position of the recorded decision (every verdict but `Repeat` is recorded).
    pub decision: Option<DecisionId>,
}

/// What an event tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventKind {
    /// A finding was first recorded.
    Opened,
    /// Its alarm state, priority, kind or occurrence changed.
    Changed,
    /// What came late, or another version of the program, gives it a lower priority than it was told with.
    Lowered,
    /// Numbers of it were revised.
    Revised,
    /// A decision was taken.
    Decided,
    /// It was closed, by a person or by the machine.
    Closed,
}

impl EventKind {
    /// Every kind.
    pub const ALL: [EventKind; 6] = [
        EventKind::Opened,
        EventKind::Changed,
        EventKind::Lowered,
        EventKind::Revised,
        EventKind::Decided,
        EventKind::Closed,
    ];

    /// The word as it is stored and sent.
    pub const fn word(self) -> &'static str {
        match self {
            EventKind::Opened => "opened",
            EventKind::Changed => "changed",
            EventKind::Lowered => "lowered",
            EventKind::Revised => "revised",
            EventKind::Decided => "decided",
            EventKind::Closed => "closed",
        }
    }
}

/// One event of the log.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Its id: grows for ever.
    pub id: EventId,
    /// When it was recorded.
    pub at: Time,
    /// What it tells.
    pub kind: EventKind,
    /// The finding as it stood right after.
    pub finding: Finding,
}

/// One line of a finding's history.
#[derive(Debug, Clone, PartialEq)]
pub enum HistoryEntry {
    /// Something a person or token did.
    Decision(Decision),
    /// Something the machine said.
    Machine {
        /// When it was recorded.
        at: Time,
        /// What it tells.
        kind: EventKind,
        /// Version after it.
        version: u32,
        /// The machine half as it was told; `None` when that cannot be read any more.
        machine: Option<Box<MachinePart>>,
    },
}
