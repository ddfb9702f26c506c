//! Guards around every route: headers, same-site check, time limit, counting.
//!
//! Owns the content security policy. Refuses requests that another site made a browser send.

use std::time::Duration;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::app::App;
use crate::{WebLimits, metrics};

/// Everything from this host, nothing inline, no evaluation of text as code, no frame around us. Images may be data,
/// since the charting library probes what the browser can draw with one.
pub(crate) const POLICY: &str = "default-src 'self'; img-src 'self' data:; base-uri 'none'; object-src 'none'; form-action 'self'; \
                                 frame-ancestors 'none'";

const HEADERS: [(&str, &str); 7] = [
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
];

/// One year, as common guidance for TLS hosts asks at least.
const TLS_ONLY: &str = "max-age=31536000";

/// Adds the headers, refuses what another site sent, bounds the time, counts the answer.
pub(crate) async fn guard(State(app): State<App>, request: Request, next: Next) -> Response {
    let area = metrics::area(request.uri().path());
    let refused = if safe(request.method()) { None } else { foreign(request.headers()) };
    let mut response = match refused {
        Some(why) => turn_away(area, StatusCode::FORBIDDEN, why),
        None => {
            match tokio::time::timeout(patience(&app.options.limits, request.uri().path()), next.run(request))
                .await
            {
                Ok(response) => response,
                Err(_) => {
                    turn_away(area, StatusCode::SERVICE_UNAVAILABLE, "the answer took too long, try again")
                }
            }
        }
    };
    app.metrics.answers.with_label_values(&[area, metrics::class(response.status())]).inc();
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    if app.options.behind_tls {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(TLS_ONLY));
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// How long a handler may take. What streams has answered once its head is sent.
fn patience(limits: &WebLimits, path: &str) -> Duration {
    let heavy = path.ends_with("/evidence") || path == "/api/v1/register";
    if heavy { limits.heavy_answer } else { limits.answer }
}

fn safe(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

/// Why the request comes from another site, when it does. A bearer token is never sent by a browser on its own, so
/// such a request needs no check; a caller that sends neither header is no browser of today.
fn foreign(headers: &HeaderMap) -> Option<&'static str> {
    if headers.contains_key(header::AUTHORIZATION) {
        return None;
    }
    // A browser that says where the request comes from is believed: a page cannot set this header.
    if let Some(site) = headers.get("sec-fetch-site") {
        let own = matches!(site.as_bytes(), b"same-origin" | b"none");
        return (!own).then_some("the request comes from another site");
    }
    let origin = headers.get(header::ORIGIN)?;
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok());
    let own = origin.to_str().ok().and_then(|o| o.split_once("://")).map(|(_, rest)| rest);
    (own.is_none() || own != host).then_some("the request comes from another origin")
}

fn turn_away(area: &str, status: StatusCode, why: &'static str) -> Response {
    if area == "api" {
        return crate::problem::Problem::new(status, why).into_response();
    }
    let mut response = Response::new(Body::from(format!("{why}\n")));
    *response.status_mut() = status;
    response
        .headers_mut()
        .insert(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(pairs: &[(&'static str, &'static str)]) -> bool {
        let headers = pairs
            .iter()
            .map(|(n, v)| (HeaderName::from_static(n), HeaderValue::from_static(v)))
            .collect::<HeaderMap>();
        foreign(&headers).is_some()
    }

    #[test]
    fn requests_that_another_site_sent_are_known() {
        for (pairs, expected) in [
            (&[][..], false),
            (&[("sec-fetch-site", "same-origin")][..], false),
            (&[("sec-fetch-site", "cross-site")][..], true),
            (&[("sec-fetch-site", "same-site")][..], true),
            (&[("origin", "http://h:1"), ("host", "h:1")][..], false),
            (&[("origin", "http://evil"), ("host", "h:1")][..], true),
            (&[("origin", "null"), ("host", "h:1")][..], true),
            (&[("origin", "null"), ("host", "h:1"), ("sec-fetch-site", "same-origin")][..], false),
            (&[("origin", "http://evil"), ("host", "h:1"), ("authorization", "Bearer x")][..], false),
        ] {
            assert_eq!(judged(pairs), expected, "{pairs:?}");
        }
    }

    #[test]
    fn heavy_addresses_are_given_more_time() {
        let limits = WebLimits::default();
        assert_eq!(patience(&limits, "/findings/f-1/evidence"), limits.heavy_answer);
        assert_eq!(patience(&limits, "/api/v1/findings"), limits.answer);
    }

    #[test]
    fn the_policy_allows_nothing_inline() {
        assert!(!POLICY.contains("unsafe") && POLICY.contains("frame-ancestors 'none'"));
    }
}
