//! Loading: lines of units from the store, as they stood at the position committed last.
//!
//! Owns what a start, a changed register and the first message of a unit have in common. Folds nothing.

use std::collections::BTreeSet;
use std::time::Instant;

use futures::StreamExt as _;
use notchwatch_model::{DecisionId, RailwayFilter, Seq, Time, UnitKey};
use notchwatch_store::Store;

use super::figures::Totals;
use super::{Evaluator, links};
use crate::EvaluateError;
use crate::fold::{Fold, FoldContext};
use crate::line::Line;
use crate::restore::{Beside, base, entries, record};

impl Evaluator {
    /// Brings every registered unit's line back to the position committed last.
    pub(super) async fn load(&mut self) -> Result<(), EvaluateError> {
        self.lines.clear();
        self.decisions.clear();
        self.links = links::Links::default();
        self.touched.clear();
        self.dirty.clear();
        self.entering.clear();
        self.decided = DecisionId(0);
        self.position = self.store.evaluated().await?;
        self.timelined = self.store.timelined().await?;
        self.committed_timeline = self.timelined;
        self.entered = self.store.timeline_units().await?.into_iter().collect();
        let decisions = self.read_decisions().await?;
        self.take_decisions(decisions, None);
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
        self.publish_lag(true).await
    }

    /// Brings the lines of these units back, a few at a time. A unit of which nothing is kept begins empty.
    pub(super) async fn load_units(&mut self, keys: Vec<UnitKey>) -> Result<(), EvaluateError> {
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
                    load_line(&store, context, beside, position).await
                } else {
                    begin_line(&store, context, beside).await
                };
                (key, line)
            })
        }))
        .buffer_unordered(LOADS_AT_A_TIME);
        while let Some(loaded) = loading.next().await {
            let (key, line) = match loaded {
                (key, Err(EvaluateError::Store(error))) => {
                    (key.clone(), self.store.spare_unit(&key, Err(error))?)
                }
                (key, line) => (key.clone(), self.store.spare_unit(&key, Ok(line?))?),
            };
            // The others are judged; this one when its rows can be read and it is loaded again.
            let Some(line) = line else { continue };
            if line.dirty().is_some() {
                self.dirty.insert(key.clone());
            }
            if line.waits() || line.presses().is_some() {
                self.touched.insert(key.clone(), Instant::now());
            }
            if line.has_entries() {
                self.entering.entry(key.clone()).or_default();
            }
            self.lines.insert(key, line);
        }
        Ok(())
    }
}

/// The line of a unit that never sent anything.
async fn begin_line(store: &Store, context: FoldContext, beside: Beside) -> Result<Line, EvaluateError> {
    let fold = Fold::new(&context);
    let entries = entries(store, &context.unit.key(), None, beside.timelined).await?;
    Ok(Line::new(context, fold, None, beside.decisions).with_entries(entries))
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
    let mut record = record(store, &context, base.at, LATEST_MEASURED, Some(position), &[]).await?;
    let line = Line::new(context, base.fold, base.at, beside.decisions);
    let mut line = line.with_entries(entries).with_texts(record.texts);
    for row in record.rows.take_all() {
        line.wait_for(row);
    }
    Ok(line)
}

/// Lines that are loaded at one time. `PostgreSQL` has as many connections for it; on `SQLite`, which has two for work, some
/// put together what they read while others read.
const LOADS_AT_A_TIME: usize = 4;
/// After anything that can be measured: year 2255, where microseconds still fit every engine's numbers.
const LATEST_MEASURED: Time = Time::LATEST;
