//! The shuffle harness: a recorded history replayed in disorder gives what a clean run in order gives.
//!
//! Owns the comparison on both stores. The same code runs longer as an example:
//! `cargo run --release -p notchwatch-tests --example shuffle -- --help`.

mod follower;
mod history;
mod outcome;
mod plan;
mod replay;
mod texts;

pub(crate) use history::History;
pub(crate) use plan::{Faults, Plan};
pub(crate) use replay::replay;

use crate::support::database::Engine;
use outcome::Outcome;

/// What is replayed, and how often.
#[derive(Clone, Debug)]
pub(crate) struct Options {
    /// Decides everything.
    pub(crate) seed: u64,
    /// End of the history, in milliseconds since 1970.
    pub(crate) at_ms: i64,
    /// Length of the history.
    pub(crate) days: u32,
    /// How many units send; all but the last have a fault.
    pub(crate) units: u32,
    /// What befalls each replay.
    pub(crate) faults: Faults,
}

impl Options {
    /// The command that repeats a replay.
    pub(crate) fn command(&self, engine: Engine) -> String {
        let Self { seed, at_ms, days, units, faults } = self;
        let store = format!("{engine:?}").to_lowercase();
        format!(
            "cargo run -p notchwatch-tests --example shuffle -- --seed {seed} --at {at_ms} --days {days} \
             --units {units} --store {store} --kills {} --stops {} --brokers {} --databases {} --disks {} \
             --within-ms {}",
            faults.kills, faults.stops, faults.brokers, faults.databases, faults.disks, faults.within_ms
        )
    }
}

/// A clean run, and what every replay of the same set must come to.
#[derive(Debug)]
pub(crate) struct Reference {
    pub(crate) history: History,
    pub(crate) clean: Outcome,
}

impl Reference {
    /// Makes the set and runs it in order on SQLite.
    pub(crate) fn new(options: &Options) -> Self {
        let history = History::new(options.seed, options.at_ms, options.days, options.units);
        let clean = replay(&history, &Plan::in_order(&history), Engine::Sqlite, options.seed, false);
        assert!(!clean.findings.is_empty(), "a set without findings shows nothing");
        let nothing = |newest: &serde_json::Value| newest.as_array().is_none_or(Vec::is_empty);
        assert!(!clean.newest.is_empty() && !clean.newest.values().any(nothing), "{:?}", clean.newest);
        let sent = texts::settled(history.before.iter().chain(&history.after));
        assert_eq!(clean.texts, sent, "every text is stored");
        for (unit, texts) in &sent {
            let software = texts::software(texts).map(|(version, since_ms)| {
                let since = jiff::Timestamp::from_millisecond(since_ms).expect("a time of our days");
                serde_json::json!({ "version": version, "since": since.to_string() })
            });
            assert_eq!(clean.judged[unit][2], serde_json::json!(software), "software of {unit}");
        }
        Self { history, clean }
    }

    /// Replays in disorder on a store; fails with what differs and the command that repeats it.
    pub(crate) fn check(&self, options: &Options, engine: Engine) {
        println!("shuffle: {}", options.command(engine));
        let plan = Plan::shuffled(&self.history, options.seed, options.faults);
        let began = crate::support::now_ms();
        let outcome = replay(&self.history, &plan, engine, options.seed, true);
        let mut differences = outcome.differences(&self.clean);
        differences.extend(outcome.unheard(&self.history, began, crate::support::now_ms()));
        for (unit, sent) in History::repeats(&plan.sends) {
            let of = |outcome: &Outcome| outcome.repeats.get(&unit).copied().unwrap_or(0);
            let (counted, sent) = (of(&outcome), sent + of(&self.clean));
            if counted < sent {
                differences.push(format!("repeats of {unit}: {counted} counted, {sent} sent"));
            }
        }
        let command = options.command(engine);
        assert!(differences.is_empty(), "{differences:#?}\nrepeat with: {command}");
    }
}

/// A bounded set for every run of the tests.
#[test]
fn a_replay_in_disorder_gives_what_a_clean_run_gives() {
    let now = crate::support::now_ms();
    let seed = now.unsigned_abs() % 1_000_000;
    let faults = Faults { kills: 3, stops: 1, brokers: 1, databases: 1, disks: 1, within_ms: 700 };
    let options = Options { seed, at_ms: now, days: 3, units: 3, faults };
    let reference = Reference::new(&options);
    for engine in [Engine::Sqlite, Engine::Postgres] {
        reference.check(&options, engine);
    }
}
