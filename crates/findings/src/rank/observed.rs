//! What the symptoms of a finding say, channel by channel, as the ranking reads it.

use std::collections::{BTreeMap, BTreeSet};

use notchwatch_model::{ChannelDef, Direction, FindingKind, Regime, Symptom, SymptomKind};

use super::{untrustworthy, words};
use crate::Context;

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
    /// In words.
    pub(super) words: String,
    spreads: f64,
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
        for symptom in symptoms {
            let seen = channels.entry(symptom.channel.as_str()).or_insert_with(|| Seen {
                moved: None,
                kinds: BTreeSet::new(),
                states: BTreeSet::new(),
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
        let has = |kind| self.channels.values().any(|s| s.kinds.contains(&kind));
        match (has(SymptomKind::LevelShift), has(SymptomKind::Drift)) {
            (true, false) => Pace::Steps,
            (false, true) => Pace::Drifts,
            _ => Pace::Open,
        }
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
        }
        let moves = symptom.kind.about() == FindingKind::Machine && symptom.direction != Direction::None;
        if moves && (stronger || self.moved.is_none()) {
            self.moved = Some(symptom.direction);
        }
    }
}
