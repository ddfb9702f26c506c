//! The record of a finding: the machine half, the operator half, and what follows from both.
//!
//! Owns the operator half, which decisions alone write. Neither half overwrites the other.

use serde::{Deserialize, Serialize};

use crate::{AccountName, AlarmState, FindingId, MachinePart, Outcome, Overlay, Time, WorkState};

/// What people decided about a finding.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct OperatorPart {
    /// Occurrence that was acknowledged last; 0 when none was.
    pub acknowledged_occurrence: u32,
    /// Who acknowledged last, and when.
    pub acknowledged: Option<(AccountName, Time)>,
    /// Who works on it.
    pub taken_by: Option<AccountName>,
    /// Waiting until then.
    pub waiting_until: Option<Time>,
    /// What is waited for.
    pub waiting_for: Option<String>,
    /// Shelved until then, with the reason.
    pub shelved: Option<(Time, String)>,
    /// Taken out until then while something is worked on, with the reason.
    pub out_of_service: Option<(Time, String)>,
    /// Closed: who, when, and as what.
    pub closed: Option<(AccountName, Time, Outcome)>,
    /// Closed as one matter with this finding.
    #[serde(default)]
    pub merged_into: Option<FindingId>,
    /// Findings that were merged into it, in order.
    #[serde(default)]
    pub merged: Vec<FindingId>,
    /// Findings that were split off it, in order.
    #[serde(default)]
    pub split_off: Vec<FindingId>,
    /// Opened again last: who and when. An end that the machine gave before then counts no more.
    #[serde(default)]
    pub reopened: Option<(AccountName, Time)>,
}

/// A finding as it is listed, shown and delivered.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Finding {
    /// What evaluation says.
    pub machine: MachinePart,
    /// What people decided.
    pub operator: OperatorPart,
    /// Moves with every decision, and with changes of priority, kind or alarm state.
    pub version: u32,
    /// Receive side: when it was first recorded.
    pub recorded: Time,
    /// The evidence arrived later than the stated lateness.
    pub late: bool,
}

impl Finding {
    /// Whether it is not closed, by a person or by the machine.
    pub fn open(&self) -> bool {
        self.operator.closed.is_none() && self.ended().is_none()
    }

    /// When and as what the machine ended it, unless a person opened it again since.
    pub fn ended(&self) -> Option<(Time, Outcome)> {
        let reopened = self.operator.reopened.as_ref().map(|(_, at)| *at);
        self.machine.ended.filter(|(at, _)| reopened.is_none_or(|reopened| reopened < *at))
    }

    /// When and as what it was closed, by a person or by the machine.
    pub fn closed(&self) -> Option<(Time, Outcome)> {
        self.operator.closed.as_ref().map(|(_, at, outcome)| (*at, *outcome)).or(self.ended())
    }

    /// Which of the overlays of IEC 62682 lies over it at `now`: both end by themselves.
    pub fn overlay(&self, now: Time) -> Option<Overlay> {
        let lasts = |until: &Option<(Time, String)>| until.as_ref().is_some_and(|(until, _)| now < *until);
        if lasts(&self.operator.out_of_service) {
            Some(Overlay::OutOfService)
        } else if lasts(&self.operator.shelved) {
            Some(Overlay::Shelved)
        } else if self.machine.part_of.is_some() {
            // Told once, by the finding that stands for it and its like.
            Some(Overlay::SuppressedByDesign)
        } else {
            None
        }
    }

    /// Whether the last occurrence is acknowledged.
    pub fn acknowledged(&self) -> bool {
        self.operator.acknowledged_occurrence >= self.machine.occurrence
    }

    /// Alarm state at `now`, which ends an overlay whose time is over. A closed finding asks nothing of anyone: its
    /// memories count as acknowledged.
    pub fn alarm_state(&self, now: Time) -> AlarmState {
        if !self.open() {
            return AlarmState::Normal;
        }
        AlarmState::of(self.machine.active, self.acknowledged(), self.overlay(now))
    }

    /// Work state at `now`, which ends a wait whose date has come.
    pub fn work_state(&self, now: Time) -> WorkState {
        if !self.open() {
            WorkState::Closed
        } else if self.operator.waiting_until.is_some_and(|until| now < until) {
            WorkState::Waiting
        } else if self.operator.taken_by.is_some() {
            WorkState::Taken
        } else {
            WorkState::New
        }
    }

    /// How it ended, when it did.
    pub fn outcome(&self) -> Option<Outcome> {
        self.closed().map(|(_, outcome)| outcome)
    }
}
