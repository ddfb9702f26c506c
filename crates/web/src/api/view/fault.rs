//! A fault that may explain a finding, as the API shows it.

use notchwatch_model::{EvidenceWeight, RankedFault, Rationale, Span};
use serde::Serialize;
use utoipa::ToSchema;

/// A fault that may explain the symptoms.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Fault)]
pub(crate) struct FaultView {
    id: String,
    name: String,
    /// Among the explanations, 0 to 1.
    probability: f64,
    #[serde(rename = "for")]
    supports: Vec<EvidenceView>,
    against: Vec<EvidenceView>,
    /// What would decide.
    decides: Vec<String>,
    /// What to check, in order.
    checks: Vec<String>,
    /// `now`, `before departure`, `within a week`, `next inspection` or `watch`.
    urgency: &'static str,
    /// What can hurt someone.
    cautions: Vec<String>,
    /// Time to respond in seconds; null where nobody has to act.
    respond_within_s: Option<f64>,
    /// Cause, consequence and response; null for an explanation that is no fault of the library.
    rationale: Option<RationaleView>,
}

/// Rationalisation of a fault.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Rationale)]
pub(crate) struct RationaleView {
    /// What usually brings it about.
    cause: String,
    /// `severe`, `major`, `moderate` or `minor`.
    consequence: &'static str,
    /// What happens if nobody acts.
    otherwise: String,
    /// What to do.
    response: String,
    parts: Vec<String>,
    skills: Vec<String>,
    /// Work until it is put right, in hours, an estimate.
    hours: f64,
}

/// One piece of evidence.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = Evidence)]
pub(crate) struct EvidenceView {
    evidence: String,
    /// Natural logarithm of the likelihood ratio.
    weight: f64,
}

impl FaultView {
    pub(super) fn new(fault: &RankedFault) -> Self {
        let weights = |list: &[EvidenceWeight]| {
            list.iter().map(|e| EvidenceView { evidence: e.evidence.clone(), weight: e.weight }).collect()
        };
        Self {
            id: fault.id.to_string(),
            name: fault.name.clone(),
            probability: fault.probability,
            supports: weights(&fault.supports),
            against: weights(&fault.against),
            decides: fault.decides.clone(),
            checks: fault.checks.clone(),
            urgency: fault.urgency.word(),
            cautions: fault.cautions.clone(),
            respond_within_s: fault.urgency.within().map(Span::secs_f64),
            rationale: fault.rationale.as_ref().map(RationaleView::new),
        }
    }
}

impl RationaleView {
    fn new(rationale: &Rationale) -> Self {
        Self {
            cause: rationale.cause.clone(),
            consequence: rationale.consequence.word(),
            otherwise: rationale.otherwise.clone(),
            response: rationale.response.clone(),
            parts: rationale.parts.clone(),
            skills: rationale.skills.clone(),
            hours: rationale.hours,
        }
    }
}
