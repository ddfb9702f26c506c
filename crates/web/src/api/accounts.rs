//! `GET /api/v1/accounts`, `PUT /api/v1/accounts/{name}`: accounts, for administrators.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use bytes::Bytes;
use notchwatch_desk::{AccountChange, DeskError};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{ApiCaller, input, scope};
use crate::app::App;
use crate::problem::Problem;

/// An account, without its password.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Account)]
pub(crate) struct AccountBody {
    name: String,
    role: &'static str,
    /// Sees every railway, also those registered later.
    all_railways: bool,
    /// Sees these.
    railways: Option<Vec<String>>,
    enabled: bool,
}

/// Every account.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AccountList {
    items: Vec<AccountBody>,
}

/// An account to create or replace.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct AccountInput {
    /// `administrator`, `operator` or `viewer`.
    role: String,
    /// Sees every railway, also those registered later.
    #[serde(default)]
    all_railways: bool,
    /// Sees these and no others.
    #[serde(default)]
    railways: Option<Vec<String>>,
    /// May sign in.
    enabled: bool,
    /// New password; absent keeps the present one.
    #[serde(default)]
    password: Option<String>,
}

/// Every account.
#[utoipa::path(
    get, path = "/api/v1/accounts", tag = "access",
    responses((status = 200, body = AccountList), (status = 401, body = Problem), (status = 403, body = Problem))
)]
pub(crate) async fn list(State(app): State<App>, caller: ApiCaller) -> Result<Json<AccountList>, Problem> {
    let accounts = app.desk.accounts(&caller.who).await?;
    let items = accounts.into_iter().map(|account| {
        let (all_railways, railways) = scope::told(&account.railways);
        AccountBody {
            name: account.name.to_string(),
            role: account.role.word(),
            all_railways,
            railways,
            enabled: account.enabled,
        }
    });
    Ok(Json(AccountList { items: items.collect() }))
}

/// Creates or replaces an account.
#[utoipa::path(
    put, path = "/api/v1/accounts/{name}", tag = "access", request_body = AccountInput, params(("name" = String, Path, description = "name of the account")),
    responses((status = 204), (status = 400, body = Problem), (status = 401, body = Problem), (status = 403, body = Problem), (status = 422, body = Problem))
)]
pub(crate) async fn put(
    State(app): State<App>,
    caller: ApiCaller,
    Path(name): Path<String>,
    body: Bytes,
) -> Result<StatusCode, Problem> {
    if !caller.who.role.administers() {
        return Err(DeskError::Forbidden("only an administrator may change accounts".to_owned()).into());
    }
    let input: AccountInput = input::body(&body)?;
    let change = AccountChange {
        name: notchwatch_model::AccountName::new(&name)
            .map_err(|e| Problem::parameter("name", e.to_string()))?,
        role: scope::role(&input.role)?,
        railways: scope::railways(input.all_railways, input.railways.as_deref())?,
        enabled: input.enabled,
        password: input.password,
    };
    app.desk.put_account(&caller.who, change).await?;
    Ok(StatusCode::NO_CONTENT)
}
