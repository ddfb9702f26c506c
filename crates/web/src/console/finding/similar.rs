//! Findings of the past that are like this one, and how they ended.
//!
//! Owns what counts as alike: units of the class, the same system and kind, and the same first fault or first channel.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use notchwatch_desk::DeskError;
use notchwatch_model::{Act, Decision, Finding, Outcome, Time};
use notchwatch_store::FindingQuery;

use super::super::format::{Stamp, stamp};
use super::super::page::Visitor;
use crate::app::App;

/// Closed findings looked through.
const SEARCHED: usize = 200;
/// Similar ones shown.
const SHOWN: usize = 5;

/// One of them.
#[derive(Debug)]
pub(super) struct Similar {
    pub(super) id: String,
    pub(super) unit: String,
    pub(super) title: String,
    pub(super) outcome: &'static str,
    /// What was said when it was closed.
    pub(super) note: String,
    pub(super) opened: Stamp,
}

/// How the similar ones ended in numbers, and the newest of them.
pub(super) async fn similar(
    app: &App,
    visitor: &Visitor,
    finding: &Finding,
    zone: &TimeZone,
    now: Time,
) -> Result<(String, Vec<Similar>), DeskError> {
    let machine = &finding.machine;
    let query = FindingQuery {
        class: Some(machine.class.clone()),
        system: Some(machine.system),
        kind: Some(machine.kind),
        open: Some(false),
        limit: SEARCHED,
        ..FindingQuery::default()
    };
    let page = app.desk.findings(&visitor.who, query).await?;
    let mut alike: Vec<&Finding> = page.items.iter().filter(|f| like(f, finding)).collect();
    alike.sort_by_key(|f| std::cmp::Reverse(f.machine.opened));
    let mut shown = Vec::with_capacity(SHOWN);
    for other in alike.iter().take(SHOWN) {
        let decisions = app.desk.decisions_on(&visitor.who, &other.machine.id).await?;
        shown.push(Similar {
            id: other.machine.id.to_string(),
            unit: other.machine.unit.unit.to_string(),
            title: other.machine.title.clone(),
            outcome: other.outcome().map_or("no outcome", Outcome::word),
            note: closing_note(&decisions),
            opened: stamp(other.machine.opened, zone, now),
        });
    }
    Ok((ends(&alike), shown))
}

fn like(other: &Finding, finding: &Finding) -> bool {
    let first = |f: &Finding| f.machine.faults.first().map(|r| r.id.clone());
    let channel = |f: &Finding| f.machine.symptoms.first().map(|s| s.channel.clone());
    let fault = first(finding);
    other.machine.id != finding.machine.id
        && ((fault.is_some() && first(other) == fault) || channel(other) == channel(finding))
}

/// Such as `8 ended: 5 no-fault-found, 3 cleared`, the most frequent end first.
fn ends(alike: &[&Finding]) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for other in alike {
        *counts.entry(other.outcome().map_or("no outcome", Outcome::word)).or_default() += 1;
    }
    let mut counts: Vec<(&str, usize)> = counts.into_iter().collect();
    counts.sort_by_key(|(_, number)| std::cmp::Reverse(*number));
    let each: Vec<String> = counts.iter().map(|(outcome, number)| format!("{number} {outcome}")).collect();
    if each.is_empty() { String::new() } else { format!("{} ended: {}", alike.len(), each.join(", ")) }
}

/// What the last one to close it said.
fn closing_note(decisions: &[Decision]) -> String {
    let note = |decision: &Decision| match &decision.act {
        Act::Close { note, .. } if decision.effective => note.clone(),
        _ => None,
    };
    decisions.iter().rev().find_map(note).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn ends_are_counted_and_another_fault_on_another_channel_is_not_alike() {
        let finding = sample::finding("northmoor", "4021", 1);
        let mut closed = sample::finding("northmoor", "4022", 2);
        closed.machine.ended = Some((sample::noon(), Outcome::ReturnedToNormal));
        let mut other = closed.clone();
        other.machine.faults.clear();
        other.machine.symptoms.clear();
        assert!(like(&closed, &finding) && !like(&finding, &finding) && !like(&other, &finding));
        assert_eq!(ends(&[&closed, &closed]), format!("2 ended: 2 {}", Outcome::ReturnedToNormal.word()));
        assert_eq!(ends(&[]), "");
    }
}
