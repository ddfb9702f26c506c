//! `GET /api/v1/findings`: a page of findings, by priority, then the time left.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use notchwatch_model::{AccountName, UnitKey};
use notchwatch_store::{Cursor, FindingQuery};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::view::FindingView;
use super::{ApiCaller, input};
use crate::app::App;
use crate::problem::Problem;

/// Items a page when none is asked for.
const DEFAULT_LIMIT: usize = 100;

/// Filters; every one narrows.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct FindingParams {
    /// Of this railway.
    railway: Option<String>,
    /// Of this unit number; needs `railway`.
    unit: Option<String>,
    /// Of this class.
    class: Option<String>,
    /// Of this system.
    system: Option<String>,
    /// `machine`, `sensor`, `data` or `comms`.
    kind: Option<String>,
    /// `machine`, `instruments` (sensor and data) or `comms`: the lists that findings are worked in.
    list: Option<String>,
    /// `open` (neither shelved nor out of service), `unacknowledged`, `mine`, `new`, `taken`, `waiting`, `shelved` or `out-of-service`.
    state: Option<String>,
    /// `critical`, `high`, `medium` or `low`.
    priority: Option<String>,
    /// `true`: not closed; `false`: closed.
    open: Option<String>,
    /// Opened at or after this RFC 3339 time.
    since: Option<String>,
    /// `next` of the page before.
    cursor: Option<String>,
    /// Most items, 1 to 500.
    limit: Option<String>,
}

/// A page of findings.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FindingPage {
    /// The items.
    items: Vec<FindingView>,
    /// Cursor of the next page; null at the end.
    next: Option<String>,
    /// Findings that cannot be read (`store-damaged` of `/readyz`) are left out: the list may not be whole.
    left_out: bool,
}

impl FindingParams {
    fn query(&self, me: &AccountName) -> Result<FindingQuery, Problem> {
        let state = match self.state.as_deref() {
            None | Some("") => None,
            Some(word) => Some(crate::words::shown(word, me).ok_or_else(|| {
                Problem::parameter("state", format!("{word:?} is not a state to filter by"))
            })?),
        };
        let railway = input::maybe("railway", self.railway.as_ref())?;
        let unit = match (input::maybe("unit", self.unit.as_ref())?, &railway) {
            (Some(unit), Some(railway)) => Some(UnitKey { railway: Clone::clone(railway), unit }),
            (Some(_), None) => {
                return Err(Problem::parameter(
                    "unit",
                    "a unit number is unique within its railway: name both",
                ));
            }
            (None, _) => None,
        };
        Ok(FindingQuery {
            railway,
            unit,
            class: input::maybe("class", self.class.as_ref())?,
            system: input::system(self.system.as_ref())?,
            kind: input::maybe("kind", self.kind.as_ref())?,
            list: input::maybe("list", self.list.as_ref())?,
            state,
            priority: input::maybe("priority", self.priority.as_ref())?,
            open: input::maybe("open", self.open.as_ref())?,
            since: input::maybe("since", self.since.as_ref())?,
            after: self.cursor.clone().map(Cursor),
            limit: input::maybe("limit", self.limit.as_ref())?.unwrap_or(DEFAULT_LIMIT).max(1),
        })
    }
}

/// Findings that the caller may see, by priority, then the time left to a limit, then onset.
#[utoipa::path(
    get, path = "/api/v1/findings", tag = "findings", params(FindingParams),
    responses((status = 200, body = FindingPage), (status = 400, body = Problem), (status = 401, body = Problem), (status = 503, body = Problem))
)]
pub(crate) async fn list(
    State(app): State<App>,
    caller: ApiCaller,
    uri: Uri,
) -> Result<Json<FindingPage>, Problem> {
    let query = input::query::<FindingParams>(&uri)?.query(&caller.who.name)?;
    let now = app.desk.now();
    let page = app.desk.findings(&caller.who, query).await?;
    Ok(Json(FindingPage {
        items: page.items.iter().map(|f| FindingView::new(f, now)).collect(),
        next: page.next.map(|c| c.0),
        left_out: page.left_out,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(query: &str) -> Result<FindingQuery, Problem> {
        let uri: Uri = format!("/api/v1/findings?{query}").parse().unwrap();
        input::query::<FindingParams>(&uri)?.query(&AccountName::new("asha").unwrap())
    }

    #[test]
    fn filters_are_read_and_mistakes_are_named() {
        let query = read("railway=northmoor&unit=4021&priority=high&open=true&limit=7").unwrap();
        assert_eq!((query.open, query.limit), (Some(true), 7));
        assert_eq!(query.unit.unwrap().to_string(), "northmoor/4021");
        for (bad, place) in [
            ("priority=urgent", "priority"),
            ("open=maybe", "open"),
            ("list=engines", "list"),
            ("state=lost", "state"),
            ("since=yesterday", "since"),
            ("unit=4021", "unit"),
            ("limit=-1", "limit"),
            ("colour=red", "query"),
        ] {
            let json = serde_json::to_value(read(bad).unwrap_err()).unwrap();
            assert_eq!(json["errors"][0]["parameter"], place, "{bad}");
        }
    }
}
