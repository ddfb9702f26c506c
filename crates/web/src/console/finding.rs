//! One finding: is it true, what is it, what do I do?
//!
//! Owns what stands on the page and in which order. The picture's figures come from their own route.

mod acts;
mod history;
mod similar;
mod why;

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::tz::TimeZone;
use notchwatch_model::{
    Class, Finding, FindingId, Outcome, Overlay, RankedFault, Symptom, SymptomKind, Time, Unit,
};

use acts::{Acts, Link};

use super::format::{self, Stamp, difference, figure, percent, quantity, stamp};
use super::gauge::resolution;
use super::page::{Frame, Visitor, answer};
use super::queue::{REACHED, alarm_words, left, work_words};
use super::trouble::Trouble;
use crate::app::App;
use similar::{Similar, similar};
use why::{Why, why};

/// A channel to draw.
#[derive(Debug)]
struct Tab {
    channel: String,
    label: String,
}

#[derive(Debug)]
struct SymptomRow {
    channel: String,
    label: String,
    kind: &'static str,
    size: String,
    spreads: String,
    numbers: String,
    states: String,
    onset: Stamp,
    detected: Stamp,
    probability: String,
    model: String,
    lasting: bool,
}

#[derive(Debug)]
struct Weight {
    evidence: String,
    weight: String,
}

#[derive(Debug)]
struct FaultCard {
    id: String,
    name: String,
    probability: String,
    share: String,
    supports: Vec<Weight>,
    against: Vec<Weight>,
    decides: Vec<String>,
    checks: Vec<String>,
    urgency: &'static str,
    cautions: Vec<String>,
    /// Absent for an explanation that is no fault of the library.
    why: Option<Why>,
}

#[derive(Debug, Template)]
#[template(path = "finding.html")]
struct Page {
    frame: Frame,
    /// What became of an act, when it did not take effect.
    notice: String,
    id: String,
    version: u32,
    priority: &'static str,
    title: String,
    unit: String,
    railway_id: String,
    railway: String,
    class: String,
    engine: String,
    system: &'static str,
    kind: &'static str,
    alarm: &'static str,
    asks: bool,
    work: String,
    acknowledged: String,
    /// Shelved or out of service: until when, and why.
    hidden: String,
    onset: Stamp,
    opened: Stamp,
    recorded: Stamp,
    changed: Stamp,
    late: bool,
    unstable: bool,
    occurrence: u32,
    left: String,
    left_range: String,
    limit: String,
    assumes: String,
    settings_version: u32,
    tabs: Vec<Tab>,
    symptoms: Vec<SymptomRow>,
    faults: Vec<FaultCard>,
    history: Vec<history::Line>,
    /// How many similar ones ended how.
    similar_ends: String,
    similar: Vec<Similar>,
    links: Vec<Link>,
    /// Units that the finding is about, where it is about several.
    members: Vec<String>,
    acts: Acts,
    outcomes: Vec<&'static str>,
}

/// `GET /findings/{id}`
pub(crate) async fn finding(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
) -> Result<Response, Trouble> {
    let Ok(id) = FindingId::new(&id) else {
        return Ok(Trouble::of(&app, &notchwatch_desk::DeskError::NotFound).into_response());
    };
    let frame = Frame::of(&app, &visitor, "queue").await?;
    let finding = app.desk.finding(&visitor.who, &id).await.map_err(|e| Trouble::of(&app, &e))?;
    show(&app, &visitor, frame, &finding, StatusCode::OK, String::new()).await
}

/// The page of a finding, with a notice on it when an act did not take effect.
pub(crate) async fn show(
    app: &App,
    visitor: &Visitor,
    frame: Frame,
    finding: &Finding,
    status: StatusCode,
    notice: String,
) -> Result<Response, Trouble> {
    let trouble = |e: notchwatch_desk::DeskError| Trouble::of(app, &e);
    let machine = &finding.machine;
    let history = app.desk.history(&visitor.who, &machine.id).await.map_err(trouble)?;
    let register = app.desk.register(&visitor.who).await.map_err(trouble)?;
    let unit = register.unit(&machine.unit);
    let railway = register.railway(&machine.unit.railway);
    let zone = zone_of(unit, railway.map(|r| r.zone.as_str()));
    let class = register.class(&machine.class);
    let now = app.desk.now();
    let (similar_ends, similar) = similar(app, visitor, finding, &zone, now).await.map_err(trouble)?;
    let (left, left_range) = match left(finding, now) {
        (left, _) if left == REACHED => (left, String::new()),
        (left, range) if !left.is_empty() => (left, format!("{range} (1 in 10 to 9 in 10)")),
        unknown => unknown,
    };
    let at = |time| stamp(time, &zone, now);
    let alarm_state = finding.alarm_state(now);
    let page = Page {
        frame: Frame { finding: machine.id.to_string(), ..frame },
        notice,
        id: machine.id.to_string(),
        version: finding.version,
        priority: machine.priority.word(),
        title: machine.title.clone(),
        unit: machine.unit.unit.to_string(),
        railway_id: unit.map(|u| u.railway.to_string()).unwrap_or_default(),
        railway: railway.map_or_else(|| machine.unit.railway.to_string(), |r| r.name.clone()),
        class: class.map_or_else(|| machine.class.to_string(), |c| c.name.clone()),
        engine: machine.engine.as_ref().map_or_else(|| "not registered".to_owned(), ToString::to_string),
        system: machine.system.word(),
        kind: machine.kind.word(),
        alarm: alarm_words(alarm_state),
        asks: finding.open() && !finding.acknowledged(),
        work: work_words(finding, now),
        acknowledged: acknowledged(finding, now),
        hidden: hidden(finding, now),
        onset: at(machine.onset),
        opened: at(machine.opened),
        recorded: at(finding.recorded),
        changed: at(machine.changed),
        late: finding.late,
        unstable: machine.unstable,
        occurrence: machine.occurrence,
        left,
        left_range,
        limit: limit_words(finding),
        assumes: machine.time_to_limit.as_ref().map(|t| t.assumes.clone()).unwrap_or_default(),
        settings_version: machine.settings_version,
        tabs: tabs(&machine.symptoms, class),
        symptoms: machine
            .symptoms
            .iter()
            .map(|s| symptom(s, class, machine.lasting.contains(&s.id()), &zone, now))
            .collect(),
        faults: machine.faults.iter().map(|f| fault(app, f)).collect(),
        history: history::lines(&history, &zone, now),
        similar_ends,
        similar,
        members: machine.members.iter().map(|key| key.unit.to_string()).collect(),
        links: acts::links(app, visitor, finding, &zone, now).await.map_err(trouble)?,
        acts: acts::acts(app, visitor, finding, class, now).await.map_err(trouble)?,
        outcomes: Outcome::ALL.iter().filter(|o| o.chosen()).map(|o| o.word()).collect(),
    };
    Ok(answer(status, &page))
}

/// Zone of a unit, or of its railway.
pub(crate) fn zone_of(unit: Option<&Unit>, railway: Option<&str>) -> TimeZone {
    format::zone(unit.and_then(|u| u.zone.as_deref()).or(railway).unwrap_or("UTC"))
}

fn acknowledged(finding: &Finding, now: Time) -> String {
    match &finding.operator.acknowledged {
        Some((name, at)) if finding.acknowledged() => format!("by {name}, {} ago", format::span(now - *at)),
        Some((name, _)) => format!("an earlier occurrence, by {name}"),
        None => String::new(),
    }
}

fn hidden(finding: &Finding, now: Time) -> String {
    let operator = &finding.operator;
    let laid = match finding.overlay(now) {
        Some(Overlay::Shelved) => operator.shelved.as_ref(),
        Some(Overlay::OutOfService) => operator.out_of_service.as_ref(),
        _ => None,
    };
    laid.map(|(until, why)| format!("{} more: {why}", format::span(*until - now))).unwrap_or_default()
}

fn limit_words(finding: &Finding) -> String {
    finding
        .machine
        .time_to_limit
        .as_ref()
        .map(|t| format!("{}: {}", t.limit, quantity(t.at, t.uom, 0.0)))
        .unwrap_or_default()
}

fn tabs(symptoms: &[Symptom], class: Option<&Class>) -> Vec<Tab> {
    let mut seen = BTreeSet::new();
    symptoms
        .iter()
        .filter(|s| s.kind != SymptomKind::OilSample && seen.insert(&s.channel))
        .map(|s| Tab { channel: s.channel.to_string(), label: label(s, class) })
        .collect()
}

fn label(symptom: &Symptom, class: Option<&Class>) -> String {
    class.and_then(|c| c.channels.iter().find(|d| d.name == symptom.channel)).map_or_else(
        || symptom.channel.as_str().replace("oil-sample.", "Oil sample, "),
        |d| d.label().to_owned(),
    )
}

fn symptom(
    symptom: &Symptom,
    class: Option<&Class>,
    lasting: bool,
    zone: &TimeZone,
    now: Time,
) -> SymptomRow {
    let sized = symptom.size != 0.0;
    let step = resolution(symptom, class);
    let numbers: Vec<String> = ["expected", "measured", "limit"]
        .iter()
        .filter_map(|name| {
            Some(format!("{name} {}", quantity(*symptom.numbers.get(*name)?, symptom.uom, step)))
        })
        .collect();
    SymptomRow {
        channel: symptom.channel.to_string(),
        label: label(symptom, class),
        kind: symptom.kind.word(),
        size: if sized { difference(symptom.size, symptom.uom, step) } else { String::new() },
        spreads: if symptom.spreads == 0.0 { String::new() } else { figure(symptom.spreads) },
        numbers: numbers.join(", "),
        states: symptom.states.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
        onset: stamp(symptom.onset, zone, now),
        detected: stamp(symptom.detected, zone, now),
        probability: percent(symptom.probability),
        model: symptom.model.clone(),
        lasting,
    }
}

fn fault(app: &App, ranked: &RankedFault) -> FaultCard {
    // A finding from before rationales were kept with it shows the library's.
    let known = || app.desk.library().fault(&ranked.id).map(|fault| &fault.rationale);
    let rationale = ranked.rationale.as_ref().or_else(known);
    let weights = |list: &[notchwatch_model::EvidenceWeight]| {
        list.iter()
            .map(|e| Weight { evidence: e.evidence.clone(), weight: figure_of_weight(e.weight) })
            .collect::<Vec<_>>()
    };
    FaultCard {
        id: ranked.id.to_string(),
        name: ranked.name.clone(),
        probability: percent(ranked.probability),
        share: format!("{:.1}", ranked.probability.clamp(0.0, 1.0) * 100.0),
        supports: weights(&ranked.supports),
        against: weights(&ranked.against),
        decides: ranked.decides.clone(),
        checks: ranked.checks.clone(),
        urgency: ranked.urgency.word(),
        cautions: ranked.cautions.clone(),
        why: rationale.map(|r| why(r, ranked.urgency)),
    }
}

/// A weight to two decimals, signed.
fn figure_of_weight(weight: f64) -> String {
    format!("{weight:+.2}").replace('-', "\u{2212}")
}
