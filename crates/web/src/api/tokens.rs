//! `/api/v1/tokens`: tokens for programs, for administrators. A secret is shown once, when it is made.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_desk::DeskError;
use notchwatch_model::{AccountName, Principal};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{ApiCaller, input, scope};
use crate::app::App;
use crate::problem::Problem;

/// A token, without its secret.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Token)]
pub(crate) struct TokenView {
    id: String,
    label: String,
    /// Name that stands on its decisions.
    name: String,
    role: &'static str,
    all_railways: bool,
    railways: Option<Vec<String>>,
    created: String,
    /// Ends then.
    until: Option<String>,
    revoked: Option<String>,
}

/// Every token.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TokenList {
    items: Vec<TokenView>,
}

/// A token to make.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct TokenInput {
    /// What it is for.
    label: String,
    /// Name that stands on its decisions.
    name: String,
    /// `administrator`, `operator` or `viewer`.
    role: String,
    #[serde(default)]
    all_railways: bool,
    #[serde(default)]
    railways: Option<Vec<String>>,
    /// RFC 3339 time at which it ends.
    #[serde(default)]
    until: Option<String>,
}

/// A token just made.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TokenMade {
    id: String,
    /// Shown now and never again.
    secret: String,
}

/// Every token.
#[utoipa::path(
    get, path = "/api/v1/tokens", tag = "access",
    responses((status = 200, body = TokenList), (status = 401, body = Problem), (status = 403, body = Problem))
)]
pub(crate) async fn list(State(app): State<App>, caller: ApiCaller) -> Result<Json<TokenList>, Problem> {
    let tokens = app.desk.tokens(&caller.who).await?;
    let items = tokens.into_iter().map(|token| {
        let (all_railways, railways) = scope::told(&token.principal.railways);
        TokenView {
            id: token.id.to_string(),
            label: token.label,
            name: token.principal.name.to_string(),
            role: token.principal.role.word(),
            all_railways,
            railways,
            created: token.created.to_string(),
            until: token.until.map(|t| t.to_string()),
            revoked: token.revoked.map(|t| t.to_string()),
        }
    });
    Ok(Json(TokenList { items: items.collect() }))
}

/// Makes a token.
#[utoipa::path(
    post, path = "/api/v1/tokens", tag = "access", request_body = TokenInput,
    responses((status = 201, body = TokenMade), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn create(
    State(app): State<App>,
    caller: ApiCaller,
    body: Bytes,
) -> Result<(StatusCode, Json<TokenMade>), Problem> {
    if !caller.who.role.administers() {
        return Err(DeskError::Forbidden("only an administrator may make tokens".to_owned()).into());
    }
    let input: TokenInput = input::body(&body)?;
    let principal = Principal {
        name: AccountName::new(&input.name).map_err(|e| Problem::pointer("/name", e.to_string()))?,
        role: scope::role(&input.role)?,
        railways: scope::railways(input.all_railways, input.railways.as_deref())?,
    };
    let until = input
        .until
        .map(|t| {
            t.parse().map_err(|e: notchwatch_model::TimeError| Problem::pointer("/until", e.to_string()))
        })
        .transpose()?;
    let (id, secret) = app.desk.create_token(&caller.who, &input.label, principal, until).await?;
    Ok((StatusCode::CREATED, Json(TokenMade { id: id.to_string(), secret: secret.expose().to_owned() })))
}

/// Revokes a token; it proves nobody from the next request on.
#[utoipa::path(
    delete, path = "/api/v1/tokens/{id}", tag = "access", params(("id" = String, Path, description = "number of the token")),
    responses((status = 204), (status = 401, body = Problem), (status = 403, body = Problem), (status = 404, body = Problem))
)]
pub(crate) async fn revoke(
    State(app): State<App>,
    caller: ApiCaller,
    Path(id): Path<String>,
) -> Result<StatusCode, Problem> {
    let id = id.parse().map_err(|_| Problem::new(StatusCode::NOT_FOUND, "no such token"))?;
    app.desk.revoke_token(&caller.who, id).await?;
    Ok(StatusCode::NO_CONTENT)
}
