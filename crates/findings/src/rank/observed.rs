//! What the symptoms of a finding say, channel by channel, as the ranking reads it.

use std::collections::{BTreeMap, BTreeSet};

use notchwatch_model::{ChannelDef, Direction, FindingKind, Regime, Symptom, SymptomKind};

use super::{untrustworthy, words};
use crate::Context;
use crate::library::Profile;

/// Symptoms of one finding by channel, and the channels that could have shown some.
pub(super) struct Observed<'a> {
    channels: BTreeMap<&'a str, Seen>,
    able: Vec<&'a ChannelDef>,
    context: Context<'a>,
}

/// What one channel shows.
pub(super) struct Seen {
    /// Which way the level moved; `None` when it did not, or when the value cannot be trusted.
    pub(super) moved: Option<Direction>,
    /// Kinds of its symptoms.
    pub(super) kinds: BTreeSet<SymptomKind>,
    /// Operating states of its symptoms.
    pub(super) states: BTreeSet<Regime>,
    /// How its size goes with load, once both loads were seen.
    pub(super) profile: Option<Profile>,
    /// Whether it is off by the same amount everywhere, once that can be told.
    pub(super) offset: Option<Offset>,
    /// Whether it went on growing after it had been found; `None` while that is not known.
    grew: Option<bool>,
    /// Largest size as a share of the range that the class gives the channel, where it gives one.
    pub(super) share: Option<f64>,
    /// How long the engine had stood when it began, in hours; `None` when it did not begin with a standstill.
    stood: Option<f64>,
    /// In words.
    pub(super) words: String,
    spreads: f64,
}

/// Growth from half a day after detection that tells a creeping change from a step (common practice: by half).
const GROWTH: f64 = 1.5;

/// Number of a step that began with a standstill of the engine: for how long it had stood, in seconds.
pub(crate) const AFTER_STANDING: &str = "after_standing_s";
const HOUR_S: f64 = 3600.0;

/// Whether a channel is off by the same amount everywhere.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Offset {
    /// At low load as at high.
    ByLoad,
    /// With the engine stopped too, where nothing of the machine can move it.
    Stopped,
    /// Not at low load as at high.
    NotByLoad,
    /// Right with the engine stopped.
    NotStopped,
}

/// Share of the departure at low load that one with the engine stopped has at least, if it is an offset.
const STOPPED_SHARE: f64 = 0.5;

impl Offset {
    /// From the profile, and from the departures with the engine stopped and at low load, where they are known.
    fn of(profile: Profile, stopped: Option<f64>, low: f64) -> Self {
        match stopped {
            Some(stopped) if stopped * low.signum() < STOPPED_SHARE * low.abs() => Offset::NotStopped,
            _ if profile != Profile::Steady => Offset::NotByLoad,
            Some(_) => Offset::Stopped,
            None => Offset::ByLoad,
        }
    }

    pub(super) fn holds(self) -> bool {
        matches!(self, Offset::ByLoad | Offset::Stopped)
    }
}

/// How the symptoms came, as far as they tell.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Pace {
    /// Only steps.
    Steps,
    /// Only drifts.
    Drifts,
    /// Both, or neither.
    Open,
}

impl<'a> Observed<'a> {
    pub(super) fn new(context: &Context<'a>, symptoms: &'a [Symptom]) -> Self {
        let mut channels: BTreeMap<&str, Seen> = BTreeMap::new();
        for symptom in symptoms.iter().filter(|symptom| symptom.kind != SymptomKind::OilSample) {
            let seen = channels.entry(symptom.channel.as_str()).or_insert_with(|| Seen {
                moved: None,
                kinds: BTreeSet::new(),
                states: BTreeSet::new(),
                profile: None,
                offset: None,
                grew: None,
                share: None,
                stood: None,
                words: words(context, symptom),
                spreads: 0.0,
            });
            seen.take(context, symptom);
        }
        for seen in channels.values_mut().filter(|s| s.kinds.iter().any(|k| untrustworthy(*k))) {
            seen.moved = None;
        }
        let fitted = |c: &&ChannelDef| {
            !c.optional || context.unit.fitted.is_empty() || context.unit.fitted.contains(&c.name)
        };
        let able = context.class.channels.iter().filter(|c| c.judged).filter(fitted).collect();
        Self { channels, able, context: *context }
    }

    /// Channels of the unit that are judged and match.
    pub(super) fn able(&self, matches: impl Fn(&str) -> bool) -> Vec<&'a ChannelDef> {
        self.able.iter().copied().filter(|c| matches(c.name.as_str())).collect()
    }

    pub(super) fn seen(&self, channel: &str) -> Option<&Seen> {
        self.channels.get(channel)
    }

    /// Every channel with a symptom.
    pub(super) fn all(&self) -> impl Iterator<Item = (&'a str, &Seen)> {
        self.channels.iter().map(|(name, seen)| (*name, seen))
    }

    /// Name of the group of sister channels a channel is in, or its own.
    pub(super) fn group(&self, channel: &'a str) -> &'a str {
        let class = self.context.class;
        class
            .channel_ix(channel)
            .and_then(|ix| class.channel(ix))
            .and_then(|c| c.sisters.as_deref())
            .unwrap_or(channel)
    }

    /// How many channels changed, sister channels counted once.
    pub(super) fn groups(&self) -> usize {
        self.channels.keys().map(|name| self.group(name)).collect::<BTreeSet<_>>().len()
    }

    pub(super) fn any_sensor_kind(&self) -> bool {
        self.channels.values().any(|s| s.kinds.iter().any(|k| k.about() == FindingKind::Sensor))
    }

    pub(super) fn pace(&self) -> Pace {
        // What grows after it was found creeps, however its beginning looked.
        if self.channels.values().any(|s| s.grew == Some(true)) {
            return Pace::Drifts;
        }
        let has = |kind| self.channels.values().any(|s| s.kinds.contains(&kind));
        match (has(SymptomKind::LevelShift), has(SymptomKind::Drift)) {
            (true, false) => Pace::Steps,
            (false, true) => Pace::Drifts,
            _ => Pace::Open,
        }
    }

    /// How long the engine had stood when the largest change began, in hours; `None` when it did not begin with a standstill.
    pub(super) fn standing(&self) -> Option<f64> {
        self.channels.values().max_by(|a, b| a.spreads.total_cmp(&b.spreads)).and_then(|seen| seen.stood)
    }

    pub(super) fn label(&self, channel: &str) -> String {
        crate::title::label(self.context.class, channel)
    }
}

impl Seen {
    fn take(&mut self, context: &Context<'_>, symptom: &Symptom) {
        self.kinds.insert(symptom.kind);
        self.states.extend(symptom.states.iter().copied());
        let stronger = symptom.spreads.abs() > self.spreads;
        if stronger {
            self.spreads = symptom.spreads.abs();
            self.words = words(context, symptom);
            self.stood = symptom.numbers.get(AFTER_STANDING).map(|seconds| seconds / HOUR_S);
        }
        let range = channel(context, symptom).and_then(|c| c.range).map(|(low, high)| high - low);
        if let Some(share) = range.map(|range| crate::title::largest(symptom).abs() / range) {
            self.share = Some(self.share.map_or(share, |known| known.max(share)));
        }
        let moves = symptom.kind.about() == FindingKind::Machine && symptom.direction != Direction::None;
        if moves && (stronger || self.moved.is_none()) {
            self.moved = Some(symptom.direction);
        }
        let number = |name: &str| symptom.numbers.get(name).copied();
        if let (Some(low), Some(high)) = (number("at_low_load"), number("at_high_load")) {
            self.profile = Profile::of(low, high);
            self.offset = self.profile.map(|profile| Offset::of(profile, number("at_stopped"), low));
        }
        if let Some(settled) = number("settled_spreads") {
            let grew = symptom.spreads.abs() > GROWTH * settled.abs();
            self.grew = Some(grew || self.grew == Some(true));
        }
    }
}

fn channel<'a>(context: &Context<'a>, symptom: &Symptom) -> Option<&'a ChannelDef> {
    context.class.channel(context.class.channel_ix(symptom.channel.as_str())?)
}
