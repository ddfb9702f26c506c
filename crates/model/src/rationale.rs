//! Rationalisation of a fault (IEC 62682): why somebody is told, what happens if nobody acts, what to do and how soon.
//!
//! Owns the words. The values are the fault library's, the priority that follows from them is the `findings` crate's.

use serde::{Deserialize, Serialize};

use crate::{Span, Urgency};

/// What happens if nobody acts. The worst sorts first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Consequence {
    /// People are in danger, or the engine is lost.
    Severe,
    /// The unit fails on the road, or a major component is lost.
    Major,
    /// Less power, more wear, a delay.
    Moderate,
    /// More fuel, comfort, a protection or a measurement that is missing.
    Minor,
}

impl Consequence {
    /// Every grade, the worst first.
    pub const ALL: [Consequence; 4] =
        [Consequence::Severe, Consequence::Major, Consequence::Moderate, Consequence::Minor];

    /// The word as it is written in the API and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            Consequence::Severe => "severe",
            Consequence::Major => "major",
            Consequence::Moderate => "moderate",
            Consequence::Minor => "minor",
        }
    }
}

/// Rationalisation of one fault.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Rationale {
    /// What usually brings it about.
    pub cause: String,
    /// How bad it becomes if nobody acts.
    pub consequence: Consequence,
    /// The same in words.
    pub otherwise: String,
    /// What to do.
    pub response: String,
    /// Parts to bring.
    pub parts: Vec<String>,
    /// Skills needed.
    pub skills: Vec<String>,
    /// Work of one qualified person or team until it is put right, in hours, an estimate.
    pub hours: f64,
}

impl Urgency {
    /// Time to respond (IEC 62682): the longest time until an act still averts the consequence. `None` where nobody has to
    /// act. The spans are common practice: a call at once, the next departure within a day, a week, a quarter between
    /// inspections.
    pub const fn within(self) -> Option<Span> {
        match self {
            Urgency::Now => Some(Span::from_hours(1)),
            Urgency::BeforeDeparture => Some(Span::from_hours(24)),
            Urgency::WithinAWeek => Some(Span::from_days(7)),
            Urgency::NextInspection => Some(Span::from_days(92)),
            Urgency::Watch => None,
        }
    }
}
