//! In what order a replay gets the set, and what befalls it on the way. Pure: from a seed, the same plan each time.
//!
//! Owns the kinds of disorder: shuffling within a window, stragglers, a message a day late, a unit's whole backlog at
//! the end, repeats, and faults of the parts. Keeps every message within the horizon of judgement of its own unit.

use std::collections::BTreeSet;

use super::history::{HOUR_MS, History, Sent};
use crate::support::publisher::Publish;
use crate::support::random::Random;

/// What is shuffled at random lies at most this far from its place.
const WINDOW_MS: i64 = 3 * HOUR_MS;
/// A straggler comes up to so much later.
const STRAGGLER_MS: i64 = 20 * HOUR_MS;
const DAY_MS: i64 = 24 * HOUR_MS;

/// What befalls the parts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Fault {
    /// `kill -9` of the program, started again at once.
    Kill,
    /// A stop on a signal, started again.
    Stop,
    /// `kill -9` of the broker, which comes back with what it had saved.
    Broker,
    /// The database is away for a moment.
    Database,
    /// The database goes away, the program is killed meanwhile, both come back.
    DatabaseAndKill,
    /// The disk below the store is full for a moment.
    Disk,
}

/// One step of a replay.
#[derive(Clone, Debug)]
pub(crate) enum Step {
    /// Publish, flagged as a repeat or not.
    Send(Publish, bool),
    /// A fault, so many milliseconds after the last message before it.
    Fault(Fault, u64),
}

/// How many faults of each kind.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Faults {
    pub(crate) kills: u64,
    pub(crate) stops: u64,
    pub(crate) brokers: u64,
    pub(crate) databases: u64,
    pub(crate) disks: u64,
    /// Longest wait before a fault, in milliseconds.
    pub(crate) within_ms: u64,
}

/// A replay in two parts, with the decisions between them.
#[derive(Debug)]
pub(crate) struct Plan {
    pub(crate) before: Vec<Step>,
    pub(crate) after: Vec<Step>,
    /// Messages that hold samples, repeats included.
    pub(crate) sends: Vec<Publish>,
}

impl Plan {
    /// In order, once each, undisturbed.
    pub(crate) fn in_order(history: &History) -> Self {
        let send = |sent: &Sent| Step::Send(sent.publish.clone(), false);
        let mut before: Vec<Step> = history.before.iter().map(send).collect();
        before.extend(history.implausible.iter().map(send));
        let sends = history.before.iter().chain(&history.after).map(|m| m.publish.clone()).collect();
        Self { before, after: history.after.iter().map(send).collect(), sends }
    }

    /// Everything that the seed says. Three in four faults fall before the decisions.
    pub(crate) fn shuffled(history: &History, seed: u64, faults: Faults) -> Self {
        let mut random = Random::new(seed);
        let backlog = random.pick(&history.units).clone();
        let (first, last) = history.span_ms;
        let cut_off = first + (last - first) / 2;
        let mut before = Vec::new();
        let day_late = random.index(history.before.len());
        for (place, sent) in history.before.iter().enumerate() {
            let mut key = sent.at_ms + random.millis(WINDOW_MS);
            if sent.publish.topic == backlog && sent.at_ms > cut_off {
                key += last;
            } else if place == day_late {
                key = sent.at_ms + DAY_MS;
            } else if random.per_mille(20) {
                key += random.millis(STRAGGLER_MS);
            }
            before.push((key, sent.publish.clone(), false));
            if random.per_mille(50) {
                before.push((key + random.millis(2 * DAY_MS), sent.publish.clone(), random.per_mille(500)));
            }
        }
        let mut after = Vec::new();
        for sent in &history.after {
            let copies = 1 + random.below(2);
            after.extend((0..copies).map(|n| (random.millis(HOUR_MS), sent.publish.clone(), n > 0)));
        }
        // What was judged long ago comes once more, after the decisions.
        for _ in 0..20 {
            after.push((random.millis(HOUR_MS), random.pick(&history.before).publish.clone(), true));
        }
        let sends = before.iter().chain(&after).map(|(_, publish, _)| publish.clone()).collect();
        for sent in &history.implausible {
            before.push((first + random.millis(last - first), sent.publish.clone(), false));
        }
        let befalls = faults.list(&mut random);
        let share = befalls.len() - befalls.len() / 4;
        let (early, late) = befalls.split_at(share);
        let before = steps(before, early, faults.within_ms, &mut random);
        let after = steps(after, late, faults.within_ms, &mut random);
        Self { before, after, sends }
    }
}

impl Faults {
    fn list(self, random: &mut Random) -> Vec<Fault> {
        let mut list = Vec::new();
        let counts = [
            (Fault::Kill, self.kills),
            (Fault::Stop, self.stops),
            (Fault::Broker, self.brokers),
            (Fault::Disk, self.disks),
        ];
        for (fault, count) in counts {
            list.extend((0..count).map(|_| fault));
        }
        let databases = [Fault::Database, Fault::DatabaseAndKill];
        list.extend(databases.iter().cycle().zip(0..self.databases).map(|(fault, _)| *fault));
        for i in (1..list.len()).rev() {
            list.swap(i, random.index(i + 1));
        }
        list
    }
}

fn steps(
    mut sends: Vec<(i64, Publish, bool)>,
    faults: &[Fault],
    within_ms: u64,
    random: &mut Random,
) -> Vec<Step> {
    sends.sort_by_key(|(key, _, _)| *key);
    let mut steps: Vec<Step> = sends.into_iter().map(|(_, publish, dup)| Step::Send(publish, dup)).collect();
    // The sender is faster than anything behind it: faults stand early, so that work is under way at most of them.
    let mut places: Vec<usize> = faults.iter().map(|_| random.index(steps.len())).collect();
    places.sort_unstable_by(|a, b| b.cmp(a));
    for (place, fault) in places.into_iter().zip(faults) {
        steps.insert(place, Step::Fault(*fault, random.below(within_ms)));
    }
    steps
}

#[test]
fn a_plan_holds_the_whole_set_and_its_faults_and_is_the_same_again() {
    let history = History::new(3, 1_790_000_000_000, 1, 3);
    let faults = Faults { kills: 4, stops: 2, brokers: 1, databases: 2, disks: 1, within_ms: 100 };
    let (one, two) = (Plan::shuffled(&history, 9, faults), Plan::shuffled(&history, 9, faults));
    assert_eq!(format!("{:?}", one.before), format!("{:?}", two.before));
    let key = |publish: &Publish| (publish.topic.clone(), publish.payload.clone());
    let set = |plan: &Plan| plan.sends.iter().map(key).collect::<BTreeSet<_>>();
    let ordered = Plan::in_order(&history);
    assert_eq!(set(&one), set(&ordered), "nothing is missing, nothing is added");
    assert!(one.sends.len() > ordered.sends.len(), "repeats");
    assert_ne!(Plan::shuffled(&history, 10, faults).sends, one.sends);
    let count = |steps: &[Step]| steps.iter().filter(|step| matches!(step, Step::Fault(..))).count();
    assert_eq!((count(&one.before), count(&one.after)), (8, 2));
}
