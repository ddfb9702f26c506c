//! The evaluator at work: tails the journal and the decision log, folds units, commits.
//!
//! Owns one loop with one commit a round: findings, snapshots, progress and the position reached go together, so a
//! stop at any instant repeats or loses nothing. Falls behind under load, says how far, and catches up.

mod causes;
mod folding;
mod links;
mod take;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use futures::{StreamExt as _, TryStreamExt as _};
use notchwatch_detect::Settings;
use notchwatch_findings::{CommsPolicy, Library};
use notchwatch_model::{Decision, DecisionId, RailwayFilter, Register, Seq, Span, Time, TimelineId, UnitKey};
use notchwatch_store::{EvaluationCommit, FindingUpsert, Store, UnitProgress};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::EvaluateError;
use crate::fold::{Fold, FoldContext};
use crate::line::Line;
use crate::restore::{Beside, Shared, base, entries, rows};
use folding::snapshot;
use links::TICKS_A_PAGE;

/// How evaluation runs.
#[derive(Debug, Clone)]
pub struct EvaluateOptions {
    /// How long the newest row of a unit waits for more samples of its event time.
    pub settle: Duration,
    /// How often the journal is asked for more when it had nothing.
    pub poll: Duration,
    /// Messages read from the journal in one round, at most.
    pub round: usize,
    /// Data older than this, against the newest event time of its unit's messages before it in the journal, is kept and
    /// judges nothing, in this run or in any later one.
    pub horizon: Span,
    /// Evidence received later than this after it was measured makes its finding "late".
    pub lateness: Span,
    /// How links are judged.
    pub comms: CommsPolicy,
}

impl Default for EvaluateOptions {
    fn default() -> Self {
        Self {
            settle: Duration::from_millis(400),
            poll: Duration::from_millis(100),
            round: 4000,
            horizon: Span::from_hours(48),
            lateness: Span::from_mins(30),
            comms: CommsPolicy::default(),
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
    /// Units by state of their link, in the order of [`notchwatch_model::CommsState::ALL`].
    pub comms: [AtomicU64; 6],
}

/// How far evaluation is behind the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Lag {
    /// Messages in the journal that are not judged yet.
    pub messages: i64,
    /// When the message judged last was received, while some are not.
    pub judged_to: Option<Time>,
    /// Every unit's line is loaded.
    pub ready: bool,
}

/// Whether something else needs the machine more than evaluation does.
#[derive(Clone)]
pub struct Pressure(Arc<dyn Fn() -> bool + Send + Sync>);

impl Pressure {
    /// Asks this before each round.
    pub fn new(ask: impl Fn() -> bool + Send + Sync + 'static) -> Self {
        Self(Arc::new(ask))
    }

    /// None, ever.
    pub fn none() -> Self {
        Self::new(|| false)
    }
}

impl std::fmt::Debug for Pressure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Pressure({})", (self.0)())
    }
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
    /// Units with something on their timeline, and how far the log of timelines is read and committed.
    entered: BTreeSet<UnitKey>,
    timelined: TimelineId,
    committed_timeline: TimelineId,
    position: Seq,
    touched: HashMap<UnitKey, Instant>,
    /// Lines that late data or decisions soiled.
    dirty: BTreeSet<UnitKey>,
    totals: Totals,
    counters: Arc<Counters>,
    lag: watch::Sender<Lag>,
    pressure: Pressure,
    links: links::Links,
    causes: causes::Causes,
    committed_tick: i64,
    trouble: Option<watch::Receiver<BTreeSet<&'static str>>>,
}

/// Sums over lines, kept up by the lines that change.
#[derive(Debug, Default)]
struct Totals {
    counted: HashMap<UnitKey, [u64; 3]>,
    /// Samples, repeats and conflicts.
    sums: [u64; 3],
}

impl Totals {
    /// Counts a line anew. A sum may fall: a line folded anew may hold fewer samples than before.
    fn count(&mut self, key: &UnitKey, now: [u64; 3]) {
        let before = match self.counted.get_mut(key) {
            Some(counted) => std::mem::replace(counted, now),
            None => self.counted.insert(key.clone(), now).unwrap_or_default(),
        };
        for ((sum, before), now) in self.sums.iter_mut().zip(before).zip(now) {
            *sum = (*sum + now).saturating_sub(before);
        }
    }
}

/// What one round is going to commit.
#[derive(Default)]
struct Round {
    commit: EvaluationCommit,
    findings: BTreeMap<String, FindingUpsert>,
    touched: Vec<UnitKey>,
    /// Nothing comes after it.
    last: bool,
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
            entered: BTreeSet::new(),
            timelined: TimelineId(0),
            committed_timeline: TimelineId(0),
            position: Seq(0),
            touched: HashMap::new(),
            dirty: BTreeSet::new(),
            totals: Totals::default(),
            counters: Arc::default(),
            lag: watch::Sender::new(Lag::default()),
            pressure: Pressure::none(),
            links: links::Links::default(),
            causes: causes::Causes::default(),
            committed_tick: 0,
            trouble: None,
        }
    }

    /// Gives way while there is pressure: what waits in the journal is safe, what waits in the broker is not. It
    /// falls behind, says so, and never stands still.
    #[must_use]
    pub fn giving_way(mut self, pressure: Pressure) -> Self {
        self.pressure = pressure;
        self
    }

    /// Tells it for which reasons nobody can be heard, so that nobody is blamed for them.
    #[must_use]
    pub fn with_trouble(mut self, trouble: watch::Receiver<BTreeSet<&'static str>>) -> Self {
        self.trouble = Some(trouble);
        self
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
        while !stop.is_cancelled() {
            let pause;
            self.give_way(&stop).await;
            let round = if loaded { self.round().await } else { self.load().await.map(|()| true) };
            match round {
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

    /// Waits while there is pressure, but not for long.
    async fn give_way(&self, stop: &CancellationToken) {
        let until = Instant::now() + GIVES_WAY;
        while (self.pressure.0)() && Instant::now() < until && !stop.is_cancelled() {
            tokio::time::sleep(GIVES_WAY / GIVES_WAY_LOOKS).await;
        }
    }

    /// Brings every registered unit's line back to the position committed last.
    async fn load(&mut self) -> Result<(), EvaluateError> {
        self.lines.clear();
        self.decisions.clear();
        self.links = links::Links::default();
        self.touched.clear();
        self.dirty.clear();
        self.decided = DecisionId(0);
        self.position = self.store.evaluated().await?;
        self.timelined = self.store.timelined().await?;
        self.committed_timeline = self.timelined;
        self.entered = self.store.timeline_units().await?.into_iter().collect();
        self.read_decisions(None).await?;
        // A unit without progress has sent nothing yet: its line is made with its first message.
        let all = self.store.progress(&RailwayFilter::All).await?;
        self.load_units(all.iter().map(|progress| progress.unit.clone()).collect()).await?;
        for progress in all {
            if let Some(line) = self.lines.get_mut(&progress.unit) {
                line.received = progress.received;
                line.repeats = progress.repeats;
                line.conflicts = progress.conflicts;
            }
        }
        self.totals = Totals::default();
        let keys: Vec<UnitKey> = self.lines.keys().cloned().collect();
        self.count(&keys);
        self.load_links().await?;
        let judged = self.lines.values().filter_map(|line| line.fold().last()).max();
        self.load_causes(judged).await?;
        self.publish_lag(true, None).await
    }

    /// Brings the lines of these units back, a few at a time. A unit of which nothing is kept begins empty.
    async fn load_units(&mut self, keys: Vec<UnitKey>) -> Result<(), EvaluateError> {
        let with_history = self.store.with_history(&keys, self.position).await?;
        let entered: BTreeSet<UnitKey> =
            keys.iter().filter(|key| self.entered.contains(*key)).cloned().collect();
        let timelined = self.timelined;
        let mut loading = futures::stream::iter(keys.into_iter().filter_map(|key| {
            let context = self.shared.context(&key)?;
            let decisions = self.decisions.get(&key).cloned().unwrap_or_default();
            let (store, position, known) = (self.store.clone(), self.position, with_history.contains(&key));
            let beside = Beside { decisions, timelined: entered.contains(&key).then_some(timelined) };
            Some(async move {
                let line = if known {
                    load_line(&store, context, beside, position).await?
                } else {
                    let fold = Fold::new(&context);
                    let entries = entries(&store, &key, None, beside.timelined).await?;
                    Line::new(context, fold, None, beside.decisions).with_entries(entries)
                };
                Ok::<_, EvaluateError>((key, line))
            })
        }))
        .buffer_unordered(LOADS_AT_A_TIME);
        while let Some((key, line)) = loading.try_next().await? {
            if line.dirty().is_some() {
                self.dirty.insert(key.clone());
            }
            if line.waits() || line.presses().is_some() {
                self.touched.insert(key.clone(), Instant::now());
            }
            self.lines.insert(key, line);
        }
        Ok(())
    }

    /// One round: read, fold, commit. Returns whether there is likely more to do at once.
    async fn round(&mut self) -> Result<bool, EvaluateError> {
        if self.register.has_changed().unwrap_or(false) {
            let register = self.register.borrow_and_update().clone();
            self.shared = Shared::new(&register, self.library.clone(), self.settings.clone());
            self.load().await?;
        }
        self.make_tick().await?;
        // Ticks first: what they lie after is then there to be read.
        let ticks = self.store.ticks_after(self.links.ticked, TICKS_A_PAGE).await?;
        let mut messages = self.store.journal_after(self.position, self.options.round).await?;
        let full = messages.len() >= self.options.round;
        let more_ticks = ticks.len() >= TICKS_A_PAGE;
        if let Some(last) = ticks.last().filter(|_| more_ticks) {
            messages.retain(|message| message.seq <= last.seq);
        }
        let mut round = Round::default();
        let up_to = messages.last().map_or(self.position, |m| m.seq);
        let judged_to = messages.last().map(|m| m.received).filter(|_| full);
        self.read_decisions(Some(&mut round)).await?;
        self.read_timelines(&mut round).await?;
        self.fold_links(&messages, ticks, full, &mut round);
        self.take_messages(messages, &mut round).await?;
        self.refold_dirty(up_to, &mut round).await?;
        self.advance(up_to, &mut round).await?;
        self.fold_causes(&mut round);
        self.commit(up_to, round).await?;
        // A round that was not full has read the journal to its end.
        self.publish_lag(full, judged_to).await?;
        Ok(full || more_ticks)
    }

    async fn commit(&mut self, up_to: Seq, mut round: Round) -> Result<(), EvaluateError> {
        round.touched.sort();
        round.touched.dedup();
        let idle = round.touched.is_empty() && round.findings.is_empty() && round.commit.snapshots.is_empty();
        let (ticked, finish) = (self.links.ticked, round.last);
        let read = ticked != self.committed_tick || self.timelined != self.committed_timeline;
        if up_to == self.position && idle && !read && !finish {
            return Ok(());
        }
        self.count(&round.touched);
        round.commit.position = up_to;
        round.commit.ticked = ticked;
        round.commit.timelined = self.timelined;
        round.commit.comms_snapshot = self.links_snapshot(up_to, finish)?;
        round.commit.progress = round.touched.iter().filter_map(|key| self.progress(key)).collect();
        round.commit.findings = round.findings.into_values().collect();
        let events = self.store.commit_evaluation(round.commit, (self.clock)()).await?;
        self.counters.findings.fetch_add(events.len() as u64, Ordering::Relaxed);
        self.position = up_to;
        self.committed_tick = ticked;
        self.committed_timeline = self.timelined;
        self.counters.position.store(up_to.0, Ordering::Relaxed);
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

    /// Brings the totals up to what these lines say now. The cost follows the units that sent, not the fleet.
    fn count(&mut self, keys: &[UnitKey]) {
        for key in keys {
            let Some(line) = self.lines.get(key) else { continue };
            self.totals.count(key, [line.fold().samples(), line.repeats, line.conflicts]);
        }
        let [samples, repeats, conflicts] = self.totals.sums;
        self.counters.samples.store(samples, Ordering::Relaxed);
        self.counters.repeats.store(repeats, Ordering::Relaxed);
        self.counters.conflicts.store(conflicts, Ordering::Relaxed);
    }

    /// Says how far behind it is; asks the store only when there may be more than was read.
    async fn publish_lag(&self, more: bool, judged_to: Option<Time>) -> Result<(), EvaluateError> {
        let messages = if more { self.store.journal_end().await?.0 - self.position.0 } else { 0 };
        let now = Lag { messages, judged_to, ready: true };
        self.lag.send_if_modified(|lag| std::mem::replace(lag, now) != now);
        Ok(())
    }

    /// Folds what waits and takes a snapshot of every unit, so that the next start has nothing to fold.
    async fn finish(&mut self) -> Result<(), EvaluateError> {
        let mut round = Round { last: true, ..Round::default() };
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
        self.fold_causes(&mut round);
        self.commit(self.position, round).await
    }
}

/// The line of a unit, from its newest state and the rows after it.
async fn load_line(
    store: &Store,
    context: FoldContext,
    beside: Beside,
    position: Seq,
) -> Result<Line, EvaluateError> {
    let base = base(store, &context, None).await?;
    let entries = entries(store, &context.unit.key(), base.at, beside.timelined).await?;
    let mut waiting = rows(store, &context, base.at, LATEST_MEASURED, Some(position), &[]).await?;
    let mut line = Line::new(context, base.fold, base.at, beside.decisions).with_entries(entries);
    for row in waiting.take_all() {
        line.wait_for(row);
    }
    Ok(line)
}

/// Lines that are loaded at one time: as many reads as there are connections for them unless configured otherwise.
const LOADS_AT_A_TIME: usize = 4;
/// Longest wait before a round under pressure: one round a second is a twentieth of a core.
const GIVES_WAY: Duration = Duration::from_secs(1);
/// How often it looks during that wait.
const GIVES_WAY_LOOKS: u32 = 20;
/// Pause after a round that failed.
const RETRY: Duration = Duration::from_secs(1);
/// After anything that can be measured: year 2255, where microseconds still fit every engine's numbers.
const LATEST_MEASURED: Time = Time::LATEST;
