//! Decisions from the console: `POST /findings/{id}/{act}`, from a form of this session.
//!
//! Owns the form's fields. What was seen comes with the form; who loses a race is shown the present record.

use axum::Form;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use notchwatch_desk::DeskError;
use notchwatch_model::{Act, FindingId, Span, Time};
use serde::Deserialize;

use super::finding;
use super::page::{Frame, Visitor, own_page};
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;

/// Fields of the forms; each act uses its own.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct ActForm {
    token: String,
    version: u32,
    /// For how many hours.
    hours: u32,
    /// Reason of a wait or a shelf.
    reason: String,
    outcome: String,
    note: String,
    /// Page to return to.
    back: String,
}

/// `POST /findings/{id}/{act}`
pub(crate) async fn act(
    State(app): State<App>,
    visitor: Visitor,
    Path((id, word)): Path<(String, String)>,
    Form(form): Form<ActForm>,
) -> Result<Response, Trouble> {
    if !caller::form_token_fits(&visitor.secret, &form.token) {
        return Err(Trouble::token(&app));
    }
    let trouble = |e: DeskError| Trouble::of(&app, &e);
    let id = FindingId::new(&id).map_err(|_| trouble(DeskError::NotFound))?;
    let outcome = match form.act(&word, app.desk.now()) {
        Some(Ok(act)) => app.desk.decide(&visitor.who, &id, form.version, act).await,
        Some(Err(why)) => Err(DeskError::Refused(why)),
        None => return Err(trouble(DeskError::NotFound)),
    };
    let (status, notice) = match outcome {
        Ok(_) => {
            let fallback = format!("/findings/{id}");
            let back = if form.back.is_empty() { &fallback } else { own_page(&form.back) };
            return Ok(Redirect::to(back).into_response());
        }
        Err(DeskError::Conflict(_)) => (
            StatusCode::CONFLICT,
            format!(
                "Your {word} was not applied: the finding changed since you saw it. This is the present record."
            ),
        ),
        Err(DeskError::Refused(why)) => {
            (StatusCode::UNPROCESSABLE_ENTITY, format!("Your {word} was not applied. {}", sentence(&why)))
        }
        Err(error) => return Err(trouble(error)),
    };
    let frame = Frame::of(&app, &visitor, "queue").await?;
    let finding = app.desk.finding(&visitor.who, &id).await.map_err(trouble)?;
    finding::show(&app, &visitor, frame, &finding, status, notice).await
}

impl ActForm {
    /// The act that a form stands for; `None` for a word that is none.
    fn act(&self, word: &str, now: Time) -> Option<Result<Act, String>> {
        let until = || now + Span::from_hours(i64::from(self.hours));
        Some(Ok(match word {
            "acknowledge" => Act::Acknowledge,
            "take" => Act::Take,
            "wait" => Act::Wait { until: until(), reason: self.reason.clone() },
            "shelve" => Act::Shelve { until: until(), reason: self.reason.clone() },
            "unshelve" => Act::Unshelve,
            "close" => match self.outcome.parse() {
                Ok(outcome) => {
                    let note = Some(self.note.clone()).filter(|n| !n.trim().is_empty());
                    Act::Close { outcome, note }
                }
                Err(why) => return Some(Err(why)),
            },
            "note" => Act::Note { text: self.note.clone() },
            _ => return None,
        }))
    }
}

#[cfg(test)]
mod tests {
    use notchwatch_model::Outcome;

    use super::*;
    use crate::sample;

    #[test]
    fn forms_become_acts() {
        let form = ActForm {
            hours: 4,
            reason: "crew change".into(),
            outcome: "no-fault-found".into(),
            note: "  ".into(),
            ..ActForm::default()
        };
        let made = |word: &str| form.act(word, sample::noon()).map(Result::unwrap);
        let until = sample::noon() + Span::from_hours(4);
        assert_eq!(made("wait"), Some(Act::Wait { until, reason: "crew change".into() }));
        assert_eq!(made("close"), Some(Act::Close { outcome: Outcome::NoFaultFound, note: None }));
        assert_eq!(made("erase"), None);
        let nothing = ActForm::default();
        assert!(nothing.act("close", sample::noon()).unwrap().is_err(), "closing needs an outcome");
    }
}
