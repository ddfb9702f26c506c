//! Rules of comms: a small made-up fleet that talks, falls silent and comes back, minute by minute.

use std::collections::{BTreeMap, HashMap};

use notchwatch_model::{
    ClockTick, CommsState, DecisionId, FindingKind, MachinePart, Outcome, Priority, Reason, RefusedOfUnit,
    Scope, Seq, ServiceStatus, Span, Time, Unit, UnitKey,
};

use super::{CommsFleet, CommsPolicy, Receipt};

const DAY: i64 = 1440;

fn begin() -> Time {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn minute(n: i64) -> Time {
    begin() + Span::from_mins(n)
}

fn key(n: usize) -> UnitKey {
    UnitKey { railway: "r".parse().unwrap(), unit: format!("u{n:04}").parse().unwrap() }
}

/// A fleet of two regions: units below `east` are of the east, the others of the west. Each sends every `every`
/// minutes, at a phase of its own.
struct World {
    units: HashMap<UnitKey, Unit>,
    fleet: CommsFleet,
    policy: CommsPolicy,
    count: usize,
    every: i64,
    now: i64,
    ticks: i64,
    told: Vec<MachinePart>,
    states: BTreeMap<UnitKey, CommsState>,
    /// Whether the state is written down and read back at every tick.
    restarts: bool,
}

impl World {
    fn new(count: usize, east: usize, every: i64) -> Self {
        let unit = |n: usize| Unit {
            railway: "r".parse().unwrap(),
            id: key(n).unit,
            class: "c".parse().unwrap(),
            region: if n < east { "east".into() } else { "west".into() },
            zone: None,
            status: ServiceStatus::InService,
            engines: vec![],
            fitted: vec![],
        };
        Self {
            units: (0..count).map(|n| (key(n), unit(n))).collect(),
            fleet: CommsFleet::default(),
            policy: CommsPolicy::default(),
            count,
            every,
            now: 0,
            ticks: 0,
            told: vec![],
            states: BTreeMap::new(),
            restarts: false,
        }
    }

    fn hear(&mut self, unit: usize, age: Span, retained: bool) {
        let received = minute(self.now);
        let receipt = Receipt { received, newest: received - age, retained, uoms: vec![] };
        self.fleet.hear(&self.policy, &self.units[&key(unit)], &receipt);
    }

    fn tick(&mut self, trouble: &[&str], refused: Vec<RefusedOfUnit>) {
        self.ticks += 1;
        let tick = ClockTick {
            id: self.ticks,
            at: minute(self.now) + Span::from_secs(30),
            seq: Seq(0),
            decided: DecisionId(0),
            trouble: trouble.iter().map(ToString::to_string).collect(),
            refused,
        };
        if self.restarts {
            let bytes = postcard::to_allocvec(&self.fleet).unwrap();
            self.fleet = postcard::from_bytes(&bytes).unwrap();
        }
        let result = self.fleet.tick(&self.policy, &self.units, &tick);
        self.told.extend(result.findings);
        self.states.extend(result.states.into_iter().map(|s| (s.unit, s.state)));
    }

    /// Passes minutes; units of which `talks` says so send when it is their turn.
    fn pass(&mut self, minutes: i64, talks: impl Fn(usize, i64) -> bool) {
        self.pass_with(minutes, &[], talks);
    }

    fn pass_with(&mut self, minutes: i64, trouble: &[&str], talks: impl Fn(usize, i64) -> bool) {
        for _ in 0..minutes {
            for n in 0..self.count {
                let phase = i64::try_from(n).unwrap() * 7;
                if (self.now + phase) % self.every == 0 && talks(n, self.now) {
                    self.hear(n, Span::from_secs(20), false);
                }
            }
            self.tick(trouble, vec![]);
            self.now += 1;
        }
    }

    /// Every finding as told last.
    fn findings(&self) -> Vec<MachinePart> {
        let last: BTreeMap<_, _> = self.told.iter().map(|part| (part.id.clone(), part.clone())).collect();
        last.into_values().collect()
    }

    fn one(&self) -> MachinePart {
        let all = self.findings();
        assert_eq!(all.len(), 1, "{all:#?}");
        all[0].clone()
    }

    fn state(&self, unit: usize) -> CommsState {
        self.states[&key(unit)]
    }
}

#[test]
fn a_fleet_that_talks_gives_nothing() {
    let mut world = World::new(20, 10, 12);
    world.pass(2 * DAY, |_, _| true);
    assert_eq!(world.findings(), []);
    assert!(world.states.values().all(|state| *state == CommsState::Reporting));
}

#[test]
fn a_silent_unit_is_one_finding_that_ends_with_its_return() {
    let mut world = World::new(20, 10, 12);
    world.pass(DAY, |_, _| true);
    world.pass(300, |n, _| n != 3);
    let open = world.one();
    assert_eq!((open.kind, open.priority, &open.scope), (FindingKind::Comms, Priority::Low, &Scope::Unit));
    assert_eq!(open.unit, key(3));
    assert!(open.active && open.ended.is_none() && open.title.contains("usually heard every"), "{open:#?}");
    assert!(open.onset <= minute(DAY) && minute(DAY) - open.onset <= Span::from_mins(12));
    assert!(open.opened - open.onset <= Span::from_hours(2), "{open:#?}");
    assert_eq!(world.state(3), CommsState::Silent);

    world.pass(30, |_, _| true);
    let ended = world.one();
    assert_eq!(ended.ended.map(|e| e.1), Some(Outcome::ReturnedToNormal));
    assert!(!ended.active && ended.title.starts_with("Not heard for 5 h"), "{}", ended.title);
    assert_eq!(world.state(3), CommsState::Reporting);

    world.pass(300, |n, _| n != 3);
    let again = world.one();
    assert_eq!((again.occurrence, again.active, again.ended), (2, true, None), "the same finding again");
    world.pass(2 * DAY, |n, _| n != 3);
    assert_eq!(world.one().priority, Priority::Medium, "a day of silence asks for more");
}

#[test]
fn what_is_kept_or_late_is_no_return() {
    let mut world = World::new(6, 3, 12);
    world.pass(DAY, |_, _| true);
    world.pass(240, |n, _| n != 0);
    assert!(world.one().active);
    world.hear(0, Span::from_secs(5), true);
    world.pass(2, |n, _| n != 0);
    assert!(world.one().active && world.state(0) == CommsState::Silent, "a kept message says nothing");
    world.hear(0, Span::from_hours(3), false);
    world.pass(2, |n, _| n != 0);
    assert!(world.one().active, "a backlog does not end the silence");
    assert_eq!(world.state(0), CommsState::Late);
    world.pass(15, |_, _| true);
    assert!(!world.one().active && world.state(0) == CommsState::Reporting);
}

#[test]
fn nights_in_the_shed_become_habit() {
    let mut world = World::new(6, 3, 12);
    let asleep = |now: i64| (now % DAY) < 480;
    world.pass(5 * DAY, |n, now| n != 0 || !asleep(now));
    let known = world.told.len();
    world.pass(7 * DAY, |n, now| n != 0 || !asleep(now));
    assert_eq!(world.told.len(), known, "a learned night is no silence: {:#?}", &world.told[known..]);
    world.pass(DAY, |n, _| n != 0);
    assert!(world.findings().iter().any(|part| part.active), "a day is");
}

#[test]
fn who_is_not_in_service_is_not_silent() {
    for status in [ServiceStatus::InShop, ServiceStatus::Stored, ServiceStatus::HauledDead] {
        let mut world = World::new(6, 3, 12);
        world.pass(DAY, |_, _| true);
        world.units.get_mut(&key(0)).unwrap().status = status;
        world.pass(DAY, |n, _| n != 0);
        assert_eq!(world.findings(), [], "{status:?}");
        assert_eq!(world.state(0), CommsState::NotExpected);
    }
    let mut world = World::new(6, 3, 12);
    world.pass(DAY, |n, _| n != 0);
    assert_eq!((world.findings(), world.state(0)), (vec![], CommsState::NeverHeard));
}

#[test]
fn a_region_is_one_finding_with_its_members() {
    let mut world = World::new(90, 60, 12);
    world.pass(DAY, |_, _| true);
    world.pass(180, |n, _| n >= 60);
    let open = world.one();
    assert_eq!(open.scope, Scope::Region("east".into()));
    assert_eq!(open.members.len(), 60, "{}", open.title);
    assert!(open.title.contains("of region east"), "{}", open.title);
    assert!(open.members.iter().all(|unit| *unit < key(60)));
    let told = world.told.len();
    // All but three come back.
    world.pass(15, |n, _| n > 2);
    let ended = world.findings().into_iter().find(|part| part.id == open.id).unwrap();
    assert!(!ended.active && ended.ended.is_some(), "{ended:#?}");
    assert!(world.told.len() - told <= 15, "no more than one change a tick");
    world.pass(120, |n, _| n > 2);
    let alone: Vec<_> = world.findings().into_iter().filter(|part| part.active).collect();
    assert_eq!(alone.len(), 3, "who stays silent gets a finding of its own");
    assert!(alone.iter().all(|part| part.scope == Scope::Unit));
}

#[test]
fn few_silent_units_of_a_region_are_single_matters() {
    let mut world = World::new(100, 50, 12);
    world.pass(DAY, |_, _| true);
    world.pass(240, |n, _| n > 2);
    assert_eq!(world.findings().len(), 3);
    assert!(world.findings().iter().all(|part| part.scope == Scope::Unit));
}

#[test]
fn our_own_outage_is_blamed_on_nobody() {
    for outage in ["broker-unreachable", "database-unreachable"] {
        let mut world = World::new(40, 20, 12);
        world.pass(DAY, |_, _| true);
        world.pass_with(600, &[outage], |_, _| false);
        assert!(
            world.states.values().all(|state| *state == CommsState::Reporting),
            "nobody is called silent"
        );
        world.pass(DAY, |_, _| true);
        let own = world.one();
        assert_eq!(
            (&own.scope, own.kind, own.priority),
            (&Scope::Service, FindingKind::Comms, Priority::High)
        );
        assert!(own.title.contains(outage) && own.title.contains("10 h"), "{}", own.title);
        assert!(own.ended.is_some());
    }
}

#[test]
fn a_process_that_did_not_run_blames_nobody() {
    let mut world = World::new(40, 20, 12);
    world.pass(DAY, |_, _| true);
    world.now += 600;
    world.pass(DAY, |_, _| true);
    let own = world.one();
    assert!(own.scope == Scope::Service && own.ended.is_some(), "{own:#?}");
}

#[test]
fn everybody_silent_at_once_is_our_own_side() {
    let mut world = World::new(60, 30, 12);
    world.pass(DAY, |_, _| true);
    world.pass(240, |_, _| false);
    let own = world.one();
    assert_eq!((&own.scope, own.members.len()), (&Scope::Service, 0), "{own:#?}");
    world.pass(60, |_, _| true);
    assert!(world.one().ended.is_some());
}

fn refused(unit: usize, reason: Reason, at: Time, detail: &str) -> RefusedOfUnit {
    let UnitKey { railway, unit } = key(unit);
    RefusedOfUnit { railway, unit, reason, messages: 1, received: at, detail: detail.into() }
}

#[test]
fn a_wrong_clock_is_said_with_its_offset_and_ends() {
    let mut world = World::new(6, 3, 12);
    world.pass(DAY, |_, _| true);
    for _ in 0..5 {
        let at = minute(world.now);
        let detail = format!("event time {} lies after receipt at {at}", at + Span::from_hours(7));
        world.tick(&[], vec![refused(0, Reason::ClockAhead, at, &detail)]);
        world.now += 1;
    }
    let open = world.one();
    assert_eq!((open.kind, open.active), (FindingKind::Data, true));
    assert!(open.title.contains("7 h 0 min ahead"), "{}", open.title);
    assert_eq!(world.state(0), CommsState::ClockWrong);
    world.pass(90, |_, _| true);
    assert!(world.one().ended.is_some() && world.state(0) == CommsState::Reporting);
}

#[test]
fn one_refused_time_among_good_ones_is_no_wrong_clock() {
    let mut world = World::new(6, 3, 12);
    world.pass(DAY, |_, _| true);
    world.tick(&[], vec![refused(0, Reason::ClockBehind, minute(world.now - 30), "event time x")]);
    world.now += 1;
    world.pass(20, |_, _| true);
    assert_eq!(world.findings(), []);
}

#[test]
fn a_contradictory_identity_is_a_data_finding() {
    let mut world = World::new(6, 3, 12);
    world.pass(60, |_, _| true);
    world.tick(&[], vec![refused(1, Reason::WrongUnit, minute(world.now), "the record names \"9\"")]);
    let open = world.one();
    assert_eq!((open.kind, open.unit.clone()), (FindingKind::Data, key(1)));
    assert!(open.title.contains("names \"9\""), "{}", open.title);
}

#[test]
fn another_unit_of_measure_is_a_data_event_once() {
    let mut world = World::new(6, 3, 12);
    world.pass(60, |_, _| true);
    let receipt = |n: i64| Receipt {
        received: minute(n),
        newest: minute(n),
        retained: false,
        uoms: vec![("oil_temp".into(), "degF".into())],
    };
    for _ in 0..50 {
        world.fleet.hear(&world.policy, &world.units[&key(0)], &receipt(world.now));
        world.pass(60, |_, _| true);
    }
    let event = world.one();
    assert_eq!((event.kind, event.occurrence), (FindingKind::Data, 1));
    assert!(event.title.contains("oil_temp comes in degF") && event.ended.is_some(), "{event:#?}");
}

#[test]
fn what_a_person_closed_is_not_told_again() {
    let mut world = World::new(6, 3, 12);
    world.pass(DAY, |_, _| true);
    world.pass(240, |n, _| n != 0);
    let open = world.one();
    world.fleet.close(&open.unit, &open.id);
    let told = world.told.len();
    world.pass(120, |n, _| n != 0);
    world.pass(60, |_, _| true);
    assert_eq!(world.told.len(), told);
    world.pass(240, |n, _| n != 0);
    assert_eq!(world.findings().len(), 2, "the next silence is a new finding");
}

#[test]
fn writing_the_state_down_and_reading_it_back_changes_nothing() {
    let run = |restarts: bool| {
        let mut world = World::new(60, 30, 12);
        world.restarts = restarts;
        world.pass(DAY, |_, _| true);
        world.pass(200, |n, _| n >= 30 && n != 40);
        world.pass_with(200, &["broker-unreachable"], |_, _| false);
        world.pass(300, |n, _| n > 3);
        (world.told, world.states)
    };
    assert_eq!(run(false), run(true));
}
