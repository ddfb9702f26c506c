//! The truth about the feed: what was made to go wrong, where, when, and when it went too far.
//!
//! Owns the entries written beside the feed. Refuses judgement: a detector's hits are counted elsewhere.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use crate::channel::{self, CHANNELS, COUNT};
use crate::duty::hours_ms;
use crate::fault::{Course, Direction, Part};
use crate::instrument::value;
use crate::limits::{CYLINDER_LIMIT, LIMITS, Limit};
use crate::machine::Demand;
use crate::scenario::{FaultPlan, Scenario};

/// One thing that was made to go wrong.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TruthEntry {
    /// Railway.
    pub railway: String,
    /// Unit; empty when it is the railway's whole fleet.
    pub unit: String,
    /// Engine fitted; empty when none is registered.
    pub engine: String,
    /// A fault of the scenario, or a benign change of it, `outage`, `wrong-clock`, `misnamed`, `unregistered-unit`.
    pub kind: String,
    /// Key in the trade's fault table; empty when it has none.
    pub reference: &'static str,
    /// When it began.
    pub onset: Timestamp,
    /// When it ended or was repaired.
    pub until: Option<Timestamp>,
    /// How it grows, for faults.
    pub course: Option<Course>,
    /// Time to its full size, in hours.
    pub over_h: f64,
    /// Size against the usual one.
    pub severity: f64,
    /// Channels that show it, and how.
    pub channels: Vec<(String, Direction)>,
    /// First limit crossed so far.
    pub limit: Option<Crossing>,
}

/// A limit crossed and stayed beyond.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Crossing {
    /// Channel.
    pub channel: String,
    /// Name of the limit.
    pub limit: String,
    /// Event time at which it had been beyond for five snapshots in a row.
    pub at: Timestamp,
}

/// Snapshots in a row beyond a limit before it counts as crossed.
pub(crate) const PERSISTENCE: u32 = 5;

/// Watches one fault's channels against the limits.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    pub(crate) entry: usize,
    onset_ms: i64,
    limits: Vec<(usize, &'static Limit, u32)>,
    done: bool,
}

impl Watch {
    pub(crate) fn new(entry: usize, plan: &FaultPlan, start_ms: i64) -> Self {
        let mut limits = Vec::new();
        for (name, _) in channels_of(plan) {
            let Some(at) = channel::position(&name) else { continue };
            if name.starts_with("cyl_exhaust_temp_") {
                limits.push((at, &CYLINDER_LIMIT, 0));
            }
            limits.extend(LIMITS.iter().filter(|l| l.channel == at).map(|l| (at, l, 0)));
        }
        // A sensor that tells nothing crosses no limit of the machine.
        let sensor = plan.kind.spec().reference.starts_with('X');
        Watch { entry, onset_ms: start_ms + hours_ms(plan.onset_h), limits, done: sensor }
    }

    /// Looks at one snapshot; tells the first crossing once.
    pub(crate) fn look(
        &mut self,
        at_ms: i64,
        readings: &[i32; COUNT],
        demand: Demand,
        since_s: i64,
    ) -> Option<Crossing> {
        if self.done || at_ms < self.onset_ms {
            return None;
        }
        for (at, limit, beyond) in &mut self.limits {
            let (Some(channel), Some(reading)) = (CHANNELS.get(*at), readings.get(*at)) else { continue };
            let Some(reading) = value(channel, *reading).filter(|_| limit.holds(demand, since_s)) else {
                continue;
            };
            *beyond = if limit.beyond(reading) { *beyond + 1 } else { 0 };
            if *beyond >= PERSISTENCE {
                self.done = true;
                return Some(Crossing {
                    channel: channel.name.to_owned(),
                    limit: limit.name.to_owned(),
                    at: instant(at_ms),
                });
            }
        }
        None
    }
}

/// A time as an instant; the scenario's times are all within its range.
pub(crate) fn instant(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or(Timestamp::UNIX_EPOCH)
}

fn after(start: Timestamp, hours: f64) -> Timestamp {
    start.saturating_add(SignedDuration::from_millis(hours_ms(hours))).unwrap_or(start)
}

/// Channels that show a fault, by full name.
fn channels_of(plan: &FaultPlan) -> Vec<(String, Direction)> {
    let spec = plan.kind.spec();
    let mut out = Vec::new();
    for (name, direction) in spec.channels {
        let number = plan.which.unwrap_or(1);
        match (*name, spec.part) {
            ("", _) => out.push((plan.channel.clone().unwrap_or_default(), *direction)),
            ("cyl_exhaust_temp_", Part::Cylinder) => {
                out.push((format!("cyl_exhaust_temp_{number:02}"), *direction));
            }
            ("cyl_exhaust_temp_", _) => {
                out.extend((1..=12).map(|i| (format!("cyl_exhaust_temp_{i:02}"), *direction)));
            }
            ("tm_current_", _) => out.push((format!("tm_current_{number}"), *direction)),
            (name, _) => out.push((name.to_owned(), *direction)),
        }
    }
    out
}

/// Everything the scenario makes go wrong, faults first in the scenario's order.
pub(crate) fn entries(scenario: &Scenario, engine_of: impl Fn(&str) -> String) -> Vec<TruthEntry> {
    let start = scenario.start;
    let entry = |name: &str, kind: String, from_h: f64, until_h: Option<f64>| {
        let (railway, unit) = name.split_once('/').unwrap_or((name, ""));
        TruthEntry {
            railway: railway.to_owned(),
            unit: unit.to_owned(),
            engine: engine_of(name),
            kind,
            reference: "",
            onset: after(start, from_h),
            until: until_h.map(|h| after(start, h)),
            course: None,
            over_h: 0.0,
            severity: 1.0,
            channels: vec![],
            limit: None,
        }
    };
    let mut out: Vec<TruthEntry> = Vec::new();
    for plan in &scenario.faults {
        out.push(TruthEntry {
            reference: plan.kind.spec().reference,
            course: Some(plan.course),
            over_h: plan.over_h,
            severity: plan.severity,
            channels: channels_of(plan),
            ..entry(&plan.unit, plan.kind.name(), plan.onset_h, plan.until_h)
        });
    }
    for o in &scenario.outages {
        let units: Vec<&str> =
            if o.units.is_empty() { vec![""] } else { o.units.iter().map(String::as_str).collect() };
        for unit in units {
            let name = format!("{}/{unit}", o.railway);
            out.push(entry(&name, "outage".into(), o.from_h, Some(o.from_h + o.for_h)));
        }
    }
    let benign = scenario.benign.iter();
    out.extend(benign.map(|b| entry(&b.unit, b.kind.name(), b.from_h, b.for_h.map(|h| b.from_h + h))));
    out.extend(scenario.clocks.iter().map(|c| entry(&c.unit, "wrong-clock".into(), c.from_h, c.until_h)));
    let misnamed = scenario.misnamed.iter();
    out.extend(misnamed.map(|m| entry(&m.unit, "misnamed".into(), m.from_h, Some(m.from_h + m.for_h))));
    out.extend(
        scenario
            .strangers
            .iter()
            .map(|s| entry(&format!("{}/{}", s.railway, s.unit), "unregistered-unit".into(), s.from_h, None)),
    );
    out
}
