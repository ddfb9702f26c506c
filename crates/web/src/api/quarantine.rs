//! `GET /api/v1/quarantine`: refused messages and records, one of them, and its bytes.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use notchwatch_desk::{Again, Replays};
use notchwatch_model::Reason;
use notchwatch_store::{Cursor, QuarantineQuery, QuarantineRow};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Items a page when none is asked for.
const DEFAULT_LIMIT: usize = 100;

/// Filters; every one narrows.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct QuarantineParams {
    /// For this reason.
    reason: Option<String>,
    /// Of this railway.
    railway: Option<String>,
    /// Of this unit number.
    unit: Option<String>,
    /// Received at or after this RFC 3339 time.
    since: Option<String>,
    /// Received before this RFC 3339 time.
    until: Option<String>,
    /// With this text anywhere in the topic; upper and lower case differ.
    topic: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
    /// Most items, 1 to 500.
    limit: Option<String>,
}

/// A refused message, or the records of one message refused for one reason.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Quarantined)]
pub(crate) struct QuarantineView {
    id: String,
    received: String,
    topic: String,
    content_type: Option<String>,
    railway: Option<String>,
    unit: Option<String>,
    /// From the fixed list of reasons.
    reason: &'static str,
    /// First record refused, from 0; null when the whole message is.
    record: Option<u32>,
    /// Records of the message refused for it.
    count: u32,
    /// What was found and what would be right.
    detail: String,
    /// Size of the message in bytes.
    size: u64,
}

/// A page of refused things, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct QuarantinePage {
    items: Vec<QuarantineView>,
    next: Option<String>,
    /// Rows that cannot be read are left out.
    left_out: bool,
}

impl QuarantineView {
    fn new(row: &QuarantineRow) -> Self {
        Self {
            id: row.id.to_string(),
            received: row.received.to_string(),
            topic: row.topic.clone(),
            content_type: row.content_type.clone(),
            railway: row.railway.as_ref().map(ToString::to_string),
            unit: row.unit.as_ref().map(ToString::to_string),
            reason: row.reason.code(),
            record: row.record,
            count: row.count,
            detail: row.detail.clone(),
            size: row.size,
        }
    }
}

/// What was refused and why, newest first.
#[utoipa::path(
    get, path = "/api/v1/quarantine", tag = "quarantine", params(QuarantineParams),
    responses((status = 200, body = QuarantinePage), (status = 400, body = Problem), (status = 401, body = Problem))
)]
pub(crate) async fn list(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<QuarantinePage>, Problem> {
    let page = app.desk.quarantine(&caller.who, wanted(&uri)?).await?;
    Ok(Json(QuarantinePage {
        items: page.items.iter().map(QuarantineView::new).collect(),
        next: page.next.map(|c| c.0),
        left_out: page.left_out,
    }))
}

/// One refused thing.
#[utoipa::path(
    get, path = "/api/v1/quarantine/{id}", tag = "quarantine", params(("id" = String, Path, description = "number of the row")),
    responses((status = 200, body = QuarantineView), (status = 401, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn row(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<Json<QuarantineView>, Problem> {
    let (row, _) = app.desk.quarantine_row(&caller.who, number(&id)?).await?;
    Ok(Json(QuarantineView::new(&row)))
}

/// The message's bytes as they came, all that are stored.
#[utoipa::path(
    get, path = "/api/v1/quarantine/{id}/bytes", tag = "quarantine", params(("id" = String, Path, description = "number of the row")),
    responses((status = 200, content_type = "application/octet-stream", description = "the message"), (status = 401, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn bytes(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    let (_, bytes) = app.desk.quarantine_row(&caller.who, number(&id)?).await?;
    let mut response = bytes.into_response();
    let headers = response.headers_mut();
    // What a sender wrote is never shown as a page, whatever it says it is.
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/octet-stream"));
    headers.insert(
        header::CONTENT_DISPOSITION,
        HeaderValue::from_static("attachment; filename=\"message.bin\""),
    );
    Ok(response)
}

/// What came of another try.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Replayed)]
pub(crate) struct ReplayView {
    /// `stored`, `still-refused` or `incomplete` (its bytes were not kept whole).
    outcome: &'static str,
    /// Why it is refused still.
    refused: Vec<RefusalView>,
}

/// One reason.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StillRefused)]
pub(crate) struct RefusalView {
    /// From the fixed list of reasons.
    reason: &'static str,
    /// What was found and what would be right.
    detail: String,
}

/// Another try at a refused message, once its cause is mended: read with the register of now, its receive time kept. The
/// row stays. Samples that are stored already count once, so nothing is stored twice.
#[utoipa::path(
    post, path = "/api/v1/quarantine/{id}/replay", tag = "quarantine", params(("id" = String, Path, description = "number of the row")),
    responses(
        (status = 200, body = ReplayView), (status = 401, body = Problem), (status = 403, body = Problem),
        (status = 404, body = Problem), (status = 503, body = Problem),
    )
)]
pub(crate) async fn replay(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<Json<ReplayView>, Problem> {
    let again = app.desk.replay(&caller.who, number(&id)?).await?;
    let outcome = match &again {
        Again::Stored => "stored",
        Again::StillRefused(_) => "still-refused",
        Again::Incomplete | Again::Absent => "incomplete",
    };
    let refused = match again {
        Again::StillRefused(refused) => refused,
        Again::Stored | Again::Incomplete | Again::Absent => vec![],
    };
    let view = |(reason, detail): (Reason, String)| RefusalView { reason: reason.code(), detail };
    Ok(Json(ReplayView { outcome, refused: refused.into_iter().map(view).collect() }))
}

/// What came of another try at several.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReplayedSet)]
pub(crate) struct ReplaysView {
    /// Stored now.
    stored: u64,
    /// Refused still; each row tells why, and one alone can be tried again for its present reason.
    still_refused: u64,
    /// Not to be read again: their bytes were not kept whole.
    incomplete: u64,
    /// `cursor` of the next call, while there is more of the set.
    next: Option<String>,
}

/// Another try at a filtered set, newest first, 100 at most a call; `next` leads on. Otherwise as for a single one.
#[utoipa::path(
    post, path = "/api/v1/quarantine/replay", tag = "quarantine", params(QuarantineParams),
    responses(
        (status = 200, body = ReplaysView), (status = 400, body = Problem), (status = 401, body = Problem),
        (status = 403, body = Problem), (status = 503, body = Problem),
    )
)]
pub(crate) async fn replay_all(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<ReplaysView>, Problem> {
    let done = app.desk.replay_all(&caller.who, wanted(&uri)?).await?;
    let Replays { stored, still_refused, incomplete, next } = done;
    Ok(Json(ReplaysView { stored, still_refused, incomplete, next: next.map(|cursor| cursor.0) }))
}

/// The filters of an address.
fn wanted(uri: &Uri) -> Result<QuarantineQuery, Problem> {
    let params: QuarantineParams = input::query(uri)?;
    Ok(QuarantineQuery {
        reason: params.reason.as_deref().filter(|r| !r.is_empty()).map(reason).transpose()?,
        railway: input::maybe("railway", params.railway.as_ref())?,
        unit: input::maybe("unit", params.unit.as_ref())?,
        since: input::maybe("since", params.since.as_ref())?,
        until: input::maybe("until", params.until.as_ref())?,
        topic: params.topic.filter(|t| !t.is_empty()),
        after: params.cursor.map(Cursor),
        limit: input::maybe("limit", params.limit.as_ref())?.unwrap_or(DEFAULT_LIMIT).max(1),
    })
}

fn reason(text: &str) -> Result<Reason, Problem> {
    Reason::from_code(text).ok_or_else(|| {
        let known: Vec<_> = Reason::ALL.iter().map(|r| r.code()).collect();
        Problem::parameter("reason", format!("{text:?} is not a reason: {}", known.join(", ")))
    })
}

pub(crate) fn number(id: &str) -> Result<i64, Problem> {
    id.parse().map_err(|_| Problem::new(StatusCode::NOT_FOUND, "no such thing among those you may see"))
}
