//! What a unit's timeline says that bears on its findings: fault codes, oil results, work done, software, fuelling.
//!
//! Owns how long each is remembered and what an oil result means where the laboratory says nothing. Pure: facts and
//! event times in. Refuses to weigh: the ranking does.

pub(crate) mod oil;

use notchwatch_model::{Activity, Fact, Purpose, Span, System, Time, Verdict};
use serde::{Deserialize, Serialize};

/// How long what a timeline says is remembered, in event time: a season, as long as slow faults take to show.
const REMEMBERED: Span = Span::from_days(92);
/// Most that is remembered of a unit; the oldest goes first. A controller that cannot stop telling codes costs no more.
const MOST: usize = 200;

/// What is known of a unit beside its channels, by event time.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Background {
    known: Vec<Known>,
}

/// One thing known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Known {
    /// Event time.
    pub(crate) at: Time,
    pub(crate) what: What,
}

/// What is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) enum What {
    /// A fault code came.
    Code(String),
    /// A result of an oil sample.
    Oil { quantity: String, value: f64, uom: String, verdict: Verdict },
    /// Work that leaves the machine other than it was.
    Work { activity: Activity, system: Option<System>, item: String },
    /// Software from then on.
    Software(String),
    /// Fuel was taken at a place.
    Fuelled(String),
}

impl Background {
    /// Takes a fact that holds from an event time. Facts come in order of the time at which they take effect, which for an
    /// entry recorded late is later than its event time.
    pub fn learn(&mut self, at: Time, fact: &Fact) {
        let oldest = at - REMEMBERED;
        // Software is in force until other software is, however long that takes.
        let in_force = self.last(oldest, |what| matches!(what, What::Software(_)));
        let mut place = 0..;
        self.known.retain(|known| place.next() == in_force || known.at >= oldest);
        match fact {
            Fact::FaultCode { code, active: true, .. } => self.add(at, What::Code(code.clone())),
            Fact::OilSample { results, .. } => {
                for result in results {
                    let verdict = oil::verdict(result);
                    let (quantity, uom) = (result.quantity.clone(), result.uom.clone());
                    self.add(at, What::Oil { quantity, value: result.value, uom, verdict });
                }
            }
            Fact::Maintenance { activity, system, item, .. } if activity.changes() => {
                self.add(at, What::Work { activity: *activity, system: *system, item: item.clone() });
            }
            Fact::Software { version } => self.add(at, What::Software(version.clone())),
            Fact::Visit { place, purpose: Purpose::Fuelling, .. } => {
                self.add(at, What::Fuelled(place.clone()));
            }
            Fact::FaultCode { .. }
            | Fact::Maintenance { .. }
            | Fact::Visit { .. }
            | Fact::AsBuilt { .. }
            | Fact::Note { .. } => {}
        }
    }

    fn add(&mut self, at: Time, what: What) {
        let place = self.known.partition_point(|known| known.at <= at);
        self.known.insert(place, Known { at, what });
        if self.known.len() > MOST {
            // Codes go first: a flood of them tells less than what a laboratory or a shop said.
            let code = self.known.iter().position(|known| matches!(known.what, What::Code(_)));
            self.known.remove(code.unwrap_or(0));
        }
    }

    /// Place of the last of a kind up to and including an event time.
    fn last(&self, to: Time, of: impl Fn(&What) -> bool) -> Option<usize> {
        self.known.iter().rposition(|known| known.at <= to && of(&known.what))
    }

    /// Software in force at an event time, where it is known.
    pub fn software(&self, at: Time) -> Option<&str> {
        self.software_since(at).map(|(version, _)| version)
    }

    /// The same with the event time from which on it is.
    pub fn software_since(&self, at: Time) -> Option<(&str, Time)> {
        let known = self.known.get(self.last(at, |what| matches!(what, What::Software(_)))?)?;
        match &known.what {
            What::Software(version) => Some((version, known.at)),
            _ => None,
        }
    }

    /// Where fuel was taken last before an event time, not longer ago than `within`.
    pub fn fuelled(&self, at: Time, within: Span) -> Option<&str> {
        let mut before = self.known.iter().rev().filter(|known| known.at <= at && known.at >= at - within);
        before.find_map(|known| match &known.what {
            What::Fuelled(place) => Some(place.as_str()),
            _ => None,
        })
    }

    /// Everything known from an event time on, the oldest first.
    pub(crate) fn since(&self, from: Time) -> impl DoubleEndedIterator<Item = &Known> {
        self.known.iter().filter(move |known| known.at >= from)
    }

    /// Newest result of one quantity from an event time on.
    pub(crate) fn oil(&self, quantity: &str, from: Time) -> Option<&Known> {
        self.since(from)
            .rev()
            .find(|known| matches!(&known.what, What::Oil { quantity: of, .. } if of == quantity))
    }
}

impl Known {
    /// In words, for evidence.
    pub(crate) fn words(&self) -> String {
        let day = self.at.to_string();
        let day = day.get(..10).unwrap_or(&day);
        match &self.what {
            What::Code(code) => format!("fault code {code} on {day}"),
            What::Oil { quantity, value, uom, verdict } => {
                let quantity = quantity.replace('-', " ");
                format!("{quantity} {} in the oil sample of {day} ({value} {uom})", verdict.word())
            }
            What::Work { activity, system, item } => {
                let on = match (item.as_str(), system) {
                    ("", Some(system)) => format!(" on {}", system.word()),
                    ("", None) => String::new(),
                    (item, _) => format!(" on {item}"),
                };
                format!("work ({}{on}) on {day}", activity.word())
            }
            What::Software(version) => format!("software {version} since {day}"),
            What::Fuelled(place) => format!("fuelled at {place} on {day}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::time;

    fn software(version: &str) -> Fact {
        Fact::Software { version: version.to_owned() }
    }

    #[test]
    fn software_holds_until_the_next_however_long_and_what_came_before_is_forgotten() {
        let mut known = Background::default();
        known.learn(time("2026-01-01T00:00:00Z"), &software("4.0"));
        known.learn(time("2026-03-01T00:00:00Z"), &software("4.1"));
        assert_eq!(known.software(time("2026-02-01T00:00:00Z")), Some("4.0"));
        assert_eq!(known.software(time("2026-03-02T00:00:00Z")), Some("4.1"));
        assert_eq!(known.software(time("2025-12-31T00:00:00Z")), None);
        known.learn(time("2026-05-15T00:00:00Z"), &software("4.2"));
        assert_eq!(known.software(time("2026-02-20T00:00:00Z")), Some("4.0"), "in force 92 days before");
        // Half a year later something else is told: what was in force is not forgotten over it.
        known.learn(
            time("2026-11-15T00:00:00Z"),
            &Fact::Visit { place: "Grey Hill".into(), purpose: Purpose::Fuelling, text: String::new() },
        );
        assert_eq!(known.software(time("2026-11-16T00:00:00Z")), Some("4.2"));
        assert_eq!(known.software(time("2026-05-01T00:00:00Z")), None);
        assert_eq!(known.known.len(), 2);
    }

    #[test]
    fn fuel_counts_while_it_is_in_the_tank() {
        let mut known = Background::default();
        let visit = |place: &str| Fact::Visit {
            place: place.into(),
            purpose: Purpose::Fuelling,
            text: String::new(),
        };
        known.learn(time("2026-01-01T00:00:00Z"), &visit("Grey Hill"));
        let day = Span::from_days(1);
        assert_eq!(known.fuelled(time("2026-01-01T12:00:00Z"), day), Some("Grey Hill"));
        assert_eq!(known.fuelled(time("2026-01-03T00:00:00Z"), day), None);
    }

    #[test]
    fn a_flood_of_codes_is_bounded() {
        let mut known = Background::default();
        let code = Fact::FaultCode { code: "E1".into(), active: true, text: String::new() };
        known.learn(time("2026-01-01T00:00:00Z"), &software("4.0"));
        (0..1000).for_each(|_| known.learn(time("2026-01-02T00:00:00Z"), &code));
        assert_eq!(known.since(time("2025-01-01T00:00:00Z")).count(), MOST);
        assert_eq!(known.software(time("2026-01-03T00:00:00Z")), Some("4.0"));
    }
}
