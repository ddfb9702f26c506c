//! `POST /api/v1/findings/{id}/…`: decisions. Each applies to the version in `If-Match`, or to nothing.
//!
//! The acts differ in their bodies alone, so they share one file and one way through.

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use bytes::Bytes;
use notchwatch_desk::DeskError;
use notchwatch_model::{AccountName, Act, ChannelName, FindingId, SymptomName, Time};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;

use super::view::FindingView;
use super::{ApiCaller, finding, input};
use crate::app::App;
use crate::problem::Problem;

/// Nothing to say with it. An absent body is the same.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Empty {}

/// Until when, and for what.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Wait {
    /// RFC 3339, in the future.
    until: String,
    /// What is waited for.
    #[serde(rename = "for")]
    reason: String,
}

/// Until when, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Shelve {
    /// RFC 3339, in the future.
    until: String,
    /// Why it is hidden.
    reason: String,
}

/// Until when at the latest, and which work.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct OutOfService {
    /// RFC 3339, in the future.
    until: String,
    /// Which work is done on the instrument or the machine.
    reason: String,
}

/// To whom.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Hand {
    /// An account that may decide on findings of the unit's railway.
    to: String,
}

/// Into which.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Merge {
    /// Id of the finding that stays: open, and of the same unit.
    into: String,
}

/// Which symptoms go.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Split {
    /// Some of the finding's, not all.
    symptoms: Vec<SplitSymptom>,
}

/// A symptom of the finding.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SplitSymptom {
    /// Its channel.
    channel: String,
    /// Its kind, as the finding says it.
    kind: String,
}

/// Why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Reopen {
    /// Why it is not done after all.
    reason: String,
}

/// How it ended.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Close {
    /// `confirmed-as-advised`, `confirmed-other-cause`, `no-fault-found`, `not-inspected`, `repaired-elsewhere`, `sensor-at-fault` or `level-accepted`.
    outcome: String,
    /// Remark.
    #[serde(default)]
    note: Option<String>,
}

/// A remark.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Note {
    /// The remark.
    text: String,
}

macro_rules! act {
    ($(#[$doc:meta])* $name:ident, $path:literal, $body:ty, $make:expr) => {
        $(#[$doc])*
        #[utoipa::path(
            post, path = $path, tag = "findings", request_body = $body,
            params(
                ("id" = String, Path, description = "id of the finding"),
                ("If-Match" = String, Header, description = "version of the finding that was read, in double quotes"),
            ),
            responses(
                (status = 200, body = FindingView, description = "as it stands after the decision"),
                (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem),
                (status = 404, body = Problem), (status = 409, body = Problem, description = "another decision came first; `current` is the present record"),
                (status = 422, body = Problem), (status = 428, body = Problem), (status = 503, body = Problem),
            )
        )]
        pub(crate) async fn $name(
            State(app): State<App>,
            caller: ApiCaller,
            Path(id): Path<String>,
            headers: HeaderMap,
            body: Bytes,
        ) -> Result<Response, Problem> {
            let make: fn($body) -> Result<Act, Problem> = $make;
            decide(&app, &caller, &id, &headers, &body, make).await
        }
    };
}

act!(
    /// The present occurrence is seen and needs no more notice.
    acknowledge, "/api/v1/findings/{id}/acknowledge", Empty, |_| Ok(Act::Acknowledge)
);
act!(
    /// The caller works on it.
    take, "/api/v1/findings/{id}/take", Empty, |_| Ok(Act::Take)
);
act!(
    /// Nothing to do until a date or an answer.
    wait, "/api/v1/findings/{id}/wait", Wait,
    |body| Ok(Act::Wait { until: time(&body.until)?, reason: body.reason })
);
act!(
    /// Hidden for a stated time and reason; visible to all as shelved.
    shelve, "/api/v1/findings/{id}/shelve", Shelve,
    |body| Ok(Act::Shelve { until: time(&body.until)?, reason: body.reason })
);
act!(
    /// Shown again before its time.
    unshelve, "/api/v1/findings/{id}/unshelve", Empty, |_| Ok(Act::Unshelve)
);
act!(
    /// The caller works on it no more.
    give_back, "/api/v1/findings/{id}/give-back", Empty, |_| Ok(Act::GiveBack)
);
act!(
    /// Somebody else works on it from now on.
    hand, "/api/v1/findings/{id}/hand", Hand,
    |body| Ok(Act::Hand {
        to: AccountName::new(&body.to).map_err(|e| Problem::pointer("/to", e.to_string()))?,
    })
);
act!(
    /// Taken out while something is worked on, for a stated time and reason; visible to all as out of service.
    out_of_service, "/api/v1/findings/{id}/out-of-service", OutOfService,
    |body| Ok(Act::OutOfService { until: time(&body.until)?, reason: body.reason })
);
act!(
    /// Counts again before its time: the work is tested.
    back_in_service, "/api/v1/findings/{id}/back-in-service", Empty, |_| Ok(Act::BackInService)
);
act!(
    /// One matter with another finding of the unit: this one closes as `merged`, the other carries its symptoms on.
    merge, "/api/v1/findings/{id}/merge", Merge,
    |body| Ok(Act::Merge {
        into: FindingId::new(&body.into).map_err(|e| Problem::pointer("/into", e.to_string()))?,
    })
);
act!(
    /// Some of its symptoms become a finding of their own, named at the end of `split_off`.
    split, "/api/v1/findings/{id}/split", Split,
    |body| Ok(Act::Split {
        symptoms: body.symptoms.iter().enumerate().map(symptom).collect::<Result<_, _>>()?,
    })
);
act!(
    /// Not done after all: open again, and the caller works on it.
    reopen, "/api/v1/findings/{id}/reopen", Reopen, |body| Ok(Act::Reopen { reason: body.reason })
);
act!(
    /// Done, with an outcome.
    close, "/api/v1/findings/{id}/close", Close,
    |body| Ok(Act::Close {
        outcome: body.outcome.parse().map_err(|e: String| Problem::pointer("/outcome", e))?,
        note: body.note,
    })
);
act!(
    /// A remark for the history.
    note, "/api/v1/findings/{id}/note", Note, |body| Ok(Act::Note { text: body.text })
);

async fn decide<B: DeserializeOwned>(
    app: &App,
    caller: &ApiCaller,
    id: &str,
    headers: &HeaderMap,
    body: &[u8],
    make: fn(B) -> Result<Act, Problem>,
) -> Result<Response, Problem> {
    let id = input::finding_id(id)?;
    let seen = input::seen_version(headers)?;
    let act = make(input::body(if body.is_empty() { b"{}" } else { body })?)?;
    match app.desk.decide(&caller.who, &id, seen, act).await {
        Ok(finding) => Ok(finding::record(&finding, app.desk.now())),
        Err(DeskError::Conflict(current)) => {
            let view = FindingView::new(&current, app.desk.now());
            Err(Problem::of(&DeskError::Conflict(current)).with_current(&view))
        }
        Err(error) => Err(error.into()),
    }
}

fn symptom((place, name): (usize, &SplitSymptom)) -> Result<SymptomName, Problem> {
    let wrong = |field: &str, why: String| Problem::pointer(&format!("/symptoms/{place}/{field}"), why);
    Ok(SymptomName {
        channel: ChannelName::new(&name.channel).map_err(|e| wrong("channel", e.to_string()))?,
        kind: name.kind.parse().map_err(|e: String| wrong("kind", e))?,
    })
}

fn time(text: &str) -> Result<Time, Problem> {
    text.parse().map_err(|e: notchwatch_model::TimeError| Problem::pointer("/until", e.to_string()))
}
