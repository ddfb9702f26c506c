//! The findings of one unit: a state that symptoms, decisions and time change.
//!
//! Owns which matters are open on the machine side and what stays out of baselines. Refuses to judge samples and to
//! know a clock.

mod learn;

use std::collections::{BTreeMap, BTreeSet};

pub use learn::renewed;
use notchwatch_model::{
    Act, Change, ChannelName, Decision, FindingId, FindingKind, MachinePart, Outcome, Span, Symptom,
    SymptomChange, SymptomKind, SymptomName, Time,
};
use serde::{Deserialize, Serialize};

use crate::group::{Home, doubted, home};
use crate::matter::{Cause, Matter};
use crate::past::Past;
use crate::rule::split_id;
use crate::{Accepted, Context};

/// Quiet time after which a finding that nobody took ends as returned to normal, in event time (common practice:
/// one full day of duty).
pub const CALM_TO_END: Span = Span::from_hours(24);
/// Days for which causes are remembered, so that a second finding of one cause and day gets an id of its own. Far
/// beyond how far back an onset is estimated.
const CAUSES_KEPT_DAYS: i64 = 60;

/// The findings of one unit as they stand. Equal symptoms and decisions give equal states.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct UnitFindings {
    /// The oldest first.
    open: Vec<Matter>,
    /// Symptoms that lasted when a person closed their finding. They open nothing again, and their data stays out
    /// of the baseline until they clear or a person accepts the level.
    spent: BTreeSet<(ChannelName, SymptomKind)>,
    /// Channels that maintenance renewed: open findings do not hold them until a symptom is raised on them again.
    released: BTreeSet<ChannelName>,
    /// How many findings each cause has made.
    causes: BTreeMap<Cause, u32>,
    /// Those that ended.
    past: Past,
}

/// Findings touched by one call, to be computed anew at its end.
#[derive(Default)]
struct Touched {
    open: BTreeMap<FindingId, Time>,
    ended: Vec<MachinePart>,
}

impl UnitFindings {
    /// Takes changes of symptoms in order of time. Returns the findings that they changed, each once but for one
    /// that ended and is followed by another.
    pub fn apply(&mut self, context: &Context<'_>, changes: &[SymptomChange]) -> Vec<MachinePart> {
        let mut touched = Touched::default();
        let mut found = Vec::new();
        for change in changes {
            found.extend(self.tick(context, change.at));
            let symptom = &change.symptom;
            match change.change {
                Change::Raised => self.raise(context, symptom, change.at, &mut touched),
                Change::Revised => self.revise(context, symptom, change.at, &mut touched),
                Change::Cleared => self.clear(symptom, change.at, &mut touched),
            }
        }
        for matter in &mut self.open {
            if let Some(at) = touched.open.get(&matter.part.id) {
                matter.refresh(context, *at);
                if matter.part.again.is_none() {
                    matter.part.again = self.past.same_cause(&matter.part);
                }
                found.push(matter.told());
            }
        }
        found.extend(touched.ended);
        found
    }

    /// Lets time pass up to `to`. Returns the findings that it changed.
    pub fn tick(&mut self, context: &Context<'_>, to: Time) -> Vec<MachinePart> {
        let mut changed = Vec::new();
        for matter in &mut self.open {
            if matter.pass(to) {
                matter.part.settings_version = context.settings_version;
                changed.push(matter.told());
            }
        }
        if !changed.is_empty() {
            self.sweep();
        }
        changed
    }

    /// Takes a decision that took effect. A decision on a finding that is not open here changes nothing, but for one
    /// that opens it again.
    pub fn decide(&mut self, context: &Context<'_>, decision: &Decision) -> Accepted {
        if !decision.effective {
            return Accepted::default();
        }
        if matches!(decision.act, Act::Reopen { .. }) {
            return Accepted::changed(self.reopen(context, &decision.finding, decision.at));
        }
        let Some(place) = self.open.iter().position(|m| m.part.id == decision.finding) else {
            return Accepted::default();
        };
        match &decision.act {
            Act::Close { outcome, .. } => return self.close(place, *outcome, decision.at),
            Act::Merge { into } => {
                return Accepted::changed(self.merge(context, place, into, decision.at));
            }
            Act::Split { symptoms } => {
                let parts = split_id(&decision.finding, decision.seen)
                    .and_then(|id| self.split(context, place, symptoms, id, decision.at));
                return Accepted::changed(parts.into_iter().flatten());
            }
            _ => {}
        }
        if let Some(matter) = self.open.get_mut(place) {
            match &decision.act {
                Act::Take | Act::Wait { .. } | Act::Hand { .. } => matter.kept = true,
                Act::GiveBack => matter.give_back(decision.at),
                _ => {}
            }
        }
        Accepted::default()
    }

    /// The finding at `place` goes into another that is open. When that is not open here, what lasts is spent, as with
    /// a closed one: it opens nothing anew.
    fn merge(
        &mut self,
        context: &Context<'_>,
        place: usize,
        into: &FindingId,
        at: Time,
    ) -> Option<MachinePart> {
        let gone = self.open.remove(place);
        let Some(stays) = self.open.iter_mut().find(|matter| matter.part.id == *into) else {
            self.spend(&gone.part);
            return None;
        };
        stays.absorb(gone, at);
        stays.refresh(context, at);
        Some(stays.told())
    }

    fn split(
        &mut self,
        context: &Context<'_>,
        place: usize,
        symptoms: &[SymptomName],
        id: FindingId,
        at: Time,
    ) -> Option<[MachinePart; 2]> {
        let matter = self.open.get_mut(place)?;
        let mut off = matter.split(context, symptoms, id, at)?;
        matter.refresh(context, at);
        off.refresh(context, at);
        let told = [matter.told(), off.told()];
        self.open.push(off);
        Some(told)
    }

    fn reopen(&mut self, context: &Context<'_>, id: &FindingId, at: Time) -> Option<MachinePart> {
        let mut matter = self.past.take(id, at)?;
        let spent = &self.spent;
        matter.reopen(at, |channel, kind| spent.contains(&(channel.clone(), kind)));
        for id in &matter.part.lasting {
            self.spent.remove(&(id.channel.clone(), id.kind));
        }
        matter.refresh(context, at);
        let told = matter.told();
        self.open.push(matter);
        Some(told)
    }

    /// Channels whose data stay out of the baselines: those of open findings about the machine or a sensor, and
    /// those of symptoms that outlast the finding a person closed.
    pub fn held(&self) -> BTreeSet<ChannelName> {
        let open = self
            .open
            .iter()
            .flat_map(|matter| &matter.part.symptoms)
            .filter(|symptom| symptom.kind.about() != FindingKind::Data)
            .filter(|symptom| !self.released.contains(&symptom.channel))
            .map(|symptom| symptom.channel.clone());
        open.chain(self.spent.iter().map(|(channel, _)| channel.clone())).collect()
    }

    /// The findings that are open on the machine side, the oldest first.
    pub fn open(&self) -> impl Iterator<Item = MachinePart> {
        self.open.iter().map(Matter::told)
    }

    fn raise(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time, touched: &mut Touched) {
        self.spent.remove(&(symptom.channel.clone(), symptom.kind));
        self.released.remove(&symptom.channel);
        if self.holder(symptom).is_some() {
            return self.revise(context, symptom, at, touched);
        }
        let parts: Vec<&MachinePart> = self.open.iter().map(|matter| &matter.part).collect();
        let place = match home(context, &parts, symptom) {
            Home::Joins(place) => place,
            Home::Turns(place) => {
                if let Some(matter) = self.open.get_mut(place) {
                    matter.part.kind = FindingKind::Sensor;
                }
                place
            }
            Home::New => {
                if let Some(matter) = self.new_matter(context, symptom, at) {
                    touched.open.insert(matter.part.id.clone(), at);
                    self.open.push(matter);
                }
                return self.gather(symptom, at, touched);
            }
        };
        if let Some(matter) = self.open.get_mut(place) {
            matter.raise(context, symptom, at);
            touched.open.insert(matter.part.id.clone(), at);
        }
        self.gather(symptom, at, touched);
    }

    fn new_matter(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time) -> Option<Matter> {
        let cause = Cause::new(context, symptom);
        self.causes.retain(|known, _| known.day() >= cause.day() - CAUSES_KEPT_DAYS);
        let nth = self.causes.entry(cause.clone()).or_insert(0);
        let matter = Matter::open(context, symptom, &cause, *nth, at);
        *nth = nth.saturating_add(1);
        matter
    }

    /// A value that cannot be trusted takes along what its channel showed in machine findings. A finding that has
    /// nothing left is withdrawn.
    fn gather(&mut self, doubt: &Symptom, at: Time, touched: &mut Touched) {
        let Some(holder) = self.holder(doubt) else { return };
        let mut taken = Vec::new();
        for (place, matter) in self.open.iter_mut().enumerate() {
            if place == holder || matter.part.kind != FindingKind::Machine {
                continue;
            }
            let gone = matter.give_up(|symptom| doubted(symptom, doubt));
            if gone.is_empty() {
                continue;
            }
            taken.extend(gone.iter().cloned());
            if matter.part.symptoms.is_empty() {
                for (symptom, _) in gone {
                    matter.take_over(symptom, false);
                }
                matter.end(at, Outcome::Withdrawn);
                touched.open.remove(&matter.part.id);
                touched.ended.push(matter.told());
            } else {
                matter.rest(at);
                touched.open.insert(matter.part.id.clone(), at);
            }
        }
        if let Some(matter) = self.open.get_mut(holder) {
            for (symptom, lasts) in taken {
                matter.take_over(symptom, lasts);
            }
        }
        self.sweep();
    }

    /// Puts what ended among the past.
    fn sweep(&mut self) {
        for matter in self.open.extract_if(.., |matter| matter.part.ended.is_some()) {
            if let Some((at, outcome)) = matter.part.ended {
                self.past.keep(matter, at, outcome);
            }
        }
    }

    fn revise(&mut self, context: &Context<'_>, symptom: &Symptom, at: Time, touched: &mut Touched) {
        if let Some(matter) = self.holder(symptom).and_then(|place| self.open.get_mut(place)) {
            matter.revise(context, symptom, at);
            touched.open.insert(matter.part.id.clone(), at);
        }
    }

    fn clear(&mut self, symptom: &Symptom, at: Time, touched: &mut Touched) {
        self.spent.remove(&(symptom.channel.clone(), symptom.kind));
        if let Some(matter) = self.holder(symptom).and_then(|place| self.open.get_mut(place)) {
            matter.clear(&symptom.channel, symptom.kind, at);
            touched.open.insert(matter.part.id.clone(), at);
        }
    }

    /// Place of the finding in which a symptom of this channel and kind lasts.
    fn holder(&self, symptom: &Symptom) -> Option<usize> {
        self.open.iter().position(|matter| matter.lasts(&symptom.channel, symptom.kind))
    }

    fn close(&mut self, place: usize, outcome: Outcome, at: Time) -> Accepted {
        let mut matter = self.open.remove(place);
        let accepted = if outcome == Outcome::LevelAccepted {
            matter.part.lasting.clear();
            let channels: BTreeSet<ChannelName> =
                matter.part.symptoms.iter().map(|s| s.channel.clone()).collect();
            Accepted { channels: channels.into_iter().collect(), changed: vec![] }
        } else {
            self.spend(&matter.part);
            Accepted::default()
        };
        self.past.keep(matter, at, outcome);
        accepted
    }

    /// What lasts in a finding that is gone opens nothing again.
    fn spend(&mut self, part: &MachinePart) {
        let outlast = part.lasting.iter().filter(|id| id.kind.about() != FindingKind::Data);
        self.spent.extend(outlast.map(|id| (id.channel.clone(), id.kind)));
    }
}

#[cfg(test)]
mod tests;
