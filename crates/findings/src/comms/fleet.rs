//! The fleet's links: a fold over receipts and clock ticks, in their recorded order.
//!
//! Owns what one tick does, in which order: our own outages, refusals, returns, common causes, single silences, states.
//! A receipt costs the same whatever the fleet; a tick looks at every unit once.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use notchwatch_model::{
    ClassId, ClockTick, CommsState, FindingId, FindingKind, MachinePart, Priority, RailwayId, Scope,
    ServiceStatus, Span, Time, Unit, UnitComms, UnitKey,
};
use serde::{Deserialize, Serialize};

use super::CommsPolicy;
use super::cause::{Common, EVERYBODY, MEMBERS, common};
use super::contact::{Contact, Mark, Now};
use super::ours::{Ours, Outage};
use super::part::{About, end, length, minute, no_unit, ourselves};

/// A unit not heard for longer than this is not among those of which a region's silence is judged.
const EXPECTED_WITHIN: Span = Span::from_days(1);
/// The limit is told again when it moved by more than a fifth.
const LIMIT_MOVED: i64 = 5;

/// One message as far as links are concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct Receipt {
    /// Receive time.
    pub received: Time,
    /// Newest event time in it.
    pub newest: Time,
    /// The broker had kept it: no sign of life.
    pub retained: bool,
    /// Channels that came in another unit of measure than the stored one, with that unit.
    pub uoms: Vec<(String, String)>,
}

/// What a tick changed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TickResult {
    /// Findings, new or changed.
    pub findings: Vec<MachinePart>,
    /// States that changed, and limits that moved.
    pub states: Vec<UnitComms>,
}

/// State of the fold. Equal receipts and ticks in equal order give equal states.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct CommsFleet {
    contacts: BTreeMap<UnitKey, Contact>,
    ours: Ours,
    own: Option<MachinePart>,
    own_closed: bool,
    everybody: Option<Common>,
    regions: BTreeMap<(RailwayId, String), Common>,
    noted: Vec<MachinePart>,
}

impl CommsFleet {
    /// Makes a unit known as heard at a time, when nothing better is: for a store from before states were kept.
    pub fn seed(&mut self, unit: &UnitKey, heard: Time) {
        let mark = Some(Mark { at: heard, heard: Span::ZERO });
        let contact = self.contacts.entry(unit.clone()).or_default();
        (contact.fresh, contact.arrived) = (mark, mark);
    }

    /// Takes a message of a registered unit.
    pub fn hear(&mut self, policy: &CommsPolicy, unit: &Unit, receipt: &Receipt) {
        if receipt.retained {
            return;
        }
        let heard = self.ours.heard_at(receipt.received);
        let contact = self.contacts.entry(unit.key()).or_default();
        for form in contact.hear(policy, receipt, heard) {
            self.noted.extend(contact.note_form(unit, &form, receipt.received));
        }
    }

    /// A person closed a finding: it is not told any more, and what comes back later is a new one.
    pub fn close(&mut self, unit: &UnitKey, id: &FindingId) {
        if let Some(contact) = self.contacts.get_mut(unit) {
            contact.close(id);
        }
        let commons = self.regions.values_mut().chain(&mut self.everybody);
        commons.filter(|common| common.part.id == *id).for_each(|common| common.closed = true);
        self.own_closed |= self.own.as_ref().is_some_and(|own| own.id == *id);
    }

    /// Passes a tick.
    pub fn tick(
        &mut self,
        policy: &CommsPolicy,
        units: &HashMap<UnitKey, Unit>,
        tick: &ClockTick,
    ) -> TickResult {
        self.contacts.retain(|key, _| units.contains_key(key));
        for key in units.keys().filter(|_| self.contacts.len() < units.len()).collect::<Vec<_>>() {
            self.contacts.entry(key.clone()).or_default();
        }
        let class = units.values().map(|unit| &unit.class).min();
        let mut found = std::mem::take(&mut self.noted);
        for outage in self.ours.advance(policy, tick) {
            found.extend(class.and_then(|class| self.tell_own(policy, &outage, class)));
        }
        let now = Now { at: self.ours.last.unwrap_or(tick.at), heard: self.ours.heard };
        for refused in &tick.refused {
            let key = UnitKey { railway: refused.railway.clone(), unit: refused.unit.clone() };
            if let Some(contact) = self.contacts.get_mut(&key) {
                contact.refuse(refused);
            }
        }
        for (key, contact) in &mut self.contacts {
            let Some(unit) = units.get(key) else { continue };
            found.extend(contact.settle_silence(unit, now));
            found.extend(contact.settle_refused(policy, unit, now));
            found.extend(contact.settle_data(now));
        }
        self.settle_commons(policy, now, &mut found);
        if self.ours.judges() {
            self.judge(policy, units, now, &mut found);
        }
        TickResult { findings: found, states: self.states(policy, units, now) }
    }

    /// Units by state, as last told.
    pub fn counts(&self) -> BTreeMap<CommsState, u64> {
        let mut counts: BTreeMap<CommsState, u64> = CommsState::ALL.into_iter().map(|s| (s, 0)).collect();
        for (state, _, _) in self.contacts.values().filter_map(|c| c.told) {
            *counts.entry(state).or_default() += 1;
        }
        counts
    }

    /// One finding about an outage of our own, once it is long enough.
    fn tell_own(&mut self, policy: &CommsPolicy, outage: &Outage, class: &ClassId) -> Option<MachinePart> {
        let until = outage.until.or(self.ours.last)?;
        let lasted = until - outage.since;
        if lasted < policy.own {
            return None;
        }
        let reasons = outage.reasons.join(", ");
        let title = format!("Nothing could be received since {}: {reasons}", minute(outage.since));
        let fresh = self.own.is_none();
        if fresh {
            let about = About {
                unit: ourselves()?,
                class,
                scope: Scope::Service,
                kind: FindingKind::Comms,
                cause: "own outage",
                onset: outage.since,
                title: title.clone(),
                priority: Priority::High,
            };
            self.own = about.open(until);
        }
        let own = self.own.as_mut()?;
        let told = fresh || own.title != title || outage.until.is_some();
        own.title = title;
        if let Some(until) = outage.until {
            end(own, until, format!("Nothing could be received for {}: {reasons}", length(lasted)));
        }
        let part = own.clone();
        let closed = self.own_closed;
        if outage.until.is_some() {
            (self.own, self.own_closed) = (None, false);
        }
        Some(part).filter(|_| told && !closed)
    }

    /// Members that are heard again leave; a cause that is over ends, and who stays silent is judged alone from then.
    fn settle_commons(&mut self, policy: &CommsPolicy, now: Now, found: &mut Vec<MachinePart>) {
        let contacts = &mut self.contacts;
        let mut settle = |common: &mut Common| {
            let before = common.members.len();
            common.members.retain(|key| contacts.get(key).is_some_and(|c| c.overdue(policy, now)));
            if common.members.len() == before {
                return true;
            }
            let over = common.over();
            common.part.changed = now.at;
            if over {
                let lasted = length(now.at - common.part.onset);
                let title = format!("{} units were not heard together for up to {lasted}", common.peak);
                end(&mut common.part, now.at, title);
                for key in &common.members {
                    let Some(contact) = contacts.get_mut(key) else { continue };
                    let half = contact.limit(policy).micros() / 2;
                    contact.alone_from = Span::from_micros(now.heard.micros() + half);
                }
            } else {
                list_members(common);
            }
            found.extend(Some(common.part.clone()).filter(|_| !common.closed));
            !over
        };
        self.regions.retain(|_, common| settle(common));
        let everybody = self.everybody.take();
        self.everybody = everybody.and_then(|mut common| settle(&mut common).then_some(common));
    }

    /// Calls units silent: together when they have one cause, else alone.
    fn judge(
        &mut self,
        policy: &CommsPolicy,
        units: &HashMap<UnitKey, Unit>,
        now: Now,
        found: &mut Vec<MachinePart>,
    ) {
        let silent: Vec<UnitKey> = self
            .contacts
            .iter()
            .filter(|(key, contact)| {
                let unit = units.get(*key);
                unit.is_some_and(|unit| contact.state(policy, unit, now) == CommsState::Silent)
                    && contact.silence.as_ref().is_none_or(|held| !held.part.active)
                    && contact.alone_from <= now.heard
            })
            .map(|(key, _)| key.clone())
            .collect();
        if silent.is_empty() || self.everybody.is_some() {
            return;
        }
        let looked_at = self.looked_at(units, now);
        for key in silent {
            let Some(unit) = units.get(&key) else { continue };
            if self.with_others(policy, unit, &looked_at, now, found) {
                continue;
            }
            let contact = self.contacts.entry(key).or_default();
            found.extend(contact.fall_silent(policy, unit, now));
        }
    }

    /// Units from which something is expected, by railway and region.
    fn looked_at(
        &self,
        units: &HashMap<UnitKey, Unit>,
        now: Now,
    ) -> BTreeMap<(RailwayId, String), Vec<UnitKey>> {
        let mut groups: BTreeMap<(RailwayId, String), Vec<UnitKey>> = BTreeMap::new();
        for (key, contact) in &self.contacts {
            let Some(unit) = units.get(key).filter(|u| u.status == ServiceStatus::InService) else {
                continue;
            };
            let known = contact.silence.as_ref().is_some_and(|held| held.part.active);
            if !known && contact.quiet(now).is_some_and(|quiet| quiet <= EXPECTED_WITHIN) {
                groups.entry((unit.railway.clone(), unit.region.clone())).or_default().push(key.clone());
            }
        }
        groups
    }

    /// Whether a silent unit belongs to a common cause: one that is there, or one that it now shows.
    fn with_others(
        &mut self,
        policy: &CommsPolicy,
        unit: &Unit,
        looked_at: &BTreeMap<(RailwayId, String), Vec<UnitKey>>,
        now: Now,
        found: &mut Vec<MachinePart>,
    ) -> bool {
        let place = (unit.railway.clone(), unit.region.clone());
        let everybody = self.everybody.as_mut();
        if let Some(common) = everybody.or_else(|| self.regions.get_mut(&place)) {
            if !common.members.contains(&unit.key()) {
                common.join(unit.key(), now.at);
                list_members(common);
                found.extend(Some(common.part.clone()).filter(|_| !common.closed));
            }
            return true;
        }
        let Some(contact) = self.contacts.get(&unit.key()) else { return false };
        let (Some(mark), window) = (contact.arrived, contact.limit(policy)) else { return false };
        let together = |keys: &mut dyn Iterator<Item = &UnitKey>| -> BTreeSet<UnitKey> {
            let near = |c: &Contact| {
                c.arrived.is_some_and(|m| (m.at - mark.at).micros().abs() <= window.micros())
                    && c.overdue(policy, now)
            };
            keys.filter(|key| self.contacts.get(key).is_some_and(near)).cloned().collect()
        };
        let all: usize = looked_at.values().map(Vec::len).sum();
        let fleet = together(&mut looked_at.values().flatten());
        if looked_at.len() > 1 && fleet.len() >= 2 * MEMBERS && fleet.len() * 100 >= all * EVERYBODY {
            let title =
                format!("No unit of any region is heard since about {}: our own side", minute(mark.at));
            let (unit_key, scope) = (ourselves(), Scope::Service);
            self.everybody =
                open_common(unit_key, &unit.class, scope, mark.at, title, Priority::High, fleet, now);
            found.extend(self.everybody.as_ref().map(|common| common.part.clone()));
            return self.everybody.is_some();
        }
        let mates = looked_at.get(&place).map_or(&[][..], Vec::as_slice);
        let members = together(&mut mates.iter());
        if !common(members.len(), mates.len()) {
            return false;
        }
        let name =
            if place.1.is_empty() { "without a region".to_owned() } else { format!("of region {}", place.1) };
        let title = format!(
            "{} of {} units {name} not heard since about {}",
            members.len(),
            mates.len(),
            minute(mark.at)
        );
        let scope = Scope::Region(place.1.clone());
        let key = no_unit(place.0.clone());
        let Some(common) =
            open_common(key, &unit.class, scope, mark.at, title, Priority::Medium, members, now)
        else {
            return false;
        };
        found.push(common.part.clone());
        self.regions.insert(place, common);
        true
    }

    /// States that changed, and limits that moved.
    fn states(&mut self, policy: &CommsPolicy, units: &HashMap<UnitKey, Unit>, now: Now) -> Vec<UnitComms> {
        let mut changed = Vec::new();
        for (key, contact) in &mut self.contacts {
            let Some(unit) = units.get(key) else { continue };
            let (state, limit) = (contact.state(policy, unit, now), contact.limit(policy));
            let since = match contact.told {
                Some((before, since, told)) if before == state => {
                    if (told.micros() - limit.micros()).abs() * LIMIT_MOVED <= told.micros() {
                        continue;
                    }
                    since
                }
                _ if state == CommsState::Silent => contact.arrived.map_or(now.at, |mark| mark.at),
                _ => now.at,
            };
            contact.told = Some((state, since, limit));
            changed.push(UnitComms {
                unit: key.clone(),
                state,
                since,
                heard: contact.fresh.map(|mark| mark.at),
                usual: contact.habit.usual(),
                limit,
                clock_offset: contact.clock.offset,
            });
        }
        changed
    }
}

#[expect(clippy::too_many_arguments, reason = "what a common cause is made of")]
fn open_common(
    unit: Option<UnitKey>,
    class: &ClassId,
    scope: Scope,
    onset: Time,
    title: String,
    priority: Priority,
    members: BTreeSet<UnitKey>,
    now: Now,
) -> Option<Common> {
    let about = About {
        unit: unit?,
        class,
        scope,
        kind: FindingKind::Comms,
        cause: "silent together",
        onset,
        title,
        priority,
    };
    let mut common = Common::new(about.open(now.at)?, members);
    list_members(&mut common);
    Some(common)
}

/// Members are named where all of them are of the finding's own railway.
fn list_members(common: &mut Common) {
    if matches!(common.part.scope, Scope::Region(_)) {
        common.part.members = common.members.iter().cloned().collect();
    }
}
