//! The fleet: all units in one order of time.
//!
//! Owns the order in which messages leave. Refuses to wait: the caller says up to when.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};
use std::sync::Arc;

use crate::benign::BenignKind;
use crate::duty::{Crew, hours_ms};
use crate::register;
use crate::rng::Rng;
use crate::scenario::{Duty, Scenario, ScenarioError};
use crate::senml::Encoder;
use crate::truth::{self, Crossing, TruthEntry, Watch};
use crate::unit::{Berth, Shared, Troubles, UnitFeed};
use crate::weather::Weather;

/// One message as it leaves a unit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Message {
    /// When it is sent, in ms since 1970. Never decreases from one message to the next.
    pub at_unix_ms: i64,
    /// MQTT topic.
    pub topic: Arc<str>,
    /// `SenML` pack.
    pub payload: Vec<u8>,
    /// Content type, as MQTT 5 carries it.
    pub content_type: &'static str,
}

/// The whole fleet, ready to send.
#[derive(Debug)]
pub struct Fleet {
    shared: Shared,
    units: Vec<UnitFeed>,
    /// Next event of every unit.
    due: BinaryHeap<Reverse<(i64, usize)>>,
    truth: Vec<TruthEntry>,
    register: String,
}

/// The class of the demo fleet as a register file.
pub const CLASS_TOML: &str = include_str!("../../deploy/register/demo-12.toml");

impl Fleet {
    /// Builds the fleet. Errors name the part of the scenario that cannot be played.
    pub fn new(scenario: &Scenario) -> Result<Self, ScenarioError> {
        scenario.check()?;
        let start_ms = scenario.start.as_millisecond();
        let shared = Shared {
            sending: scenario.sending.clone(),
            start_ms,
            batch_until_ms: start_ms + hours_ms(scenario.sending.batch_until_h),
            encoder: Encoder::new(),
            weather: scenario
                .places
                .iter()
                .zip(0..)
                .map(|(p, n)| Weather::new(p, scenario.seed, n))
                .collect(),
        };
        let engines: BTreeMap<String, String> =
            scenario.unit_names().zip(0_u64..).map(|(name, n)| (name, register::serial(n))).collect();
        let truth = truth::entries(scenario, |name| engines.get(name).cloned().unwrap_or_default());
        let mut troubles = troubles_by_unit(scenario, start_ms);
        let units: Vec<UnitFeed> = berths(scenario, start_ms)
            .into_iter()
            .map(|(berth, duty)| build(scenario, &shared, berth, duty, &mut troubles))
            .collect();
        let due = units.iter().enumerate().map(|(i, u)| Reverse((u.next_ms(), i))).collect();
        Ok(Fleet { shared, units, due, truth, register: register::text(scenario) })
    }

    /// When something happens next, in ms since 1970; not every event is a message.
    pub fn next_at_unix_ms(&self) -> Option<i64> {
        self.due.peek().map(|Reverse((at, _))| *at)
    }

    /// The next message sent before `until_unix_ms`; `None` when there is none left before it.
    pub fn next_before(&mut self, until_unix_ms: i64) -> Option<Message> {
        while let Some(mut top) = self.due.peek_mut() {
            let Reverse((at, index)) = *top;
            if at >= until_unix_ms {
                return None;
            }
            let unit = self.units.get_mut(index)?;
            let mut crossed = Vec::new();
            let message = unit.step(&self.shared, &mut crossed);
            *top = Reverse((unit.next_ms(), index));
            drop(top);
            note(&mut self.truth, crossed);
            if message.is_some() {
                return message;
            }
        }
        None
    }

    /// All messages sent before `until_unix_ms`, in the order they are sent.
    pub fn advance_to(&mut self, until_unix_ms: i64) -> impl Iterator<Item = Message> + '_ {
        std::iter::from_fn(move || self.next_before(until_unix_ms))
    }

    /// Railways and units with the engines fitted, as a register file. The class is [`CLASS_TOML`].
    pub fn register_toml(&self) -> String {
        self.register.clone()
    }

    /// What was made to go wrong, with the limits crossed so far.
    pub fn truth(&self) -> &[TruthEntry] {
        &self.truth
    }

    /// How many units send, strangers included.
    pub fn units(&self) -> usize {
        self.units.len()
    }
}

fn note(truth: &mut [TruthEntry], crossed: Vec<(usize, Crossing)>) {
    for (entry, crossing) in crossed {
        if let Some(entry) = truth.get_mut(entry) {
            entry.limit = Some(crossing);
        }
    }
}

/// Every unit of the scenario, strangers last.
fn berths(scenario: &Scenario, start_ms: i64) -> Vec<(Berth, Duty)> {
    let place_of = |place: &str| scenario.places.iter().position(|p| p.id == place).unwrap_or(0);
    let mut out = Vec::new();
    let mut number = 0_u64;
    let mut push = |railway: &str, name: String, place: usize, from_ms: i64, duty: Duty| {
        number += 1;
        out.push((Berth { railway: railway.to_owned(), name, number, place, from_ms, duty }, duty));
    };
    for railway in &scenario.railways {
        for i in 0..railway.units {
            push(&railway.id, railway.unit_name(i), place_of(&railway.place), start_ms, railway.duty);
        }
    }
    for stranger in &scenario.strangers {
        let home = scenario.railways.iter().find(|r| r.id == stranger.railway);
        let (place, duty) = home.map_or((0, Duty::LineHaul), |r| (place_of(&r.place), r.duty));
        push(&stranger.railway, stranger.unit.clone(), place, start_ms + hours_ms(stranger.from_h), duty);
    }
    out
}

fn build(
    scenario: &Scenario,
    shared: &Shared,
    berth: Berth,
    duty: Duty,
    troubles: &mut BTreeMap<String, Troubles>,
) -> UnitFeed {
    let key = format!("{}/{}", berth.railway, berth.name);
    let orders: Vec<_> = scenario.orders.iter().filter(|o| o.unit == key).collect();
    // Orders count from the scenario's start, a stranger's crew from when it appears: it has no orders.
    let crew = Crew::new(Rng::new(scenario.seed, berth.number, 6), duty, berth.from_ms, &orders);
    let relief = scenario.places.get(berth.place).map_or(0.0, |p| p.relief_m);
    let mine = troubles.remove(&key).unwrap_or_default();
    UnitFeed::new(scenario.seed, berth, crew, mine, shared, relief)
}

fn troubles_by_unit(scenario: &Scenario, start_ms: i64) -> BTreeMap<String, Troubles> {
    let mut out: BTreeMap<String, Troubles> = BTreeMap::new();
    let at = |hours: f64| start_ms + hours_ms(hours);
    for (entry, plan) in scenario.faults.iter().enumerate() {
        let unit = out.entry(plan.unit.clone()).or_default();
        unit.faults.push(plan.clone());
        unit.watches.push(Watch::new(entry, plan, start_ms));
    }
    for plan in &scenario.benign {
        let unit = out.entry(plan.unit.clone()).or_default();
        unit.benign.push(plan.clone());
        if plan.kind == BenignKind::Backlog {
            unit.outages.push((at(plan.from_h), plan.for_h.map_or(i64::MAX, |h| at(plan.from_h + h))));
        }
    }
    for clock in &scenario.clocks {
        let window = (at(clock.from_h), clock.until_h.map_or(i64::MAX, at));
        out.entry(clock.unit.clone()).or_default().clocks.push((window, hours_ms(clock.ahead_h)));
    }
    for m in &scenario.misnamed {
        let window = (at(m.from_h), at(m.from_h + m.for_h));
        out.entry(m.unit.clone()).or_default().misnamed.push((window, m.named.clone()));
    }
    for outage in &scenario.outages {
        let window = (at(outage.from_h), at(outage.from_h + outage.for_h));
        let railway = scenario.railways.iter().filter(|r| r.id == outage.railway);
        let names = railway.flat_map(|r| (0..r.units).map(|i| r.unit_name(i)));
        for name in names.filter(|n| outage.units.is_empty() || outage.units.contains(n)) {
            out.entry(format!("{}/{name}", outage.railway)).or_default().outages.push(window);
        }
    }
    out
}

#[cfg(test)]
mod tests;
