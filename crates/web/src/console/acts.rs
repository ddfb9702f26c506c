//! Decisions from the console: `POST /findings/{id}/{act}`, from a form of this session.
//!
//! Owns the form's fields. What was seen comes with the form; who loses a race is shown the present record.

use axum::Form;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use notchwatch_desk::DeskError;
use notchwatch_model::{AccountName, Act, ChannelName, FindingId, Span, SymptomName, Time};

use super::finding;
use super::page::{Frame, Visitor, own_page};
use super::trouble::{Trouble, sentence};
use crate::app::App;
use crate::caller;

/// Fields of the forms; each act uses its own.
#[derive(Debug, Default)]
pub(crate) struct ActForm {
    token: String,
    version: u32,
    /// For how many hours.
    hours: u32,
    /// Reason of a wait or a shelf.
    reason: String,
    outcome: String,
    note: String,
    /// Account to hand to.
    to: String,
    /// Finding to merge into.
    into: String,
    /// Symptoms to split off: channel, space, kind.
    symptoms: Vec<String>,
    /// Page to return to.
    back: String,
}

/// `POST /findings/{id}/{act}`
pub(crate) async fn act(
    State(app): State<App>,
    visitor: Visitor,
    Path((id, word)): Path<(String, String)>,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Response, Trouble> {
    let form = ActForm::read(fields)
        .map_err(|why| Trouble::new(&app, StatusCode::BAD_REQUEST, "The form cannot be read", why))?;
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
    /// Reads the fields of a form; one name may come several times.
    fn read(fields: Vec<(String, String)>) -> Result<Self, String> {
        let mut form = Self::default();
        let number = |text: &str| text.parse().map_err(|_| format!("{text:?} is not a number"));
        for (name, value) in fields {
            match name.as_str() {
                "token" => form.token = value,
                "version" => form.version = number(&value)?,
                "hours" => form.hours = number(&value)?,
                "reason" => form.reason = value,
                "outcome" => form.outcome = value,
                "note" => form.note = value,
                "to" => form.to = value,
                "into" => form.into = value,
                "symptom" => form.symptoms.push(value),
                "back" => form.back = value,
                _ => return Err(format!("there is no field {name:?}")),
            }
        }
        Ok(form)
    }

    /// The act that a form stands for; `None` for a word that is none.
    fn act(&self, word: &str, now: Time) -> Option<Result<Act, String>> {
        let until = || now + Span::from_hours(i64::from(self.hours));
        let reason = || self.reason.clone();
        Some(Ok(match word {
            "acknowledge" => Act::Acknowledge,
            "take" => Act::Take,
            "give-back" => Act::GiveBack,
            "hand" => return Some(self.hand()),
            "wait" => Act::Wait { until: until(), reason: reason() },
            "shelve" => Act::Shelve { until: until(), reason: reason() },
            "unshelve" => Act::Unshelve,
            "out-of-service" => Act::OutOfService { until: until(), reason: reason() },
            "back-in-service" => Act::BackInService,
            "merge" => return Some(self.merge()),
            "split" => return Some(self.split()),
            "reopen" => Act::Reopen { reason: reason() },
            "close" => return Some(self.close()),
            "note" => Act::Note { text: self.note.clone() },
            _ => return None,
        }))
    }

    fn hand(&self) -> Result<Act, String> {
        AccountName::new(&self.to).map(|to| Act::Hand { to }).map_err(|_| "choose an account".to_owned())
    }

    fn merge(&self) -> Result<Act, String> {
        FindingId::new(&self.into).map(|into| Act::Merge { into }).map_err(|_| "choose a finding".to_owned())
    }

    fn split(&self) -> Result<Act, String> {
        let name = |text: &String| {
            let (channel, kind) = text.split_once(' ').ok_or("a symptom is a channel and a kind")?;
            let channel = ChannelName::new(channel).map_err(|e| e.to_string())?;
            Ok::<_, String>(SymptomName { channel, kind: kind.parse()? })
        };
        Ok(Act::Split { symptoms: self.symptoms.iter().map(name).collect::<Result<_, _>>()? })
    }

    fn close(&self) -> Result<Act, String> {
        let note = Some(self.note.clone()).filter(|n| !n.trim().is_empty());
        Ok(Act::Close { outcome: self.outcome.parse()?, note })
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
        assert_eq!(made("out-of-service"), Some(Act::OutOfService { until, reason: "crew change".into() }));
        let nothing = ActForm::default();
        assert!(nothing.act("close", sample::noon()).unwrap().is_err(), "closing needs an outcome");
        for word in ["hand", "merge"] {
            assert!(nothing.act(word, sample::noon()).unwrap().is_err(), "{word} needs to know whom or what");
        }
    }

    #[test]
    fn several_symptoms_are_chosen_and_unknown_fields_refused() {
        let fields = |list: &[(&str, &str)]| {
            ActForm::read(list.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect())
        };
        let form =
            fields(&[("version", "3"), ("symptom", "oil_temp drift"), ("symptom", "oil_pressure limit")]);
        let Some(Ok(Act::Split { symptoms })) = form.unwrap().act("split", sample::noon()) else {
            panic!("no split");
        };
        let names: Vec<String> =
            symptoms.iter().map(|s| format!("{} {}", s.channel, s.kind.word())).collect();
        assert_eq!(names, ["oil_temp drift", "oil_pressure limit"]);
        let bad = fields(&[("symptom", "oil_temp wobble")]).unwrap();
        assert!(bad.act("split", sample::noon()).unwrap().is_err());
        assert!(fields(&[("colour", "red")]).is_err());
        assert!(fields(&[("hours", "many")]).is_err());
    }
}
