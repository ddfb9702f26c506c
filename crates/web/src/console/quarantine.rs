//! Quarantine: what was refused and why, by filters, a page at a time.
//!
//! Owns the list and its row, which Feed health shows too. Refuses a filter that is none: a mistyped one must not show
//! everything.

use askama::Template;
use axum::Form;
use axum::extract::{Query, State};
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use jiff::tz::TimeZone;
use notchwatch_desk::{MAX_REPLAYS, Replays};
use notchwatch_model::{Principal, RailwayFilter, Reason, Time};
use notchwatch_store::{Cursor, QuarantineQuery, QuarantineRow};
use serde::Deserialize;

use super::filters::{Choice, choices, some};
use super::format::{Stamp, count, field, moment, stamp};
use super::page::{Frame, Visitor, answer, escaped};
use super::trouble::Trouble;
use crate::app::App;
use crate::caller;

/// Rows a page.
const ROWS: usize = 100;

/// Filters as the form sends them; an empty one is none.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Filters {
    reason: String,
    railway: String,
    unit: String,
    topic: String,
    since: String,
    until: String,
    cursor: String,
}

/// A refused message, or the records of one refused for one reason.
#[derive(Debug)]
pub(crate) struct RefusedRow {
    pub(crate) id: i64,
    pub(crate) received: Stamp,
    pub(crate) topic: String,
    pub(crate) unit: String,
    pub(crate) reason: &'static str,
    /// It is of a unit that nobody knows, on a railway that is registered.
    pub(crate) unknown: bool,
    pub(crate) count: u32,
    pub(crate) detail: String,
    pub(crate) size: String,
}

#[derive(Debug, Template)]
#[template(path = "quarantine.html")]
struct Page {
    frame: Frame,
    /// What came of another try.
    notice: String,
    may_replay: bool,
    may_register: bool,
    /// What the bounds dropped, for who sees every railway.
    dropped: Option<String>,
    /// Most that one try takes.
    most: usize,
    /// Address of this page.
    here: String,
    filters: Filters,
    filtered: bool,
    reasons: Vec<Choice>,
    railways: Vec<Choice>,
    refused: Vec<RefusedRow>,
    /// Address of the first page, when this is another.
    first: Option<String>,
    next: Option<String>,
}

/// The form of another try at the filtered set.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReplayForm {
    token: String,
    /// Filters as in the address of the page.
    filters: String,
}

/// `GET /quarantine`
pub(crate) async fn list(State(app): State<App>, visitor: Visitor, uri: Uri) -> Result<Response, Trouble> {
    match read(&uri) {
        Ok((filters, query)) => show(&app, &visitor, filters, query, String::new()).await,
        Err(why) => Ok(no_such_filter(&app, why)),
    }
}

/// `POST /quarantine/replay`: the same act as the API's, on what the page shows, with its answer on the page.
pub(crate) async fn replay(
    State(app): State<App>,
    visitor: Visitor,
    Form(form): Form<ReplayForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    let read = form.filters.parse::<Uri>().map_err(|e| e.to_string()).and_then(|uri| read(&uri));
    let (filters, query) = match read {
        Ok(read) => read,
        Err(why) => return Ok(no_such_filter(&app, why)),
    };
    let done = app.desk.replay_all(&visitor.who, query.clone()).await;
    let done = done.map_err(|e| Trouble::of(&app, &e))?;
    let Replays { stored, still_refused, incomplete, .. } = done;
    let notice = format!(
        "Read again: {stored} stored, {still_refused} still refused, {incomplete} not kept whole. \
         What was stored before is not stored twice."
    );
    show(&app, &visitor, filters, query, notice).await
}

/// Filters of an address, and what the store is asked for by them.
fn read(uri: &Uri) -> Result<(Filters, QuarantineQuery), String> {
    let filters = Query::<Filters>::try_from_uri(uri).map_err(|e| e.body_text())?.0;
    filters.query().map(|query| (filters, query))
}

fn no_such_filter(app: &App, why: String) -> Response {
    Trouble::new(app, StatusCode::BAD_REQUEST, "No such filter", why).into_response()
}

async fn show(
    app: &App,
    visitor: &Visitor,
    filters: Filters,
    query: QuarantineQuery,
    notice: String,
) -> Result<Response, Trouble> {
    let trouble = |e: notchwatch_desk::DeskError| Trouble::of(app, &e);
    // Not live: a list that moves under the hand is read badly.
    let frame = Frame { live: false, ..Frame::of(app, visitor, "feed").await? };
    let found = app.desk.quarantine(&visitor.who, query).await.map_err(trouble)?;
    let counts = app.desk.quarantine_counts(&visitor.who).await.map_err(trouble)?;
    let dropped = app.desk.quarantine_dropped(&visitor.who).await.map_err(trouble)?;
    let register = app.desk.register(&visitor.who).await.map_err(trouble)?;
    let labels: Vec<_> =
        counts.iter().map(|(r, n)| (r.code(), format!("{} ({})", r.code(), count(*n)))).collect();
    let railways = register.railways.iter().map(|r| (r.id.as_str(), r.name.as_str()));
    let now = app.desk.now();
    let page = Page {
        frame,
        notice,
        may_replay: visitor.who.role.decides(),
        may_register: may_register(&visitor.who),
        dropped: dropped.map(count),
        most: MAX_REPLAYS,
        here: filters.address(&filters.cursor),
        filtered: filters.address("") != "/quarantine",
        reasons: choices(labels.iter().map(|(code, label)| (*code, label.as_str())), &filters.reason),
        railways: choices(railways, &filters.railway),
        refused: found.items.iter().map(|r| RefusedRow::new(r, now)).collect(),
        first: (!filters.cursor.is_empty()).then(|| filters.address("")),
        next: found.next.map(|cursor| filters.address(&cursor.0)),
        filters: filters.shown(),
    };
    Ok(answer(StatusCode::OK, &page))
}

/// Whether somebody may register a unit: whether its link is worth showing.
pub(crate) fn may_register(who: &Principal) -> bool {
    who.role.administers() && who.railways == RailwayFilter::All
}

impl Filters {
    /// What the store is asked for. Errors with the word that is none.
    fn query(&self) -> Result<QuarantineQuery, String> {
        let reason = match self.reason.as_str() {
            "" => None,
            code => Some(Reason::from_code(code).ok_or_else(|| format!("{code:?} is not a reason"))?),
        };
        if self.topic.contains('\0') {
            return Err("no topic holds a NUL".to_owned());
        }
        Ok(QuarantineQuery {
            reason,
            railway: some(&self.railway)?,
            unit: some(&self.unit)?,
            since: moment(&self.since)?,
            until: moment(&self.until)?,
            topic: Some(self.topic.clone()).filter(|t| !t.is_empty()),
            after: some::<i64>(&self.cursor)?.map(|id| Cursor(id.to_string())),
            limit: ROWS,
        })
    }

    /// Address of the page of these filters that begins after a cursor; empty is the first.
    fn address(&self, cursor: &str) -> String {
        let pairs = [
            ("reason", self.reason.as_str()),
            ("railway", &self.railway),
            ("unit", &self.unit),
            ("topic", &self.topic),
            ("since", &self.since),
            ("until", &self.until),
            ("cursor", cursor),
        ];
        let set = pairs.iter().filter(|(_, v)| !v.is_empty());
        let set: Vec<String> = set.map(|(k, v)| format!("{k}={}", escaped(v))).collect();
        if set.is_empty() { "/quarantine".to_owned() } else { format!("/quarantine?{}", set.join("&")) }
    }

    /// As the form shows them: its fields for times take no zone.
    fn shown(mut self) -> Self {
        for time in [&mut self.since, &mut self.until] {
            if let Ok(Some(at)) = moment(time) {
                *time = field(at);
            }
        }
        self
    }
}

impl RefusedRow {
    /// As pages show it.
    pub(crate) fn new(row: &QuarantineRow, now: Time) -> Self {
        let unit = match (&row.railway, &row.unit) {
            (Some(railway), Some(unit)) => format!("{railway}/{unit}"),
            (None, Some(unit)) => unit.to_string(),
            _ => String::new(),
        };
        Self {
            id: row.id,
            received: stamp(row.received, &TimeZone::UTC, now),
            topic: row.topic.clone(),
            unit,
            reason: row.reason.code(),
            unknown: row.reason == Reason::UnknownUnit && row.railway.is_some() && row.unit.is_some(),
            count: row.count,
            detail: row.detail.clone(),
            size: count(row.size),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_that_are_none_are_refused_and_links_keep_the_others() {
        let filters =
            Filters { topic: "units/a&b=c".into(), reason: "malformed".into(), ..Filters::default() };
        let address = filters.address("7");
        assert_eq!(address, "/quarantine?reason=malformed&topic=units/a%26b%3Dc&cursor=7");
        let back = Query::<Filters>::try_from_uri(&address.parse().unwrap()).unwrap().0;
        assert_eq!((back.topic, back.cursor.as_str()), (filters.topic.clone(), "7"));
        assert_eq!(Filters::default().address(""), "/quarantine");
        for wrong in [
            Filters { reason: "because".into(), ..Filters::default() },
            Filters { since: "soon".into(), ..Filters::default() },
            Filters { cursor: "x".into(), ..Filters::default() },
            Filters { topic: "\0".into(), ..Filters::default() },
        ] {
            assert!(wrong.query().is_err(), "{wrong:?}");
        }
    }
}
