//! One unit: its machine, crew, sensors, clock and radio, moved on from event to event.
//!
//! Owns what is kept while there is no network, how it is sent afterwards, and in which order. Its queue of kept
//! snapshots is bounded by the scenario's `keep`; the oldest go first when it is full, as in a unit's own memory.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::benign::{self, BenignPlan, Now};
use crate::channel::{self as ch};
use crate::duty::{Crew, hours_ms};
use crate::effects::Effects;
use crate::fault::FaultKind;
use crate::fleet::Message;
use crate::instrument::{Instruments, OPEN_THERMOCOUPLE_C, SensorFault};
use crate::machine::{Demand, Machine, Surroundings};
use crate::rng::Rng;
use crate::scenario::{Duty, FaultPlan, Sending};
use crate::senml::{CONTENT_TYPE, Encoder, Snapshot};
use crate::truth::{Crossing, Watch};
use crate::weather::{Line, Weather};

/// What all units share.
#[derive(Debug)]
pub(crate) struct Shared {
    pub(crate) sending: Sending,
    pub(crate) start_ms: i64,
    pub(crate) batch_until_ms: i64,
    pub(crate) encoder: Encoder,
    pub(crate) weather: Vec<Weather>,
}

/// A time span that ends; both in ms since 1970.
pub(crate) type Window = (i64, i64);

/// What a scenario says of one unit.
#[derive(Debug, Default)]
pub(crate) struct Troubles {
    pub(crate) faults: Vec<FaultPlan>,
    pub(crate) benign: Vec<BenignPlan>,
    pub(crate) watches: Vec<Watch>,
    pub(crate) outages: Vec<Window>,
    /// Window and how far ahead the clock is, in ms.
    pub(crate) clocks: Vec<(Window, i64)>,
    /// Window and the unit named in it.
    pub(crate) misnamed: Vec<(Window, String)>,
}

/// One unit that sends.
#[derive(Debug)]
pub(crate) struct UnitFeed {
    name: String,
    topic: Arc<str>,
    place: usize,
    software: &'static str,
    machine: Machine,
    crew: Crew,
    duty: Duty,
    /// Whether the crew does other work than planned.
    other_duty: bool,
    instruments: Instruments,
    line: Line,
    physics: Rng,
    noise: Rng,
    radio: Rng,
    troubles: Troubles,
    kept: VecDeque<Snapshot>,
    covered: bool,
    last_ms: i64,
    demand: Demand,
    demand_since_ms: i64,
    next_snapshot_ms: i64,
    next_send_ms: Option<i64>,
    repeat: Option<Message>,
    next_software_ms: i64,
}

/// How long a pack takes from the unit to the broker, in ms, from and to (common practice for mobile networks).
const DELAY_MS: (f64, f64) = (300.0, 1_800.0);
/// Time between packs of a backlog, in ms.
const BACKLOG_STEP_MS: i64 = 400;
/// How much later a repeated pack comes, in ms.
const REPEAT_MS: i64 = 4_000;
const DAY_MS: i64 = 86_400_000;
/// Sizes of sensor faults where the scenario names none (common practice).
const THERMOCOUPLE_DRIFT_K: f64 = -60.0;
const PRESSURE_DRIFT_PA: f64 = 60_000.0;
/// A pickup that misses every other tooth.
const PICKUP_GAIN: f64 = 0.5;

/// Where a unit stands in the fleet.
pub(crate) struct Berth {
    pub(crate) railway: String,
    pub(crate) name: String,
    pub(crate) number: u64,
    pub(crate) place: usize,
    pub(crate) from_ms: i64,
    pub(crate) duty: Duty,
}

impl UnitFeed {
    pub(crate) fn new(
        seed: u64,
        berth: Berth,
        crew: Crew,
        troubles: Troubles,
        shared: &Shared,
        relief_m: f64,
    ) -> Self {
        let stream = |purpose| Rng::new(seed, berth.number, purpose);
        let mut build = stream(1);
        let air = shared.weather.get(berth.place).map(|w| w.at(ms_to_s(berth.from_ms), 0.0));
        let air = air.unwrap_or(crate::weather::Air { temp_c: 15.0, pressure_hpa: 1013.0 });
        let machine = Machine::new(&mut build, air);
        // Units measure at their own second of the minute.
        let period = i64::from(shared.sending.snapshot_s) * 1000;
        let phase = i64::try_from(build.bits() % u64::from(shared.sending.snapshot_s)).unwrap_or(0) * 1000;
        let first = berth.from_ms - berth.from_ms.rem_euclid(period) + period + phase;
        UnitFeed {
            topic: Arc::from(format!("units/{}/{}/senml", berth.railway, berth.name)),
            name: berth.name,
            place: berth.place,
            software: if build.uniform() < 0.5 { "4.1.0" } else { "4.2.1" },
            machine,
            crew,
            duty: berth.duty,
            other_duty: false,
            instruments: Instruments::draw(&mut build),
            line: Line::draw(&mut stream(2), relief_m, shared.sending.dead_zones),
            physics: stream(3),
            noise: stream(4),
            radio: stream(5),
            troubles,
            kept: VecDeque::new(),
            covered: true,
            last_ms: first - period,
            demand: Demand::Notch(0),
            demand_since_ms: first - period,
            next_snapshot_ms: first,
            next_send_ms: None,
            repeat: None,
            next_software_ms: first,
        }
    }

    /// When something happens next, in ms since 1970.
    pub(crate) fn next_ms(&self) -> i64 {
        let send = self.next_send_ms.unwrap_or(i64::MAX);
        let repeat = self.repeat.as_ref().map_or(i64::MAX, |m| m.at_unix_ms);
        self.next_snapshot_ms.min(send).min(repeat)
    }

    /// Does what is due at [`Self::next_ms`]: a repeated pack, a pack, or a snapshot (which sends nothing itself).
    pub(crate) fn step(&mut self, shared: &Shared, crossed: &mut Vec<(usize, Crossing)>) -> Option<Message> {
        let now = self.next_ms();
        if self.repeat.as_ref().is_some_and(|m| m.at_unix_ms == now) {
            return self.repeat.take();
        }
        if self.next_send_ms == Some(now) {
            return self.send(now, shared);
        }
        self.measure(now, shared, crossed);
        None
    }

    fn measure(&mut self, now: i64, shared: &Shared, crossed: &mut Vec<(usize, Crossing)>) {
        let mut fx = Effects::default();
        let mut sensors = Vec::new();
        for plan in &self.troubles.faults {
            add_fault(plan, now - shared.start_ms, &mut fx, &mut sensors);
        }
        let around = benign::now(&self.troubles.benign, now - shared.start_ms, &mut fx);
        sensors.extend(around.sensors.iter().copied());
        if around.other_duty != self.other_duty {
            self.other_duty = around.other_duty;
            self.crew.assign(if self.other_duty { benign::other(self.duty) } else { self.duty });
        }
        let air = self.move_on(now, shared, &fx, &around);
        let truth = self.machine.readings(air, &fx);
        let dt_s = f64::from(shared.sending.snapshot_s);
        let readings = self.instruments.read(&truth, dt_s, &sensors, &mut self.noise);
        let since_s = (now - self.demand_since_ms) / 1000;
        for watch in &mut self.troubles.watches {
            let crossing = watch.look(now, &readings, self.demand, since_s);
            crossed.extend(crossing.map(|c| (watch.entry, c)));
        }
        let ahead: i64 = self.troubles.clocks.iter().filter(|(w, _)| within(*w, now)).map(|c| c.1).sum();
        let software = (now >= self.next_software_ms).then_some(self.software);
        if software.is_some() {
            self.next_software_ms = now + DAY_MS;
        }
        if around.silent {
            // A controller that restarts measures nothing and forgets its counters.
            self.machine.hours = 0.0;
        }
        if self.kept.len() >= usize::try_from(shared.sending.keep).unwrap_or(usize::MAX) {
            self.kept.pop_front();
        }
        if !around.silent {
            let recasts = around.recasts;
            self.kept.push_back(Snapshot { at_ms: now + ahead, readings, software, recasts });
        }
        self.next_snapshot_ms = now + i64::from(shared.sending.snapshot_s) * 1000;
        let out = self.troubles.outages.iter().any(|w| within(*w, now));
        self.covered = !out && self.line.covered(self.machine.position_km);
        if self.covered && self.next_send_ms.is_none() && self.kept.len() >= needed(shared, now) {
            self.next_send_ms = Some(now + self.delay());
        }
    }

    /// Moves the machine up to `now`, demand by demand, and returns the air it ends in.
    fn move_on(&mut self, now: i64, shared: &Shared, fx: &Effects, around: &Now) -> crate::weather::Air {
        let km = self.machine.position_km;
        let above = self.line.above_m(km) + around.higher_m;
        let air = shared.weather.get(self.place).map(|w| w.at(ms_to_s(now), above));
        let air = air.unwrap_or(crate::weather::Air { temp_c: 15.0, pressure_hpa: 1013.0 });
        let air = crate::weather::Air { temp_c: air.temp_c + around.warmer_k, ..air };
        let surroundings = Surroundings { air, grade: self.line.grade(km), coupled: around.coupled };
        while self.last_ms < now {
            let (asked, until) = self.crew.demand(self.last_ms);
            let demand = match asked {
                _ if around.stopped => Demand::Stopped,
                Demand::Notch(_) | Demand::Brake if around.idles => Demand::Notch(0),
                asked => asked,
            };
            if demand != self.demand {
                self.demand = demand;
                self.demand_since_ms = self.last_ms;
            }
            let to = until.clamp(self.last_ms + 1, now);
            self.machine.advance(ms_to_s(to - self.last_ms), demand, surroundings, fx, &mut self.physics);
            self.last_ms = to;
        }
        air
    }

    fn send(&mut self, now: i64, shared: &Shared) -> Option<Message> {
        let most = usize::try_from(shared.sending.batch).unwrap_or(1).min(self.kept.len());
        let base = self.troubles.misnamed.iter().find(|(w, _)| within(*w, now)).map_or(&self.name, |m| &m.1);
        let payload = shared.encoder.pack(base, self.kept.iter().take(most));
        self.kept.drain(..most);
        let more = self.covered && self.kept.len() >= needed(shared, now);
        self.next_send_ms = more.then_some(now + BACKLOG_STEP_MS);
        if most == 0 {
            return None;
        }
        let message =
            Message { at_unix_ms: now, topic: Arc::clone(&self.topic), payload, content_type: CONTENT_TYPE };
        if self.repeat.is_none() && self.radio.uniform() < shared.sending.duplicates {
            self.repeat = Some(Message { at_unix_ms: now + REPEAT_MS, ..message.clone() });
        }
        Some(message)
    }

    #[expect(clippy::cast_possible_truncation, reason = "a delay is at most seconds")]
    fn delay(&mut self) -> i64 {
        self.radio.between(DELAY_MS.0, DELAY_MS.1) as i64
    }
}

/// Snapshots a unit waits for before it sends.
fn needed(shared: &Shared, now: i64) -> usize {
    if now < shared.batch_until_ms { usize::try_from(shared.sending.batch).unwrap_or(1) } else { 1 }
}

fn within((from, to): Window, at: i64) -> bool {
    (from..to).contains(&at)
}

#[expect(clippy::cast_precision_loss, reason = "ms since 1970 are below 2^53")]
fn ms_to_s(ms: i64) -> f64 {
    ms as f64 / 1000.0
}

/// Adds one planned fault as it stands `since_start` ms after the scenario's start.
fn add_fault(plan: &FaultPlan, since_start: i64, fx: &mut Effects, sensors: &mut Vec<(usize, SensorFault)>) {
    let since_s = ms_to_s(since_start - hours_ms(plan.onset_h));
    let repaired = plan.until_h.is_some_and(|h| since_start >= hours_ms(h));
    let share = plan.course.share(since_s, plan.over_h * 3600.0) * plan.severity;
    if repaired || share <= 0.0 {
        return;
    }
    let which = usize::try_from(plan.which.unwrap_or(1).saturating_sub(1)).unwrap_or(0);
    let named = plan.channel.as_deref().and_then(ch::position);
    let fault = match plan.kind {
        FaultKind::ThermocoupleDrift => (
            Some(ch::CYL_EXHAUST + which),
            SensorFault::Offset(share * plan.size.unwrap_or(THERMOCOUPLE_DRIFT_K)),
        ),
        FaultKind::ThermocoupleOpen => {
            (Some(ch::CYL_EXHAUST + which), SensorFault::Reads(OPEN_THERMOCOUPLE_C))
        }
        FaultKind::PressureSensorDrift => {
            (named, SensorFault::Offset(share * plan.size.unwrap_or(PRESSURE_DRIFT_PA)))
        }
        FaultKind::SensorStuck => (named, SensorFault::Stuck),
        FaultKind::PickupIntermittent => (named, SensorFault::Gain(PICKUP_GAIN)),
        kind => return fx.add(kind, share, which),
    };
    if let (Some(channel), fault) = fault {
        sensors.push((channel, fault));
    }
}
