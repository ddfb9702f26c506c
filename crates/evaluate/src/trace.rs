//! Traces: what a unit's models expected of the past, folded again from the snapshot before it.
//!
//! Owns the answer to "what was expected beside what was measured?". It calls the same fold as live evaluation, so
//! the picture shows what judged, not a copy of it.

use std::sync::Arc;

use notchwatch_detect::Settings;
use notchwatch_findings::Library;
use notchwatch_model::{ChannelIx, Decision, DecisionId, Regime, Register, Time, TimelineId, UnitKey};
use notchwatch_store::Store;
use tokio::sync::watch;

use crate::EvaluateError;
use crate::line::Line;
use crate::restore::{Base, Shared, TICK, base, entries, record};

/// One row of a trace, for one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceRow {
    /// Event time.
    pub time: Time,
    /// The channel.
    pub channel: ChannelIx,
    /// As measured, in the channel's stored unit of measure.
    pub measured: f64,
    /// As expected, once learned, in the stored unit.
    pub expected: Option<f64>,
    /// Robust spread of the expectation, in the stored unit.
    pub spread: Option<f64>,
    /// Operating state.
    pub regime: Regime,
    /// Whether the row was judged: settled and in a state that the class names.
    pub judged: bool,
}

/// Why there is no trace.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// The unit or its class is not registered.
    #[error("unit {0} is not in the register")]
    UnknownUnit(UnitKey),
    /// The class is not registered.
    #[error("the class is not in the register")]
    UnknownClass,
    /// Folding failed.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
}

/// Folds the past again on request.
#[derive(Debug, Clone)]
pub struct Tracer {
    pub(crate) store: Store,
    library: Arc<Library>,
    pub(crate) settings: Arc<Settings>,
    pub(crate) register: watch::Receiver<Arc<Register>>,
}

impl Tracer {
    /// A tracer over the same store, library and settings as the evaluator.
    pub fn new(
        store: Store,
        library: Arc<Library>,
        settings: Arc<Settings>,
        register: watch::Receiver<Arc<Register>>,
    ) -> Self {
        Self { store, library, settings, register }
    }

    /// Rows of some channels with `from <= time < to`, by time. The caller bounds the span.
    pub async fn trace(
        &self,
        unit: &UnitKey,
        channels: &[ChannelIx],
        from: Time,
        to: Time,
    ) -> Result<Vec<TraceRow>, TraceError> {
        let register = alone(&self.register.borrow(), unit);
        let context = Shared::new(&register, self.library.clone(), self.settings.clone())
            .context(unit)
            .ok_or_else(|| TraceError::UnknownUnit(unit.clone()))?;
        let Base { fold, at } = base(&self.store, &context, Some(from - TICK)).await?;
        let mut record = record(&self.store, &context, at, to, None, &[]).await?;
        let decisions = self.decisions(unit).await?;
        let entries = entries(&self.store, unit, at, Some(TimelineId(i64::MAX))).await?;
        let channels = channels.to_vec();
        let work = move || {
            let line = Line::new(context, fold, at, decisions);
            let mut line = line.with_entries(entries).with_texts(record.texts);
            let mut trace = Vec::new();
            for row in &record.rows.take_all() {
                line.run(std::slice::from_ref(row)).map_err(EvaluateError::from)?;
                if row.time >= from {
                    trace.extend(channels.iter().filter_map(|channel| read(&line, *channel, row.time)));
                }
            }
            Ok(trace)
        };
        tokio::task::spawn_blocking(work).await.map_err(|e| EvaluateError::Worker(e.to_string()))?
    }

    async fn decisions(&self, unit: &UnitKey) -> Result<Vec<Decision>, EvaluateError> {
        let mut all = Vec::new();
        let mut after = DecisionId(0);
        loop {
            let part = self.store.decisions_after(after, 1000).await?;
            after = part.to;
            all.extend(part.items.into_iter().filter(|d| d.effective && d.unit == *unit));
            if !part.full {
                return Ok(all);
            }
        }
    }
}

/// The part of the register that one unit needs: a fleet's classes are not compiled for one picture.
fn alone(register: &Register, unit: &UnitKey) -> Register {
    let units: Vec<_> = register.unit(unit).cloned().into_iter().collect();
    let classes = units.iter().filter_map(|unit| register.class(&unit.class)).cloned().collect();
    Register { railways: Vec::new(), classes, units }
}

fn read(line: &Line, channel: ChannelIx, time: Time) -> Option<TraceRow> {
    let judged = line.fold().model().trace(&line.context.plan, channel)?;
    Some(TraceRow {
        time,
        channel,
        measured: judged.measured,
        expected: judged.expected,
        spread: judged.spread,
        regime: judged.regime,
        judged: judged.judged,
    })
}
