//! The evaluator at work: tails the journal and the decision log, folds units, commits.
//!
//! Owns one loop with one commit a round: findings, snapshots, progress and the position reached go together, so a
//! stop at any instant repeats or loses nothing. Falls behind under load, says how far, and catches up.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use notchwatch_detect::Settings;
use notchwatch_findings::Library;
use notchwatch_model::{Decision, DecisionId, FindingKind, MachinePart, Outcome, RailwayFilter, Register, Seq, Span, Time, UnitKey};
use notchwatch_store::{EvaluationCommit, FindingUpsert, JournalMessage, Snapshot, Store, UnitProgress};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::EvaluateError;
use crate::line::{Folded, Line, Mark};
use crate::restore::{Shared, TICK, base, refold, rows};

/// How evaluation runs.
#[derive(Debug, Clone)]
pub struct EvaluateOptions {
    /// How long the newest row of a unit waits for more samples of its event time.
    pub settle: Duration,
    /// How often the journal is asked for more when it had nothing.
    pub poll: Duration,
    /// Messages read from the journal in one round, at most.
    pub round: usize,
    /// Data later than this, against what its unit has been judged to, is kept but judges nothing.
    pub horizon: Span,
    /// Evidence received later than this after it was measured makes its finding "late".
    pub lateness: Span,
}

impl Default for EvaluateOptions {
    fn default() -> Self {
        Self {
            settle: Duration::from_millis(400),
            poll: Duration::from_millis(100),
            round: 1000,
            horizon: Span::from_hours(48),
            lateness: Span::from_mins(30),
        }
    }
}

/// What evaluation has done since it started.
#[derive(Debug, Default)]
pub struct Counters {
    /// Messages folded.
    pub messages: AtomicU64,
    /// Samples folded.
    pub samples: AtomicU64,
    /// Samples that were repeats of stored ones.
    pub repeats: AtomicU64,
    /// Samples that contradicted a stored one.
    pub conflicts: AtomicU64,
    /// Samples beyond the horizon: kept, not judged.
    pub beyond_horizon: AtomicU64,
    /// Units folded anew because of late data or decisions.
    pub refolds: AtomicU64,
    /// Findings committed that were new or changed.
    pub findings: AtomicU64,
    /// Journal position judged.
    pub position: AtomicI64,
    /// Rounds that failed and were tried again.
    pub failures: AtomicU64,
}

/// How far evaluation is behind the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Lag {
    /// Messages in the journal that are not judged yet.
    pub messages: i64,
    /// Every unit's line is loaded.
    pub ready: bool,
}

/// The evaluator. Give it to one task with [`Evaluator::run`].
#[derive(Debug)]
pub struct Evaluator {
    store: Store,
    options: EvaluateOptions,
    library: Arc<Library>,
    settings: Arc<Settings>,
    register: watch::Receiver<Arc<Register>>,
    clock: fn() -> Time,
    shared: Shared,
    lines: HashMap<UnitKey, Line>,
    decisions: BTreeMap<UnitKey, Vec<Decision>>,
    decided: DecisionId,
    position: Seq,
    touched: HashMap<UnitKey, Instant>,
    counters: Arc<Counters>,
    lag: watch::Sender<Lag>,
}

/// What one round is going to commit.
#[derive(Default)]
struct Round {
    commit: EvaluationCommit,
    findings: BTreeMap<String, FindingUpsert>,
    touched: Vec<UnitKey>,
}

impl Evaluator {
    /// An evaluator over a store. `clock` is the receive side.
    pub fn new(
        store: Store,
        options: EvaluateOptions,
        library: Arc<Library>,
        settings: Arc<Settings>,
        register: watch::Receiver<Arc<Register>>,
        clock: fn() -> Time,
    ) -> Self {
        let shared = Shared::new(&register.borrow(), library.clone(), settings.clone());
        Self {
            store,
            options,
            library,
            settings,
            register,
            clock,
            shared,
            lines: HashMap::new(),
            decisions: BTreeMap::new(),
            decided: DecisionId(0),
            position: Seq(0),
            touched: HashMap::new(),
            counters: Arc::default(),
            lag: watch::Sender::new(Lag::default()),
        }
    }

    /// Counters, shared.
    pub fn counters(&self) -> Arc<Counters> {
        self.counters.clone()
    }

    /// How far behind, watched.
    pub fn lag(&self) -> watch::Receiver<Lag> {
        self.lag.subscribe()
    }

    /// Runs until `stop`, then commits a snapshot of every unit. A round that fails is tried again from the last
    /// commit: the lines are loaded anew, so nothing half done is kept.
    pub async fn run(mut self, stop: CancellationToken) {
        let mut loaded = false;
        let mut pause = self.options.poll;
        while !stop.is_cancelled() {
            let step = if loaded { self.round().await } else { self.load().await.map(|()| true) };
            match step {
                Ok(more) => {
                    loaded = true;
                    pause = if more { Duration::ZERO } else { self.options.poll };
                }
                Err(error) => {
                    tracing::warn!(%error, "evaluation round failed, trying again");
                    self.counters.failures.fetch_add(1, Ordering::Relaxed);
                    loaded = false;
                    pause = RETRY;
                }
            }
            tokio::select! {
                () = stop.cancelled() => {}
                () = tokio::time::sleep(pause) => {}
            }
        }
        if loaded && let Err(error) = self.finish().await {
            tracing::warn!(%error, "last snapshots not taken; the next start folds a little more");
        }
    }

    /// Brings every registered unit's line back to the position committed last.
    async fn load(&mut self) -> Result<(), EvaluateError> {
        self.lines.clear();
        self.decisions.clear();
        self.touched.clear();
        self.decided = DecisionId(0);
        self.position = self.store.evaluated().await?;
        self.read_decisions(None).await?;
        let keys: Vec<UnitKey> = self.shared.units().cloned().collect();
        for key in keys {
            self.load_unit(&key).await?;
        }
        for progress in self.store.progress(&RailwayFilter::All).await? {
            if let Some(line) = self.lines.get_mut(&progress.unit) {
                line.received = progress.received;
                line.repeats = progress.repeats;
                line.conflicts = progress.conflicts;
            }
        }
        self.publish_lag(true).await
    }

    async fn load_unit(&mut self, key: &UnitKey) -> Result<(), EvaluateError> {
        let Some(context) = self.shared.context(key) else { return Ok(()) };
        let base = base(&self.store, &context, None).await?;
        let mut waiting = rows(&self.store, &context, base.at, LATEST_MEASURED, Some(self.position)).await?;
        let decisions = self.decisions.get(key).cloned().unwrap_or_default();
        let mut line = Line::new(context, base.fold, base.at, decisions);
        if !waiting.is_empty() {
            for row in waiting.take_all() {
                line.wait_for(row);
            }
            self.touched.insert(key.clone(), Instant::now());
        }
        self.lines.insert(key.clone(), line);
        Ok(())
    }

    /// One round: read, fold, commit. Returns whether there is likely more to do at once.
    async fn round(&mut self) -> Result<bool, EvaluateError> {
        if self.register.has_changed().unwrap_or(false) {
            let register = self.register.borrow_and_update().clone();
            self.shared = Shared::new(&register, self.library.clone(), self.settings.clone());
            self.load().await?;
        }
        let messages = self.store.journal_after(self.position, self.options.round).await?;
        let full = messages.len() >= self.options.round;
        let mut round = Round::default();
        let up_to = messages.last().map_or(self.position, |m| m.seq);
        self.take_messages(messages, &mut round).await?;
        self.read_decisions(Some(&mut round)).await?;
        self.refold_dirty(up_to, &mut round).await?;
        self.advance(up_to, &mut round).await?;
        self.commit(up_to, round).await?;
        self.publish_lag(true).await?;
        Ok(full)
    }

    /// Puts samples where they wait; late ones that change something soil their line.
    async fn take_messages(&mut self, messages: Vec<JournalMessage>, round: &mut Round) -> Result<(), EvaluateError> {
        let before = self.position;
        let mut late: BTreeMap<UnitKey, Vec<JournalMessage>> = BTreeMap::new();
        for mut message in messages {
            if !self.lines.contains_key(&message.unit) {
                self.load_unit(&message.unit.clone()).await?;
            }
            let Some(line) = self.lines.get_mut(&message.unit) else { continue };
            self.counters.messages.fetch_add(1, Ordering::Relaxed);
            line.received = line.received.max(Some(message.received));
            self.touched.insert(message.unit.clone(), Instant::now());
            message.samples.retain(|sample| !line.take(*sample));
            if !message.samples.is_empty() {
                late.entry(message.unit.clone()).or_default().push(message);
            } else if round.touched.last() != Some(&message.unit) {
                round.touched.push(message.unit);
            }
        }
        for (unit, messages) in late {
            self.take_late(&unit, &messages, before).await?;
            round.touched.push(unit);
        }
        Ok(())
    }

    /// Compares late samples with what the store held before them.
    async fn take_late(&mut self, unit: &UnitKey, late: &[JournalMessage], before: Seq) -> Result<(), EvaluateError> {
        let Some(line) = self.lines.get_mut(unit) else { return Ok(()) };
        let samples = || late.iter().flat_map(|m| &m.samples);
        let (Some(from), Some(to)) = (samples().map(|s| s.time).min(), samples().map(|s| s.time).max()) else {
            return Ok(());
        };
        let mut stored = crate::Rows::new(line.context.class.channels.len());
        for sample in self.store.unit_samples(unit, from, to + TICK, Some(before)).await? {
            stored.add(sample);
        }
        let horizon = line.folded_to().map(|to| to - self.options.horizon);
        for sample in samples() {
            match stored.add(*sample) {
                crate::Added::Repeat => line.repeats += 1,
                crate::Added::NoChannel => {}
                added => {
                    let changed = !matches!(added, crate::Added::Conflict { changed: false });
                    if matches!(added, crate::Added::Conflict { .. }) {
                        line.conflicts += 1;
                    }
                    if horizon.is_some_and(|h| sample.time < h) {
                        self.counters.beyond_horizon.fetch_add(1, Ordering::Relaxed);
                    } else if changed {
                        line.soil(sample.time);
                    }
                }
            }
        }
        Ok(())
    }

    /// Reads new decisions into the lines (into the list alone while loading).
    async fn read_decisions(&mut self, mut round: Option<&mut Round>) -> Result<(), EvaluateError> {
        loop {
            let page = self.store.decisions_after(self.decided, DECISIONS_A_PAGE).await?;
            let Some(last) = page.last() else { return Ok(()) };
            self.decided = last.id;
            for decision in page.into_iter().filter(|d| d.effective) {
                if let Some(round) = round.as_deref_mut()
                    && let Some(line) = self.lines.get_mut(&decision.unit)
                {
                    line.decide(decision.clone());
                    round.touched.push(decision.unit.clone());
                }
                self.decisions.entry(decision.unit.clone()).or_default().push(decision);
            }
        }
    }

    /// Folds soiled lines anew from the last snapshot before the dirt.
    async fn refold_dirty(&mut self, up_to: Seq, round: &mut Round) -> Result<(), EvaluateError> {
        let dirty: Vec<(UnitKey, Time)> =
            self.lines.iter().filter_map(|(key, line)| line.dirty().map(|from| (key.clone(), from))).collect();
        for (key, from) in dirty {
            let Some(old) = self.lines.remove(&key) else { continue };
            let Some(through) = old.folded_to() else { continue };
            self.counters.refolds.fetch_add(1, Ordering::Relaxed);
            let decisions = old.decisions().to_vec();
            let context = old.context.clone();
            let (mut line, folded, base) =
                refold(&self.store, context, decisions, Some(from - TICK), through, Some(up_to)).await?;
            line.inherit(old);
            self.withdraw_missing(&key, base, through, &folded, round).await?;
            round.commit.stale.push((key.clone(), from));
            self.collect(&key, &line, folded, up_to, round);
            self.lines.insert(key, line);
        }
        Ok(())
    }

    /// A finding shown before and not found again is closed with its reason, never erased.
    async fn withdraw_missing(
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
            let again = machine.opened < since || folded.findings.iter().any(|f| f.id == machine.id);
            if again || machine.ended.is_some() || machine.kind == FindingKind::Comms {
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
    async fn advance(&mut self, up_to: Seq, round: &mut Round) -> Result<(), EvaluateError> {
        let settled = |at: &Instant| at.elapsed() >= self.options.settle;
        let mut work = Vec::new();
        for (key, at) in &self.touched {
            let Some(line) = self.lines.remove(key) else { continue };
            work.push((key.clone(), line, settled(at)));
        }
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let mut shares: Vec<Vec<(UnitKey, Line, bool)>> = (0..cores).map(|_| Vec::new()).collect();
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
            if !line.waits() {
                self.touched.remove(&key);
            }
            if !folded.findings.is_empty() || !folded.marks.is_empty() {
                round.touched.push(key.clone());
            }
            self.collect(&key, &line, folded, up_to, round);
            self.lines.insert(key, line);
        }
        Ok(())
    }

    /// Puts what a line gave into the round.
    fn collect(&self, key: &UnitKey, line: &Line, folded: Folded, up_to: Seq, round: &mut Round) {
        for machine in folded.findings {
            let late = self.late(line, &machine);
            round.findings.insert(machine.id.to_string(), FindingUpsert { machine, late });
        }
        for mark in thin(folded.marks) {
            round.commit.snapshots.push(snapshot(key, mark, up_to, line.context.form));
        }
    }

    /// Whether the evidence of a finding arrived later than stated.
    fn late(&self, line: &Line, machine: &MachinePart) -> bool {
        line.received.is_some_and(|received| received - machine.opened > self.options.lateness)
    }

    async fn commit(&mut self, up_to: Seq, mut round: Round) -> Result<(), EvaluateError> {
        round.touched.sort();
        round.touched.dedup();
        if up_to == self.position && round.findings.is_empty() && round.commit.snapshots.is_empty() {
            return Ok(());
        }
        round.commit.position = up_to;
        round.commit.progress = round.touched.iter().filter_map(|key| self.progress(key)).collect();
        round.commit.findings = round.findings.into_values().collect();
        let events = self.store.commit_evaluation(round.commit, (self.clock)()).await?;
        self.counters.findings.fetch_add(events.len() as u64, Ordering::Relaxed);
        self.position = up_to;
        self.counters.position.store(up_to.0, Ordering::Relaxed);
        self.total();
        Ok(())
    }

    fn progress(&self, key: &UnitKey) -> Option<UnitProgress> {
        let line = self.lines.get(key)?;
        Some(UnitProgress {
            unit: key.clone(),
            judged: line.fold().last(),
            received: line.received,
            samples: line.fold().samples(),
            repeats: line.repeats,
            conflicts: line.conflicts,
            learning: line.fold().model().learning(&line.context.plan),
        })
    }

    fn total(&self) {
        let sum = |f: fn(&Line) -> u64| self.lines.values().map(f).sum::<u64>();
        self.counters.samples.store(sum(|l| l.fold().samples()), Ordering::Relaxed);
        self.counters.repeats.store(sum(|l| l.repeats), Ordering::Relaxed);
        self.counters.conflicts.store(sum(|l| l.conflicts), Ordering::Relaxed);
    }

    async fn publish_lag(&self, ready: bool) -> Result<(), EvaluateError> {
        let messages = self.store.journal_end().await?.0 - self.position.0;
        self.lag.send_if_modified(|lag| std::mem::replace(lag, Lag { messages, ready }) != Lag { messages, ready });
        Ok(())
    }

    /// Folds what waits and takes a snapshot of every unit, so that the next start has nothing to fold.
    async fn finish(&mut self) -> Result<(), EvaluateError> {
        let mut round = Round::default();
        let keys: Vec<UnitKey> = self.lines.keys().cloned().collect();
        for key in keys {
            let Some(line) = self.lines.get_mut(&key) else { continue };
            let folded = line.advance(true)?;
            let mark = line.mark()?;
            let Some(line) = self.lines.get(&key) else { continue };
            self.collect(&key, line, folded, self.position, &mut round);
            if let Some(mark) = mark {
                round.commit.snapshots.push(snapshot(&key, mark, self.position, line.context.form));
            }
            round.touched.push(key);
        }
        self.commit(self.position, round).await
    }
}

type Share = Vec<(UnitKey, Line, bool)>;
type Done = Vec<(UnitKey, Line, Folded)>;

fn fold_share(share: Share) -> Result<Done, EvaluateError> {
    let mut done = Vec::with_capacity(share.len());
    for (key, mut line, settled) in share {
        let folded = line.advance(settled)?;
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

fn snapshot(unit: &UnitKey, mark: Mark, seq: Seq, form: u32) -> Snapshot {
    Snapshot { unit: unit.clone(), at: mark.at, seq, form, state: mark.state }
}

/// Pause after a round that failed.
const RETRY: Duration = Duration::from_secs(1);
/// Decisions read at one time.
const DECISIONS_A_PAGE: usize = 1000;
/// After anything that can be measured: year 2255, where microseconds still fit every engine's numbers.
const LATEST_MEASURED: Time = Time::LATEST;
