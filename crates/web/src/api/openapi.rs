//! The API's description in OpenAPI 3.1, made from the endpoints themselves.
//!
//! Owns what stands around them: title, security, tags. A copy is committed; a test keeps the two equal.

use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use utoipa::openapi::security::{ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{Components, OpenApi as Document};
use utoipa::{Modify, OpenApi};

use super::{
    accounts, acts, engine_timeline, events, export, feed, finding, findings, health, history, load, newest,
    peers, positions, quarantine, quarantine_register, register, samples, timeline, timeline_add,
    timeline_withdraw, tokens, units,
};
use crate::app::App;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Notchwatch",
        version = "1",
        description = "Findings on diesel-electric locomotives: lists, decisions, a live stream, samples and the register. Ids are text, times RFC 3339 in UTC, errors RFC 9457.",
        license(name = "Apache-2.0", identifier = "Apache-2.0")
    ),
    paths(
        findings::list, finding::detail, history::history, acts::acknowledge, acts::take, acts::wait, acts::shelve,
        acts::unshelve, acts::give_back, acts::hand, acts::out_of_service, acts::back_in_service, acts::merge,
        acts::split, acts::reopen, acts::close, acts::note, events::events, quarantine::list, quarantine::row, quarantine::bytes, quarantine::replay, quarantine::replay_all, quarantine_register::register,
        register::read, register::put, units::list, newest::newest, samples::samples, export::export, health::health, health::of_unit, health::of_engine, timeline::of_unit, timeline_add::one, timeline_add::many,
        timeline_withdraw::withdraw, engine_timeline::of_engine, peers::peers, feed::feed, load::load, positions::put, positions::remove, accounts::list, accounts::put,
        tokens::list, tokens::create, tokens::revoke
    ),
    security(("token" = []), ("session" = [])),
    modifiers(&Proofs)
)]
struct Api;

struct Proofs;

impl Modify for Proofs {
    fn modify(&self, document: &mut Document) {
        let components = document.components.get_or_insert_with(Components::new);
        let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).build();
        components.add_security_scheme("token", SecurityScheme::Http(bearer));
        let cookie = ApiKeyValue::new("notchwatch");
        components.add_security_scheme("session", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
    }
}

/// The description as JSON text with a line end, as it is committed.
pub fn openapi() -> String {
    let mut text = Api::openapi().to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// `GET /api/v1/openapi.json`, for everybody.
pub(crate) async fn document(State(_): State<App>) -> Response {
    let kind = HeaderValue::from_static("application/json");
    ([(header::CONTENT_TYPE, kind)], openapi()).into_response()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_copy_is_the_present_description() {
        let committed = include_str!("../../openapi.json");
        assert!(
            committed == super::openapi(),
            "openapi.json is old: cargo run -p notchwatch-web --example openapi > crates/web/openapi.json"
        );
    }
}
