//! Parts of the page of a unit in words: grades, channels, findings.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use notchwatch_desk::{Health, Range, UnitChannel, UnitHealth};
use notchwatch_model::{ChannelName, ChannelValue, Finding, Outcome, ServiceStatus, Span, System, Time};
use notchwatch_store::HealthRecord;

use super::grades::{GradeLine, grade_line};
use crate::console::format::{Stamp, figure_by, percent, shown_unit, stamp};
use crate::console::queue::{alarm_words, work_words};
use crate::console::spark::{Spark, spark};

/// Reasons of one grade that are shown.
const MOST_REASONS: usize = 4;

/// One grade.
#[derive(Debug)]
pub(crate) struct Part {
    pub(crate) name: String,
    /// Two decimals, or empty when it is not known.
    pub(crate) grade: String,
    /// Percent of the bar.
    pub(crate) share: String,
    pub(crate) unknown: String,
    pub(crate) at_most: bool,
    pub(crate) confidence: String,
    pub(crate) reasons: Vec<Reason>,
    /// How it went; absent while nothing is recorded.
    pub(crate) history: Option<GradeLine>,
}

/// One thing that counts.
#[derive(Debug)]
pub(crate) struct Reason {
    pub(crate) what: String,
    pub(crate) finding: String,
    pub(crate) takes: String,
}

/// Channels of one system.
#[derive(Debug)]
pub(crate) struct Group {
    pub(crate) system: &'static str,
    pub(crate) tiles: Vec<Tile>,
}

/// One channel.
#[derive(Debug)]
pub(crate) struct Tile {
    pub(crate) channel: String,
    pub(crate) label: String,
    pub(crate) value: String,
    pub(crate) at: Option<Stamp>,
    pub(crate) spark: Option<Spark>,
    /// Least to greatest, with the unit of measure.
    pub(crate) extent: String,
    pub(crate) learning: String,
}

/// One finding.
#[derive(Debug)]
pub(crate) struct FindingRow {
    pub(crate) id: String,
    pub(crate) priority: &'static str,
    pub(crate) title: String,
    pub(crate) kind: &'static str,
    pub(crate) state: String,
    pub(crate) opened: Stamp,
}

impl FindingRow {
    pub(crate) fn of(finding: &Finding, zone: &TimeZone, now: Time) -> Self {
        let machine = &finding.machine;
        let state = if finding.open() {
            format!("{}, {}", alarm_words(finding.alarm_state(now)), work_words(finding, now))
        } else {
            finding.outcome().map_or("closed", Outcome::word).to_owned()
        };
        Self {
            id: machine.id.to_string(),
            priority: machine.priority.word(),
            title: machine.title.clone(),
            kind: machine.kind.word(),
            state,
            opened: stamp(machine.opened, zone, now),
        }
    }
}

/// A service status in words.
pub(crate) const fn status_words(status: ServiceStatus) -> &'static str {
    match status {
        ServiceStatus::InService => "in service",
        ServiceStatus::InShop => "in shop",
        ServiceStatus::Stored => "stored",
        ServiceStatus::HauledDead => "hauled dead",
    }
}

/// Grades: the unit, the engine, then the systems, each with how it went between two times.
pub(crate) fn parts(health: &UnitHealth, records: &[HealthRecord], span: (Time, Time)) -> Vec<Part> {
    let part = |name: &str, key: &str, health: &Health| Part {
        history: grade_line(records, key, span),
        ..part(name, health)
    };
    let mut parts = vec![part("Unit", "unit", &health.unit)];
    parts.extend(health.engine.as_ref().map(|engine| part("Engine", "engine", engine)));
    parts.extend(health.systems.iter().map(|(system, health)| part(system.word(), system.word(), health)));
    parts
}

fn part(name: &str, health: &Health) -> Part {
    let reason = |r: &notchwatch_desk::HealthReason| Reason {
        what: r.what.clone(),
        finding: r.finding.as_ref().map(ToString::to_string).unwrap_or_default(),
        takes: if r.takes > 0.0 {
            format!("takes {}", percent(r.takes))
        } else {
            format!("{} of the confidence", percent(r.doubts))
        },
    };
    Part {
        name: name.to_owned(),
        grade: health.grade.map(|g| format!("{g:.2}")).unwrap_or_default(),
        share: format!("{:.1}", health.grade.unwrap_or_default() * 100.0),
        unknown: health.unknown.clone().unwrap_or_default(),
        at_most: health.at_most,
        confidence: percent(health.confidence),
        reasons: health.reasons.iter().take(MOST_REASONS).map(reason).collect(),
        history: None,
    }
}

/// Channels by system.
pub(crate) fn groups(
    channels: &[UnitChannel],
    learning: &BTreeMap<ChannelName, f64>,
    range: Range,
    zone: &TimeZone,
    now: Time,
) -> Vec<Group> {
    let mut groups: BTreeMap<System, Vec<Tile>> = BTreeMap::new();
    for channel in channels {
        let part = learning.get(&channel.def.name).copied();
        groups.entry(channel.def.system).or_default().push(tile(channel, part, range, zone, now));
    }
    groups.into_iter().map(|(system, tiles)| Group { system: system.word(), tiles }).collect()
}

fn tile(channel: &UnitChannel, learning: Option<f64>, range: Range, zone: &TimeZone, now: Time) -> Tile {
    let def = &channel.def;
    let from = now - Span::from_days(range.days());
    let spark = spark(&channel.buckets, &channel.bands, range.bucket(), (from, now), &def.limits);
    let largest = spark.as_ref().map_or(0.0, |s| s.least.abs().max(s.greatest.abs()));
    let largest = channel.latest.map_or(largest, |(_, value)| largest.max(value.abs()));
    let (factor, uom) = shown_unit(def.uom, largest);
    let flag = def.value == ChannelValue::Flag;
    let shown = |value: f64| match (flag, value > 0.0) {
        (true, true) => "on".to_owned(),
        (true, false) => "off".to_owned(),
        (false, _) => figure_by(value * factor, def.resolution * factor),
    };
    let with_uom = |text: String| if uom.is_empty() || flag { text } else { format!("{text} {uom}") };
    Tile {
        channel: def.name.to_string(),
        label: def.label().to_owned(),
        value: channel.latest.map_or_else(String::new, |(_, value)| with_uom(shown(value))),
        at: channel.latest.map(|(time, _)| stamp(time, zone, now)),
        extent: spark
            .as_ref()
            .map(|s| with_uom(format!("{} to {}", shown(s.least), shown(s.greatest))))
            .unwrap_or_default(),
        spark,
        learning: learning.map(percent).unwrap_or_default(),
    }
}
