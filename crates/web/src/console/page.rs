//! What every page has: who is signed in, the frame around it, and how it is answered.
//!
//! Owns the way from a request without a session to the sign-in page and back.

use askama::Template;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use jiff::tz::TimeZone;
use notchwatch_model::{Principal, Time};

use super::format::{Stamp, percent, stamp};
use super::trouble::Trouble;
use crate::app::App;
use crate::assets::AssetNames;
use crate::caller;
use crate::stages::Backlog;

/// A signed-in person.
pub(crate) struct Visitor {
    pub(crate) who: Principal,
    pub(crate) secret: String,
}

impl FromRequestParts<App> for Visitor {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Response> {
        let behind_tls = app.options.behind_tls;
        let Some(secret) = caller::session_secret(&parts.headers, behind_tls) else {
            return Err(to_sign_in(parts));
        };
        match app.desk.session(&secret).await {
            Ok(Some(who)) => Ok(Self { who, secret }),
            Ok(None) => Err(to_sign_in(parts)),
            Err(error) => Err(Trouble::of(app, &error).into_response()),
        }
    }
}

/// To the sign-in page, which leads back to what was asked for.
fn to_sign_in(parts: &Parts) -> Response {
    let asked = parts.uri.path_and_query().map_or("/queue", |p| p.as_str());
    Redirect::to(&format!("/sign-in?then={}", escaped(asked))).into_response()
}

/// Text as the value of a query parameter.
pub(crate) fn escaped(text: &str) -> String {
    text.bytes().map(escaped_byte).collect()
}

fn escaped_byte(byte: u8) -> String {
    if byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'-' | b'_' | b'.') {
        char::from(byte).to_string()
    } else {
        format!("%{byte:02X}")
    }
}

/// Where a form may lead back to: a page of ours, never another host.
pub(crate) fn own_page(path: &str) -> &str {
    let fits = path.starts_with('/')
        && !path.starts_with("//")
        && path.bytes().all(|b| b.is_ascii_graphic() && b != b'\\');
    if fits { path } else { "/queue" }
}

/// The frame around a page.
#[derive(Debug, Clone)]
pub(crate) struct Frame {
    pub(crate) assets: AssetNames,
    /// Which entry of the menu is this page.
    pub(crate) here: &'static str,
    /// Name and role of who is signed in.
    pub(crate) who: Option<(String, &'static str)>,
    /// Token for forms.
    pub(crate) token: String,
    /// Time of what is shown.
    pub(crate) now: Stamp,
    /// Newest event when it was rendered: where the live stream begins.
    pub(crate) event: String,
    /// Whether the page refreshes itself.
    pub(crate) live: bool,
    /// The finding that the page is about.
    pub(crate) finding: String,
    /// What is shown is of a while ago, and why.
    pub(crate) backlog: Option<Behind>,
}

/// Work that is behind, in words.
#[derive(Debug, Clone)]
pub(crate) struct Behind {
    pub(crate) reached: Stamp,
    /// Share of a history that is judged; empty where the whole is not known.
    pub(crate) share: String,
}

impl Frame {
    /// Frame of a page for somebody signed in. It must be made before the page's data are read, so that no event
    /// between the two is missed.
    pub(crate) async fn of(app: &App, visitor: &Visitor, here: &'static str) -> Result<Self, Trouble> {
        let newest = app.desk.event_range().await.map_err(|e| Trouble::of(app, &e))?;
        Ok(Self {
            who: Some((visitor.who.name.to_string(), visitor.who.role.word())),
            token: caller::form_token(&visitor.secret),
            event: newest.map_or_else(|| "0".to_owned(), |(_, newest)| newest.to_string()),
            live: true,
            backlog: app.options.stages.borrow().backlog.map(|backlog| behind(&backlog, app.desk.now())),
            ..Self::bare(app, here)
        })
    }

    /// Frame without anybody.
    pub(crate) fn bare(app: &App, here: &'static str) -> Self {
        let now = app.desk.now();
        Self {
            assets: app.assets.names.clone(),
            here,
            who: None,
            token: String::new(),
            now: stamp(now, &TimeZone::UTC, now),
            event: "0".to_owned(),
            live: false,
            finding: String::new(),
            backlog: None,
        }
    }
}

fn behind(backlog: &Backlog, now: Time) -> Behind {
    Behind {
        reached: stamp(backlog.reached, &TimeZone::UTC, now),
        share: backlog.share.map(percent).unwrap_or_default(),
    }
}

/// A rendered page as an answer.
pub(crate) fn answer(status: StatusCode, page: &impl Template) -> Response {
    match page.render() {
        Ok(text) => {
            let kind = HeaderValue::from_static("text/html; charset=utf-8");
            (status, [(header::CONTENT_TYPE, kind)], text).into_response()
        }
        Err(error) => {
            tracing::error!(%error, "a page cannot be rendered");
            (StatusCode::INTERNAL_SERVER_ERROR, "the page cannot be shown\n").into_response()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_lead_back_to_own_pages_only() {
        for (asked, led) in [
            ("/queue?kind=machine", "/queue?kind=machine"),
            ("/findings/f-1", "/findings/f-1"),
            ("//evil.example", "/queue"),
            ("https://evil.example", "/queue"),
            ("/\\evil", "/queue"),
            ("/a\r\nSet-Cookie: x", "/queue"),
            ("", "/queue"),
        ] {
            assert_eq!(own_page(asked), led, "{asked:?}");
        }
    }
}
