//! One refused message: why, and its bytes as text and in hexadecimal.
//!
//! Owns the view of foreign bytes: escaped, cut to a stated size, never shown as markup; and the button that tries the
//! message again, and the form that registers its unit.

use std::fmt::Write as _;

use askama::Template;
use axum::Form;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use jiff::tz::TimeZone;
use notchwatch_desk::{Again, DeskError, RefusedUnit};
use notchwatch_model::{Principal, Reason, Register, UnitKey};
use notchwatch_store::QuarantineRow;
use serde::Deserialize;

use super::filters::{Choice, choices, some};
use super::format::{Stamp, count, stamp};
use super::page::{Frame, Visitor, answer};
use super::quarantine::may_register;
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;
use crate::words;

/// Most bytes shown; the whole message stays stored.
const VIEW_BYTES: usize = 64 * 1024;
/// Bytes shown in hexadecimal: what tells a format apart stands at the begin.
const HEX_BYTES: usize = 4 * 1024;
/// Bytes a line of the hexadecimal view.
const HEX_LINE: usize = 16;

#[derive(Debug, Template)]
#[template(path = "message.html")]
struct Page {
    frame: Frame,
    id: i64,
    reason: &'static str,
    detail: String,
    topic: String,
    content_type: String,
    unit: String,
    received: Stamp,
    record: String,
    size: String,
    shown: String,
    cut: bool,
    text: String,
    hex: String,
    hex_shown: String,
    /// What came of another try.
    notice: String,
    /// Whether the visitor may try it again.
    may_replay: bool,
    /// Classes that the unit may be registered with; empty where there is nothing to register, or nobody who may.
    classes: Vec<Choice>,
}

/// The form that registers the unit; an empty field is none.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RegisterForm {
    token: String,
    class: String,
    region: String,
    engine: String,
}

/// The form of another try.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReplayForm {
    token: String,
}

/// `GET /quarantine/{id}`
pub(crate) async fn message(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
) -> Result<Response, Trouble> {
    let id: i64 = id.parse().map_err(|_| Trouble::of(&app, &DeskError::NotFound))?;
    show(&app, &visitor, id, String::new()).await
}

/// `POST /quarantine/{id}/replay`: the same act as the API's, with its answer on the page.
pub(crate) async fn replay(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
    Form(form): Form<ReplayForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    let trouble = |e: DeskError| Trouble::of(&app, &e);
    let id: i64 = id.parse().map_err(|_| trouble(DeskError::NotFound))?;
    let again = app.desk.replay(&visitor.who, id).await.map_err(trouble)?;
    show(&app, &visitor, id, outcome(&again)).await
}

/// `POST /quarantine/{id}/register`: the same act as the API's, with its answer on the page.
pub(crate) async fn register(
    State(app): State<App>,
    visitor: Visitor,
    Path(id): Path<String>,
    Form(form): Form<RegisterForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    let trouble = |e: DeskError| Trouble::of(&app, &e);
    let id: i64 = id.parse().map_err(|_| trouble(DeskError::NotFound))?;
    let unit = some(&form.class).and_then(|class| {
        let class = class.ok_or("a class is needed")?;
        Ok(RefusedUnit { class, region: form.region.trim().to_owned(), engine: some(form.engine.trim())? })
    });
    let notice = match unit {
        Err(why) => sentence(&why),
        Ok(unit) => match app.desk.register_refused(&visitor.who, id, unit).await {
            Ok(key) => format!("Unit {key} is registered. Read its messages again to store what they hold."),
            Err(DeskError::Refused(why)) => sentence(&why),
            Err(DeskError::Invalid(problems)) => {
                problems.first().map(|p| sentence(&p.to_string())).unwrap_or_default()
            }
            Err(error) => return Err(trouble(error)),
        },
    };
    show(&app, &visitor, id, notice).await
}

/// Classes to choose from, where the row's unit can be registered by the visitor.
fn classes(register: &Register, who: &Principal, row: &QuarantineRow) -> Vec<Choice> {
    let may = may_register(who);
    let (Reason::UnknownUnit, Some(railway), Some(unit), true) = (row.reason, &row.railway, &row.unit, may)
    else {
        return Vec::new();
    };
    if register.unit(&UnitKey { railway: railway.clone(), unit: unit.clone() }).is_some() {
        return Vec::new();
    }
    choices(register.classes.iter().map(|c| (c.id.as_str(), c.name.as_str())), "")
        .into_iter()
        .skip(1)
        .collect()
}

/// What another try came to, in words.
fn outcome(again: &Again) -> String {
    match again {
        Again::Stored => {
            "It was read again and is stored. What was stored before is not stored twice.".to_owned()
        }
        Again::StillRefused(refused) => {
            let first = refused.first().map(|(reason, detail)| format!("{}: {detail}", reason.code()));
            format!(
                "It was read again and is still refused. {}",
                first.map(|f| sentence(&f)).unwrap_or_default()
            )
        }
        Again::Incomplete | Again::Absent => {
            "It cannot be read again: its bytes were not kept whole.".to_owned()
        }
    }
}

async fn show(app: &App, visitor: &Visitor, id: i64, notice: String) -> Result<Response, Trouble> {
    let trouble = |e: DeskError| Trouble::of(app, &e);
    let frame = Frame { live: false, ..Frame::of(app, visitor, "feed").await? };
    let (row, bytes) = app.desk.quarantine_row(&visitor.who, id).await.map_err(trouble)?;
    let register = app.desk.register(&visitor.who).await.map_err(trouble)?;
    let shown = bytes.get(..VIEW_BYTES).unwrap_or(&bytes);
    let begin = bytes.get(..HEX_BYTES).unwrap_or(&bytes);
    let page = Page {
        frame,
        id,
        classes: classes(&register, &visitor.who, &row),
        reason: row.reason.code(),
        detail: sentence(&row.detail),
        topic: row.topic,
        content_type: row.content_type.unwrap_or_else(|| "not given".to_owned()),
        unit: match (row.railway, row.unit) {
            (Some(railway), Some(unit)) => format!("{railway}/{unit}"),
            (_, Some(unit)) => format!("{unit}, of no registered railway"),
            _ => "not known".to_owned(),
        },
        received: stamp(row.received, &TimeZone::UTC, app.desk.now()),
        record: match row.record {
            Some(first) => format!("record {first} (from 0) and in all {} for this reason", row.count),
            None => "the whole message".to_owned(),
        },
        size: count(row.size),
        shown: count(u64::try_from(shown.len()).unwrap_or(u64::MAX)),
        cut: shown.len() < bytes.len(),
        text: readable(shown),
        hex: hex(begin),
        hex_shown: count(u64::try_from(begin.len()).unwrap_or(u64::MAX)),
        notice,
        may_replay: visitor.who.role.decides(),
    };
    Ok(answer(StatusCode::OK, &page))
}

/// Bytes as text: JSON set out in lines, control characters made visible, what is no text replaced.
fn readable(bytes: &[u8]) -> String {
    if let Ok(value) = serde_json::from_slice::<serde_json::Value>(bytes)
        && let Ok(text) = serde_json::to_string_pretty(&value)
    {
        return text;
    }
    String::from_utf8_lossy(bytes)
        .chars()
        .map(|c| match c {
            '\n' | '\t' => c,
            c if c.is_control() => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// Offset, bytes and printable characters, a line for each sixteen.
fn hex(bytes: &[u8]) -> String {
    let mut text = String::new();
    for (i, line) in bytes.chunks(HEX_LINE).enumerate() {
        let digits: Vec<String> = line.iter().map(|b| words::hex(&[*b])).collect();
        let digits = digits.join(" ");
        let letters: String = line
            .iter()
            .map(|b| if b.is_ascii_graphic() || *b == b' ' { char::from(*b) } else { '.' })
            .collect();
        let width = HEX_LINE * 3;
        if writeln!(text, "{:06x}  {digits:<width$} {letters}", i * HEX_LINE).is_err() {
            break;
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn foreign_bytes_are_shown_and_stay_harmless() {
        assert_eq!(readable(br#"[{"n":"a","v":1}]"#), "[\n  {\n    \"n\": \"a\",\n    \"v\": 1\n  }\n]");
        assert_eq!(readable(b"bad \x1b[31m\xff"), "bad \u{fffd}[31m\u{fffd}");
        let dump = hex(b"\x81\xa2 abc<script>..more");
        assert!(dump.starts_with("000000  81 a2 20 61 62 63 3c "), "{dump}");
        assert_eq!(dump.lines().count(), 2);
    }
}
