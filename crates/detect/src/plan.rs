//! The class compiled for detection: names resolved to positions, filters and limits ready to read.
//!
//! Owns nothing that changes with data. One plan serves all units of a class; it is rebuilt when the class or the
//! settings change.

use notchwatch_model::{
    ChannelDef, ChannelIx, ChannelName, ChannelValue, Class, Limit, OperationRule, Span, StateFilter, Tie,
    Uom,
};

use crate::expression::{self, Other};
use crate::{Settings, duty};

/// Most covariates of a channel that take part: three explain what notch leaves open (load, ambient, oil
/// temperature), and each costs memory in every operating state. Further ones of the class's list are left out.
pub const MOST_COVARIATES: usize = 3;

/// Fewest sister channels that make a group: with two, nobody can tell which of them left.
pub const FEWEST_SISTERS: usize = 3;

/// Smallest lasting departure that is worth telling, as a share of the range that the class gives a channel. Common
/// practice: alarm handbooks advise a deadband of 1 % of the range for temperatures and more for everything else, and a
/// change that would not leave a deadband asks nothing of anybody.
const LEAST_TOLD: f64 = 0.01;

/// How long an engine has run before its channels are compared with how they were, where the class says nothing: a usual
/// rule of settling (common practice). Temperatures that lag behind the warm-up are not yet what they will be.
const AFTER_START: Span = Span::from_mins(30);

/// A class compiled for detection.
#[derive(Clone, Debug)]
pub struct Plan {
    pub(crate) settings: Settings,
    pub(crate) operation: OperationPlan,
    pub(crate) channels: Vec<ChannelPlan>,
    /// Positions of sister channels, a list a group, groups by name.
    pub(crate) groups: Vec<Vec<usize>>,
}

#[derive(Clone, Debug)]
pub(crate) struct OperationPlan {
    pub(crate) notch: Option<usize>,
    pub(crate) dynamic_brake: Option<usize>,
    pub(crate) engine_running: Option<usize>,
    pub(crate) steady_after: Span,
    pub(crate) warm: Option<(usize, f64)>,
}

#[derive(Clone, Debug)]
pub(crate) struct ChannelPlan {
    pub(crate) name: ChannelName,
    pub(crate) uom: Uom,
    pub(crate) value: ChannelValue,
    pub(crate) resolution: f64,
    pub(crate) range: Option<(f64, f64)>,
    /// Departures smaller than this are not told, however sure they are.
    pub(crate) least: f64,
    /// Usual other units of measure.
    pub(crate) others: Vec<Other>,
    pub(crate) codes: Vec<f64>,
    pub(crate) max_rate: Option<f64>,
    pub(crate) judged: bool,
    pub(crate) judged_in: StateFilter,
    pub(crate) settle: Span,
    /// How long after the engine's start models judge it.
    pub(crate) after_start: Span,
    /// The same for limits, where the class says so.
    pub(crate) limits_after_start: Option<Span>,
    pub(crate) covariates: Vec<usize>,
    /// Whether it has sister channels.
    pub(crate) sisters: bool,
    pub(crate) limits: Vec<Limit>,
    pub(crate) ties: Vec<TiePlan>,
}

#[derive(Clone, Debug)]
pub(crate) struct TiePlan {
    pub(crate) to: usize,
    /// What brings the other channel's value into this channel's unit of measure: times, then plus.
    scale: f64,
    offset: f64,
    pub(crate) within: f64,
    pub(crate) states: StateFilter,
}

impl Plan {
    /// Compiles a class. A name that the class does not have is left out: `Register::problems` reports it.
    pub fn new(class: &Class, settings: &Settings) -> Self {
        let at = |name: &ChannelName| class.channel_ix(name.as_str()).map(ChannelIx::index);
        let groups = groups(class);
        let channels = class
            .channels
            .iter()
            .enumerate()
            .map(|(i, c)| ChannelPlan {
                name: c.name.clone(),
                uom: c.uom,
                value: c.value,
                resolution: if flag(c) { duty::RESOLUTION } else { c.resolution },
                range: c.range,
                least: if flag(c) { duty::LEAST_TOLD } else { least_told(c) },
                others: if c.value == ChannelValue::Number { expression::others(c.uom) } else { vec![] },
                codes: c.codes.clone(),
                max_rate: c.max_rate,
                judged: c.judged && (c.value == ChannelValue::Number || flag(c)),
                judged_in: c.judged_in.clone(),
                settle: c.settle(&class.operation),
                after_start: after_start(class, c),
                limits_after_start: c.after_start_s.map(|s| Span::from_secs(i64::from(s))),
                covariates: c
                    .covariates
                    .iter()
                    .filter_map(at)
                    .filter(|j| *j != i)
                    .take(MOST_COVARIATES)
                    .collect(),
                sisters: c.sisters.is_some(),
                limits: c.limits.clone(),
                ties: c.tied.iter().filter_map(|t| tie(class, c, t)).collect(),
            })
            .collect();
        Self { settings: settings.clone(), operation: operation(&class.operation, at), channels, groups }
    }

    /// The settings it was made with.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Names of the channels, in the order of the class.
    pub fn names(&self) -> impl Iterator<Item = &ChannelName> {
        self.channels.iter().map(|c| &c.name)
    }
}

impl TiePlan {
    /// The other channel's value in this channel's unit of measure.
    pub(crate) fn bring(&self, other: f64) -> f64 {
        other * self.scale + self.offset
    }
}

/// Nothing follows from a start that the class does not let one see.
fn after_start(class: &Class, channel: &ChannelDef) -> Span {
    let known = class.operation.engine_running.is_some();
    let said = channel.after_start_s.map(|s| Span::from_secs(i64::from(s)));
    if known { said.unwrap_or(AFTER_START) } else { Span::ZERO }
}

fn flag(channel: &ChannelDef) -> bool {
    channel.value == ChannelValue::Flag
}

fn least_told(channel: &ChannelDef) -> f64 {
    channel.range.map_or(0.0, |(low, high)| LEAST_TOLD * (high - low))
}

/// A tie compiled; `None` when the other channel is missing or measures something else.
fn tie(class: &Class, channel: &ChannelDef, tie: &Tie) -> Option<TiePlan> {
    let to = class.channel_ix(tie.to.as_str())?;
    let other = class.channel(to)?;
    let offset = other.uom.convert(0.0, channel.uom).ok()?;
    let scale = other.uom.convert(1.0, channel.uom).ok()? - offset;
    Some(TiePlan { to: to.index(), scale, offset, within: tie.within, states: tie.states.clone() })
}

fn operation(rule: &OperationRule, at: impl Fn(&ChannelName) -> Option<usize>) -> OperationPlan {
    OperationPlan {
        notch: rule.notch.as_ref().and_then(&at),
        dynamic_brake: rule.dynamic_brake.as_ref().and_then(&at),
        engine_running: rule.engine_running.as_ref().and_then(&at),
        steady_after: Span::from_secs(i64::from(rule.steady_after_s)),
        warm: rule.warm_channel.as_ref().and_then(&at).map(|i| (i, rule.warm_at)),
    }
}

fn groups(class: &Class) -> Vec<Vec<usize>> {
    let mut named: std::collections::BTreeMap<&str, Vec<usize>> = std::collections::BTreeMap::new();
    for (i, channel) in class.channels.iter().enumerate() {
        if let Some(name) = channel.sisters.as_deref().filter(|_| channel.judged) {
            named.entry(name).or_default().push(i);
        }
    }
    named.into_values().filter(|members| members.len() >= FEWEST_SISTERS).collect()
}
