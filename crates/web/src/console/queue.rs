//! The queue: what next? Open findings by priority, then by the time left.
//!
//! Owns the order and the counts above the list.

use askama::Template;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::{DeskError, Load};
use notchwatch_model::{AlarmState, Finding, Position, Priority, Register, Time, WorkList, WorkState};
use notchwatch_store::FindingCount;

use super::filters::{Choices, Filters};
use super::format::{self, Stamp, percent, seconds, stamp};
use super::gauge::{Gauge, gauge};
use super::load::figures;
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
    count: u64,
    chosen: bool,
}

/// Load of a position, in words. What is beyond the standard's limits is marked.
#[derive(Debug)]
struct Seat {
    title: String,
    flood: bool,
    /// A word for each figure, the figure, and whether it is beyond its limit.
    figures: Vec<(&'static str, String, bool)>,
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
    loads: Vec<Seat>,
    tabs: Vec<Tile>,
    counts: Vec<Tile>,
    choices: Choices,
    filters: Filters,
    filtered: bool,
    left_out: bool,
    /// Address of the first page, when this is another.
    first: String,
    /// Address of the next page, when there is one.
    next: String,
    /// Address without filters.
    cleared: String,
    back: String,
}

/// `GET /queue`
pub(crate) async fn queue(State(app): State<App>, visitor: Visitor, uri: Uri) -> Result<Response, Trouble> {
    let trouble = |e: &DeskError| Trouble::of(&app, e);
    let filters = axum::extract::Query::<Filters>::try_from_uri(&uri).map(|q| q.0);
    let checked = filters.map_err(|e| e.body_text()).and_then(|f| f.query(&visitor.who.name).map(|q| (f, q)));
    let (filters, query) = match checked {
        Ok(checked) => checked,
        Err(why) => {
            return Ok(Trouble::new(&app, StatusCode::BAD_REQUEST, "No such filter", why).into_response());
        }
    };
    let frame = Frame::of(&app, &visitor, "queue").await?;
    let all = app.desk.finding_counts(&visitor.who, &query).await.map_err(|e| trouble(&e))?;
    let list = query.list.unwrap_or(WorkList::Machine);
    let page = match app.desk.findings(&visitor.who, query).await {
        Err(DeskError::Refused(why)) => {
            return Ok(Trouble::new(&app, StatusCode::BAD_REQUEST, "No such place", why).into_response());
        }
        page => page.map_err(|e| trouble(&e))?,
    };
    let loads = app.desk.load(&visitor.who).await.map_err(|e| trouble(&e))?;
    let register = app.desk.register(&visitor.who).await.map_err(|e| trouble(&e))?;
    let now = app.desk.now();
    let decides = visitor.who.role.decides();
    let page = Page {
        frame,
        rows: page.items.iter().map(|f| row(f, &register, decides, now)).collect(),
        loads: loads.positions.iter().map(seat).collect(),
        tabs: tabs(&all, &filters, list),
        counts: counts(&all, &filters, list),
        choices: Choices::of(&register, &filters),
        filtered: !filters.plain(),
        left_out: page.left_out,
        first: if filters.after.is_empty() { String::new() } else { filters.with(|_| ()) },
        next: page.next.map(|next| filters.with(|f| f.after = next.0)).unwrap_or_default(),
        back: uri.path_and_query().map_or_else(|| "/queue".to_owned(), ToString::to_string),
        cleared: filters.with(|f| *f = Filters { list: f.list.clone(), ..Filters::default() }),
        filters,
    };
    Ok(answer(StatusCode::OK, &page))
}

/// The short form of the load: what is beyond a limit, and what stands in every line.
fn seat((position, load): &(Position, Load)) -> Seat {
    let told = |f: &super::load::Figure| f.short || f.beyond;
    let figures = figures(load).into_iter().filter(told).map(|f| (f.name, f.value, f.beyond)).collect();
    Seat { title: position.title.clone(), flood: load.flood, figures }
}

fn unacknowledged(finding: &Finding, now: Time) -> bool {
    matches!(finding.alarm_state(now), AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
}

/// The lists, each with how many findings it shows.
fn tabs(all: &[FindingCount], filters: &Filters, chosen: WorkList) -> Vec<Tile> {
    let tab = |list: &WorkList| Tile {
        href: filters.with(|f| {
            list.word().clone_into(&mut f.list);
            f.kind.clear();
            f.priority.clear();
        }),
        word: match list {
            WorkList::Machine => "machine",
            WorkList::Instruments => "instruments and data",
            WorkList::Comms => "comms",
        },
        priority: false,
        count: of_list(all, *list).map(|c| if filters.state == "closed" { c.all } else { c.shown }).sum(),
        chosen: *list == chosen,
    };
    WorkList::ALL.iter().map(tab).collect()
}

fn of_list(all: &[FindingCount], list: WorkList) -> impl Iterator<Item = &FindingCount> {
    all.iter().filter(move |count| WorkList::of(count.kind) == list)
}

fn counts(all: &[FindingCount], filters: &Filters, list: WorkList) -> Vec<Tile> {
    let closed = filters.state == "closed";
    let sum = |of: fn(&FindingCount) -> u64| of_list(all, list).map(of).sum::<u64>();
    let mut counts = Vec::new();
    if !closed {
        counts.push(Tile {
            href: filters.with(|f| (f.state, f.priority) = (String::new(), String::new())),
            word: "open",
            priority: false,
            count: sum(|c| c.shown),
            chosen: filters.state.is_empty() && filters.priority.is_empty(),
        });
    }
    for priority in Priority::ALL {
        let of = of_list(all, list).filter(|c| c.priority == *priority);
        let chosen = filters.priority == priority.word();
        counts.push(Tile {
            href: filters.with(|f| {
                f.priority = if chosen { String::new() } else { priority.word().to_owned() };
                if !closed {
                    f.state.clear();
                }
            }),
            word: priority.word(),
            priority: true,
            count: of.map(|c| if closed { c.all } else { c.shown }).sum(),
            chosen,
        });
    }
    let states: [(&str, &'static str, u64); 4] = [
        ("unacknowledged", "unacknowledged", sum(|c| c.unacknowledged)),
        ("mine", "mine", sum(|c| c.mine)),
        ("shelved", "shelved", sum(|c| c.shelved)),
        ("out-of-service", "out of service", sum(|c| c.out_of_service)),
    ];
    for (value, word, count) in states.into_iter().filter(|_| !closed) {
        counts.push(Tile {
            href: filters.with(|f| (f.state, f.priority) = (value.to_owned(), String::new())),
            word,
            priority: false,
            count,
            chosen: filters.state == value,
        });
    }
    counts
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
        gauge: gauge(finding, register.class(&machine.class)),
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

/// In place of a time that is over.
pub(crate) const REACHED: &str = "reached, by estimate";

/// Time left in words, and its range.
pub(crate) fn left(finding: &Finding, now: Time) -> (String, String) {
    let Some(limit) = &finding.machine.time_to_limit else {
        return (String::new(), finding.machine.time_to_limit_reason.clone().unwrap_or_default());
    };
    let since = (now - limit.from).secs_f64();
    let remaining = |p: f64| p - since;
    if remaining(limit.p50) <= 0.0 {
        return (REACHED.to_owned(), format!("limit {}", limit.limit));
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
    use notchwatch_model::{FindingKind, Span};

    use super::*;
    use crate::sample;

    #[test]
    fn time_left_shrinks_with_the_clock_and_never_goes_below_zero() {
        let finding = sample::finding("northmoor", "4021", 1);
        let (first, range) = left(&finding, sample::noon());
        assert_eq!(first, "8 d 23 h");
        assert_eq!(range, "4 d 23 h to 15 d");
        assert_eq!(left(&finding, sample::noon() + Span::from_days(10)).0, REACHED);
    }

    #[test]
    fn counts_say_what_their_links_show_list_by_list() {
        let count = |kind, priority, shown, mine| FindingCount {
            kind,
            priority,
            all: shown + 3,
            shown,
            unacknowledged: 1,
            mine,
            shelved: 2,
            out_of_service: 1,
        };
        let all = [
            count(FindingKind::Machine, Priority::High, 2, 1),
            count(FindingKind::Sensor, Priority::Low, 5, 0),
            count(FindingKind::Data, Priority::Low, 7, 4),
        ];
        let filters = Filters::default();
        let of = |tiles: Vec<Tile>, word: &str| tiles.into_iter().find(|c| c.word == word).unwrap().count;
        for (list, expected) in
            [(WorkList::Machine, [2, 2, 0, 1, 2, 1]), (WorkList::Instruments, [12, 0, 12, 4, 4, 2])]
        {
            let words = ["open", "high", "low", "mine", "shelved", "out of service"];
            assert_eq!(words.map(|word| of(counts(&all, &filters, list), word)), expected, "{list}");
        }
        assert_eq!(of(tabs(&all, &filters, WorkList::Machine), "instruments and data"), 12);
        assert_eq!(of(tabs(&all, &filters, WorkList::Machine), "comms"), 0);
    }
}
