//! Folding: lines that have rows waiting, and lines that late data or decisions made dirty.
//!
//! Owns the spread over cores and what a round collects from a line. Commits nothing.

use notchwatch_model::{MachinePart, Outcome, Seq, Time, UnitKey};
use notchwatch_store::{FindingUpsert, Snapshot};
use std::sync::atomic::Ordering;
use std::time::Instant;

use super::take::quiet;
use super::{Evaluator, Round};
use crate::EvaluateError;
use crate::line::{Folded, Line, Mark};
use crate::restore::{Beside, TICK, refold};

impl Evaluator {
    /// Folds soiled lines anew from the last snapshot before the dirt.
    pub(super) async fn refold_dirty(&mut self, up_to: Seq, round: &mut Round) -> Result<(), EvaluateError> {
        for key in std::mem::take(&mut self.dirty) {
            let Some(from) = self.lines.get(&key).and_then(Line::dirty) else { continue };
            let Some(old) = self.lines.remove(&key) else { continue };
            let Some(through) = old.folded_to() else { continue };
            self.counters.refolds.fetch_add(1, Ordering::Relaxed);
            let beside = Beside { decisions: old.decisions().to_vec(), timelined: self.timelined_of(&key) };
            let context = old.context.clone();
            let old_background = old.fold().background().clone();
            let pending = round.commit.unjudged.iter().filter(|(unit, _)| *unit == key);
            let pending: Vec<_> = pending.flat_map(|(_, late)| late).copied().collect();
            let begin = Some(from - TICK);
            let (mut line, mut folded, base) =
                refold(&self.store, context, beside, begin, through, Some(up_to), &pending).await?;
            line.settle(through, &mut folded);
            line.inherit(old);
            // What was the same before is no news for others.
            folded.shares = (*line.fold().background() != old_background).then_some(from);
            self.withdraw_missing(&key, base, through, &folded, round).await?;
            round.commit.stale.push((key.clone(), from));
            self.collect(&key, &line, folded, up_to, round);
            self.lines.insert(key, line);
        }
        Ok(())
    }

    /// A finding shown before and not found again is closed with its reason, never erased.
    pub(super) async fn withdraw_missing(
        &self,
        key: &UnitKey,
        base: Option<Time>,
        at: Time,
        folded: &Folded,
        round: &mut Round,
    ) -> Result<(), EvaluateError> {
        let since = base.map_or(Time::EPOCH, |b| b + TICK);
        for finding in self.store.unit_findings(key, since).await? {
            let machine = finding.machine;
            let again = machine.opened < since || folded.findings.iter().any(|(f, _)| f.id == machine.id);
            if again || machine.ended.is_some() || machine.from_receipt() {
                continue;
            }
            let mut withdrawn = machine;
            withdrawn.active = false;
            withdrawn.lasting.clear();
            withdrawn.changed = at;
            withdrawn.ended = Some((at, Outcome::Withdrawn));
            round.findings.insert(withdrawn.id.to_string(), FindingUpsert { machine: withdrawn, late: true });
        }
        Ok(())
    }

    /// Folds what waits, on as many threads as there are cores.
    pub(super) async fn advance(&mut self, up_to: Seq, round: &mut Round) -> Result<(), EvaluateError> {
        let settled = |at: &Instant| at.elapsed() >= self.options.settle;
        let now = (self.clock)();
        let mut work = Vec::new();
        for (key, at) in &self.touched {
            let Some(line) = self.lines.remove(key) else { continue };
            let how = How {
                settled: settled(at),
                quiet: quiet(&line, self.entering.get(key).copied().flatten(), now),
            };
            work.push((key.clone(), line, how));
        }
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let mut shares: Vec<Share> = (0..cores).map(|_| Vec::new()).collect();
        for (i, item) in work.into_iter().enumerate() {
            if let Some(share) = shares.get_mut(i % cores) {
                share.push(item);
            }
        }
        let mut workers = tokio::task::JoinSet::new();
        for share in shares.into_iter().filter(|s| !s.is_empty()) {
            workers.spawn_blocking(move || fold_share(share));
        }
        let mut done = Vec::new();
        while let Some(result) = workers.join_next().await {
            done.extend(result.map_err(|e| EvaluateError::Worker(e.to_string()))??);
        }
        // One order for the commit, whatever order the workers ended in.
        done.sort_by(|a, b| a.0.cmp(&b.0));
        for (key, line, folded) in done {
            let rests = !line.waits();
            if rests {
                self.touched.remove(&key);
            }
            if rests || !folded.findings.is_empty() || !folded.marks.is_empty() {
                round.touched.push(key.clone());
            }
            self.collect(&key, &line, folded, up_to, round);
            self.lines.insert(key, line);
        }
        Ok(())
    }

    /// Puts what a line gave into the round.
    pub(super) fn collect(&self, key: &UnitKey, line: &Line, folded: Folded, up_to: Seq, round: &mut Round) {
        round.shares = round.shares.max(folded.shares);
        for (machine, arrived) in folded.findings {
            let id = machine.id.to_string();
            // The row that opened it says whether it came late; later rows of the same round do not.
            let known = round.findings.get(&id).map(|upsert| upsert.late);
            let late = known.unwrap_or_else(|| self.late(line, &machine, arrived));
            round.findings.insert(id, FindingUpsert { machine, late });
        }
        for mark in thin(folded.marks) {
            round.commit.snapshots.push(snapshot(key, mark, up_to, line.context.form));
        }
    }

    /// Whether the evidence of a finding arrived later than stated.
    fn late(&self, line: &Line, machine: &MachinePart, arrived: Option<Time>) -> bool {
        arrived.or(line.received).is_some_and(|received| received - machine.opened > self.options.lateness)
    }
}

/// What a line may fold now.
#[derive(Clone, Copy)]
struct How {
    /// Its newest row has waited long enough.
    settled: bool,
    /// No row is about to come.
    quiet: bool,
}

type Share = Vec<(UnitKey, Line, How)>;
type Done = Vec<(UnitKey, Line, Folded)>;

fn fold_share(share: Share) -> Result<Done, EvaluateError> {
    let mut done = Vec::with_capacity(share.len());
    for (key, mut line, how) in share {
        let folded = line.advance(how.settled, how.quiet)?;
        done.push((key, line, folded));
    }
    Ok(done)
}

/// While catching up many boundaries are passed at once: the last of each UTC day and the newest are kept.
fn thin(marks: Vec<Mark>) -> Vec<Mark> {
    let newest = marks.len().saturating_sub(1);
    let days: Vec<i64> = marks.iter().map(|m| m.at.day()).collect();
    marks
        .into_iter()
        .enumerate()
        .filter(|(i, _)| *i == newest || days.get(*i) != days.get(i + 1))
        .map(|(_, mark)| mark)
        .collect()
}

pub(super) fn snapshot(unit: &UnitKey, mark: Mark, seq: Seq, form: u32) -> Snapshot {
    Snapshot { unit: unit.clone(), at: mark.at, seq, form, state: mark.state }
}
