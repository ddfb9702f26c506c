//! Signing in and out.
//!
//! Owns giving and taking the session cookie. Refuses to say whether a name exists.

use askama::Template;
use axum::Form;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use notchwatch_desk::DeskError;
use serde::Deserialize;

use super::page::{Frame, Visitor, answer, own_page};
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;

/// Where to go afterwards.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Then {
    then: String,
}

/// What the form sends.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SignInForm {
    name: String,
    password: String,
    #[serde(default)]
    then: String,
}

/// Token of a form that has no other field.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TokenForm {
    token: String,
}

#[derive(Debug, Template)]
#[template(path = "sign_in.html")]
struct Page {
    frame: Frame,
    name: String,
    wrong: String,
    then: String,
}

/// `GET /sign-in`
pub(crate) async fn form(State(app): State<App>, Query(query): Query<Then>) -> Response {
    page(&app, StatusCode::OK, String::new(), String::new(), &query.then)
}

/// `POST /sign-in`
pub(crate) async fn sign_in(State(app): State<App>, Form(form): Form<SignInForm>) -> Response {
    match app.desk.sign_in(&form.name, &form.password).await {
        Ok((secret, _)) => {
            let to = if form.then.is_empty() { "/queue" } else { own_page(&form.then) };
            let mut response = Redirect::to(to).into_response();
            if let Some(cookie) = caller::set_cookie(Some(secret.expose()), app.options.behind_tls) {
                response.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            response
        }
        Err(DeskError::Forbidden(why)) => {
            page(&app, StatusCode::FORBIDDEN, form.name, sentence(&why), &form.then)
        }
        Err(error @ DeskError::TooMany { .. }) => {
            page(&app, StatusCode::TOO_MANY_REQUESTS, form.name, sentence(&error.to_string()), &form.then)
        }
        Err(error) => Trouble::of(&app, &error).into_response(),
    }
}

/// `POST /sign-out`
pub(crate) async fn sign_out(
    State(app): State<App>,
    visitor: Visitor,
    Form(form): Form<TokenForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    app.desk.sign_out(&visitor.secret).await.map_err(|e| Trouble::of(&app, &e))?;
    let mut response = Redirect::to("/sign-in").into_response();
    if let Some(cookie) = caller::set_cookie(None, app.options.behind_tls) {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    Ok(response)
}

fn page(app: &App, status: StatusCode, name: String, wrong: String, then: &str) -> Response {
    let then = if then.is_empty() { String::new() } else { own_page(then).to_owned() };
    answer(status, &Page { frame: Frame::bare(app, "sign-in"), name, wrong, then })
}
