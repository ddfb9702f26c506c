//! Changing one's own password.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use notchwatch_desk::{DeskError, MIN_PASSWORD_CHARS};
use serde::Deserialize;

use super::page::{Frame, Visitor, answer};
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;

/// What the form sends.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PasswordForm {
    token: String,
    present: String,
    new: String,
    again: String,
}

#[derive(Debug, Template)]
#[template(path = "password.html")]
struct Page {
    frame: Frame,
    wrong: String,
    done: bool,
    least: usize,
}

/// `GET /password`
pub(crate) async fn form(State(app): State<App>, visitor: Visitor) -> Result<Response, Trouble> {
    show(&app, &visitor, StatusCode::OK, String::new(), false).await
}

/// `POST /password`
pub(crate) async fn change(
    State(app): State<App>,
    visitor: Visitor,
    Form(form): Form<PasswordForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    if form.new != form.again {
        let wrong = "The two new passwords differ.".to_owned();
        return show(&app, &visitor, StatusCode::UNPROCESSABLE_ENTITY, wrong, false).await;
    }
    match app.desk.change_password(&visitor.who, &form.present, &form.new).await {
        Ok(()) => show(&app, &visitor, StatusCode::OK, String::new(), true).await,
        Err(DeskError::Forbidden(why) | DeskError::Refused(why)) => {
            show(&app, &visitor, StatusCode::UNPROCESSABLE_ENTITY, sentence(&why), false).await
        }
        Err(error) => Err(Trouble::of(&app, &error)),
    }
}

async fn show(
    app: &App,
    visitor: &Visitor,
    status: StatusCode,
    wrong: String,
    done: bool,
) -> Result<Response, Trouble> {
    let frame = Frame { live: false, ..Frame::of(app, visitor, "password").await? };
    Ok(answer(status, &Page { frame, wrong, done, least: MIN_PASSWORD_CHARS }))
}
