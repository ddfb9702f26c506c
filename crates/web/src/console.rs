//! The operators' console: pages rendered here, kept live by one script.
//!
//! Owns pages, forms and the session cookie. Refuses to decide anything itself: every act goes through the desk, and
//! nothing a page shows is more than the API shows the same caller.

mod acts;
mod evidence;
mod feed;
mod filters;
mod finding;
mod fleet;
pub(crate) mod format;
mod gauge;
mod load;
mod message;
mod page;
mod password;
mod peers;
mod quarantine;
mod queue;
mod sign_in;
mod spark;
mod trouble;
mod unit;

use axum::Router;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};

use crate::app::App;

/// Routes of pages, forms and the files they load.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .route("/", get(|| async { Redirect::to("/queue") }))
        .route("/queue", get(queue::queue))
        .route("/findings/{id}", get(finding::finding))
        .route("/findings/{id}/evidence", get(evidence::evidence))
        .route("/findings/{id}/{act}", post(acts::act))
        .route("/units/{railway}/{unit}", get(unit::unit))
        .route("/units/{railway}/{unit}/samples.csv", get(unit::file))
        .route("/units/{railway}/{unit}/channels/{channel}", get(unit::channel))
        .route("/units/{railway}/{unit}/evidence", get(evidence::of_unit))
        .route("/load", get(load::load))
        .route("/load/positions", post(load::put))
        .route("/load/positions/remove", post(load::remove))
        .route("/fleet", get(fleet::fleet))
        .route("/fleet/peers", get(peers::peers))
        .route("/feed", get(feed::feed))
        .route("/quarantine", get(quarantine::list))
        .route("/quarantine/replay", post(quarantine::replay))
        .route("/quarantine/{id}", get(message::message))
        .route("/quarantine/{id}/replay", post(message::replay))
        .route("/quarantine/{id}/register", post(message::register))
        .route("/password", get(password::form).post(password::change))
        .route("/sign-in", get(sign_in::form).post(sign_in::sign_in))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/assets/{name}", get(asset))
        .route("/favicon.ico", get(favicon))
}

/// A file of the pages. Its name holds a hash of its content, so it may be kept for ever.
async fn asset(State(app): State<App>, Path(name): Path<String>) -> Response {
    let Some((kind, content)) = app.assets.find(&name) else {
        return (StatusCode::NOT_FOUND, "no such file\n").into_response();
    };
    let mut response = content.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("public, max-age=31536000, immutable"));
    response
}

async fn favicon(State(app): State<App>) -> Redirect {
    Redirect::to(&format!("/assets/{}", app.assets.names.icon))
}
