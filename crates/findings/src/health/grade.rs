//! From what counts to grades: systems first, the engine and the unit by their weakest system.

use std::collections::BTreeMap;

use notchwatch_model::{ChannelDef, ChannelValue, CommsState, Finding, FindingKind, Span, System};

use super::weigh::weigh;
use super::{ENGINE_SYSTEMS, Health, HealthBasis, HealthReason, UnitHealth};

/// Share of a system's judged channels that must have learned before it is graded: the greater part.
const LEARNED_SHARE: f64 = 0.5;
/// Judged further behind than this, a grade says nothing of now: a day, the longest ordinary gap of a unit at rest.
const OLD: Span = Span::from_days(1);
/// From here up nothing is wrong enough to be told.
const WHOLE: f64 = 0.999;

/// Grades of one unit. The same basis gives the same grades.
pub fn unit_health(basis: &HealthBasis<'_>) -> UnitHealth {
    let blind = blind(basis);
    let judged = judged_channels(basis);
    let mut systems = BTreeMap::new();
    for (system, channels) in &judged {
        systems.insert(*system, system_health(basis, *system, channels, blind.as_deref()));
    }
    // A finding in a system without judged channels (a rule of the controller, a text) counts there all the same.
    for finding in open(basis) {
        let system = finding.machine.system;
        if finding.machine.kind == FindingKind::Machine && !systems.contains_key(&system) {
            systems.insert(system, system_health(basis, system, &[], blind.as_deref()));
        }
    }
    let link: Vec<HealthReason> =
        open(basis).filter(|f| f.machine.kind == FindingKind::Comms).map(weigh).collect();
    let own = systems.iter().filter(|(system, _)| ENGINE_SYSTEMS.contains(system));
    let engine =
        whole(own, blind.as_deref(), &[]).filter(|_| judged.keys().any(|s| ENGINE_SYSTEMS.contains(s)));
    let unit = whole(systems.iter(), blind.as_deref(), &link).unwrap_or_else(|| Health {
        grade: None,
        unknown: Some("the class has no judged channels".to_owned()),
        at_most: false,
        confidence: 0.0,
        reasons: link,
    });
    UnitHealth { unit, engine, systems }
}

fn open<'a>(basis: &HealthBasis<'a>) -> impl Iterator<Item = &'a Finding> {
    basis.findings.iter().filter(|f| f.open())
}

/// Why nothing can be said of the unit as a whole, if so.
fn blind(basis: &HealthBasis<'_>) -> Option<String> {
    match (basis.comms, basis.judged) {
        (_, None) => Some("nothing was judged yet".to_owned()),
        (Some(CommsState::Silent), _) => Some("the unit is silent".to_owned()),
        (Some(CommsState::ClockWrong), Some(at)) if basis.now - at > OLD => {
            Some("its clock is wrong and what it sends is refused".to_owned())
        }
        (_, Some(at)) if basis.now - at > OLD => Some("nothing was judged for more than a day".to_owned()),
        _ => None,
    }
}

fn judged_channels<'a>(basis: &HealthBasis<'a>) -> BTreeMap<System, Vec<&'a ChannelDef>> {
    let mut found: BTreeMap<System, Vec<&ChannelDef>> = BTreeMap::new();
    let fitted =
        |c: &ChannelDef| !c.optional || basis.unit.fitted.is_empty() || basis.unit.fitted.contains(&c.name);
    for channel in
        basis.class.channels.iter().filter(|c| {
            c.judged && c.value != ChannelValue::Text && c.system != System::Operation && fitted(c)
        })
    {
        found.entry(channel.system).or_default().push(channel);
    }
    found
}

fn system_health(
    basis: &HealthBasis<'_>,
    system: System,
    channels: &[&ChannelDef],
    blind: Option<&str>,
) -> Health {
    let mut reasons: Vec<HealthReason> = open(basis)
        .filter(|f| f.machine.system == system && f.machine.kind != FindingKind::Comms)
        .map(weigh)
        .collect();
    let learning = channels.iter().filter(|c| basis.learning.contains_key(&c.name)).count();
    let learned = 1.0 - share(learning, channels.len());
    if learning > 0 {
        let what = format!("{learning} of {} channels still learn what is normal", channels.len());
        reasons.push(HealthReason { what, finding: None, takes: 0.0, doubts: 1.0 - learned });
    }
    reasons.sort_by(|a, b| {
        b.takes.total_cmp(&a.takes).then(b.doubts.total_cmp(&a.doubts)).then(a.finding.cmp(&b.finding))
    });
    let left: f64 = reasons.iter().map(|r| 1.0 - r.takes).product();
    let unknown = match blind {
        Some(why) => Some(why.to_owned()),
        None if learned < LEARNED_SHARE && left >= WHOLE => {
            Some(format!("learning: {learning} of {} channels", channels.len()))
        }
        None => None,
    };
    Health {
        grade: unknown.is_none().then_some(left),
        at_most: unknown.is_none() && learned < LEARNED_SHARE,
        confidence: if blind.is_some() { 0.0 } else { reasons.iter().map(|r| 1.0 - r.doubts).product() },
        unknown,
        reasons,
    }
}

/// A whole by its weakest part. Something wrong bounds the whole even while other parts are not known; nothing wrong
/// with some parts says nothing of the others.
fn whole<'a>(
    parts: impl Iterator<Item = (&'a System, &'a Health)>,
    blind: Option<&str>,
    link: &[HealthReason],
) -> Option<Health> {
    let parts: Vec<_> = parts.collect();
    let dark: Vec<&str> = parts.iter().filter(|(_, h)| h.grade.is_none()).map(|(s, _)| s.word()).collect();
    let weakest = parts.iter().filter_map(|(_, h)| h.grade).min_by(f64::total_cmp);
    let bounded = parts.iter().any(|(_, h)| h.at_most);
    let (grade, unknown) = match (blind, weakest) {
        (Some(why), _) => (None, Some(why.to_owned())),
        (None, Some(grade)) if dark.is_empty() || grade < WHOLE => (Some(grade), None),
        (None, _) => (None, Some(format!("not known yet: {}", dark.join(", ")))),
    };
    let mut reasons: Vec<HealthReason> = parts
        .iter()
        .flat_map(|(system, health)| {
            health.reasons.iter().map(move |r| {
                let what = if r.finding.is_some() {
                    r.what.clone()
                } else {
                    format!("{}: {}", system.word(), r.what)
                };
                HealthReason { what, ..r.clone() }
            })
        })
        .chain(link.iter().cloned())
        .collect();
    reasons.sort_by(|a, b| b.takes.total_cmp(&a.takes).then(b.doubts.total_cmp(&a.doubts)));
    let number = f64::from(u32::try_from(parts.len()).unwrap_or(u32::MAX));
    let trust: f64 = parts.iter().map(|(_, h)| if h.grade.is_some() { h.confidence } else { 0.0 }).sum();
    let link: f64 = link.iter().map(|r| 1.0 - r.doubts).product();
    (!parts.is_empty()).then(|| Health {
        at_most: grade.is_some() && (bounded || !dark.is_empty()),
        confidence: if grade.is_some() { trust / number * link } else { 0.0 },
        grade,
        unknown,
        reasons,
    })
}

fn share(part: usize, whole: usize) -> f64 {
    let number = |n: usize| f64::from(u32::try_from(n).unwrap_or(u32::MAX));
    if whole == 0 { 0.0 } else { number(part) / number(whole) }
}
