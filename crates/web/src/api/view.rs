//! How findings look on the wire: flat records, written by hand from the model so that neither moves the other.
//!
//! Owns field names of `api/v1`. Ids are text, times RFC 3339 in UTC, spans in seconds, numbers finite.

mod fault;
mod log;

use std::collections::BTreeMap;

use notchwatch_model::{Earlier, Finding, Scope, Symptom, Time, TimeToLimit};
use serde::Serialize;
use utoipa::ToSchema;

use fault::FaultView;
pub(crate) use log::{EventView, HistoryView};

/// A finding.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Finding)]
#[expect(clippy::struct_excessive_bools, reason = "the record of the contract is flat")]
pub(crate) struct FindingView {
    /// Identity; stable for the same cause on the same unit.
    id: String,
    /// Moves with decisions and with changes of priority, kind or alarm state: what `If-Match` compares.
    pub(crate) version: u32,
    railway: String,
    unit: String,
    /// Serial number of the engine fitted at the onset.
    engine: Option<String>,
    class: String,
    system: &'static str,
    /// `machine`, `sensor`, `data` or `comms`.
    kind: &'static str,
    title: String,
    /// Estimated start, event time.
    onset: String,
    /// Event time at which the evidence sufficed.
    opened: String,
    /// Event time of the last change of what the machine says.
    changed: String,
    /// Receive side: when it was first recorded.
    recorded: String,
    /// The evidence arrived later than the stated lateness.
    late: bool,
    /// `critical`, `high`, `medium` or `low`.
    priority: &'static str,
    /// IEC 62682: `normal`, `unacknowledged`, `acknowledged`, `returned-unacknowledged`, `shelved`, `suppressed-by-design`, `out-of-service`.
    alarm_state: &'static str,
    /// `new`, `taken`, `waiting` or `closed`.
    work_state: &'static str,
    outcome: Option<&'static str>,
    /// Not closed.
    open: bool,
    /// Any of its symptoms lasts.
    active: bool,
    /// How many times it became active, from 1.
    occurrence: u32,
    /// It came and went several times within a short time.
    unstable: bool,
    acknowledged_by: Option<String>,
    acknowledged_at: Option<String>,
    taken_by: Option<String>,
    waiting_until: Option<String>,
    waiting_for: Option<String>,
    shelved_until: Option<String>,
    shelved_reason: Option<String>,
    out_of_service_until: Option<String>,
    out_of_service_reason: Option<String>,
    closed_by: Option<String>,
    closed_at: Option<String>,
    /// Opened again last by whom and when.
    reopened_by: Option<String>,
    reopened_at: Option<String>,
    /// Closed as one matter with this finding, which carries its symptoms on.
    merged_into: Option<String>,
    /// Findings that were merged into it.
    merged: Vec<String>,
    /// Finding that a person split it off from.
    split_from: Option<String>,
    /// Id of the finding that stands for it and findings of other units with one cause; it is told by that one alone.
    part_of: Option<String>,
    /// Findings that were split off it; one is there as soon as the decision is evaluated.
    split_off: Vec<String>,
    /// The latest earlier finding of the same cause on the unit, when one ended within 30 days before.
    again: Option<EarlierView>,
    symptoms: Vec<SymptomView>,
    faults: Vec<FaultView>,
    /// Time until a limit is reached; null with a reason beside it.
    time_to_limit: Option<TimeToLimitView>,
    time_to_limit_reason: Option<String>,
    settings_version: u32,
    /// `unit`, `region` or `service`: what it is about. Outside `unit`, the field `unit` names no unit.
    scope: &'static str,
    /// The region, when it is about one.
    region: Option<String>,
    /// Units that share the cause now, when the scope is a region.
    members: Vec<String>,
}

/// An earlier finding of the same unit and cause.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Earlier)]
pub(crate) struct EarlierView {
    finding: String,
    /// How it ended.
    outcome: &'static str,
    /// When it ended.
    ended: String,
}

/// One symptom with the numbers that made it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Symptom)]
pub(crate) struct SymptomView {
    channel: String,
    kind: &'static str,
    /// `up`, `down` or `none`.
    direction: &'static str,
    /// How far from expected, signed.
    size: SizeView,
    /// How far from expected in the channel's own robust spreads, signed.
    spreads: f64,
    onset: String,
    detected: String,
    /// That there is a change, 0 to 1.
    probability: f64,
    /// Operating states in which it was seen.
    states: Vec<String>,
    /// Which detector.
    model: String,
    /// The numbers that made it, by name.
    numbers: BTreeMap<String, f64>,
    /// It still lasts.
    lasting: bool,
}

/// A number with its unit of measure.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Size)]
pub(crate) struct SizeView {
    value: f64,
    /// Name of the unit of measure as SenML or the trade writes it; empty for none.
    uom: &'static str,
}

/// Seconds from `from` until the limit is reached, as percentiles (ISO 13381-1).
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = TimeToLimit)]
pub(crate) struct TimeToLimitView {
    limit: String,
    at: SizeView,
    p10: f64,
    p50: f64,
    p90: f64,
    from: String,
    assumes: String,
}

impl FindingView {
    /// The record at `now`, which ends shelves and waits whose time is over.
    pub(crate) fn new(finding: &Finding, now: Time) -> Self {
        let (machine, operator) = (&finding.machine, &finding.operator);
        let shelved = operator.shelved.as_ref().filter(|(until, _)| now < *until);
        let waits = operator.waiting_until.filter(|until| now < *until);
        let closed_at = finding.closed().map(|(at, _)| at);
        let out = operator.out_of_service.as_ref().filter(|(until, _)| now < *until);
        Self {
            id: machine.id.to_string(),
            version: finding.version,
            railway: machine.unit.railway.to_string(),
            unit: machine.unit.unit.to_string(),
            engine: machine.engine.as_ref().map(ToString::to_string),
            class: machine.class.to_string(),
            system: machine.system.word(),
            kind: machine.kind.word(),
            title: machine.title.clone(),
            onset: machine.onset.to_string(),
            opened: machine.opened.to_string(),
            changed: machine.changed.to_string(),
            recorded: finding.recorded.to_string(),
            late: finding.late,
            priority: machine.priority.word(),
            alarm_state: finding.alarm_state(now).word(),
            work_state: finding.work_state(now).word(),
            outcome: finding.outcome().map(notchwatch_model::Outcome::word),
            open: finding.open(),
            active: machine.active,
            occurrence: machine.occurrence,
            unstable: machine.unstable,
            acknowledged_by: operator.acknowledged.as_ref().map(|a| a.0.to_string()),
            acknowledged_at: operator.acknowledged.as_ref().map(|a| a.1.to_string()),
            taken_by: operator.taken_by.as_ref().map(ToString::to_string),
            waiting_until: waits.map(|t| t.to_string()),
            waiting_for: waits.and_then(|_| operator.waiting_for.clone()),
            shelved_until: shelved.map(|s| s.0.to_string()),
            shelved_reason: shelved.map(|s| s.1.clone()),
            out_of_service_until: out.map(|o| o.0.to_string()),
            out_of_service_reason: out.map(|o| o.1.clone()),
            merged_into: operator.merged_into.as_ref().map(ToString::to_string),
            merged: operator.merged.iter().map(ToString::to_string).collect(),
            split_off: operator.split_off.iter().map(ToString::to_string).collect(),
            split_from: machine.split_from.as_ref().map(ToString::to_string),
            part_of: machine.part_of.as_ref().map(ToString::to_string),
            again: machine.again.as_ref().map(EarlierView::new),
            reopened_by: operator.reopened.as_ref().map(|r| r.0.to_string()),
            reopened_at: operator.reopened.as_ref().map(|r| r.1.to_string()),
            closed_by: operator.closed.as_ref().map(|c| c.0.to_string()),
            closed_at: closed_at.map(|t| t.to_string()),
            symptoms: machine
                .symptoms
                .iter()
                .map(|s| SymptomView::new(s, machine.lasting.contains(&s.id())))
                .collect(),
            faults: machine.faults.iter().map(FaultView::new).collect(),
            time_to_limit: machine.time_to_limit.as_ref().map(TimeToLimitView::new),
            time_to_limit_reason: machine.time_to_limit_reason.clone(),
            settings_version: machine.settings_version,
            scope: match machine.scope {
                Scope::Unit => "unit",
                Scope::Region(_) => "region",
                Scope::Software(_) => "software",
                Scope::Fuelled(_) => "fuelled",
                Scope::Service => "service",
            },
            region: match &machine.scope {
                Scope::Region(name) | Scope::Software(name) | Scope::Fuelled(name) => Some(name.clone()),
                Scope::Unit | Scope::Service => None,
            },
            members: machine.members.iter().map(|key| key.unit.to_string()).collect(),
        }
    }
}

impl EarlierView {
    fn new(earlier: &Earlier) -> Self {
        Self {
            finding: earlier.finding.to_string(),
            outcome: earlier.outcome.word(),
            ended: earlier.ended.to_string(),
        }
    }
}

impl SymptomView {
    fn new(symptom: &Symptom, lasting: bool) -> Self {
        Self {
            channel: symptom.channel.to_string(),
            kind: symptom.kind.word(),
            direction: symptom.direction.word(),
            size: SizeView { value: symptom.size, uom: symptom.uom.name() },
            spreads: symptom.spreads,
            onset: symptom.onset.to_string(),
            detected: symptom.detected.to_string(),
            probability: symptom.probability,
            states: symptom.states.iter().map(ToString::to_string).collect(),
            model: symptom.model.clone(),
            numbers: symptom.numbers.clone(),
            lasting,
        }
    }
}

impl TimeToLimitView {
    fn new(time: &TimeToLimit) -> Self {
        Self {
            limit: time.limit.clone(),
            at: SizeView { value: time.at, uom: time.uom.name() },
            p10: time.p10,
            p50: time.p50,
            p90: time.p90,
            from: time.from.to_string(),
            assumes: time.assumes.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn the_record_holds_every_field_of_the_contract() {
        let finding = sample::finding("northmoor", "4021", 1);
        let json = serde_json::to_value(FindingView::new(&finding, sample::noon())).unwrap();
        for field in [
            "id",
            "version",
            "railway",
            "unit",
            "engine",
            "class",
            "system",
            "kind",
            "title",
            "onset",
            "opened",
            "recorded",
            "late",
            "priority",
            "alarm_state",
            "work_state",
            "outcome",
            "symptoms",
            "faults",
            "time_to_limit",
            "time_to_limit_reason",
            "settings_version",
        ] {
            assert!(json.get(field).is_some(), "{field}");
        }
        assert_eq!(json["symptoms"][0]["size"]["uom"], "Pa");
        assert_eq!(json["faults"][0]["for"][0]["weight"], 2.1);
    }

    #[test]
    fn a_shelf_whose_time_is_over_is_not_told() {
        let mut finding = sample::finding("northmoor", "4021", 1);
        let until = sample::noon();
        finding.operator.shelved = Some((until, "sensor on order".into()));
        let before = until - notchwatch_model::Span::from_secs(1);
        let told =
            |now| serde_json::to_value(FindingView::new(&finding, now)).unwrap()["shelved_until"].clone();
        assert_eq!(told(before), until.to_string());
        assert!(told(until).is_null());
    }
}
