//! The queue: what next? Open findings by priority, then by the time left.
//!
//! Owns the order and the counts above the list.

use askama::Template;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use notchwatch_model::{AccountName, AlarmState, Finding, Priority, Register, Time, WorkState};

use super::filters::{Choices, Filters};
use super::format::{self, Stamp, percent, seconds, stamp};
use super::gauge::{Gauge, gauge};
use super::page::{Frame, Visitor, answer};
use super::trouble::Trouble;
use crate::app::App;

/// One figure above the list, with the link to what it counts.
#[derive(Debug)]
struct Tile {
    href: String,
    word: &'static str,
    /// A priority, drawn with its shape.
    priority: bool,
    count: usize,
    chosen: bool,
}

/// One row.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each says whether one mark is shown")]
struct Row {
    id: String,
    version: u32,
    priority: &'static str,
    unit: String,
    railway: String,
    engine: String,
    title: String,
    kind: &'static str,
    system: &'static str,
    fault: String,
    urgency: &'static str,
    gauge: Option<Gauge>,
    left: String,
    left_range: String,
    began: Stamp,
    alarm: &'static str,
    asks: bool,
    work: String,
    late: bool,
    unstable: bool,
    acknowledge: bool,
}

#[derive(Debug, Template)]
#[template(path = "queue.html")]
struct Page {
    frame: Frame,
    rows: Vec<Row>,
    counts: Vec<Tile>,
    choices: Choices,
    filters: Filters,
    filtered: bool,
    cut: bool,
    back: String,
}

/// `GET /queue`
pub(crate) async fn queue(State(app): State<App>, visitor: Visitor, uri: Uri) -> Result<Response, Trouble> {
    let trouble = |e: &notchwatch_desk::DeskError| Trouble::of(&app, e);
    let filters = axum::extract::Query::<Filters>::try_from_uri(&uri).map(|q| q.0);
    let checked = filters.map_err(|e| e.body_text()).and_then(|f| f.query().map(|q| (f, q)));
    let (filters, query) = match checked {
        Ok(checked) => checked,
        Err(why) => {
            return Ok(Trouble::new(&app, StatusCode::BAD_REQUEST, "No such filter", why).into_response());
        }
    };
    let frame = Frame::of(&app, &visitor, "queue").await?;
    let page = app.desk.findings(&visitor.who, query).await.map_err(|e| trouble(&e))?;
    let register = app.desk.register(&visitor.who).await.map_err(|e| trouble(&e))?;
    let now = app.desk.now();
    let counts = counts(&page.items, &filters, &visitor.who.name, now);
    let mut items: Vec<&Finding> = page
        .items
        .iter()
        .filter(|f| filters.priority.is_empty() || f.machine.priority.word() == filters.priority)
        .filter(|f| in_state(f, &filters.state, &visitor.who.name, now))
        .collect();
    items.sort_by_key(|f| (f.machine.priority, time_left(f, now).unwrap_or(i64::MAX), f.machine.onset));
    let decides = visitor.who.role.decides();
    let rows = items.iter().map(|f| row(f, &register, decides, now)).collect();
    let page = Page {
        frame,
        rows,
        counts,
        choices: Choices::of(&register, &filters),
        filtered: !filters.plain(),
        cut: page.next.is_some(),
        back: uri.path_and_query().map_or_else(|| "/queue".to_owned(), ToString::to_string),
        filters,
    };
    Ok(answer(StatusCode::OK, &page))
}

fn in_state(finding: &Finding, state: &str, me: &AccountName, now: Time) -> bool {
    let shelved = finding.alarm_state(now) == AlarmState::Shelved;
    match state {
        "shelved" => shelved,
        "unacknowledged" => unacknowledged(finding, now),
        "mine" => finding.operator.taken_by.as_ref() == Some(me),
        "new" => finding.work_state(now) == WorkState::New && !shelved,
        "taken" => finding.work_state(now) == WorkState::Taken,
        "waiting" => finding.work_state(now) == WorkState::Waiting,
        "closed" => true,
        _ => !shelved,
    }
}

fn unacknowledged(finding: &Finding, now: Time) -> bool {
    matches!(finding.alarm_state(now), AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
}

fn counts(all: &[Finding], filters: &Filters, me: &AccountName, now: Time) -> Vec<Tile> {
    let state = |word: &str| all.iter().filter(|f| in_state(f, word, me, now)).count();
    let mut counts = Vec::new();
    if filters.state != "closed" {
        counts.push(Tile {
            href: filters.with(|f| (f.state, f.priority) = (String::new(), String::new())),
            word: "open",
            priority: false,
            count: state(""),
            chosen: filters.state.is_empty() && filters.priority.is_empty(),
        });
    }
    for priority in Priority::ALL {
        let count = all
            .iter()
            .filter(|f| f.machine.priority == *priority && in_state(f, &filters.state, me, now))
            .count();
        let chosen = filters.priority == priority.word();
        counts.push(Tile {
            href: filters
                .with(|f| f.priority = if chosen { String::new() } else { priority.word().to_owned() }),
            word: priority.word(),
            priority: true,
            count,
            chosen,
        });
    }
    if filters.state != "closed" {
        for (value, word) in [("unacknowledged", "unacknowledged"), ("mine", "mine"), ("shelved", "shelved")]
        {
            counts.push(Tile {
                href: filters.with(|f| value.clone_into(&mut f.state)),
                word,
                priority: false,
                count: state(value),
                chosen: filters.state == value,
            });
        }
    }
    counts
}

/// Microseconds left until the limit, by the middle estimate.
fn time_left(finding: &Finding, now: Time) -> Option<i64> {
    let limit = finding.machine.time_to_limit.as_ref()?;
    Some((limit.from + format::span_of(limit.p50) - now).micros())
}

fn row(finding: &Finding, register: &Register, decides: bool, now: Time) -> Row {
    let machine = &finding.machine;
    let railway = register.railway(&machine.unit.railway);
    let unit_zone = register.unit(&machine.unit).and_then(|u| u.zone.clone());
    let zone = unit_zone.or_else(|| railway.map(|r| r.zone.clone()));
    let zone = format::zone(zone.as_deref().unwrap_or("UTC"));
    let (left, left_range) = left(finding, now);
    let first = machine.faults.first();
    Row {
        id: machine.id.to_string(),
        version: finding.version,
        priority: machine.priority.word(),
        unit: machine.unit.unit.to_string(),
        railway: railway.map_or_else(|| machine.unit.railway.to_string(), |r| r.name.clone()),
        engine: machine.engine.as_ref().map(ToString::to_string).unwrap_or_default(),
        title: machine.title.clone(),
        kind: machine.kind.word(),
        system: machine.system.word(),
        fault: first.map(|f| format!("{}, {}", f.name, percent(f.probability))).unwrap_or_default(),
        urgency: first.map(|f| f.urgency.word()).unwrap_or_default(),
        gauge: gauge(finding),
        left,
        left_range,
        began: stamp(machine.onset, &zone, now),
        alarm: alarm_words(finding.alarm_state(now)),
        asks: finding.open() && unacknowledged(finding, now),
        work: work_words(finding, now),
        late: finding.late,
        unstable: machine.unstable,
        acknowledge: decides && finding.open() && unacknowledged(finding, now),
    }
}

/// Time left in words, and its range.
pub(crate) fn left(finding: &Finding, now: Time) -> (String, String) {
    let Some(limit) = &finding.machine.time_to_limit else {
        return (String::new(), finding.machine.time_to_limit_reason.clone().unwrap_or_default());
    };
    let since = (now - limit.from).secs_f64();
    let remaining = |p: f64| p - since;
    if remaining(limit.p50) <= 0.0 {
        return ("reached, by estimate".to_owned(), format!("limit {}", limit.limit));
    }
    let range = format!("{} to {}", seconds(remaining(limit.p10)), seconds(remaining(limit.p90)));
    (seconds(remaining(limit.p50)), range)
}

/// An alarm state in words for a screen.
pub(crate) fn alarm_words(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Normal => "normal",
        AlarmState::Unacknowledged => "unacknowledged",
        AlarmState::Acknowledged => "acknowledged",
        AlarmState::ReturnedUnacknowledged => "returned to normal, unacknowledged",
        AlarmState::Shelved => "shelved",
        AlarmState::SuppressedByDesign => "suppressed by design",
        AlarmState::OutOfService => "out of service",
    }
}

/// A work state in words, with who and until when.
pub(crate) fn work_words(finding: &Finding, now: Time) -> String {
    match finding.work_state(now) {
        WorkState::New => "new".to_owned(),
        WorkState::Taken => match &finding.operator.taken_by {
            Some(name) => format!("taken by {name}"),
            None => "taken".to_owned(),
        },
        WorkState::Waiting => {
            let until = finding.operator.waiting_until.map(|u| format::span(u - now)).unwrap_or_default();
            format!("waiting, {until} left")
        }
        WorkState::Closed => {
            format!("closed: {}", finding.outcome().map_or("no outcome", notchwatch_model::Outcome::word))
        }
    }
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Span;

    use super::*;
    use crate::sample;

    fn me() -> AccountName {
        AccountName::new("asha").unwrap()
    }

    #[test]
    fn a_shelved_finding_leaves_the_queue_and_comes_back_by_itself() {
        let mut finding = sample::finding("northmoor", "4021", 1);
        let until = sample::noon() + Span::from_hours(1);
        finding.operator.shelved = Some((until, "sensor on order".into()));
        assert!(!in_state(&finding, "", &me(), sample::noon()));
        assert!(in_state(&finding, "shelved", &me(), sample::noon()));
        assert!(in_state(&finding, "", &me(), until));
    }

    #[test]
    fn time_left_shrinks_with_the_clock_and_never_goes_below_zero() {
        let finding = sample::finding("northmoor", "4021", 1);
        let (first, range) = left(&finding, sample::noon());
        assert_eq!(first, "8 d 23 h");
        assert_eq!(range, "4 d 23 h to 15 d");
        assert_eq!(left(&finding, sample::noon() + Span::from_days(10)).0, "reached, by estimate");
    }

    #[test]
    fn counts_say_what_their_links_show() {
        let mut taken = sample::finding("northmoor", "4021", 1);
        taken.operator.taken_by = Some(me());
        let all = vec![taken, sample::finding("northmoor", "4022", 2)];
        let counted = counts(&all, &Filters::default(), &me(), sample::noon());
        let of = |word| counted.iter().find(|c| c.word == word).unwrap().count;
        assert_eq!((of("open"), of("high"), of("mine"), of("critical")), (2, 2, 1, 0));
    }
}
