//! Operator load: is the work more than a person can take in? By position, beside the standard's limits.
//!
//! Owns the figures in words, and the forms by which administrators make positions. What a figure is, and over which
//! time, is the `findings` crate's.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use notchwatch_desk::{DeskError, FLOOD_BEGINS_ABOVE, Frequent, Load};
use notchwatch_model::{Position, PositionId, Priority, RailwayFilter, Register};

use super::format::{Stamp, count, percent, stamp};
use super::page::{Frame, Visitor, answer, escaped};
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;

/// Most an hour, and in the mean over the period: what a person can take in, and what is aimed at (ISA-18.2).
const MOST_AN_HOUR: u64 = 12;
const MEAN_AN_HOUR: f64 = 6.0;
/// From this number on, findings that last are too many (ISA-18.2).
const STALE_FROM: u64 = 5;
/// Largest share of the time in flood (ISA-18.2).
const FLOOD_SHARE: f64 = 0.01;
/// Shares of priorities that are aimed at: critical and high together, medium, low (ISA-18.2).
const AIM: [&str; 4] = ["5 % with critical", "5 % with critical", "15 %", "80 %"];

/// One figure beside its limit.
#[derive(Debug)]
pub(crate) struct Figure {
    pub(crate) name: &'static str,
    pub(crate) value: String,
    pub(crate) limit: String,
    pub(crate) beyond: bool,
    /// Whether it stands in the short form too.
    pub(crate) short: bool,
}

/// One of the most frequent.
#[derive(Debug)]
struct Top {
    railway_id: String,
    unit: String,
    fault: String,
    count: String,
}

/// How much of what came is of one priority.
#[derive(Debug)]
struct OfPriority {
    priority: &'static str,
    count: String,
    share: String,
    aim: &'static str,
}

/// A position with its load.
#[derive(Debug)]
struct Seat {
    id: String,
    title: String,
    covers: String,
    flood: bool,
    total: String,
    figures: Vec<Figure>,
    top: Vec<Top>,
    spread: Vec<OfPriority>,
}

/// Something to tick.
#[derive(Debug)]
struct Tick {
    value: String,
    label: String,
}

#[derive(Debug, Template)]
#[template(path = "load.html")]
struct Page {
    frame: Frame,
    /// What came of a form.
    notice: String,
    from: Stamp,
    seats: Vec<Seat>,
    uncovered: u64,
    /// Whether the visitor may make and remove positions.
    may_change: bool,
    /// Whether the one position shown stands for none made.
    none_made: bool,
    railways: Vec<Tick>,
    classes: Vec<Tick>,
}

/// `GET /load`
pub(crate) async fn load(State(app): State<App>, visitor: Visitor) -> Result<Response, Trouble> {
    show(&app, &visitor, StatusCode::OK, String::new()).await
}

/// `POST /load/positions`: the same as `PUT /api/v1/positions/{id}`.
pub(crate) async fn put(
    State(app): State<App>,
    visitor: Visitor,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Response, Trouble> {
    if !proved(&visitor, &fields) {
        return Err(Trouble::token(&app));
    }
    let done = match position(&fields) {
        Err(why) => Err(DeskError::Refused(why)),
        Ok(position) => app.desk.put_position(&visitor.who, position).await,
    };
    after(&app, &visitor, done).await
}

/// `POST /load/positions/remove`: the same as `DELETE /api/v1/positions/{id}`.
pub(crate) async fn remove(
    State(app): State<App>,
    visitor: Visitor,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Response, Trouble> {
    if !proved(&visitor, &fields) {
        return Err(Trouble::token(&app));
    }
    let done = match field(&fields, "id").parse::<PositionId>() {
        Err(why) => Err(DeskError::Refused(why.to_string())),
        Ok(id) => app.desk.remove_position(&visitor.who, &id).await,
    };
    after(&app, &visitor, done).await
}

fn proved(visitor: &Visitor, fields: &[(String, String)]) -> bool {
    caller::form_token_fits(&visitor.secret, field(fields, "token"))
}

async fn after(app: &App, visitor: &Visitor, done: Result<(), DeskError>) -> Result<Response, Trouble> {
    match done {
        Ok(()) => Ok(Redirect::to("/load").into_response()),
        Err(DeskError::Refused(why)) => {
            show(app, visitor, StatusCode::UNPROCESSABLE_ENTITY, sentence(&why)).await
        }
        Err(error) => Err(Trouble::of(app, &error)),
    }
}

fn field<'a>(fields: &'a [(String, String)], name: &str) -> &'a str {
    fields.iter().find(|(key, _)| key == name).map_or("", |(_, value)| value.as_str())
}

/// A position as the form says it. Errors with what is wrong.
fn position(fields: &[(String, String)]) -> Result<Position, String> {
    fn all<T: std::str::FromStr>(fields: &[(String, String)], name: &str) -> Result<Vec<T>, String>
    where
        T::Err: std::fmt::Display,
    {
        let each = fields.iter().filter(|(key, value)| key == name && !value.is_empty());
        each.map(|(_, value)| value.parse().map_err(|e: T::Err| e.to_string())).collect()
    }
    Ok(Position {
        id: field(fields, "id").parse::<PositionId>().map_err(|e| e.to_string())?,
        title: field(fields, "title").trim().to_owned(),
        railways: all(fields, "railway")?,
        classes: all(fields, "class")?,
    })
}

async fn show(app: &App, visitor: &Visitor, status: StatusCode, notice: String) -> Result<Response, Trouble> {
    let trouble = |e: DeskError| Trouble::of(app, &e);
    let frame = Frame::of(app, visitor, "queue").await?;
    let loads = app.desk.load(&visitor.who).await.map_err(trouble)?;
    let register = app.desk.register(&visitor.who).await.map_err(trouble)?;
    let faults = |frequent: &Frequent| {
        let name = |id: &notchwatch_model::FaultId| {
            app.desk.library().fault(id).map_or_else(|| id.to_string(), |fault| fault.name.clone())
        };
        frequent.fault.as_ref().map_or_else(|| "no ranked fault".to_owned(), name)
    };
    let tick = |value: &str, label: &str| Tick { value: value.to_owned(), label: label.to_owned() };
    let page = Page {
        frame,
        notice,
        from: stamp(loads.from, &jiff::tz::TimeZone::UTC, loads.now),
        none_made: !loads.made,
        seats: loads.positions.iter().map(|(p, load)| seat(p, load, &register, &faults)).collect(),
        uncovered: loads.uncovered,
        may_change: visitor.who.role.administers() && visitor.who.railways == RailwayFilter::All,
        railways: register.railways.iter().map(|r| tick(r.id.as_str(), &r.name)).collect(),
        classes: register.classes.iter().map(|c| tick(c.id.as_str(), &c.name)).collect(),
    };
    Ok(answer(status, &page))
}

fn seat(position: &Position, load: &Load, register: &Register, fault: &dyn Fn(&Frequent) -> String) -> Seat {
    let top = |frequent: &Frequent| Top {
        railway_id: register
            .unit(&frequent.unit)
            .map(|_| escaped(frequent.unit.railway.as_str()))
            .unwrap_or_default(),
        unit: frequent.unit.unit.to_string(),
        fault: fault(frequent),
        count: count(frequent.count),
    };
    let whole: u64 = load.spread.iter().sum();
    #[expect(clippy::cast_precision_loss, reason = "a share for the eye")]
    let share = |number: u64| if whole == 0 { String::new() } else { percent(number as f64 / whole as f64) };
    let spread = Priority::ALL.iter().zip(load.spread).zip(AIM).map(|((priority, number), aim)| OfPriority {
        priority: priority.word(),
        count: count(number),
        share: share(number),
        aim,
    });
    Seat {
        id: position.id.to_string(),
        title: position.title.clone(),
        covers: covers(position, register),
        flood: load.flood,
        total: count(load.total),
        figures: figures(load),
        top: load.top.iter().map(top).collect(),
        spread: spread.collect(),
    }
}

fn covers(position: &Position, register: &Register) -> String {
    let railways: Vec<String> = position
        .railways
        .iter()
        .map(|id| register.railway(id).map_or_else(|| id.to_string(), |r| r.name.clone()))
        .collect();
    let classes: Vec<String> = position
        .classes
        .iter()
        .map(|id| register.class(id).map_or_else(|| id.to_string(), |c| c.name.clone()))
        .collect();
    let or_all =
        |list: Vec<String>, all: &str| if list.is_empty() { all.to_owned() } else { list.join(", ") };
    format!("{}; {}", or_all(railways, "every railway"), or_all(classes, "every class"))
}

/// The figures beside their limits (ISA-18.2).
pub(crate) fn figures(load: &Load) -> Vec<Figure> {
    let figure =
        |name, value: String, limit: String, beyond, short| Figure { name, value, limit, beyond, short };
    let most = FLOOD_BEGINS_ABOVE;
    vec![
        figure(
            "new in 10 min",
            load.last_10_min.to_string(),
            format!("{most} at most"),
            load.last_10_min > most,
            true,
        ),
        figure(
            "in 1 h",
            load.last_hour.to_string(),
            format!("{MOST_AN_HOUR} at most"),
            load.last_hour > MOST_AN_HOUR,
            true,
        ),
        figure(
            "an hour over 30 d",
            format!("{:.2}", load.per_hour),
            format!("{MEAN_AN_HOUR} at most, in the mean"),
            load.per_hour > MEAN_AN_HOUR,
            true,
        ),
        figure(
            "in 10 min over 30 d",
            format!("{:.3}", load.per_10_min),
            "1 in the mean".to_owned(),
            load.per_10_min > 1.0,
            false,
        ),
        figure(
            "most in 10 min",
            load.most_10_min.to_string(),
            format!("{most} at most"),
            load.most_10_min > most,
            true,
        ),
        figure(
            "of the time in flood",
            percent(load.flood_share),
            "under 1 %".to_owned(),
            load.flood_share >= FLOOD_SHARE,
            false,
        ),
        figure(
            "lasting over 1 d",
            load.stale.to_string(),
            format!("under {STALE_FROM}"),
            load.stale >= STALE_FROM,
            true,
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(text: &[(&str, &str)]) -> Vec<(String, String)> {
        text.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn a_form_names_railways_and_classes_and_ticking_none_is_all() {
        let form = [("id", "east"), ("title", " East desk "), ("railway", "northmoor"), ("railway", "sarel")];
        let made = position(&fields(&form)).unwrap();
        assert_eq!((made.title.as_str(), made.railways.len(), made.classes.len()), ("East desk", 2, 0));
        assert!(position(&fields(&[("id", "No such id"), ("title", "x")])).is_err());
        assert!(position(&fields(&[("id", "a"), ("title", "x"), ("railway", "a b")])).is_err());
    }

    #[test]
    fn what_is_beyond_a_limit_is_marked() {
        let at = notchwatch_model::Time::EPOCH;
        let calm = Load::of(std::iter::empty(), at, at + notchwatch_model::Span::from_days(30));
        assert!(figures(&calm).iter().all(|f| !f.beyond));
        let busy = Load { last_10_min: 11, stale: 5, flood_share: 0.02, ..calm };
        let beyond: Vec<_> = figures(&busy).into_iter().filter(|f| f.beyond).map(|f| f.name).collect();
        assert_eq!(beyond, ["new in 10 min", "of the time in flood", "lasting over 1 d"]);
    }
}
