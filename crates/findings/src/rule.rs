//! What a person or token may decide about a finding in which state.
//!
//! Owns the rule alone: a pure function from a finding and an act to what the act does. Who may act at all is the
//! desk's matter; that two acts do not both win is the store's.

mod join;

use notchwatch_model::{AccountName, Act, Finding, OperatorPart, Outcome, Priority, Span, Time};

pub use join::REOPEN_WITHIN;
pub(crate) use join::split_id;

/// Longest wait. A quarter of a year: the usual interval between inspections (common practice).
pub const MAX_WAIT: Span = Span::from_days(92);
/// Longest shelf. Shelving is always limited in time (IEC 62682); the figure is common practice.
pub const MAX_SHELF: Span = Span::from_days(7);
/// Longest shelf of a critical finding: one shift (common practice).
pub const MAX_SHELF_CRITICAL: Span = Span::from_hours(12);
/// Longest time out of service: a heavy repair (common practice). IEC 62682 ends it when the work is tested; an end by
/// itself keeps a finding from being forgotten there.
pub const MAX_OUT_OF_SERVICE: Span = Span::from_days(31);
/// Longest note, in characters.
pub const MAX_NOTE_CHARS: usize = 4000;
/// Longest reason of an act, in characters.
pub const MAX_REASON_CHARS: usize = 400;

/// What an act does to a finding.
#[expect(clippy::large_enum_variant, reason = "there is one at a time, and it does not last")]
#[derive(Debug, Clone, PartialEq)]
pub enum Ruling {
    /// It applies: the operator half becomes this.
    Apply(OperatorPart),
    /// It applies to two findings: this one's operator half and the other's become these.
    Both(Box<(OperatorPart, OperatorPart)>),
    /// The same person did the same before: nothing changes, and that is fine.
    Repeat,
    /// It was taken on another version than the present one.
    Stale,
    /// It makes no sense for the finding as it stands; says why.
    Refuse(String),
}

/// Judges an act by `by` at `at` on a finding of which the decider saw version `seen`. `other` is the finding that the
/// act names beside it, when there is such a one.
///
/// A repeat is told apart before a stale version: a person whose first answer got lost asks again with the old
/// version, and is right. Notes are never stale, and a closed finding still takes them.
pub fn rule(
    finding: &Finding,
    other: Option<&Finding>,
    act: &Act,
    seen: u32,
    by: &AccountName,
    at: Time,
) -> Ruling {
    if let Act::Note { text } = act {
        return checked(text, "note", MAX_NOTE_CHARS, || finding.operator.clone());
    }
    if repeats(finding, act, by) {
        return Ruling::Repeat;
    }
    if seen != finding.version {
        return Ruling::Stale;
    }
    if let Act::Reopen { reason } = act {
        return join::reopen(finding, reason, by, at);
    }
    if !finding.open() {
        return refuse(closed_text(finding));
    }
    match act {
        Act::Acknowledge => acknowledge(finding, by, at),
        Act::Take => given_to(finding, Some(by)),
        Act::GiveBack => give_back(finding),
        Act::Hand { to } if finding.operator.taken_by.as_ref() == Some(to) => {
            refuse(format!("{to} has the finding already"))
        }
        Act::Hand { to } => given_to(finding, Some(to)),
        Act::Wait { until, reason } => wait(finding, *until, reason, by, at),
        Act::Shelve { until, reason } => shelve(finding, *until, reason, at),
        Act::Unshelve => unshelve(finding, at),
        Act::OutOfService { until, reason } => out_of_service(finding, *until, reason, at),
        Act::BackInService => back_in_service(finding, at),
        Act::Merge { into } => join::merge(finding, other, into, by, at),
        Act::Split { symptoms } => join::split(finding, symptoms),
        Act::Close { outcome, note } => close(finding, *outcome, note.as_deref(), by, at),
        Act::Note { .. } | Act::Reopen { .. } => refuse("the act is judged before".to_owned()),
    }
}

/// Checks a text that a person wrote: not empty, not longer than `max` characters, no control character but line
/// feed and tab, no invisible direction mark that would let a line read otherwise than it is stored. Returns what
/// is wrong, as a lowercase fragment.
pub fn clean_text(text: &str, what: &str, max: usize) -> Result<(), String> {
    if text.trim().is_empty() {
        return Err(format!("{what} is empty"));
    }
    let length = text.chars().count();
    if length > max {
        return Err(format!("{what} has {length} characters, {max} are allowed"));
    }
    match text.chars().find(|c| hidden(*c)) {
        Some(c) => Err(format!("{what} holds the character U+{:04X}, which does not show", u32::from(c))),
        None => Ok(()),
    }
}

fn hidden(c: char) -> bool {
    (c.is_control() && c != '\n' && c != '\t')
        || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}')
}

fn refuse(text: String) -> Ruling {
    Ruling::Refuse(text)
}

fn checked(text: &str, what: &str, max: usize, then: impl FnOnce() -> OperatorPart) -> Ruling {
    match clean_text(text, what, max) {
        Ok(()) => Ruling::Apply(then()),
        Err(wrong) => refuse(wrong),
    }
}

fn repeats(finding: &Finding, act: &Act, by: &AccountName) -> bool {
    let operator = &finding.operator;
    match act {
        Act::Acknowledge => {
            finding.open()
                && finding.acknowledged()
                && operator.acknowledged.as_ref().is_some_and(|(who, _)| who == by)
        }
        Act::Take => {
            finding.open() && operator.waiting_until.is_none() && operator.taken_by.as_ref() == Some(by)
        }
        Act::Close { outcome, .. } => {
            operator.closed.as_ref().is_some_and(|(who, _, how)| who == by && how == outcome)
        }
        Act::Merge { into } => {
            operator.merged_into.as_ref() == Some(into)
                && operator.closed.as_ref().is_some_and(|(who, _, _)| who == by)
        }
        _ => false,
    }
}

fn closed_text(finding: &Finding) -> String {
    match (&finding.operator.closed, finding.ended()) {
        (Some((who, at, Outcome::Merged)), _) => {
            let into = finding.operator.merged_into.as_ref().map_or("another", |id| id.as_str());
            format!("the finding was merged into {into} by {who} at {at}")
        }
        (Some((who, at, outcome)), _) => format!("the finding was closed by {who} at {at} as {outcome}"),
        (None, Some((at, outcome))) => format!("the finding ended at {at} as {outcome}"),
        (None, None) => "the finding is closed".to_owned(),
    }
}

fn acknowledge(finding: &Finding, by: &AccountName, at: Time) -> Ruling {
    if finding.acknowledged() {
        let who = finding.operator.acknowledged.as_ref().map_or("somebody", |(who, _)| who.as_str());
        return refuse(format!("the present occurrence was acknowledged by {who} already"));
    }
    Ruling::Apply(OperatorPart {
        acknowledged_occurrence: finding.machine.occurrence,
        acknowledged: Some((by.clone(), at)),
        ..finding.operator.clone()
    })
}

/// Who works on it from now on: a wait is over with that.
fn given_to(finding: &Finding, whom: Option<&AccountName>) -> Ruling {
    Ruling::Apply(OperatorPart {
        taken_by: whom.cloned(),
        waiting_until: None,
        waiting_for: None,
        ..finding.operator.clone()
    })
}

fn give_back(finding: &Finding) -> Ruling {
    match finding.operator.taken_by {
        Some(_) => given_to(finding, None),
        None => refuse("nobody has taken the finding".to_owned()),
    }
}

/// Checks that `until` lies after `at` and no more than `most` after it.
fn term(until: Time, at: Time, most: Span, what: &str) -> Result<(), String> {
    if until <= at {
        return Err(format!("{what} ends at {until}, which is not in the future"));
    }
    if until - at > most {
        let hours = most.micros() / Span::from_hours(1).micros();
        return Err(format!("{what} ends at {until}, more than the {hours} h allowed from now"));
    }
    Ok(())
}

fn wait(finding: &Finding, until: Time, reason: &str, by: &AccountName, at: Time) -> Ruling {
    if let Err(wrong) = term(until, at, MAX_WAIT, "the wait") {
        return refuse(wrong);
    }
    let taken_by = finding.operator.taken_by.clone().or_else(|| Some(by.clone()));
    checked(reason, "the reason of the wait", MAX_REASON_CHARS, || OperatorPart {
        taken_by,
        waiting_until: Some(until),
        waiting_for: Some(reason.to_owned()),
        ..finding.operator.clone()
    })
}

fn shelve(finding: &Finding, until: Time, reason: &str, at: Time) -> Ruling {
    let most = if finding.machine.priority == Priority::Critical { MAX_SHELF_CRITICAL } else { MAX_SHELF };
    if let Err(wrong) = term(until, at, most, "the shelf") {
        return refuse(wrong);
    }
    checked(reason, "the reason of the shelf", MAX_REASON_CHARS, || OperatorPart {
        shelved: Some((until, reason.to_owned())),
        ..finding.operator.clone()
    })
}

fn unshelve(finding: &Finding, at: Time) -> Ruling {
    if finding.operator.shelved.as_ref().is_none_or(|(until, _)| *until <= at) {
        return refuse("the finding is not shelved".to_owned());
    }
    Ruling::Apply(OperatorPart { shelved: None, ..finding.operator.clone() })
}

fn out_of_service(finding: &Finding, until: Time, reason: &str, at: Time) -> Ruling {
    if let Err(wrong) = term(until, at, MAX_OUT_OF_SERVICE, "the time out of service") {
        return refuse(wrong);
    }
    checked(reason, "the reason", MAX_REASON_CHARS, || OperatorPart {
        out_of_service: Some((until, reason.to_owned())),
        ..finding.operator.clone()
    })
}

fn back_in_service(finding: &Finding, at: Time) -> Ruling {
    if finding.operator.out_of_service.as_ref().is_none_or(|(until, _)| *until <= at) {
        return refuse("the finding is not out of service".to_owned());
    }
    Ruling::Apply(OperatorPart { out_of_service: None, ..finding.operator.clone() })
}

fn close(finding: &Finding, outcome: Outcome, note: Option<&str>, by: &AccountName, at: Time) -> Ruling {
    if !outcome.chosen() {
        return refuse(format!("the outcome {outcome} is not one that a person gives by closing"));
    }
    if let Some(Err(wrong)) = note.map(|text| clean_text(text, "note", MAX_NOTE_CHARS)) {
        return refuse(wrong);
    }
    Ruling::Apply(closed(finding, outcome, by, at))
}

/// The operator half of a finding that is closed: nothing is waited for, nothing lies over it.
fn closed(finding: &Finding, outcome: Outcome, by: &AccountName, at: Time) -> OperatorPart {
    OperatorPart {
        waiting_until: None,
        waiting_for: None,
        shelved: None,
        out_of_service: None,
        closed: Some((by.clone(), at, outcome)),
        ..finding.operator.clone()
    }
}

#[cfg(test)]
mod tests;
