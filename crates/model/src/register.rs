//! The register: railways, classes, units, engines, and which engine was fitted to which unit when.
//!
//! Owns the shape of the register's TOML files and the checks that hold within it. Refuses to read files.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::{
    ChannelIx, ChannelName, ClassId, EngineSerial, Priority, RailwayId, Span, StateFilter, Time, UnitId,
    UnitKey, Uom,
};

/// Everything registered. Also the shape of one register file: files are merged in the order they are read.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Register {
    /// Owners and operators.
    #[serde(default)]
    pub railways: Vec<Railway>,
    /// Designs.
    #[serde(default)]
    pub classes: Vec<Class>,
    /// Units.
    #[serde(default)]
    pub units: Vec<Unit>,
}

/// Owner or operator of units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Railway {
    /// Identity, also the railway part of a topic.
    pub id: RailwayId,
    /// Name shown to people.
    pub name: String,
    /// IANA time zone, such as `Europe/Paris`; times are shown in it beside UTC.
    #[serde(default = "utc")]
    pub zone: String,
}

fn utc() -> String {
    "UTC".to_owned()
}

/// A design that units share.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Class {
    /// Identity.
    pub id: ClassId,
    /// Name shown to people.
    pub name: String,
    /// How the operating state is read from the channels.
    #[serde(default)]
    pub operation: OperationRule,
    /// Channels, in the order that [`ChannelIx`] counts. Append only: the position is stored.
    pub channels: Vec<ChannelDef>,
}

/// How a class's operating state is read from its channels. With no channel named, the class has the one
/// regime [`Regime::Running`](crate::Regime::Running).
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct OperationRule {
    /// Throttle position, 0 (idle) to 8.
    pub notch: Option<ChannelName>,
    /// Flag: dynamic brake set up.
    pub dynamic_brake: Option<ChannelName>,
    /// Flag: engine running.
    pub engine_running: Option<ChannelName>,
    /// Steady once the regime has not changed for this long, in seconds.
    pub steady_after_s: u32,
    /// Channel that says whether the engine is warm.
    pub warm_channel: Option<ChannelName>,
    /// Warm at and above this value, in the channel's stored unit of measure.
    pub warm_at: f64,
}

/// Group a channel belongs to.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum System {
    Operation,
    Lubrication,
    Cooling,
    Air,
    Fuel,
    Cylinders,
    Crankcase,
    Electrical,
    Traction,
    AirSupply,
    /// A machine without the systems of a locomotive.
    Machine,
}

impl System {
    /// Every system.
    pub const ALL: &'static [System] = &[
        System::Operation,
        System::Lubrication,
        System::Cooling,
        System::Air,
        System::Fuel,
        System::Cylinders,
        System::Crankcase,
        System::Electrical,
        System::Traction,
        System::AirSupply,
        System::Machine,
    ];

    /// The word as it is written in the API and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            System::Operation => "operation",
            System::Lubrication => "lubrication",
            System::Cooling => "cooling",
            System::Air => "air",
            System::Fuel => "fuel",
            System::Cylinders => "cylinders",
            System::Crankcase => "crankcase",
            System::Electrical => "electrical",
            System::Traction => "traction",
            System::AirSupply => "air-supply",
            System::Machine => "machine",
        }
    }
}

/// What a channel's values are.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChannelValue {
    /// A measured quantity.
    #[default]
    Number,
    /// A boolean, kept as 0 and 1. A number sent for it must be 0 or 1.
    Flag,
    /// A total that only grows, but for resets. Judged by its steps.
    Counter,
    /// A text. Kept, never judged by a model.
    Text,
}

/// One channel of a class.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelDef {
    /// Name, as it is sent.
    pub name: ChannelName,
    /// What it measures, in words for people.
    #[serde(default)]
    pub label: String,
    /// Group it belongs to.
    pub system: System,
    /// Stored unit of measure.
    #[serde(default)]
    pub uom: Uom,
    /// What its values are.
    #[serde(default)]
    pub value: ChannelValue,
    /// Smallest step the sensor can tell, in the stored unit. Floors every spread.
    #[serde(default)]
    pub resolution: f64,
    /// Physically possible range, in the stored unit. A value outside is a sensor matter, never judged.
    #[serde(default)]
    pub range: Option<(f64, f64)>,
    /// Values that a sensor sends instead of a measurement (open circuit, power-up), in the stored unit.
    #[serde(default)]
    pub codes: Vec<f64>,
    /// Fastest possible change, in the stored unit a second.
    #[serde(default)]
    pub max_rate: Option<f64>,
    /// Whether models judge it; a channel that only describes the operating state is not judged.
    #[serde(default = "yes")]
    pub judged: bool,
    /// Operating states in which it is judged.
    #[serde(default)]
    pub judged_in: StateFilter,
    /// How long after a change of regime it has settled, in seconds. At least the class's `steady_after_s` counts.
    #[serde(default)]
    pub settle_s: u32,
    /// How long after the engine's start it is judged, in seconds; where given, its limits wait as long. A reservoir that
    /// was empty is not low on air while it fills.
    #[serde(default)]
    pub after_start_s: Option<u32>,
    /// Channels of the same unit that explain part of its value (load, ambient, oil temperature).
    #[serde(default)]
    pub covariates: Vec<ChannelName>,
    /// Limits of the class.
    #[serde(default)]
    pub limits: Vec<Limit>,
    /// Channels that physics ties to it; a disagreement is a sensor matter.
    #[serde(default)]
    pub tied: Vec<Tie>,
    /// Name of the group of sister channels (cylinders, traction motors) it is compared with.
    #[serde(default)]
    pub sisters: Option<String>,
    /// Whether some units are delivered without it.
    #[serde(default)]
    pub optional: bool,
}

fn yes() -> bool {
    true
}

/// A limit on a channel (IEC 62682: with deadband, on-delay and off-delay).
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// Name, unique within the channel.
    pub name: String,
    /// `true`: a value at or above it is beyond; `false`: at or below.
    pub high: bool,
    /// The limit, in the stored unit of measure.
    pub at: f64,
    /// How far back inside the limit a value must come to count as returned, in the stored unit.
    #[serde(default)]
    pub deadband: f64,
    /// How long beyond before it counts, in seconds of event time.
    #[serde(default)]
    pub on_delay_s: u32,
    /// How long back before it counts as returned, in seconds of event time.
    #[serde(default)]
    pub off_delay_s: u32,
    /// Operating states in which it holds.
    #[serde(default)]
    pub states: StateFilter,
    /// Priority of a finding that rests on it.
    pub priority: Priority,
}

/// A physical tie between two channels: their difference stays within a band.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tie {
    /// The other channel.
    pub to: ChannelName,
    /// Largest honest difference, in this channel's stored unit of measure.
    pub within: f64,
    /// Operating states in which the tie holds.
    #[serde(default)]
    pub states: StateFilter,
}

/// Service status of a unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the vocabulary's")]
pub enum ServiceStatus {
    #[default]
    InService,
    InShop,
    Stored,
    HauledDead,
}

/// One unit.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Unit {
    /// The railway that owns or operates it.
    pub railway: RailwayId,
    /// Its number.
    pub id: UnitId,
    /// Its design.
    pub class: ClassId,
    /// Region, a free word that groups units.
    #[serde(default)]
    pub region: String,
    /// IANA time zone, where it differs from the railway's.
    #[serde(default)]
    pub zone: Option<String>,
    /// Service status.
    #[serde(default)]
    pub status: ServiceStatus,
    /// Engines fitted, one after the other.
    #[serde(default)]
    pub engines: Vec<EngineFit>,
    /// Optional channels it is delivered with; empty means all.
    #[serde(default)]
    pub fitted: Vec<ChannelName>,
}

/// An engine in a unit, from a date to a date.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineFit {
    /// The engine.
    pub serial: EngineSerial,
    /// Fitted from.
    pub from: Time,
    /// Removed at; absent while it is fitted.
    #[serde(default)]
    pub to: Option<Time>,
}

impl Unit {
    /// Railway and number together.
    pub fn key(&self) -> UnitKey {
        UnitKey { railway: self.railway.clone(), unit: self.id.clone() }
    }

    /// The engine fitted at that time.
    pub fn engine_at(&self, time: Time) -> Option<&EngineSerial> {
        self.engines
            .iter()
            .rev()
            .find(|fit| fit.from <= time && fit.to.is_none_or(|to| time < to))
            .map(|fit| &fit.serial)
    }
}

impl Class {
    /// Position of a channel by name.
    pub fn channel_ix(&self, name: &str) -> Option<ChannelIx> {
        self.channels
            .iter()
            .position(|c| c.name.as_str() == name)
            .and_then(|i| u16::try_from(i).ok())
            .map(ChannelIx)
    }

    /// A channel by position.
    pub fn channel(&self, ix: ChannelIx) -> Option<&ChannelDef> {
        self.channels.get(ix.index())
    }
}

impl ChannelDef {
    /// A channel of which only the name and the system are said: a number without a unit of measure, judged in every
    /// known state, without limits.
    pub fn new(name: ChannelName, system: System) -> Self {
        Self {
            name,
            label: String::new(),
            system,
            uom: Uom::NONE,
            value: ChannelValue::Number,
            resolution: 0.0,
            range: None,
            codes: Vec::new(),
            max_rate: None,
            judged: true,
            judged_in: StateFilter::default(),
            settle_s: 0,
            after_start_s: None,
            covariates: Vec::new(),
            limits: Vec::new(),
            tied: Vec::new(),
            sisters: None,
            optional: false,
        }
    }

    /// Label, or the name where none is given.
    pub fn label(&self) -> &str {
        if self.label.is_empty() { self.name.as_str() } else { &self.label }
    }

    /// How long after a change of regime it has settled.
    pub fn settle(&self, operation: &OperationRule) -> Span {
        Span::from_secs(i64::from(self.settle_s.max(operation.steady_after_s)))
    }
}

/// One thing wrong with a register: where, what, and what would be right.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {what}")]
pub struct Problem {
    /// Path to the entry, such as `classes.demo-12.channels.oil_pressure.covariates`.
    pub place: String,
    /// What is wrong and what would be right.
    pub what: String,
}

impl Register {
    /// Adds another register's entries; an entry of the same identity is replaced.
    pub fn merge(&mut self, other: Register) {
        replace_by(&mut self.railways, other.railways, |r| r.id.clone());
        replace_by(&mut self.classes, other.classes, |c| c.id.clone());
        replace_by(&mut self.units, other.units, Unit::key);
    }

    /// A railway by identity.
    pub fn railway(&self, id: &RailwayId) -> Option<&Railway> {
        self.railways.iter().find(|r| r.id == *id)
    }

    /// A class by identity.
    pub fn class(&self, id: &ClassId) -> Option<&Class> {
        self.classes.iter().find(|c| c.id == *id)
    }

    /// A unit by railway and number.
    pub fn unit(&self, key: &UnitKey) -> Option<&Unit> {
        self.units.iter().find(|u| u.railway == key.railway && u.id == key.unit)
    }

    /// Everything wrong within the register, in reading order; empty when it can be used.
    pub fn problems(&self) -> Vec<Problem> {
        let mut found = Vec::new();
        for railway in &self.railways {
            if railway.id.as_str() == crate::OWN_RAILWAY {
                let text = format!("{:?} is reserved for findings about this service", crate::OWN_RAILWAY);
                report(&mut found, format!("railways.{}.id", railway.id), text);
            }
            if jiff::tz::TimeZone::get(&railway.zone).is_err() {
                report(
                    &mut found,
                    format!("railways.{}.zone", railway.id),
                    format!(
                        "{:?} is not a time zone of the IANA database, such as Europe/Paris",
                        railway.zone
                    ),
                );
            }
        }
        for class in &self.classes {
            class_problems(class, &mut found);
        }
        for unit in &self.units {
            self.unit_problems(unit, &mut found);
        }
        found
    }

    fn unit_problems(&self, unit: &Unit, found: &mut Vec<Problem>) {
        let place = format!("units.{}", unit.key());
        if self.railway(&unit.railway).is_none() {
            report(
                found,
                format!("{place}.railway"),
                format!("railway {} is not in the register", unit.railway),
            );
        }
        match self.class(&unit.class) {
            None => report(
                found,
                format!("{place}.class"),
                format!("class {} is not in the register", unit.class),
            ),
            Some(class) => {
                for name in unit.fitted.iter().filter(|n| class.channel_ix(n.as_str()).is_none()) {
                    report(
                        found,
                        format!("{place}.fitted"),
                        format!("class {} has no channel {name}", class.id),
                    );
                }
            }
        }
        if unit.zone.as_ref().is_some_and(|z| jiff::tz::TimeZone::get(z).is_err()) {
            report(
                found,
                format!("{place}.zone"),
                "not a time zone of the IANA database, such as Europe/Paris".into(),
            );
        }
        for pair in unit.engines.windows(2) {
            if let [earlier, later] = pair
                && earlier.to.is_none_or(|to| to > later.from)
            {
                let what = format!("engine {} is still fitted when {} is", earlier.serial, later.serial);
                report(found, format!("{place}.engines"), what);
            }
        }
    }
}

fn replace_by<T, K: Ord>(into: &mut Vec<T>, from: Vec<T>, key: impl Fn(&T) -> K) {
    let mut at: BTreeMap<K, usize> = into.iter().enumerate().map(|(i, item)| (key(item), i)).collect();
    for item in from {
        let k = key(&item);
        if let Some(slot) = at.get(&k).and_then(|i| into.get_mut(*i)) {
            *slot = item;
        } else {
            at.insert(k, into.len());
            into.push(item);
        }
    }
}

fn report(found: &mut Vec<Problem>, place: String, what: String) {
    found.push(Problem { place, what });
}

fn class_problems(class: &Class, found: &mut Vec<Problem>) {
    let place = format!("classes.{}", class.id);
    if class.channels.is_empty() || class.channels.len() > usize::from(u16::MAX) {
        report(found, format!("{place}.channels"), "a class has 1 to 65535 channels".into());
    }
    let mut seen = BTreeSet::new();
    for channel in &class.channels {
        let place = format!("{place}.channels.{}", channel.name);
        if !seen.insert(&channel.name) {
            report(found, place.clone(), "the name is used twice".into());
        }
        let references = channel.covariates.iter().chain(channel.tied.iter().map(|t| &t.to));
        for name in references.filter(|n| class.channel_ix(n.as_str()).is_none()) {
            report(found, place.clone(), format!("refers to channel {name}, which the class does not have"));
        }
        channel_number_problems(channel, &place, found);
    }
    let operation = &class.operation;
    let named =
        [&operation.notch, &operation.dynamic_brake, &operation.engine_running, &operation.warm_channel];
    for name in named.into_iter().flatten().filter(|n| class.channel_ix(n.as_str()).is_none()) {
        report(
            found,
            format!("{place}.operation"),
            format!("refers to channel {name}, which the class does not have"),
        );
    }
}

fn channel_number_problems(channel: &ChannelDef, place: &str, found: &mut Vec<Problem>) {
    if !(channel.resolution.is_finite() && channel.resolution >= 0.0) {
        report(found, format!("{place}.resolution"), "a resolution is a finite number, 0 or more".into());
    }
    if channel.range.is_some_and(|(low, high)| !(low.is_finite() && high.is_finite() && low < high)) {
        report(found, format!("{place}.range"), "a range is two finite numbers, the lower first".into());
    }
    if channel.max_rate.is_some_and(|r| !(r.is_finite() && r > 0.0)) {
        report(found, format!("{place}.max_rate"), "a rate is a finite number above 0".into());
    }
    for limit in &channel.limits {
        if !(limit.at.is_finite() && limit.deadband.is_finite() && limit.deadband >= 0.0) {
            let what = "a limit and its deadband are finite numbers, the deadband 0 or more";
            report(found, format!("{place}.limits.{}", limit.name), what.into());
        }
    }
}

#[cfg(test)]
mod tests;
