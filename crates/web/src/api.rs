//! The versioned API: JSON over HTTP, a live stream, errors as RFC 9457, described by OpenAPI 3.1.
//!
//! Owns `/api/v1`. One endpoint a file: its request, its answer, its tests. Refuses pages and forms.

mod accounts;
mod acts;
mod engine_timeline;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod events;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod export;
mod feed;
mod finding;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod findings;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod health;
mod history;
mod input;
mod load;
mod newest;
mod openapi;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod peers;
mod positions;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod quarantine;
mod quarantine_register;
mod register;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod samples;
mod scope;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod timeline;
mod timeline_add;
mod timeline_withdraw;
mod tokens;
#[expect(unused_qualifications, reason = "the path macro writes them")]
mod units;
mod view;

use axum::Router;
use axum::extract::{DefaultBodyLimit, FromRequestParts};
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::IntoResponse;
use axum::routing::{delete, get, post, put};
use notchwatch_model::Principal;
pub use openapi::openapi;

use crate::app::App;
use crate::caller::{self, Credential};
use crate::problem::Problem;

/// Routes under `/api/v1`.
pub(crate) fn routes(app: &App) -> Router<App> {
    let register = DefaultBodyLimit::max(app.options.limits.register_bytes);
    let v1 = Router::new()
        .route("/findings", get(findings::list))
        .route("/findings/{id}", get(finding::detail))
        .route("/findings/{id}/history", get(history::history))
        .route("/findings/{id}/acknowledge", post(acts::acknowledge))
        .route("/findings/{id}/take", post(acts::take))
        .route("/findings/{id}/give-back", post(acts::give_back))
        .route("/findings/{id}/hand", post(acts::hand))
        .route("/findings/{id}/out-of-service", post(acts::out_of_service))
        .route("/findings/{id}/back-in-service", post(acts::back_in_service))
        .route("/findings/{id}/merge", post(acts::merge))
        .route("/findings/{id}/split", post(acts::split))
        .route("/findings/{id}/reopen", post(acts::reopen))
        .route("/findings/{id}/wait", post(acts::wait))
        .route("/findings/{id}/shelve", post(acts::shelve))
        .route("/findings/{id}/unshelve", post(acts::unshelve))
        .route("/findings/{id}/close", post(acts::close))
        .route("/findings/{id}/note", post(acts::note))
        .route("/events", get(events::events))
        .route("/quarantine", get(quarantine::list))
        .route("/quarantine/replay", post(quarantine::replay_all))
        .route("/quarantine/{id}", get(quarantine::row))
        .route("/quarantine/{id}/bytes", get(quarantine::bytes))
        .route("/quarantine/{id}/replay", post(quarantine::replay))
        .route("/quarantine/{id}/register", post(quarantine_register::register))
        .route("/register", get(register::read).put(register::put).layer(register))
        .route("/units", get(units::list))
        .route("/units/{railway}/{unit}/newest", get(newest::newest))
        .route("/units/{railway}/{unit}/samples", get(samples::samples))
        .route("/units/{railway}/{unit}/samples.csv", get(export::export))
        .route("/units/{railway}/{unit}/timeline", get(timeline::of_unit).post(timeline_add::one))
        .route("/units/{railway}/{unit}/health", get(health::health))
        .route("/units/{railway}/{unit}/health/history", get(health::of_unit))
        .route("/engines/{serial}/health/history", get(health::of_engine))
        .route("/engines/{serial}/timeline", get(engine_timeline::of_engine))
        .route("/timeline", post(timeline_add::many))
        .route("/timeline/{id}/withdraw", post(timeline_withdraw::withdraw))
        .route("/peers", get(peers::peers))
        .route("/feed", get(feed::feed))
        .route("/load", get(load::load))
        .route("/positions/{id}", put(positions::put).delete(positions::remove))
        .route("/accounts", get(accounts::list))
        .route("/accounts/{name}", put(accounts::put))
        .route("/tokens", get(tokens::list).post(tokens::create))
        .route("/tokens/{id}", delete(tokens::revoke))
        .route("/openapi.json", get(openapi::document))
        .fallback(no_route)
        .method_not_allowed_fallback(no_method);
    Router::new().nest("/api/v1", v1)
}

async fn no_route() -> Problem {
    Problem::new(StatusCode::NOT_FOUND, "the API has no such address; /api/v1/openapi.json lists them")
}

async fn no_method() -> Problem {
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not answer to that method")
}

/// A proved caller of the API.
pub(crate) struct ApiCaller {
    pub(crate) who: Principal,
    pub(crate) credential: Credential,
}

impl FromRequestParts<App> for ApiCaller {
    type Rejection = axum::response::Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Self::Rejection> {
        match caller::caller(&app.desk, &parts.headers, app.options.behind_tls).await {
            Ok(Some(caller)) => Ok(Self { who: caller.who, credential: caller.credential }),
            Ok(None) => {
                let detail = "send a bearer token that lasts, or sign in";
                Err(Problem::new(StatusCode::UNAUTHORIZED, detail).into_response())
            }
            Err(error) => Err(Problem::of(&error).into_response()),
        }
    }
}
