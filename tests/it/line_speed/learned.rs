//! A fleet whose models have learned for four weeks when the load begins, so that memory is seen when models are full.
//!
//! Some units are played and folded in this process; every unit of the fleet is one of them under a name of its own, with
//! a snapshot of its model in the store and its snapshots for a load.

use std::collections::VecDeque;
use std::fmt::Write as _;

use notchwatch_model::{Seq, Time, UnitId, UnitKey};
use notchwatch_store::{EvaluationCommit, Options, Snapshot, Store, UnitProgress};

use crate::load::{self, Snapshots};
use crate::publisher::Message;
use crate::states::States;
use crate::support::database::Database;
use crate::{Failure, paced};

/// Units that are played.
const PLAYED: u32 = 20;
/// Minutes that their models learned: four weeks.
pub(crate) const MINUTES: usize = 28 * 1440;
/// Snapshots written at one time.
const A_COMMIT: usize = 200;

/// The load of the fleet, and the models that it begins with.
pub(crate) struct Learned {
    fleet: Snapshots,
    states: States,
    copies: usize,
    ready: VecDeque<Message>,
}

/// A fleet of `units`, a multiple of those played, that has at least so many snapshots to send.
pub(crate) fn fleet(units: u32, number: usize) -> Result<Learned, Failure> {
    let copies = (units / PLAYED).max(1) as usize;
    let mut fleet = load::fleet(PLAYED, number / copies + MINUTES * PLAYED as usize)?;
    let mut states = States::new(&fleet)?;
    states.feed(&mut fleet, MINUTES * PLAYED as usize)?;
    Ok(Learned { fleet, states, copies, ready: VecDeque::new() })
}

impl Learned {
    /// The units as a register file.
    pub(crate) fn register_toml(&self) -> String {
        let mut text = self.states.railways_toml();
        for unit in self.states.units().flat_map(|played| (0..self.copies).map(move |n| copy(played, n))) {
            let line = writeln!(
                text,
                "[[units]]\nrailway = \"{}\"\nid = \"{}\"\nclass = \"{}\"",
                unit.0,
                unit.1,
                paced::CLASS
            );
            line.unwrap_or_default();
        }
        text
    }

    /// Writes the models into a store in which the units are registered and which nobody else uses, and that the units have
    /// been judged: the next start loads them.
    pub(crate) fn put(&self, database: &Database) -> Result<(), Failure> {
        let runtime = tokio::runtime::Runtime::new()?;
        runtime.block_on(async {
            let store = Store::open(&Options { url: database.url(), readers: 1 }).await?;
            let mut commit = EvaluationCommit::default();
            for (played, fold) in self.states.saved()? {
                let Some((at, form, state)) = fold else { continue };
                for n in 0..self.copies {
                    let unit =
                        UnitKey { railway: played.railway.clone(), unit: UnitId::new(&copy(&played, n).1)? };
                    commit.progress.push(judged(&unit, at));
                    commit.snapshots.push(Snapshot { unit, at, seq: Seq(0), form, state: state.clone() });
                    if commit.snapshots.len() == A_COMMIT {
                        store.commit_evaluation(std::mem::take(&mut commit), at).await?;
                    }
                }
            }
            let at = Time::from_millis(crate::support::now_ms())?;
            store.commit_evaluation(commit, at).await?;
            store.close().await;
            Ok(())
        })
    }
}

impl Iterator for Learned {
    type Item = Message;

    fn next(&mut self) -> Option<Message> {
        if self.ready.is_empty() {
            let Message { topic, payload } = self.fleet.next()?;
            let played = self.states.units().find(|unit| topic.contains(&format!("/{unit}/")))?.clone();
            let text = String::from_utf8(payload).ok()?;
            for n in 0..self.copies {
                let (railway, unit) = copy(&played, n);
                let payload =
                    text.replace(&format!("\"{}/", played.unit), &format!("\"{unit}/")).into_bytes();
                self.ready.push_back(Message { topic: format!("units/{railway}/{unit}/senml"), payload });
            }
        }
        self.ready.pop_front()
    }
}

fn judged(unit: &UnitKey, at: Time) -> UnitProgress {
    let (judged, received) = (Some(at), Some(at));
    UnitProgress { unit: unit.clone(), judged, received, samples: 0, repeats: 0, conflicts: 0, models: None }
}

/// Railway and number of a unit that is like one that is played.
fn copy(played: &UnitKey, n: usize) -> (String, String) {
    (played.railway.to_string(), format!("{}-{n}", played.unit))
}
