//! Which fault explains the symptoms best, how sure, and why.
//!
//! Owns the likelihoods: a naive Bayes ranking (ISO 13379-1 describes diagnosis by weighted symptoms; the weights
//! below are common practice, not measured) whose every term is shown as a reason for or against. Two explanations
//! are always among them: that the sensor is at fault, and a change that the library does not explain.

mod observed;
mod timeline;
mod weigh;

use notchwatch_model::{EvidenceWeight, FaultId, FindingKind, RankedFault, Symptom, SymptomKind, Urgency};

use crate::library::{Fault, Library, Rarity};
use crate::{Context, oil, title};
pub(crate) use observed::AFTER_STANDING;
use observed::{Observed, Seen};
pub(crate) use weigh::{explains, moves_as};

/// Explanation that the instrument is at fault.
pub(crate) const SENSOR: &str = "sensor";
/// Explanation that the library does not hold.
const UNEXPLAINED: &str = "unexplained-change";
/// Ids that the ranking keeps for itself.
pub(crate) const OWN_IDS: [&str; 2] = [SENSOR, UNEXPLAINED];

/// Faults of the library shown; the two explanations of our own come on top.
const MOST_SHOWN: usize = 5;
/// Probability below which a fault is not shown.
const LEAST_SHOWN: f64 = 0.01;
/// Things that would decide, shown a fault.
const MOST_DECIDING: usize = 6;

/// Prior of a change that the library does not explain (common practice: one change in thirty).
const PRIOR_UNEXPLAINED: f64 = 0.03;
/// Prior of a sensor at fault: sensors fail about as often as the commonest faults (common practice).
const PRIOR_SENSOR: f64 = 0.06;
/// A lone channel that moved speaks for its sensor: one sensor seldom takes others with it.
const SENSOR_ALONE: f64 = 0.7;
/// Each further channel that moved with it speaks against the sensor.
const SENSOR_COMPANY: f64 = -2.0;
/// A stuck, impossible or disagreeing value is what a failed sensor looks like. Less than what a sensor fault that
/// the library names gets for it, so that the named one comes first.
const SENSOR_KIND: f64 = 1.5;

/// Prior probability of a fault by rarity (common practice: steps of about three).
fn prior(rarity: Rarity) -> f64 {
    match rarity {
        Rarity::Common => 0.10,
        Rarity::Occasional => 0.035,
        Rarity::Rare => 0.012,
    }
}

/// One explanation with its evidence, not normalised yet.
struct Scored<'a> {
    id: &'a str,
    fault: Option<&'a Fault>,
    log: f64,
    evidence: Vec<EvidenceWeight>,
    missing: Vec<String>,
}

/// Ranks the faults that may explain the symptoms of one finding, the likeliest first. Equal probabilities are
/// ordered by id. Probabilities are among all explanations, those not shown included.
pub(crate) fn rank(context: &Context<'_>, kind: FindingKind, symptoms: &[Symptom]) -> Vec<RankedFault> {
    let observed = Observed::new(context, symptoms);
    let onset = symptoms.iter().map(|symptom| symptom.onset).min().unwrap_or_default();
    let mut scored: Vec<Scored<'_>> = context
        .library
        .faults()
        .iter()
        .filter_map(|fault| {
            let named = symptoms.iter().any(|symptom| oil::named(fault, symptom).is_some());
            let mut weighed = weigh::weigh(fault, &observed, named)?;
            let said = timeline::weigh(fault, context.background, onset);
            weighed.evidence.extend(said.evidence);
            weighed.missing.extend(said.missing);
            let log = prior(fault.rarity).ln() + weighed.evidence.iter().map(|e| e.weight).sum::<f64>();
            let id = fault.id.as_str();
            Some(Scored { id, fault: Some(fault), log, evidence: weighed.evidence, missing: weighed.missing })
        })
        .collect();
    if kind != FindingKind::Data && observed.groups() > 0 {
        scored.push(sensor(&observed));
    }
    scored.push(unexplained());
    let top = scored.iter().map(|s| s.log).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = scored.iter().map(|s| (s.log - top).exp()).sum();
    scored.sort_by(|a, b| b.log.total_cmp(&a.log).then_with(|| a.id.cmp(b.id)));
    let probability = |s: &Scored<'_>| (s.log - top).exp() / total;
    let mut shown = 0;
    let kept: Vec<&Scored<'_>> = scored
        .iter()
        .filter(|s| {
            shown += usize::from(s.fault.is_some());
            s.fault.is_none() || (shown <= MOST_SHOWN && probability(s) >= LEAST_SHOWN)
        })
        .collect();
    kept.iter().filter_map(|s| ranked(context, s, probability(s), &kept)).collect()
}

/// Probability that something else than the machine explains a finding, among the explanations shown: a sensor, the way of
/// the data, or a change that is no fault. With what the likeliest of these is about.
pub(crate) fn elsewhere_share(library: &Library, faults: &[RankedFault]) -> (f64, FindingKind) {
    let about = |f: &RankedFault| match library.fault(&f.id) {
        Some(fault) => fault.about,
        None if f.id.as_str() == SENSOR => FindingKind::Sensor,
        None => FindingKind::Machine,
    };
    let elsewhere = || faults.iter().filter(|f| about(f) != FindingKind::Machine);
    (elsewhere().map(|f| f.probability).sum(), elsewhere().map(about).next().unwrap_or(FindingKind::Sensor))
}

fn sensor(observed: &Observed<'_>) -> Scored<'static> {
    let mut evidence = Vec::new();
    let channels = observed.groups();
    if observed.any_sensor_kind() {
        evidence.push(weight("the value itself is not one a healthy sensor gives", SENSOR_KIND));
    } else if channels <= 1 {
        evidence.push(weight("only one channel changed", SENSOR_ALONE));
        evidence.extend(observed.all().take(1).filter_map(|(_, seen)| offset(seen)));
    }
    if channels > 1 {
        #[expect(clippy::cast_precision_loss, reason = "a class has few channels")]
        let against = SENSOR_COMPANY * (channels - 1) as f64;
        evidence.push(weight("other channels changed with it", against));
    }
    let log = PRIOR_SENSOR.ln() + evidence.iter().map(|e| e.weight).sum::<f64>();
    Scored { id: SENSOR, fault: None, log, evidence, missing: vec![] }
}

/// A sensor that is off is most often off by the same amount everywhere; a machine's trouble goes with its load.
fn offset(seen: &Seen) -> Option<EvidenceWeight> {
    seen.offset.map(|offset| weigh::off_by(&seen.words, offset))
}

fn unexplained() -> Scored<'static> {
    Scored { id: UNEXPLAINED, fault: None, log: PRIOR_UNEXPLAINED.ln(), evidence: vec![], missing: vec![] }
}

pub(crate) fn weight(evidence: &str, weight: f64) -> EvidenceWeight {
    EvidenceWeight { evidence: evidence.to_owned(), weight }
}

fn ranked(
    context: &Context<'_>,
    scored: &Scored<'_>,
    probability: f64,
    rivals: &[&Scored<'_>],
) -> Option<RankedFault> {
    let (mut supports, mut against): (Vec<_>, Vec<_>) =
        scored.evidence.iter().cloned().partition(|e| e.weight > 0.0);
    supports.sort_by(|a, b| b.weight.total_cmp(&a.weight).then_with(|| a.evidence.cmp(&b.evidence)));
    against.sort_by(|a, b| a.weight.total_cmp(&b.weight).then_with(|| a.evidence.cmp(&b.evidence)));
    let base = RankedFault {
        id: FaultId::new(scored.id).ok()?,
        name: String::new(),
        probability,
        supports,
        against,
        decides: vec![],
        checks: vec![],
        urgency: Urgency::Watch,
        cautions: vec![],
        rationale: None,
    };
    Some(match scored.fault {
        Some(fault) => RankedFault {
            name: fault.name.clone(),
            decides: decides(context, fault, &scored.missing, rivals),
            checks: fault.checks.iter().map(|c| format!("{}; stop when: {}", c.act, c.stop)).collect(),
            urgency: fault.urgency,
            cautions: fault.cautions.clone(),
            rationale: Some(fault.rationale.clone()),
            ..base
        },
        None if scored.id == SENSOR => RankedFault {
            name: "Sensor or its wiring at fault".to_owned(),
            decides: vec!["an independent instrument at the same place".to_owned()],
            checks: vec![
                "compare with an independent instrument at the same place; stop when: they agree".to_owned(),
                "look at connector, cable and supply; stop when: the fault is found".to_owned(),
            ],
            urgency: Urgency::NextInspection,
            ..base
        },
        None => RankedFault {
            name: "Change that the fault library does not explain".to_owned(),
            decides: vec!["what was done to the unit at the onset: work, parts, software, load".to_owned()],
            checks: vec![
                "ask what was done to the unit at the onset; stop when: it explains the change".to_owned(),
            ],
            urgency: Urgency::Watch,
            ..base
        },
    })
}

/// What would decide: what tells the fault from rivals that are shown, channels that it should move and that have
/// not moved, and evidence outside the channels.
fn decides(context: &Context<'_>, fault: &Fault, missing: &[String], rivals: &[&Scored<'_>]) -> Vec<String> {
    let shown = |id: &FaultId| rivals.iter().any(|r| r.id == id.as_str());
    let apart = fault.confusions.iter().filter(|c| shown(&c.with)).filter_map(|c| {
        let other = context.library.fault(&c.with)?;
        Some(format!("against {}: {}", other.name.to_lowercase(), c.by))
    });
    apart.chain(missing.iter().cloned()).chain(fault.supports.iter().cloned()).take(MOST_DECIDING).collect()
}

/// Whether a symptom of this kind means that the value cannot be trusted. Noise alone does not: an unsteady machine
/// makes it too.
pub(crate) fn untrustworthy(kind: SymptomKind) -> bool {
    (kind.about() == FindingKind::Sensor && kind != SymptomKind::Noisy) || kind == SymptomKind::UomChange
}

/// A symptom in words, for evidence.
fn words(context: &Context<'_>, symptom: &Symptom) -> String {
    title::evidence(context.class, symptom)
}

#[cfg(test)]
mod tests;
