//! When a page cannot be shown: what happened, in words, and what to do.
//!
//! Owns the one page for all such cases. Refuses to show our insides.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use notchwatch_desk::DeskError;

use super::page::{Frame, answer};
use crate::app::App;

/// A page that says why there is no other page.
#[derive(Debug, Template)]
#[template(path = "trouble.html")]
pub(crate) struct Trouble {
    frame: Frame,
    title: &'static str,
    detail: String,
    status: u16,
}

impl Trouble {
    /// With a status and words.
    pub(crate) fn new(app: &App, status: StatusCode, title: &'static str, detail: String) -> Self {
        Self { frame: Frame::bare(app, ""), title, detail, status: status.as_u16() }
    }

    /// A form that does not carry this session's token: sent by another site, or by a page of an older session.
    pub(crate) fn token(app: &App) -> Self {
        let detail = "The form belongs to another session. Open the page again and repeat.";
        Self::new(app, StatusCode::FORBIDDEN, "Not done", detail.to_owned())
    }

    /// What the desk said.
    pub(crate) fn of(app: &App, error: &DeskError) -> Self {
        let (status, title, detail) = match error {
            DeskError::NotFound => (
                StatusCode::NOT_FOUND,
                "Not found",
                "There is no such thing among those you may see.".to_owned(),
            ),
            DeskError::Forbidden(why) => (StatusCode::FORBIDDEN, "Not allowed", sentence(why)),
            DeskError::Refused(why) => (StatusCode::UNPROCESSABLE_ENTITY, "Not done", sentence(why)),
            DeskError::TooMany { .. } => {
                (StatusCode::TOO_MANY_REQUESTS, "Too many tries", sentence(&error.to_string()))
            }
            DeskError::Unavailable(why) => {
                tracing::warn!(%why, "a page could not be shown");
                let detail = "The store does not answer. Nothing is lost; try again in a moment.";
                (StatusCode::SERVICE_UNAVAILABLE, "Not available now", detail.to_owned())
            }
            other => {
                tracing::error!(error = %other, "a page failed");
                let detail = "The cause stands in the service's log.";
                (StatusCode::INTERNAL_SERVER_ERROR, "Our own fault", detail.to_owned())
            }
        };
        Self::new(app, status, title, detail)
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        answer(StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR), &self)
    }
}

/// An error fragment as a sentence.
pub(crate) fn sentence(fragment: &str) -> String {
    let mut letters = fragment.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", letters.as_str().trim_end_matches('.'))
}
