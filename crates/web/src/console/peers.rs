//! Peers: which unit of a class stands apart in one channel?
//!
//! Owns what is offered to choose from, the order, and the picture of each unit beside the others.

use askama::Template;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::{DeskError, Peer, PeerQuery, Peers};
use notchwatch_model::{ChannelDef, ChannelValue, Class, Regime, Register};
use serde::Deserialize;

use super::filters::{Choice, choices, some};
use super::format::{Stamp, figure, shown_unit, stamp};
use super::gauge::BAND_SPREADS;
use super::page::{Frame, Visitor, answer};
use super::trouble::Trouble;
use crate::app::App;

/// Width of a picture, and the room at its ends.
const WIDTH: f64 = 240.0;
const MARGIN: f64 = 6.0;
/// Beyond this distance, in spreads of the units, a unit is marked: the usual bound for outliers by robust spread
/// (Iglewicz and Hoaglin 1993).
const APART: f64 = 3.5;
/// Orders of the list.
const ORDERS: &[(&str, &str)] = &[
    ("", "furthest from the middle first"),
    ("high", "highest first"),
    ("low", "lowest first"),
    ("unit", "railway and number"),
];

/// What the form sends; an empty word is none.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Params {
    class: String,
    channel: String,
    state: String,
    days: String,
    railway: String,
    region: String,
    sort: String,
}

/// One unit.
#[derive(Debug)]
struct Row {
    unit: String,
    railway_id: String,
    railway: String,
    value: String,
    samples: u32,
    spreads: String,
    apart: bool,
    /// Where the mark stands.
    x: String,
}

#[derive(Debug, Template)]
#[template(path = "peers.html")]
struct Page {
    frame: Frame,
    classes: Vec<Choice>,
    channels: Vec<Choice>,
    states: Vec<Choice>,
    railways: Vec<Choice>,
    regions: Vec<Choice>,
    days: Vec<Choice>,
    orders: Vec<Choice>,
    /// Why nothing is compared; empty when something is.
    refused: String,
    label: String,
    channel: String,
    range: &'static str,
    state: String,
    middle: String,
    spread: String,
    without: usize,
    from: Option<Stamp>,
    to: Option<Stamp>,
    /// Begin and width of the band, and where the middle stands.
    band: Option<(String, String)>,
    middle_x: String,
    rows: Vec<Row>,
}

/// `GET /fleet/peers`
pub(crate) async fn peers(State(app): State<App>, visitor: Visitor, uri: Uri) -> Result<Response, Trouble> {
    let trouble = |e: &DeskError| Trouble::of(&app, e);
    // Not live: what is compared is minutes old by design, and a list that moves under the hand is read badly.
    let frame = Frame { live: false, ..Frame::of(&app, &visitor, "fleet").await? };
    let register = app.desk.register(&visitor.who).await.map_err(|e| trouble(&e))?;
    let params = axum::extract::Query::<Params>::try_from_uri(&uri).map(|q| q.0).map_err(|e| e.body_text());
    let read = params.and_then(|params| query(&register, &params).map(|query| (params, query)));
    let (params, query) = match read {
        Ok(read) => read,
        Err(why) => {
            return Ok(Trouble::new(&app, StatusCode::BAD_REQUEST, "No such comparison", why).into_response());
        }
    };
    let found = match &query {
        None => Err("No unit is registered that could be compared.".to_owned()),
        Some(query) => match app.desk.peers(&visitor.who, query).await {
            Ok(found) => Ok(found),
            Err(DeskError::Refused(why)) => Err(why),
            Err(error) => return Err(trouble(&error)),
        },
    };
    let page = page(&app, frame, &register, &params, query.as_ref(), found);
    Ok(answer(StatusCode::OK, &page))
}

/// What the desk is asked for: what the form says, and for what it leaves out the first there is. `None` when nothing
/// can be compared.
fn query(register: &Register, params: &Params) -> Result<Option<PeerQuery>, String> {
    let class = match some(&params.class)? {
        Some(id) => Some(register.class(&id).ok_or_else(|| format!("there is no class {id}"))?),
        None => register.classes.iter().find(|c| register.units.iter().any(|u| u.class == c.id)),
    };
    let Some(class) = class else { return Ok(None) };
    let own = |name: &&ChannelDef| name.name.as_str() == params.channel;
    // A channel of another class, as when the class was chosen anew, leads to the first of this one.
    let Some(channel) = comparable(class).find(own).or_else(|| comparable(class).next()) else {
        return Ok(None);
    };
    Ok(Some(PeerQuery {
        class: class.id.clone(),
        channel: channel.name.clone(),
        railway: some(&params.railway)?,
        region: Some(params.region.clone()).filter(|r| !r.is_empty()),
        state: some::<Regime>(&params.state)?,
        week: match params.days.as_str() {
            "" | "1" => false,
            "7" => true,
            other => return Err(format!("{other:?} is not a range: 1 or 7 days")),
        },
    }))
}

/// Channels that can be compared, those that models judge first.
fn comparable(class: &Class) -> impl Iterator<Item = &ChannelDef> {
    let fits = |c: &&ChannelDef| matches!(c.value, ChannelValue::Number | ChannelValue::Flag);
    let of = move |judged: bool| class.channels.iter().filter(fits).filter(move |c| c.judged == judged);
    of(true).chain(of(false))
}

fn page(
    app: &App,
    frame: Frame,
    register: &Register,
    params: &Params,
    query: Option<&PeerQuery>,
    found: Result<Peers, String>,
) -> Page {
    let class = query.and_then(|q| register.class(&q.class));
    let channel = query.map(|q| q.channel.to_string()).unwrap_or_default();
    let mut regions: Vec<&str> =
        register.units.iter().map(|u| u.region.as_str()).filter(|r| !r.is_empty()).collect();
    regions.sort_unstable();
    regions.dedup();
    let each = |all: Vec<(&str, &str)>, chosen: &str| -> Vec<Choice> {
        choices(all.into_iter(), chosen).into_iter().skip(1).collect()
    };
    let mut page = Page {
        frame,
        classes: each(
            register.classes.iter().map(|c| (c.id.as_str(), c.name.as_str())).collect(),
            class.map_or("", |c| c.id.as_str()),
        ),
        channels: each(
            class.into_iter().flat_map(comparable).map(|c| (c.name.as_str(), c.label())).collect(),
            &channel,
        ),
        states: Vec::new(),
        railways: choices(
            register.railways.iter().map(|r| (r.id.as_str(), r.name.as_str())),
            &params.railway,
        ),
        regions: choices(regions.into_iter().map(|r| (r, r)), &params.region),
        days: each(vec![("1", "last day"), ("7", "last 7 days")], if params.days == "7" { "7" } else { "1" }),
        orders: each(ORDERS.to_vec(), &params.sort),
        refused: String::new(),
        label: String::new(),
        channel,
        range: if params.days == "7" { "7" } else { "1" },
        state: String::new(),
        middle: String::new(),
        spread: String::new(),
        without: 0,
        from: None,
        to: None,
        band: None,
        middle_x: String::new(),
        rows: Vec::new(),
    };
    match found {
        Ok(found) => fill(&mut page, app, register, found, &params.sort),
        Err(why) => page.refused = why,
    }
    page
}

fn fill(page: &mut Page, app: &App, register: &Register, mut found: Peers, sort: &str) {
    let now = app.desk.now();
    let def = &found.channel;
    let values = || found.units.iter().map(|p| p.level.middle);
    let (low, high) = values().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
    let flag = def.value == ChannelValue::Flag;
    let (factor, uom) =
        if flag { (100.0, "% of the time on") } else { shown_unit(def.uom, low.abs().max(high.abs())) };
    let with_uom = |text: String| if uom.is_empty() { text } else { format!("{text} {uom}") };
    let show = |value: f64| with_uom(figure(value * factor));
    let scale = Scale { low, high };
    let unasked = found.state.map(|s| s.to_string()).unwrap_or_default();
    let states: Vec<(String, String)> =
        found.states.iter().map(|(s, n)| (s.to_string(), format!("{s} ({n} units)"))).collect();
    page.states =
        choices(states.iter().map(|(s, l)| (s.as_str(), l.as_str())), &unasked).into_iter().skip(1).collect();
    def.label().clone_into(&mut page.label);
    page.state = unasked;
    page.middle = found.middle.map(show).unwrap_or_default();
    page.spread = found.spread.map(show).unwrap_or_default();
    page.without = found.without;
    page.from = Some(stamp(found.from, &jiff::tz::TimeZone::UTC, now));
    page.to = Some(stamp(found.to, &jiff::tz::TimeZone::UTC, now));
    if let Some(middle) = found.middle {
        page.middle_x = format!("{:.1}", scale.x(middle));
        page.band = found.spread.map(|spread| {
            let [from, to] = [-1.0, 1.0].map(|side| scale.x(middle + side * BAND_SPREADS * spread));
            (format!("{from:.1}"), format!("{:.1}", to - from))
        });
    }
    let value = |p: &Peer| p.level.middle;
    match sort {
        "high" => found.units.sort_by(|a, b| value(b).total_cmp(&value(a))),
        "low" => found.units.sort_by(|a, b| value(a).total_cmp(&value(b))),
        "unit" => found.units.sort_by(|a, b| a.unit.cmp(&b.unit)),
        _ => {}
    }
    let row = |peer: &Peer| Row {
        unit: peer.unit.unit.to_string(),
        railway_id: peer.unit.railway.to_string(),
        railway: register
            .railway(&peer.unit.railway)
            .map_or_else(|| peer.unit.railway.to_string(), |r| r.name.clone()),
        value: show(value(peer)),
        samples: peer.level.samples,
        spreads: peer
            .spreads
            .map(|s| format!("{}{}", if s > 0.0 { "+" } else { "" }, figure(s)))
            .unwrap_or_default(),
        apart: peer.spreads.is_some_and(|s| s.abs() > APART),
        x: format!("{:.1}", scale.x(value(peer))),
    };
    page.rows = found.units.iter().map(row).collect();
}

/// From the lowest unit to the highest.
#[derive(Debug, Clone, Copy)]
struct Scale {
    low: f64,
    high: f64,
}

impl Scale {
    /// A value's place; one beyond the ends stands at the end.
    fn x(self, value: f64) -> f64 {
        let part = if self.high > self.low { (value - self.low) / (self.high - self.low) } else { 0.5 };
        MARGIN + part.clamp(0.0, 1.0) * (WIDTH - 2.0 * MARGIN)
    }
}
