//! Why somebody is told of a fault, in words: consequence, response, time to respond, what it takes.

use notchwatch_model::{Rationale, Urgency};

/// Rationalisation, in words.
#[derive(Debug)]
pub(super) struct Why {
    pub(super) cause: String,
    pub(super) consequence: &'static str,
    pub(super) otherwise: String,
    pub(super) response: String,
    pub(super) within: String,
    pub(super) hours: String,
    pub(super) parts: String,
    pub(super) skills: String,
}

/// The words of a rationale.
pub(super) fn why(rationale: &Rationale, urgency: Urgency) -> Why {
    const HOUR_S: f64 = 3600.0;
    let within = urgency.within().map(|span| span.secs_f64() / HOUR_S);
    Why {
        cause: rationale.cause.clone(),
        consequence: rationale.consequence.word(),
        otherwise: rationale.otherwise.clone(),
        response: rationale.response.clone(),
        within: within.map_or_else(
            || "nobody has to act".to_owned(),
            |hours| {
                if hours < 48.0 { format!("{hours} h") } else { format!("{} days", hours / 24.0) }
            },
        ),
        hours: rationale.hours.to_string(),
        parts: rationale.parts.join(", "),
        skills: rationale.skills.join(", "),
    }
}
