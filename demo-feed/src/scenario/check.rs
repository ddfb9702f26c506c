//! Checks of a scenario: names that must exist, numbers that must make sense.
//!
//! Owns what is refused and the words for it. Refuses to mend anything.

use std::collections::BTreeSet;

use super::{FaultPlan, Scenario};
use crate::channel;
use crate::fault::Part;

/// Why a scenario cannot be played.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// Not a scenario file.
    #[error("not a scenario: {0}")]
    Shape(#[from] toml::de::Error),
    /// A name that nothing has.
    #[error("{place}: {name:?} is not {wanted}")]
    Unknown {
        /// Where in the scenario.
        place: String,
        /// What was written.
        name: String,
        /// What would be right.
        wanted: &'static str,
    },
    /// A number that makes no sense.
    #[error("{place}: {wanted}")]
    Number {
        /// Where in the scenario.
        place: String,
        /// What would be right.
        wanted: &'static str,
    },
}

impl Scenario {
    pub(crate) fn check(&self) -> Result<(), ScenarioError> {
        let known: BTreeSet<String> = self.unit_names().collect();
        let places = self.faults.iter().map(|f| ("faults", &f.unit));
        let places = places.chain(self.clocks.iter().map(|c| ("clocks", &c.unit)));
        let places = places.chain(self.benign.iter().map(|b| ("benign", &b.unit)));
        let places = places.chain(self.misnamed.iter().map(|m| ("misnamed", &m.unit)));
        for (place, name) in places.chain(self.orders.iter().map(|o| ("orders", &o.unit))) {
            if !known.contains(name) {
                return Err(unknown(
                    format!("{place}.unit"),
                    name,
                    "a unit of the scenario, as railway/unit",
                ));
            }
        }
        for railway in &self.railways {
            if !self.places.iter().any(|p| p.id == railway.place) {
                let place = format!("railways.{}.place", railway.id);
                return Err(unknown(place, &railway.place, "one of the places"));
            }
        }
        let railways = self.outages.iter().map(|o| ("outages", &o.railway));
        for (place, name) in railways.chain(self.strangers.iter().map(|s| ("strangers", &s.railway))) {
            if !self.railways.iter().any(|r| r.id == *name) {
                return Err(unknown(format!("{place}.railway"), name, "one of the railways"));
            }
        }
        if self.sending.snapshot_s == 0 || self.sending.batch == 0 || self.sending.keep < self.sending.batch {
            let wanted = "snapshot_s and batch are 1 or more, keep is batch or more";
            return Err(ScenarioError::Number { place: "sending".into(), wanted });
        }
        if let Some(order) = self.orders.iter().find(|o| o.notch > 8) {
            let place = format!("orders.{}.notch", order.unit);
            return Err(ScenarioError::Number { place, wanted: "a notch is 0 to 8" });
        }
        for plan in self.benign.iter().filter(|b| b.kind.of_channel()) {
            let name = plan.channel.as_deref().unwrap_or("");
            if channel::position(name).is_none() {
                let place = format!("benign.{}.channel", plan.unit);
                return Err(unknown(place, name, "a channel, which this change must name"));
            }
        }
        self.faults.iter().try_for_each(FaultPlan::check)
    }
}

impl FaultPlan {
    fn check(&self) -> Result<(), ScenarioError> {
        let place = |field: &str| format!("faults.{}.{field}", self.unit);
        let numbered = |last: u32, wanted| match self.which {
            Some(n) if (1..=last).contains(&n) => Ok(()),
            _ => Err(ScenarioError::Number { place: place("which"), wanted }),
        };
        match self.kind.spec().part {
            Part::Whole => Ok(()),
            Part::Cylinder => numbered(12, "this fault names its cylinder, 1 to 12"),
            Part::Motor => numbered(6, "this fault names its motor, 1 to 6"),
            Part::Channel => match self.channel.as_deref() {
                Some(name) if channel::position(name).is_some() => Ok(()),
                name => Err(unknown(
                    place("channel"),
                    name.unwrap_or(""),
                    "a channel, which this fault must name",
                )),
            },
        }
    }
}

fn unknown(place: String, name: &str, wanted: &'static str) -> ScenarioError {
    ScenarioError::Unknown { place, name: name.to_owned(), wanted }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;

    #[test]
    fn what_cannot_be_played_is_named() {
        let demo = || Scenario::demo(Timestamp::UNIX_EPOCH);
        let told = |change: &dyn Fn(&mut Scenario)| {
            let mut scenario = demo();
            change(&mut scenario);
            scenario.check().unwrap_err().to_string()
        };
        assert!(told(&|s| s.faults[0].unit = "nowhere/1".into()).contains("nowhere/1"));
        assert!(told(&|s| s.faults[1].which = None).contains("cylinder"));
        assert!(told(&|s| s.faults[6].channel = Some("x".into())).contains("faults.sarel/SC-2202.channel"));
        assert!(told(&|s| s.sending.batch = 0).contains("batch"));
        assert!(told(&|s| s.orders[0].notch = 9).contains("notch"));
        let unknown = format!("colour = 1\n{}", toml::to_string(&demo()).unwrap());
        assert!(Scenario::parse(&unknown).unwrap_err().to_string().contains("colour"));
    }
}
