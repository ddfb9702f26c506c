//! Common causes over units: findings of several units that are one matter.
//!
//! Owns which findings are looked at together, and the link from a member to the finding that stands for it. What is found
//! follows from the set of findings alone, so a start and a refold find the same.

use std::collections::{BTreeMap, BTreeSet};

use notchwatch_findings::{
    CAUSE_MEMORY, COMMON_ID, Candidate, Cause, Population, Shared, Sign, causes, sign,
};
use notchwatch_model::{
    Act, ChannelName, ClassId, Decision, Direction, FindingId, FindingKind, MachinePart, Outcome,
    RailwayFilter, RailwayId, Scope, Span, Time, UnitKey,
};
use notchwatch_store::{FindingQuery, FindingUpsert};

use super::{Evaluator, Round};
use crate::EvaluateError;

/// Fuel counts as taken at a place for this long (common practice: a tank lasts two to three days).
const TANK_LASTS: Span = Span::from_days(3);
/// Findings read at one time.
const A_PAGE: usize = 1000;

/// What findings of one cause have alike.
type Alike = (RailwayId, ClassId, ChannelName, Direction);

/// Findings that may have one cause, and the causes known.
#[derive(Debug, Default)]
pub(super) struct Causes {
    parts: BTreeMap<FindingId, MachinePart>,
    common: BTreeMap<FindingId, MachinePart>,
    /// Finding that stands for a member.
    of: BTreeMap<FindingId, FindingId>,
    /// Signs whose findings changed since they were looked at last.
    stirred: BTreeSet<Alike>,
    /// All were, or what units share was.
    all_stirred: bool,
    /// Findings could not be read: a cause of which members seem to be missing is not over for that.
    incomplete: bool,
    /// When a person closed or opened a member, with nothing computed since.
    decided: Option<Time>,
}

impl Causes {
    fn is_stirred(&self, part: &MachinePart) -> bool {
        self.all_stirred || sign(part).is_some_and(|sign| self.stirred.contains(&owned(sign)))
    }

    fn take(&mut self, part: &MachinePart) {
        if part.id.as_str().starts_with(COMMON_ID) {
            self.common.insert(part.id.clone(), part.clone());
        } else if part.kind == FindingKind::Machine && part.scope == Scope::Unit {
            if let Some(common) = &part.part_of {
                self.of.insert(part.id.clone(), common.clone());
            }
            self.stirred.extend(sign(part).map(owned));
            let before = self.parts.insert(part.id.clone(), MachinePart { part_of: None, ..part.clone() });
            self.stirred.extend(before.as_ref().and_then(sign).map(owned));
        } else {
            // It turned out to be about a sensor: it is no member any more.
            let before = self.parts.remove(&part.id);
            self.stirred.extend(before.as_ref().and_then(sign).map(owned));
        }
    }

    /// Takes note of a decision: the last member that closes ends the whole.
    pub(super) fn decide(&mut self, decision: &Decision) {
        if ends_or_opens(&decision.act) && self.of.contains_key(&decision.finding) {
            self.decided = self.decided.max(Some(decision.at));
            self.stirred.extend(self.parts.get(&decision.finding).and_then(sign).map(owned));
        }
    }

    /// Forgets what ended long ago, members together with the rest of theirs.
    fn forget(&mut self) {
        let Some(newest) = self.parts.values().map(|part| part.opened).max() else { return };
        let lives = |part: &MachinePart| part.ended.is_none() || newest - part.opened <= CAUSE_MEMORY;
        let kept: BTreeSet<&FindingId> =
            self.parts.values().filter(|part| lives(part)).filter_map(|part| self.of.get(&part.id)).collect();
        let gone: Vec<FindingId> = self
            .parts
            .values()
            .filter(|part| !lives(part) && self.of.get(&part.id).is_none_or(|common| !kept.contains(common)))
            .map(|part| part.id.clone())
            .collect();
        for id in gone {
            let before = self.parts.remove(&id);
            self.stirred.extend(before.as_ref().and_then(sign).map(owned));
            if let Some(common) = self.of.remove(&id) {
                self.common.remove(&common);
            }
        }
    }

    /// Puts what was found of what is stirred in place of what was known of it. Returns the findings that changed, the time
    /// being `at`.
    fn settle(&mut self, found: Vec<Cause>, at: Time) -> Vec<MachinePart> {
        let mut changed = Vec::new();
        let mut of = BTreeMap::new();
        let mut stand: BTreeSet<FindingId> = BTreeSet::new();
        for cause in found {
            stand.insert(cause.part.id.clone());
            of.extend(cause.findings.into_iter().map(|member| (member, cause.part.id.clone())));
            if self.common.get(&cause.part.id) != Some(&cause.part) {
                changed.push(cause.part.clone());
                self.common.insert(cause.part.id.clone(), cause.part);
            }
        }
        let over: Vec<FindingId> = self
            .common
            .values()
            .filter(|part| !stand.contains(&part.id) && part.ended.is_none() && self.is_stirred(part))
            .filter(|_| !self.incomplete)
            .map(|part| part.id.clone())
            .collect();
        for id in over {
            let Some(part) = self.common.get_mut(&id) else { continue };
            part.active = false;
            part.changed = part.changed.max(at);
            part.ended = Some((part.changed, Outcome::Withdrawn));
            changed.push(part.clone());
        }
        if self.incomplete {
            for (member, common) in &self.of {
                of.entry(member.clone()).or_insert_with(|| common.clone());
            }
        }
        let stirred: Vec<&MachinePart> = self.parts.values().filter(|part| self.is_stirred(part)).collect();
        changed.extend(
            stirred.iter().filter(|part| of.get(&part.id) != self.of.get(&part.id)).copied().cloned(),
        );
        let stirred: Vec<FindingId> = stirred.into_iter().map(|part| part.id.clone()).collect();
        for id in stirred {
            match of.remove(&id) {
                Some(common) => self.of.insert(id, common),
                None => self.of.remove(&id),
            };
        }
        for part in &mut changed {
            part.part_of = self.of.get(&part.id).cloned();
        }
        (self.stirred, self.all_stirred) = (BTreeSet::new(), false);
        changed
    }
}

fn owned((railway, class, channel, direction): Sign<'_>) -> Alike {
    (railway.clone(), class.clone(), channel.clone(), direction)
}

impl Evaluator {
    /// Reads back what may have one cause with what comes.
    pub(super) async fn load_causes(&mut self, judged: Option<Time>) -> Result<(), EvaluateError> {
        self.causes = Causes { all_stirred: true, ..Causes::default() };
        let since = judged.map(|judged| judged - CAUSE_MEMORY - CAUSE_MEMORY);
        for (open, since) in [(Some(true), None), (None, since)] {
            if open.is_none() && since.is_none() {
                continue;
            }
            let mut query = FindingQuery {
                kind: Some(FindingKind::Machine),
                open,
                since,
                limit: A_PAGE,
                ..FindingQuery::default()
            };
            loop {
                let page = self.store.findings(&query, &RailwayFilter::All, (self.clock)()).await?;
                page.items.iter().for_each(|finding| self.causes.take(&finding.machine));
                self.causes.incomplete |= page.left_out;
                query.after = page.next;
                if query.after.is_none() {
                    break;
                }
            }
        }
        // Decisions that were read with the load may have closed a last member.
        self.causes.decided = judged.filter(|_| !self.causes.common.is_empty());
        Ok(())
    }

    /// Looks for common causes when findings changed, and links members to them.
    pub(super) fn fold_causes(&mut self, round: &mut Round) {
        let parts = || round.findings.values().map(|upsert| &upsert.machine);
        let changed = parts().filter(|part| !part.from_receipt()).map(|part| part.changed).max();
        self.causes.all_stirred |= round.shares.is_some();
        let Some(at) = changed.max(self.causes.decided.take()).max(round.shares) else { return };
        for part in parts() {
            let link = self.causes.of.get(&part.id).cloned();
            self.causes.take(&MachinePart { part_of: link, ..part.clone() });
        }
        self.causes.forget();
        let stirred = self.causes.parts.values().filter(|part| self.causes.is_stirred(part));
        let candidates: Vec<Candidate<'_>> = stirred.map(|part| self.candidate(part)).collect();
        let found = causes(&candidates, self);
        for machine in self.causes.settle(found, at) {
            // A member that changed in this round too keeps whether it came late.
            let late = round.findings.get(machine.id.as_str()).is_some_and(|upsert| upsert.late);
            round.findings.insert(machine.id.to_string(), FindingUpsert { machine, late });
        }
        for upsert in round.findings.values_mut() {
            upsert.machine.part_of = self.causes.of.get(&upsert.machine.id).cloned();
        }
    }

    fn candidate<'a>(&self, part: &'a MachinePart) -> Candidate<'a> {
        let region = self.shared.unit(&part.unit).map(|(unit, _)| unit.region.clone());
        let known = self.lines.get(&part.unit).map(|line| line.fold().background());
        let software = known.and_then(|known| known.software(part.onset)).map(str::to_owned);
        let fuelled = known.and_then(|known| known.fuelled(part.onset, TANK_LASTS)).map(str::to_owned);
        let shares = region
            .filter(|region| !region.is_empty())
            .map(Shared::Region)
            .into_iter()
            .chain(software.map(Shared::Software))
            .chain(fuelled.map(Shared::Fuelled));
        Candidate { part, shares: shares.collect(), closed: self.closed(part) }
    }

    /// When and as what a person closed a finding, unless it was opened again since.
    fn closed(&self, part: &MachinePart) -> Option<(Time, Outcome)> {
        let decisions = self.decisions.get(&part.unit)?.iter().rev();
        let mut of_it = decisions.filter(|d| d.finding == part.id && ends_or_opens(&d.act));
        let last = of_it.next()?;
        match &last.act {
            Act::Close { outcome, .. } => Some((last.at, *outcome)),
            Act::Merge { .. } => Some((last.at, Outcome::Merged)),
            _ => None,
        }
    }
}

fn ends_or_opens(act: &Act) -> bool {
    matches!(act, Act::Close { .. } | Act::Merge { .. } | Act::Reopen { .. })
}

impl Population for Evaluator {
    fn all(&self, railway: &RailwayId, class: &ClassId) -> usize {
        self.shared.in_service(railway, class).len()
    }

    fn sharing(&self, railway: &RailwayId, class: &ClassId, shared: &Shared, at: Time) -> usize {
        let units = self.shared.in_service(railway, class).iter();
        let known = |unit: &UnitKey| self.lines.get(unit).map(|line| line.fold().background());
        match shared {
            Shared::Region(region) => units.filter(|(_, of)| of == region).count(),
            Shared::Software(version) => units
                .filter(|(unit, _)| known(unit).and_then(|k| k.software(at)) == Some(version.as_str()))
                .count(),
            Shared::Fuelled(place) => units
                .filter(|(unit, _)| {
                    known(unit).and_then(|k| k.fuelled(at, TANK_LASTS)) == Some(place.as_str())
                })
                .count(),
        }
    }
}
