//! The two faces of the desk: `api`, versioned JSON with a live stream, and `console`, pages for operators.
//!
//! Owns HTTP: routes, cookies, headers, limits of requests, metrics and health as they are asked for. Refuses SQL,
//! evaluation and decisions of its own; `api` and `console` stand side by side and neither imports the other.

mod api;
mod app;
mod assets;
mod caller;
mod console;
mod listener;
mod metrics;
mod operations;
mod options;
mod problem;
#[cfg(test)]
mod sample;
mod security;
mod stages;
mod streams;
#[cfg(test)]
mod tests;
mod words;

pub use api::openapi;
use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::middleware;
pub use listener::{Connection, Listener, serve};
use notchwatch_desk::Desk;
pub use options::{Reasons, WebLimits, WebOptions};
pub use stages::{Backlog, Stage, Stages};

use crate::app::App;

/// Everything that is served. Give it to [`serve`], which cuts clients that do not read and clients that do not ask.
pub fn router(desk: Desk, options: WebOptions) -> Router {
    let body = DefaultBodyLimit::max(options.limits.body_bytes);
    let app = App::new(desk, options);
    Router::new()
        .merge(console::routes())
        .merge(operations::routes())
        .merge(api::routes(&app))
        .fallback(|| async { (StatusCode::NOT_FOUND, "there is no such address\n") })
        .layer(body)
        .layer(middleware::from_fn_with_state(app.clone(), security::guard))
        .with_state(app)
}
