//! Common causes of machine findings: one class after a release, one region in a heat wave, one fuelling point.
//!
//! Owns the statistical rule, and the finding with members that stands for its members' own. A pure function of a set of
//! findings and of how many units share what: no order of arrival changes it. Refuses findings about links, which have a
//! rule of their own.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use notchwatch_model::{
    ChannelName, ClassId, Direction, FindingId, FindingKind, MachinePart, NO_UNIT, Opening, Outcome,
    RailwayId, Scope, Span, Time, UnitId, UnitKey,
};
use sha2::{Digest as _, Sha256};

/// Findings opened within this of one another may have one cause (common practice: a release is rolled out, a tank is
/// emptied, a heat wave lasts about a week).
pub const CAUSE_WINDOW: Span = Span::from_days(7);
/// Findings that opened longer ago than this are settled: nothing that comes later joins them.
pub const CAUSE_MEMORY: Span = Span::from_days(28);
/// Fewer members make no common cause (ours: two of a kind are no pattern).
const MEMBERS: usize = 3;
/// Share of healthy units on which a given channel is found to move a given way within the window, at least (ours: a unit
/// has a finding or two a year, on one of some sixty channels and ways, times six for caution).
const BASE: f64 = 0.002;
/// Chance below which so many at once are not chance. Some ten thousand groups are looked at in a fleet's year, so about
/// one in a hundred years passes by chance (Bonferroni's bound).
const CHANCE: f64 = 1e-6;
/// Begin of the ids of findings with members.
pub const COMMON_ID: &str = "g-";
/// Bytes of the hash in an id.
const ID_BYTES: usize = 8;

/// What units may share, within one railway.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shared {
    /// Software of their controllers.
    Software(String),
    /// Where they took fuel last.
    Fuelled(String),
    /// The region they run in.
    Region(String),
}

impl Shared {
    fn words(&self) -> String {
        match self {
            Shared::Software(version) => format!("software {version}"),
            Shared::Fuelled(place) => format!("fuel from {place}"),
            Shared::Region(region) => format!("region {region}"),
        }
    }

    fn scope(&self) -> Scope {
        match self {
            Shared::Software(version) => Scope::Software(version.clone()),
            Shared::Fuelled(place) => Scope::Fuelled(place.clone()),
            Shared::Region(region) => Scope::Region(region.clone()),
        }
    }
}

/// A finding of one unit with what the unit shared with others when it began.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate<'a> {
    /// The finding.
    pub part: &'a MachinePart,
    /// What the unit shared.
    pub shares: BTreeSet<Shared>,
    /// A person closed it: when and as what.
    pub closed: Option<(Time, Outcome)>,
}

impl Candidate<'_> {
    /// When and as what it ended, by the machine or by a person.
    fn over(&self) -> Option<(Time, Outcome)> {
        self.part.ended.or(self.closed)
    }
}

/// How many units of a class of a railway there are, and how many of them share something at an event time.
pub trait Population {
    /// All of them.
    fn all(&self, railway: &RailwayId, class: &ClassId) -> usize;
    /// Those that share it.
    fn sharing(&self, railway: &RailwayId, class: &ClassId, shared: &Shared, at: Time) -> usize;
}

/// A common cause found.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// The finding that stands for it.
    pub part: MachinePart,
    /// The findings of its members.
    pub findings: BTreeSet<FindingId>,
}

/// Railway, class, channel and way: what findings of one cause have alike.
pub type Sign<'a> = (&'a RailwayId, &'a ClassId, &'a ChannelName, Direction);

/// Common causes of a set of findings, by the time at which they showed. Findings of one [`sign`] are looked at together
/// and those of another change nothing for them, so that each sign's may be looked at alone.
pub fn causes(candidates: &[Candidate<'_>], population: &impl Population) -> Vec<Cause> {
    let mut signs: BTreeMap<Sign<'_>, Vec<&Candidate<'_>>> = BTreeMap::new();
    for candidate in candidates {
        if let Some(sign) = sign(candidate.part).filter(|_| stands(candidate.part)) {
            signs.entry(sign).or_default().push(candidate);
        }
    }
    let mut found = Vec::new();
    for alike in signs.values_mut() {
        alike.sort_by_key(|c| (c.part.opened, c.part.id.clone()));
        found.extend(of_sign(alike, population));
    }
    found.sort_by_key(|cause| (cause.part.opened, cause.part.id.clone()));
    found
}

/// What a finding about machines shows first, be it a unit's own or one with members.
pub fn sign(part: &MachinePart) -> Option<Sign<'_>> {
    let symptom = part.symptoms.iter().find(|s| s.kind.about() == FindingKind::Machine)?;
    Some((&part.unit.railway, &part.class, &symptom.channel, symptom.direction))
}

/// Whether a finding is about the machine of one unit and was not withdrawn.
fn stands(part: &MachinePart) -> bool {
    part.kind == FindingKind::Machine
        && part.scope == Scope::Unit
        && part.ended.is_none_or(|(_, outcome)| outcome != Outcome::Withdrawn)
}

/// Common causes among findings alike, by opening.
fn of_sign(alike: &[&Candidate<'_>], population: &impl Population) -> Vec<Cause> {
    let mut taken: BTreeSet<&FindingId> = BTreeSet::new();
    let mut found = Vec::new();
    for (last, closing) in alike.iter().enumerate() {
        if closing.shares.is_empty() || taken.contains(&closing.part.id) {
            continue;
        }
        // They stand by opening.
        let at = closing.part.opened;
        let begin = alike.partition_point(|c| at - c.part.opened > CAUSE_WINDOW);
        let end = alike.partition_point(|c| c.part.opened - at <= CAUSE_WINDOW);
        let near = |range: std::ops::Range<usize>| -> Vec<&Candidate<'_>> {
            let free = alike.get(range).unwrap_or_default().iter().copied();
            free.filter(|c| !taken.contains(&c.part.id)).collect()
        };
        if likeliest(&near(begin..last + 1), closing, population).is_none() {
            continue;
        }
        // What came after tells what the members have in common, and whether the others are as often affected.
        let around = near(begin..end);
        let Some(shared) = likeliest(&around, closing, population) else { continue };
        let mut members: Vec<&Candidate<'_>> =
            around.into_iter().filter(|c| c.shares.contains(shared)).collect();
        for later in alike.iter().skip(last + 1).filter(|c| c.shares.contains(shared)) {
            let newest = members.last().map_or(closing.part.opened, |c| c.part.opened);
            let joins = !taken.contains(&later.part.id) && later.part.opened - newest <= CAUSE_WINDOW;
            if joins && !members.iter().any(|c| c.part.id == later.part.id) {
                members.push(later);
            }
        }
        taken.extend(members.iter().map(|c| &c.part.id));
        found.extend(cause(&members, shared, closing.part.opened));
    }
    found
}

/// What the closing finding shares with more of the window than by chance: the least likely of those.
fn likeliest<'a>(
    window: &[&Candidate<'_>],
    closing: &'a Candidate<'_>,
    population: &impl Population,
) -> Option<&'a Shared> {
    let (railway, class, at) = (&closing.part.unit.railway, &closing.part.class, closing.part.opened);
    let affected = distinct(window.iter().copied());
    if affected < MEMBERS {
        return None;
    }
    // Few share anything with many: the units are counted only for those that do.
    let tried = closing.shares.iter().filter_map(|shared| {
        let members = distinct(window.iter().copied().filter(|c| c.shares.contains(shared)));
        if members < MEMBERS {
            return None;
        }
        let all = population.all(railway, class);
        let sharing = population.sharing(railway, class, shared, at).max(members);
        let chance = chance(members, sharing, affected - members, all.saturating_sub(sharing));
        (chance < CHANCE).then_some((chance, shared))
    });
    tried.min_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.cmp(b.1))).map(|(_, shared)| shared)
}

/// How many units the findings are of.
fn distinct<'a>(findings: impl Iterator<Item = &'a Candidate<'a>>) -> usize {
    findings.map(|c| &c.part.unit).collect::<HashSet<_>>().len()
}

/// Chance that at least `members` of `sharing` units are affected when each is with the share seen among the others, and
/// with [`BASE`] at least: the upper tail of the binomial distribution (any textbook, such as Feller 1968, chapter VI).
#[expect(clippy::cast_precision_loss, reason = "numbers of units are far below 2^53")]
fn chance(members: usize, sharing: usize, others_affected: usize, others: usize) -> f64 {
    let outside = if others == 0 { 0.0 } else { others_affected as f64 / others as f64 };
    let p = outside.clamp(BASE, 1.0);
    if p >= 1.0 {
        return 1.0;
    }
    // In logarithms, so that the coefficient of a large group does not overflow.
    let mut term = (sharing as f64) * (1.0 - p).ln();
    let mut tail = if members == 0 { term.exp() } else { 0.0 };
    for k in 1..=sharing {
        term += ((sharing - k + 1) as f64 / k as f64).ln() + (p / (1.0 - p)).ln();
        if k >= members {
            tail += term.exp();
        }
    }
    tail.min(1.0)
}

/// The finding that stands for its members' own. `None` only if an id could not be written, which its form excludes.
fn cause(members: &[&Candidate<'_>], shared: &Shared, opened: Time) -> Option<Cause> {
    let first = members.first()?.part;
    let (railway, class, channel, direction) = sign(first)?;
    let day = first.opened.day();
    let text = format!("{railway}\n{class}\n{channel}\n{}\n{shared:?}\n{day}", direction.word());
    let digest = Sha256::digest(text.as_bytes());
    let number = digest.iter().take(ID_BYTES).fold(0u64, |all, byte| all << 8 | u64::from(*byte));
    let units: BTreeSet<&UnitKey> = members.iter().map(|c| &c.part.unit).collect();
    let opening = Opening {
        id: FindingId::new(&format!("{COMMON_ID}{number:016x}")).ok()?,
        unit: UnitKey { railway: railway.clone(), unit: UnitId::new(NO_UNIT).ok()? },
        class: class.clone(),
        system: first.system,
        kind: FindingKind::Machine,
        onset: members.iter().map(|c| c.part.onset).min()?,
        opened,
    };
    let parts = || members.iter().map(|c| c.part);
    let over = members.iter().map(|member| member.over()).collect::<Option<Vec<_>>>();
    let closed = members.iter().filter_map(|member| member.closed).map(|(at, _)| at);
    let changed = parts().map(|part| part.changed).chain(closed).max()?.max(opened);
    let way = match direction {
        Direction::None => String::new(),
        way => format!(" {}", way.word()),
    };
    let part = MachinePart {
        title: format!(
            "{channel}{way} on {} units with one thing in common: {}",
            units.len(),
            shared.words()
        ),
        priority: parts().map(|part| part.priority).min()?,
        active: members.iter().any(|member| member.part.active && member.over().is_none()),
        changed,
        symptoms: first.symptoms.first().cloned().into_iter().collect(),
        ended: over.and_then(|ends| ended(&ends)).map(|(at, outcome)| (at.max(opened), outcome)),
        time_to_limit_reason: Some("each unit's own finding says".to_owned()),
        settings_version: first.settings_version,
        scope: shared.scope(),
        members: units.into_iter().cloned().collect(),
        ..MachinePart::new(opening)
    };
    Some(Cause { part, findings: parts().map(|part| part.id.clone()).collect() })
}

/// The end of the last member, with the outcome that all have alike; otherwise the matter is over and says no more.
fn ended(ends: &[(Time, Outcome)]) -> Option<(Time, Outcome)> {
    let at = ends.iter().map(|(at, _)| *at).max()?;
    let (_, first) = ends.first()?;
    let alike = ends.iter().all(|(_, outcome)| outcome == first);
    Some((at, if alike { *first } else { Outcome::ReturnedToNormal }))
}

#[cfg(test)]
mod tests;
