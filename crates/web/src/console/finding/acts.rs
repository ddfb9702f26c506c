//! What may be done with a finding on its page, and which other findings it is linked to.
//!
//! Owns which form is shown in which state. What an act does is the rules' matter; a form that is shown may still be
//! refused, since the finding may have changed.

use notchwatch_desk::DeskError;
use notchwatch_model::{AlarmState, Class, Finding, FindingId, FindingKind, Outcome, Time};
use notchwatch_store::FindingQuery;

use super::super::format::{Stamp, stamp};
use super::super::page::Visitor;
use super::label;
use crate::app::App;

/// Other findings of the unit offered for a merge.
const OFFERED: usize = 50;

/// What may be done, in this state, by this person.
#[derive(Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each says whether one form is shown")]
pub(super) struct Acts {
    pub(super) any: bool,
    pub(super) acknowledge: bool,
    pub(super) open: bool,
    pub(super) taken: bool,
    pub(super) shelved: bool,
    pub(super) out: bool,
    pub(super) critical: bool,
    pub(super) reopen: bool,
    /// To whom it can be handed.
    pub(super) colleagues: Vec<String>,
    /// Into which it can be merged: id and title.
    pub(super) others: Vec<(String, String)>,
    /// Which symptoms can be split off: channel and kind as the form sends them, and words.
    pub(super) symptoms: Vec<(String, String)>,
}

/// A finding that this one is linked to.
#[derive(Debug)]
pub(super) struct Link {
    pub(super) how: &'static str,
    pub(super) id: String,
    /// Empty when it is not there yet.
    pub(super) title: String,
    pub(super) detail: String,
}

/// The forms that are shown.
pub(super) async fn acts(
    app: &App,
    visitor: &Visitor,
    finding: &Finding,
    class: Option<&Class>,
    now: Time,
) -> Result<Acts, DeskError> {
    if !visitor.who.role.decides() {
        return Ok(Acts::default());
    }
    let (machine, operator) = (&finding.machine, &finding.operator);
    let sampled = !machine.from_receipt();
    let state = finding.alarm_state(now);
    let mut acts = Acts {
        any: true,
        acknowledge: finding.open() && !finding.acknowledged(),
        open: finding.open(),
        taken: operator.taken_by.is_some(),
        shelved: state == AlarmState::Shelved,
        out: state == AlarmState::OutOfService,
        critical: machine.priority == notchwatch_model::Priority::Critical,
        reopen: sampled
            && finding.outcome().is_some_and(|o| !matches!(o, Outcome::Merged | Outcome::Withdrawn)),
        ..Acts::default()
    };
    if !finding.open() {
        return Ok(acts);
    }
    let colleagues = app.desk.colleagues(&visitor.who, &machine.unit.railway).await?;
    let others = colleagues.into_iter().filter(|name| operator.taken_by.as_ref() != Some(name));
    acts.colleagues = others.map(|name| name.to_string()).collect();
    if sampled {
        acts.others = mergeable(app, visitor, finding).await?;
        if machine.symptoms.len() > 1 {
            acts.symptoms = machine
                .symptoms
                .iter()
                .map(|s| {
                    let words = format!("{}: {}", label(s, class), s.kind.word());
                    (format!("{} {}", s.channel, s.kind.word()), words)
                })
                .collect();
        }
    }
    Ok(acts)
}

async fn mergeable(
    app: &App,
    visitor: &Visitor,
    finding: &Finding,
) -> Result<Vec<(String, String)>, DeskError> {
    let machine = &finding.machine;
    let query = FindingQuery {
        railway: Some(machine.unit.railway.clone()),
        unit: Some(machine.unit.clone()),
        open: Some(true),
        limit: OFFERED,
        ..FindingQuery::default()
    };
    let data = |kind: FindingKind| kind == FindingKind::Data;
    let page = app.desk.findings(&visitor.who, query).await?;
    let fits = |other: &&Finding| {
        other.machine.id != machine.id
            && !other.machine.from_receipt()
            && data(other.machine.kind) == data(machine.kind)
    };
    let named = |f: &Finding| (f.machine.id.to_string(), f.machine.title.clone());
    Ok(page.items.iter().filter(fits).map(named).collect())
}

/// The findings that it is linked to, the most telling first.
pub(super) async fn links(
    app: &App,
    visitor: &Visitor,
    finding: &Finding,
    zone: &jiff::tz::TimeZone,
    now: Time,
) -> Result<Vec<Link>, DeskError> {
    let (machine, operator) = (&finding.machine, &finding.operator);
    let mut wanted: Vec<(&'static str, &FindingId, String)> = Vec::new();
    if let Some(into) = &operator.merged_into {
        wanted.push(("Merged into", into, String::new()));
    }
    if let Some(again) = &machine.again {
        let Stamp { age, utc, .. } = stamp(again.ended, zone, now);
        wanted.push(("There before", &again.finding, format!("ended {age} as {}, {utc}", again.outcome)));
    }
    wanted.extend(machine.part_of.iter().map(|id| ("One cause with others", id, String::new())));
    wanted.extend(machine.split_from.iter().map(|id| ("Split off from", id, String::new())));
    wanted.extend(operator.merged.iter().map(|id| ("Merged in", id, String::new())));
    wanted.extend(operator.split_off.iter().map(|id| ("Split off", id, String::new())));
    let mut links = Vec::with_capacity(wanted.len());
    for (how, id, detail) in wanted {
        let title = match app.desk.finding(&visitor.who, id).await {
            Ok(other) => other.machine.title,
            Err(DeskError::NotFound) => String::new(),
            Err(error) => return Err(error),
        };
        links.push(Link { how, id: id.to_string(), title, detail });
    }
    Ok(links)
}
