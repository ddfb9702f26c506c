//! Errors as RFC 9457 asks: `application/problem+json`, a type, a title, a status, what happened, and where.
//!
//! Owns the fixed list of types, each explained at its own address. Refuses to tell a caller of our insides.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::DeskError;
use serde::Serialize;
use utoipa::ToSchema;

/// An error.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Problem {
    /// Which kind of problem; the address explains it.
    #[serde(rename = "type")]
    kind: &'static str,
    /// The kind in words.
    title: &'static str,
    /// HTTP status code, repeated.
    pub(crate) status: u16,
    /// What happened this time.
    detail: String,
    /// Where in the request, one entry for each thing that is wrong.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    errors: Vec<Place>,
    /// The present record, where a decision lost a race.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    current: Option<Box<serde_json::Value>>,
    /// Seconds to wait before the next try.
    #[serde(skip_serializing_if = "Option::is_none")]
    retry_after: Option<u32>,
}

/// One thing that is wrong in a request.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct Place {
    /// JSON pointer into the body.
    #[serde(skip_serializing_if = "Option::is_none")]
    pointer: Option<String>,
    /// Name of the query parameter or header.
    #[serde(skip_serializing_if = "Option::is_none")]
    parameter: Option<String>,
    /// What is wrong and what would be right.
    detail: String,
}

/// Types of problem: address, status, title, explanation.
pub(crate) const KINDS: &[(&str, StatusCode, &str, &str)] = &[
    (
        "/problems/malformed",
        StatusCode::BAD_REQUEST,
        "the request cannot be read",
        "A parameter, a header or the body is not of the documented form. `errors` names each place.",
    ),
    (
        "/problems/unproved",
        StatusCode::UNAUTHORIZED,
        "nobody is proved",
        "Send `Authorization: Bearer` with a token that lasts, or sign in to the console.",
    ),
    (
        "/problems/forbidden",
        StatusCode::FORBIDDEN,
        "not allowed",
        "The role of this caller does not include the act, or the request came from another site.",
    ),
    (
        "/problems/unknown",
        StatusCode::NOT_FOUND,
        "no such thing",
        "There is no such thing among those this caller may see.",
    ),
    (
        "/problems/method",
        StatusCode::METHOD_NOT_ALLOWED,
        "no such method here",
        "The address exists and does not answer to this method.",
    ),
    (
        "/problems/conflict",
        StatusCode::CONFLICT,
        "another decision came first",
        "The finding changed since the version in `If-Match` was read. `current` holds the present record; nothing was applied.",
    ),
    (
        "/problems/too-large",
        StatusCode::PAYLOAD_TOO_LARGE,
        "the body is too large",
        "The body is larger than the documented limit.",
    ),
    (
        "/problems/refused",
        StatusCode::UNPROCESSABLE_ENTITY,
        "the act makes no sense",
        "The request is well formed, and the finding or the register as it stands does not allow it.",
    ),
    (
        "/problems/version-needed",
        StatusCode::PRECONDITION_REQUIRED,
        "the seen version is needed",
        "A decision applies to what was seen: send `If-Match` with the version of the finding you read, in double quotes.",
    ),
    (
        "/problems/too-many",
        StatusCode::TOO_MANY_REQUESTS,
        "too many",
        "A bound on tries or on streams is met. Wait, or close a stream.",
    ),
    (
        "/problems/internal",
        StatusCode::INTERNAL_SERVER_ERROR,
        "our own fault",
        "The cause stands in the service's log.",
    ),
    (
        "/problems/unavailable",
        StatusCode::SERVICE_UNAVAILABLE,
        "not available now",
        "A dependency does not answer. The same request may succeed later.",
    ),
];

impl Problem {
    /// A problem of the type that belongs to the status.
    pub(crate) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let fallback = ("/problems/internal", StatusCode::INTERNAL_SERVER_ERROR, "our own fault", "");
        let (kind, status, title, _) = KINDS.iter().find(|k| k.1 == status).copied().unwrap_or(fallback);
        Self {
            kind,
            title,
            status: status.as_u16(),
            detail: detail.into(),
            errors: vec![],
            current: None,
            retry_after: None,
        }
    }

    /// A wrong query parameter or header.
    pub(crate) fn parameter(name: &str, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        let mut problem = Self::new(StatusCode::BAD_REQUEST, format!("{name}: {detail}"));
        problem.errors.push(Place { pointer: None, parameter: Some(name.to_owned()), detail });
        problem
    }

    /// A wrong place in the body, as a JSON pointer.
    pub(crate) fn pointer(pointer: &str, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        let mut problem = Self::new(StatusCode::BAD_REQUEST, format!("{pointer}: {detail}"));
        problem.errors.push(Place { pointer: Some(pointer.to_owned()), parameter: None, detail });
        problem
    }

    /// Adds the present record.
    pub(crate) fn with_current(mut self, record: &impl Serialize) -> Self {
        self.current = serde_json::to_value(record).ok().map(Box::new);
        self
    }

    /// What the desk said, for a caller. What is our own fault goes to the log, not out. The present record of a
    /// conflict is added by the endpoint that knows its form.
    pub(crate) fn of(error: &DeskError) -> Self {
        match error {
            DeskError::Forbidden(why) => Self::new(StatusCode::FORBIDDEN, why.clone()),
            DeskError::NotFound => Self::new(StatusCode::NOT_FOUND, "no such thing among those you may see"),
            DeskError::Conflict(_) => {
                Self::new(StatusCode::CONFLICT, "the finding changed since it was read; nothing was applied")
            }
            DeskError::Refused(why) => Self::new(StatusCode::UNPROCESSABLE_ENTITY, why.clone()),
            DeskError::Invalid(places) => {
                let mut problem = Self::new(
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "what was sent has problems, each named with its place",
                );
                problem.errors = places
                    .iter()
                    .map(|p| Place { pointer: None, parameter: None, detail: p.to_string() })
                    .collect();
                problem
            }
            DeskError::TooMany { seconds } => {
                let mut problem = Self::new(StatusCode::TOO_MANY_REQUESTS, error.to_string());
                problem.retry_after = Some(*seconds);
                problem
            }
            DeskError::Unavailable(why) => {
                tracing::warn!(%why, "a request could not be answered");
                Self::new(StatusCode::SERVICE_UNAVAILABLE, "the store does not answer, try again")
            }
            other => {
                tracing::error!(error = %other, "a request failed");
                Self::new(StatusCode::INTERNAL_SERVER_ERROR, "the cause stands in the service's log")
            }
        }
    }
}

impl From<DeskError> for Problem {
    fn from(error: DeskError) -> Self {
        Self::of(&error)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, serde_json::to_string(&self).unwrap_or_default()).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if let Some(seconds) = self.retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_named_once_and_explained() {
        let mut seen = std::collections::BTreeSet::new();
        for (slug, status, title, text) in KINDS {
            assert!(seen.insert(slug) && !title.is_empty() && text.ends_with('.'), "{slug}");
            assert_eq!(Problem::new(*status, "x").kind, *slug);
        }
    }

    #[test]
    fn our_insides_stay_inside() {
        let problem = Problem::of(&DeskError::Internal("select * from findings".into()));
        assert_eq!(problem.status, 500);
        assert!(!serde_json::to_string(&problem).unwrap().contains("select"));
    }

    #[test]
    fn a_wrong_place_is_named() {
        let json = serde_json::to_value(Problem::pointer("/until", "not a time")).unwrap();
        assert_eq!(json["errors"][0]["pointer"], "/until");
        assert!(json["errors"][0].get("parameter").is_none());
    }
}
