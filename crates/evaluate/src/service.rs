//! The evaluator at work: tails the journal and the decision log, folds units, commits.
//!
//! Owns one loop with one commit a round: findings, snapshots, progress and the position reached go together, so a
//! stop at any instant repeats or loses nothing. Falls behind under load, says how far, and catches up.

mod causes;
mod figures;
mod folding;
mod links;
mod loading;
mod options;
mod take;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use notchwatch_detect::Settings;
use notchwatch_findings::Library;
use notchwatch_model::{ClockTick, Decision, DecisionId, Register, Seq, Time, TimelineId, UnitKey};
use notchwatch_store::{EvaluationCommit, FindingUpsert, JournalMessage, LogPart, Store, TimelineStep};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::EvaluateError;
use crate::line::Line;
use crate::restore::Shared;
use figures::Totals;
pub use figures::{Counters, Lag};
use folding::snapshot;
use links::TICKS_A_PAGE;
pub use options::{EvaluateOptions, Pressure};

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
    /// Units with entries that wait for a row, and when a message of each was taken last.
    entering: BTreeMap<UnitKey, Option<Instant>>,
    position: Seq,
    touched: HashMap<UnitKey, Instant>,
    /// Lines that late data or decisions soiled.
    dirty: BTreeSet<UnitKey>,
    totals: Totals,
    counters: Arc<Counters>,
    lag: watch::Sender<Lag>,
    /// When the message judged last was received.
    judged_to: Option<Time>,
    pressure: Pressure,
    links: links::Links,
    causes: causes::Causes,
    committed_tick: i64,
    trouble: Option<watch::Receiver<BTreeSet<&'static str>>>,
}

/// What a round begins with. It is read whole before anything in memory changes.
struct News {
    ticks: LogPart<ClockTick, i64>,
    messages: LogPart<JournalMessage, Seq>,
    /// With how far they go in their log, as steps of timelines.
    decisions: (Vec<Decision>, DecisionId),
    steps: (Vec<TimelineStep>, TimelineId),
}

/// Why a round failed, and whether the lines are still as they were committed.
#[derive(Debug)]
struct Failed {
    error: EvaluateError,
    whole: bool,
}

impl Failed {
    /// Before the first change, or after the commit: kept when the store was only away.
    fn outside(error: EvaluateError) -> Self {
        let whole = matches!(&error, EvaluateError::Store(away) if away.passes());
        Self { error, whole }
    }

    fn midway(error: EvaluateError) -> Self {
        Self { error, whole: false }
    }
}

/// What one round is going to commit.
#[derive(Default)]
struct Round {
    commit: EvaluationCommit,
    findings: BTreeMap<String, FindingUpsert>,
    touched: Vec<UnitKey>,
    /// When something that units may share took effect: the latest time.
    shares: Option<Time>,
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
            store: store.for_work(),
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
            entering: BTreeMap::new(),
            timelined: TimelineId(0),
            committed_timeline: TimelineId(0),
            position: Seq(0),
            touched: HashMap::new(),
            dirty: BTreeSet::new(),
            totals: Totals::default(),
            counters: Arc::default(),
            lag: watch::Sender::new(Lag::default()),
            judged_to: None,
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
    /// commit. Where the store was away before anything had changed, the lines still are what was committed and are kept;
    /// else they are loaded anew, so nothing half done is.
    pub async fn run(mut self, stop: CancellationToken) {
        let mut loaded = false;
        while !stop.is_cancelled() {
            let pause;
            self.give_way(loaded, &stop).await;
            let round = if loaded {
                self.round().await
            } else {
                self.load().await.map(|()| true).map_err(Failed::midway)
            };
            match round {
                Ok(more) => {
                    loaded = true;
                    pause = if more { Duration::ZERO } else { self.options.poll };
                }
                Err(Failed { error, whole }) => {
                    tracing::warn!(%error, lines_kept = whole, "evaluation round failed, trying again");
                    self.counters.failures.fetch_add(1, Ordering::Relaxed);
                    loaded = whole;
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

    /// Waits while there is pressure, but not for long, and says meanwhile how far behind it is.
    async fn give_way(&self, loaded: bool, stop: &CancellationToken) {
        let until = Instant::now() + GIVES_WAY;
        let mut tell = Instant::now() + GIVES_WAY_TELLS;
        while self.pressure.there() && Instant::now() < until && !stop.is_cancelled() {
            tokio::time::sleep(GIVES_WAY / GIVES_WAY_LOOKS).await;
            if loaded && Instant::now() >= tell {
                tell += GIVES_WAY_TELLS;
                // The next round tells anew, and says what is wrong with the store if something is.
                self.publish_lag(true).await.unwrap_or_default();
            }
        }
    }

    /// One round: read, fold, commit. Returns whether there is likely more to do at once.
    async fn round(&mut self) -> Result<bool, Failed> {
        if self.register.has_changed().unwrap_or(false) {
            let register = self.register.borrow_and_update().clone();
            self.shared = Shared::new(&register, self.library.clone(), self.settings.clone());
            self.load().await.map_err(Failed::midway)?;
        }
        let news = self.read_news().await.map_err(Failed::outside)?;
        let (full, more_ticks) = (news.messages.full, news.ticks.full);
        self.fold_news(news).await.map_err(Failed::midway)?;
        // A round that was not full has read the journal to its end.
        self.publish_lag(full).await.map_err(Failed::outside)?;
        Ok(full || more_ticks)
    }

    /// Reads what is new in every log. Changes nothing but the log of ticks: a tick whose answer was lost may be recorded
    /// twice, which says the same as once.
    async fn read_news(&mut self) -> Result<News, EvaluateError> {
        self.make_tick().await?;
        // Ticks first: what they lie after is then there to be read.
        let ticks = self.store.ticks_after(self.links.ticked, TICKS_A_PAGE).await?;
        let mut messages = self.store.journal_after(self.position, self.options.round).await?;
        if let Some(last) = ticks.items.last().filter(|_| ticks.full) {
            messages.items.retain(|message| message.seq <= last.seq);
            messages.to = messages.to.min(last.seq).max(self.position);
        }
        let decisions = self.read_decisions().await?;
        let steps = self.read_timelines().await?;
        Ok(News { ticks, messages, decisions, steps })
    }

    /// Folds what is new and commits what comes of it.
    async fn fold_news(&mut self, news: News) -> Result<(), EvaluateError> {
        let News { ticks, messages, decisions, steps } = news;
        let LogPart { items: messages, to: up_to, full, .. } = messages;
        let mut round = Round::default();
        self.judged_to = messages.last().map(|m| m.received).or(self.judged_to);
        self.take_decisions(decisions, Some(&mut round));
        self.take_timelines(steps, &mut round).await?;
        self.fold_links(&messages, ticks, full, &mut round);
        self.take_messages(messages, &mut round).await?;
        self.refold_dirty(up_to, &mut round).await?;
        self.let_enter();
        self.advance(up_to, &mut round).await?;
        self.fold_causes(&mut round);
        self.commit(up_to, round).await
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

    /// Folds what waits and takes a snapshot of every unit, so that the next start has nothing to fold; some units a
    /// commit, since a fleet's states together would fill the memory.
    async fn finish(&mut self) -> Result<(), EvaluateError> {
        let keys: Vec<UnitKey> = self.lines.keys().cloned().collect();
        let mut last = Round { last: true, ..Round::default() };
        for some in keys.chunks(FINISHED_AT_ONCE) {
            let mut round = Round::default();
            for key in some {
                let Some(line) = self.lines.get_mut(key) else { continue };
                let folded = line.advance(true, false)?;
                let mark = line.mark()?;
                let Some(line) = self.lines.get(key) else { continue };
                self.collect(key, line, folded, self.position, &mut round);
                if let Some(mark) = mark {
                    round.commit.snapshots.push(snapshot(key, mark, self.position, line.context.form));
                }
                round.touched.push(key.clone());
            }
            last.shares = last.shares.max(round.shares);
            self.commit(self.position, round).await?;
        }
        self.fold_causes(&mut last);
        self.commit(self.position, last).await
    }
}

/// Units whose last snapshots are committed together.
const FINISHED_AT_ONCE: usize = 200;
/// Longest wait before a round under pressure: a round every three seconds is a twentieth of a core.
const GIVES_WAY: Duration = Duration::from_secs(3);
/// How often it looks during that wait.
const GIVES_WAY_LOOKS: u32 = 60;
/// How often it tells meanwhile how far behind it is.
const GIVES_WAY_TELLS: Duration = Duration::from_millis(500);
/// Pause after a round that failed.
const RETRY: Duration = Duration::from_secs(1);

#[cfg(test)]
mod tests;
