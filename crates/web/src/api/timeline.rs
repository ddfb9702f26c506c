//! `GET /api/v1/units/{railway}/{unit}/timeline`: what other sources than its channels say of a unit.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::Uri;
use notchwatch_desk::TimelineSpan;
use notchwatch_model::{AsBuilt, Fact, FactKind, OilResult, Span, System, Time, TimelineEntry};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::{ApiCaller, input, samples};
use crate::app::App;
use crate::problem::Problem;

/// Shown when nothing is asked for.
const DEFAULT_SPAN: Span = Span::from_days(28);

/// Which part of the timeline.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub(crate) struct TimelineParams {
    /// Event time, RFC 3339, included. 28 days before `to` when absent; 92 days before it at most.
    from: Option<String>,
    /// Event time, RFC 3339, not included. Now when absent.
    to: Option<String>,
    /// `fault-code`, `oil-sample`, `maintenance`, `software`, `visit`, `as-built` or `note`.
    kind: Option<String>,
    /// `true`: withdrawn entries too.
    withdrawn: Option<String>,
}

/// One entry. Which fields are there follows from `kind`.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = TimelineEntry)]
pub(crate) struct EntryView {
    /// Number of the entry; null for what the unit's own text channels said.
    id: Option<String>,
    railway: String,
    unit: String,
    /// Serial number of the engine fitted then.
    engine: Option<String>,
    /// Event time.
    at: String,
    /// When it was recorded; null for what the unit's own text channels said.
    received: Option<String>,
    by: Option<String>,
    /// `api`, `file` or `channel`.
    origin: &'static str,
    /// `fault-code`, `oil-sample`, `maintenance`, `software`, `visit`, `as-built` or `note`.
    kind: &'static str,
    /// All of it in one line.
    line: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    active: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sample: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    results: Option<Vec<ResultView>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    activity: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    system: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    item: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    channels: Option<Vec<String>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    version: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    purpose: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    levels: Option<Vec<LevelView>>,
    /// Who took it back, when and why.
    withdrawn: Option<WithdrawalView>,
}

/// One result of an oil sample.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = OilResultView)]
pub(crate) struct ResultView {
    quantity: String,
    value: f64,
    uom: String,
    /// `normal`, `high`, `low`, or null when the laboratory said nothing.
    verdict: Option<&'static str>,
}

/// An as-built level.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = AsBuiltLevelView)]
pub(crate) struct LevelView {
    channel: String,
    /// Operating state; null for every one that has no level of its own.
    state: Option<String>,
    /// In the channel's stored unit of measure.
    level: f64,
    spread: f64,
}

/// A withdrawal.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = TimelineWithdrawal)]
pub(crate) struct WithdrawalView {
    at: String,
    by: String,
    reason: String,
}

/// Entries, the newest event time first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Timeline {
    items: Vec<EntryView>,
}

impl Timeline {
    pub(crate) fn of(entries: &[TimelineEntry]) -> Self {
        Self { items: entries.iter().map(EntryView::of).collect() }
    }
}

impl EntryView {
    pub(crate) fn of(entry: &TimelineEntry) -> Self {
        let withdrawn = entry.withdrawn.as_ref().map(|w| WithdrawalView {
            at: w.at.to_string(),
            by: w.by.to_string(),
            reason: w.reason.clone(),
        });
        let mut view = Self {
            id: entry.id.map(|id| id.to_string()),
            railway: entry.unit.railway.to_string(),
            unit: entry.unit.unit.to_string(),
            engine: entry.engine.as_ref().map(ToString::to_string),
            at: entry.at.to_string(),
            received: entry.received.map(|t| t.to_string()),
            by: entry.by.as_ref().map(ToString::to_string),
            origin: entry.origin.word(),
            kind: entry.fact.kind().word(),
            line: entry.fact.line(),
            code: None,
            active: None,
            text: None,
            sample: None,
            results: None,
            activity: None,
            system: None,
            item: None,
            channels: None,
            version: None,
            place: None,
            purpose: None,
            levels: None,
            withdrawn,
        };
        view.say(&entry.fact);
        view
    }

    fn say(&mut self, fact: &Fact) {
        let some = |text: &String| Some(text.clone()).filter(|t| !t.is_empty());
        match fact {
            Fact::FaultCode { code, active, text } => {
                (self.code, self.active, self.text) = (some(code), Some(*active), some(text));
            }
            Fact::OilSample { sample, results } => {
                self.sample = some(sample);
                self.results = Some(results.iter().map(result).collect());
            }
            Fact::Maintenance { activity, system, item, channels, text } => {
                self.activity = Some(activity.word());
                self.system = system.map(System::word);
                (self.item, self.text) = (some(item), some(text));
                self.channels = Some(channels.iter().map(ToString::to_string).collect());
            }
            Fact::Software { version } => self.version = some(version),
            Fact::Visit { place, purpose, text } => {
                self.place = some(place);
                (self.purpose, self.text) = (Some(purpose.word()), some(text));
            }
            Fact::AsBuilt { levels, text } => {
                self.levels = Some(levels.iter().map(level).collect());
                self.text = some(text);
            }
            Fact::Note { text } => self.text = some(text),
        }
    }
}

fn level(level: &AsBuilt) -> LevelView {
    LevelView {
        channel: level.channel.to_string(),
        state: level.state.map(|state| state.to_string()),
        level: level.level,
        spread: level.spread,
    }
}

fn result(result: &OilResult) -> ResultView {
    ResultView {
        quantity: result.quantity.clone(),
        value: result.value,
        uom: result.uom.clone(),
        verdict: result.verdict.map(notchwatch_model::Verdict::word),
    }
}

/// Timeline of a unit: recorded entries, and changes of its text channels `fault_code` and `software_version`. At most 500
/// entries, the newest.
#[utoipa::path(
    get, path = "/api/v1/units/{railway}/{unit}/timeline", tag = "timelines",
    params(("railway" = String, Path, description = "railway id"), ("unit" = String, Path, description = "unit number"), TimelineParams),
    responses((status = 200, body = Timeline), (status = 400, body = Problem), (status = 401, body = Problem), (status = 404, body = Problem), (status = 422, body = Problem, description = "the span is too long"))
)]
pub(crate) async fn of_unit(
    State(app): State<App>,
    caller: ApiCaller,
    Path((railway, unit)): Path<(String, String)>,
    uri: Uri,
) -> Result<Json<Timeline>, Problem> {
    let key = samples::unit_key(&railway, &unit)?;
    let params: TimelineParams = input::query(&uri)?;
    // What is recorded now may lie a little ahead.
    let to: Time =
        input::maybe("to", params.to.as_ref())?.unwrap_or(app.desk.now() + notchwatch_model::MAX_AHEAD);
    let from = input::maybe("from", params.from.as_ref())?.unwrap_or(to - DEFAULT_SPAN);
    let kind: Option<FactKind> = input::maybe("kind", params.kind.as_ref())?;
    let withdrawn = input::maybe("withdrawn", params.withdrawn.as_ref())?.unwrap_or(false);
    let span = TimelineSpan { from, to, kind, withdrawn };
    let entries = app.desk.unit_timeline(&caller.who, &key, &span).await?;
    Ok(Json(Timeline::of(&entries)))
}
