//! What people do to a matter as a whole: merge it into another, split some of it off, open it again, give it back.
//!
//! Owns how symptoms, their projections and the memories move along. A channel and kind stands once in a matter.

use std::collections::BTreeSet;

use notchwatch_model::{
    ChannelName, FindingId, FindingKind, MachinePart, Opening, Symptom, SymptomKind, SymptomName, Time,
};

use super::Matter;
use crate::{Context, oil};

impl Matter {
    /// Takes in all that another matter of the unit holds.
    pub(crate) fn absorb(&mut self, other: Matter, at: Time) {
        let wakes = !other.part.lasting.is_empty();
        if wakes && self.quiet_since.take().is_some() && !self.part.active {
            self.part.active = true;
            self.part.occurrence = self.part.occurrence.saturating_add(1);
        }
        let ends = self.earlier.into_iter().chain(other.earlier);
        self.earlier = ends.chain(other.part.symptoms.iter().map(|s| s.onset)).min();
        for symptom in other.part.symptoms {
            let lasts = other.part.lasting.contains(&symptom.id());
            self.take_in(symptom, lasts);
        }
        for (channel, projection) in other.projections {
            self.projections.entry(channel).or_insert(projection);
        }
        self.part.unstable |= other.part.unstable;
        self.kept |= other.kept;
        self.rest(at);
    }

    /// Of two symptoms of a channel and kind the one that lasts stays, else the one detected later.
    fn take_in(&mut self, symptom: Symptom, lasts: bool) {
        let same = |s: &Symptom| s.channel == symptom.channel && s.kind == symptom.kind;
        if let Some(held) = self.part.symptoms.iter().find(|s| same(s)) {
            let held_lasts = self.part.lasting.contains(&held.id());
            if (held_lasts, held.detected) >= (lasts, symptom.detected) {
                return;
            }
            let gone = held.id();
            self.part.symptoms.retain(|s| !same(s));
            self.part.lasting.retain(|id| *id != gone);
        }
        self.take_over(symptom, lasts);
    }

    /// Splits symptoms off into a matter of their own. `None` when it has none of them or nothing else.
    pub(crate) fn split(
        &mut self,
        context: &Context<'_>,
        symptoms: &[SymptomName],
        id: FindingId,
        at: Time,
    ) -> Option<Matter> {
        let chosen = |s: &Symptom| symptoms.iter().any(|n| n.channel == s.channel && n.kind == s.kind);
        let count = self.part.symptoms.iter().filter(|s| chosen(s)).count();
        if count == 0 || count == self.part.symptoms.len() {
            return None;
        }
        let projections = self.projections.clone();
        let gone = self.give_up(chosen);
        let lead = gone.iter().map(|(symptom, _)| symptom).min_by_key(|s| (s.onset, s.id()))?;
        let opening = Opening {
            id,
            unit: self.part.unit.clone(),
            class: self.part.class.clone(),
            system: oil::system(context.class, lead),
            kind: about(gone.iter().map(|(symptom, _)| symptom), self.part.kind),
            onset: lead.onset,
            opened: at,
        };
        let mut off = Matter::of(MachinePart {
            engine: self.part.engine.clone(),
            split_from: Some(self.part.id.clone()),
            active: gone.iter().any(|(_, lasts)| *lasts) || self.part.active,
            ..MachinePart::new(opening)
        });
        off.came = vec![at];
        let channels: BTreeSet<ChannelName> = gone.iter().map(|(s, _)| s.channel.clone()).collect();
        off.projections.extend(projections.into_iter().filter(|(channel, _)| channels.contains(channel)));
        for (symptom, lasts) in gone {
            off.take_over(symptom, lasts);
        }
        self.part.kind = about(self.part.symptoms.iter(), self.part.kind);
        self.earlier = None;
        self.rest(at);
        off.rest(at);
        Some(off)
    }

    /// Opens it again. Of the symptoms that lasted when it closed, those for which `lasts` holds still do.
    pub(crate) fn reopen(&mut self, at: Time, lasts: impl Fn(&ChannelName, SymptomKind) -> bool) {
        self.part.ended = None;
        self.part.lasting.retain(|id| lasts(&id.channel, id.kind));
        self.kept = true;
        if self.part.lasting.is_empty() {
            self.rest(at);
        } else {
            self.quiet_since = None;
            self.part.active = true;
        }
    }

    /// Nobody works on it any more. The quiet time after which the machine may end it begins anew.
    pub(crate) fn give_back(&mut self, at: Time) {
        self.kept = false;
        self.quiet_since = self.quiet_since.map(|since| since.max(at));
    }
}

/// What symptoms are about, when they are all about one thing.
fn about<'a>(symptoms: impl Iterator<Item = &'a Symptom>, otherwise: FindingKind) -> FindingKind {
    let kinds: BTreeSet<FindingKind> = symptoms.map(|s| s.kind.about()).collect();
    match kinds.first() {
        Some(kind) if kinds.len() == 1 => *kind,
        _ => otherwise,
    }
}
