//! The fleet: where are we weak?
//!
//! Owns filters, order and pages of the list. A page holds a bounded number of units, whatever the fleet's size.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use notchwatch_desk::{FleetOrder, FleetUnit};
use notchwatch_model::{CommsState, Priority, Register, Time};
use serde::Deserialize;

use super::filters::{Choice, choices};
use super::finding::zone_of;
use super::format::{Stamp, count, percent, stamp};
use super::page::{Frame, Visitor, answer, escaped};
use super::trouble::Trouble;
use crate::app::App;

/// Units a page.
const PAGE: usize = 100;
/// Below this grade a unit counts as weak: a finding of high priority lies under it. In thousandths.
const WEAK: u16 = 500;
/// Orders of the list.
const ORDERS: &[(&str, &str)] = &[
    ("health", "weakest first"),
    ("findings", "most urgent findings first"),
    ("heard", "longest not heard first"),
    ("unit", "railway and number"),
];

/// What the form sends; an empty word is none.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Params {
    railway: String,
    class: String,
    link: String,
    sort: String,
    page: String,
}

#[derive(Debug)]
struct Row {
    unit: String,
    railway_id: String,
    railway: String,
    class: String,
    grade: String,
    share: String,
    at_most: bool,
    why: String,
    confidence: String,
    open: Vec<(&'static str, u64)>,
    link: &'static str,
    asks: bool,
    heard: Option<Stamp>,
}

/// Units of one class in numbers.
#[derive(Debug, Default)]
struct ClassRow {
    class: String,
    units: String,
    weak: String,
    unknown: String,
    silent: String,
    critical: u64,
    high: u64,
}

#[derive(Debug, Template)]
#[template(path = "fleet.html")]
struct Page {
    frame: Frame,
    railways: Vec<Choice>,
    classes: Vec<Choice>,
    links: Vec<Choice>,
    orders: Vec<Choice>,
    filtered: bool,
    summary: Vec<ClassRow>,
    rows: Vec<Row>,
    shown: String,
    before: Option<String>,
    after: Option<String>,
}

/// `GET /fleet`
pub(crate) async fn fleet(
    State(app): State<App>,
    visitor: Visitor,
    Query(params): Query<Params>,
) -> Result<Response, Trouble> {
    let frame = Frame::of(&app, &visitor, "fleet").await?;
    let (register, units) = app.desk.fleet(&visitor.who).await.map_err(|e| Trouble::of(&app, &e))?;
    Ok(answer(StatusCode::OK, &page(frame, &register, units, &params, app.desk.now())))
}

fn page(frame: Frame, register: &Register, units: Vec<Arc<FleetUnit>>, params: &Params, now: Time) -> Page {
    let fits = |asked: &str, is: &str| asked.is_empty() || asked == is;
    let mut units: Vec<Arc<FleetUnit>> = units
        .into_iter()
        .filter(|u| fits(&params.railway, u.unit.railway.as_str()))
        .filter(|u| fits(&params.class, u.unit.class.as_str()))
        .filter(|u| fits(&params.link, u.comms.word()))
        .collect();
    let summary = summary(register, &units);
    let sort = FleetOrder::from_word(&params.sort).unwrap_or(FleetOrder::Health);
    sort.sort(&mut units);
    let pages = units.len().div_ceil(PAGE).max(1);
    let at = params.page.parse::<usize>().unwrap_or(1).clamp(1, pages);
    let link = |to: usize| {
        let keep = [
            ("railway", &params.railway),
            ("class", &params.class),
            ("link", &params.link),
            ("sort", &params.sort),
        ];
        let keep: Vec<String> =
            keep.iter().filter(|(_, v)| !v.is_empty()).map(|(k, v)| format!("{k}={}&", escaped(v))).collect();
        format!("/fleet?{}page={to}", keep.concat())
    };
    let first = (at - 1) * PAGE;
    let mut rows: Vec<Row> = units.iter().skip(first).take(PAGE).map(|u| row(u, register, now)).collect();
    for row in rows.iter_mut().filter(|row| frame.backlog.is_some() && row.grade.is_empty()) {
        "not graded yet: what has come in is still being judged".clone_into(&mut row.why);
    }
    let number = |n: usize| count(u64::try_from(n).unwrap_or(u64::MAX));
    let shown = match rows.len() {
        0 => "no unit".to_owned(),
        here => format!("{} to {} of {} units", number(first + 1), number(first + here), number(units.len())),
    };
    let links = CommsState::ALL.iter().map(|s| (s.word(), s.word()));
    let order = |(value, label): &(&str, &str)| Choice {
        value: (*value).to_owned(),
        label: (*label).to_owned(),
        chosen: *value == sort.word(),
    };
    Page {
        frame,
        railways: choices(
            register.railways.iter().map(|r| (r.id.as_str(), r.name.as_str())),
            &params.railway,
        ),
        classes: choices(register.classes.iter().map(|c| (c.id.as_str(), c.name.as_str())), &params.class),
        links: choices(links, &params.link),
        orders: ORDERS.iter().map(order).collect(),
        filtered: [&params.railway, &params.class, &params.link].iter().any(|f| !f.is_empty()),
        summary,
        rows,
        shown,
        before: (at > 1).then(|| link(at - 1)),
        after: (at < pages).then(|| link(at + 1)),
    }
}

fn row(fleet: &FleetUnit, register: &Register, now: Time) -> Row {
    let unit = &fleet.unit;
    let railway = register.railway(&unit.railway);
    let zone = zone_of(Some(unit), railway.map(|r| r.zone.as_str()));
    let mark = fleet.health.as_ref().and_then(|h| h.parts.get("unit"));
    let part = |thousandths: u16| f64::from(thousandths) / 1000.0;
    Row {
        unit: unit.id.to_string(),
        railway_id: unit.railway.to_string(),
        railway: railway.map_or_else(|| unit.railway.to_string(), |r| r.name.clone()),
        class: register.class(&unit.class).map_or_else(|| unit.class.to_string(), |c| c.name.clone()),
        grade: fleet.grade().map(|g| format!("{:.2}", part(g))).unwrap_or_default(),
        share: format!("{:.1}", fleet.grade().map_or(0.0, part) * 100.0),
        at_most: mark.is_some_and(|m| m.at_most),
        why: mark.map_or_else(|| "not graded yet".to_owned(), |m| m.why.clone()),
        confidence: mark.map(|m| percent(part(m.confidence))).unwrap_or_default(),
        open: Priority::ALL
            .iter()
            .zip(fleet.open)
            .filter(|(_, number)| *number > 0)
            .map(|(priority, number)| (priority.word(), number))
            .collect(),
        link: fleet.comms.word(),
        asks: matches!(fleet.comms, CommsState::Silent | CommsState::ClockWrong),
        heard: fleet.received.map(|at| stamp(at, &zone, now)),
    }
}

fn summary(register: &Register, units: &[Arc<FleetUnit>]) -> Vec<ClassRow> {
    let row = |class: &notchwatch_model::Class| {
        let own: Vec<&Arc<FleetUnit>> = units.iter().filter(|u| u.unit.class == class.id).collect();
        let number = |of: &dyn Fn(&FleetUnit) -> bool| {
            count(u64::try_from(own.iter().filter(|u| of(u)).count()).unwrap_or(u64::MAX))
        };
        let [critical, high, ..] = own.iter().fold([0; 4], |sum: [u64; 4], u| {
            std::array::from_fn(|i| sum.get(i).unwrap_or(&0) + u.open.get(i).unwrap_or(&0))
        });
        (!own.is_empty()).then(|| ClassRow {
            class: class.name.clone(),
            units: number(&|_| true),
            weak: number(&|u| u.grade().is_some_and(|g| g < WEAK)),
            unknown: number(&|u| u.grade().is_none()),
            silent: number(&|u| u.comms == CommsState::Silent),
            critical,
            high,
        })
    };
    register.classes.iter().filter_map(row).collect()
}
