//! What the desk asks of others, behind its own traits: traces from evaluation, and another try of ingest at what was
//! refused.

use std::sync::Arc;

use notchwatch_desk::{Again, Evidence, EvidenceError, Level, Replay, TracePoint};
use notchwatch_evaluate::{EvaluateError, TraceError, TraceRow, Tracer};
use notchwatch_ingest::{Replayed, replay_quarantine};
use notchwatch_model::{ChannelIx, ClassId, RailwayFilter, Time, UnitKey};
use notchwatch_store::Store;
use notchwatch_wire::{Decoder, RegisterIndex};
use tokio::sync::watch;

/// Refused messages decoded again with the register of now.
#[derive(Debug)]
pub(crate) struct Redecoded {
    pub(crate) store: Store,
    pub(crate) decoder: Decoder,
    pub(crate) index: watch::Receiver<Arc<RegisterIndex>>,
}

impl Replay for Redecoded {
    fn again(
        &self,
        id: i64,
        filter: RailwayFilter,
    ) -> futures::future::BoxFuture<'_, notchwatch_store::Result<Again>> {
        Box::pin(async move {
            let index = Arc::clone(&self.index.borrow());
            Ok(match replay_quarantine(&self.store, &self.decoder, &index, id, &filter).await? {
                Replayed::Stored(_) => Again::Stored,
                Replayed::StillRefused(refused) => {
                    Again::StillRefused(refused.into_iter().map(|r| (r.reason, r.detail)).collect())
                }
                Replayed::Incomplete => Again::Incomplete,
                Replayed::Absent => Again::Absent,
            })
        })
    }
}

/// Traces folded again on request.
#[derive(Debug)]
pub(crate) struct FoldedEvidence(pub(crate) Tracer);

impl Evidence for FoldedEvidence {
    fn trace(
        &self,
        unit: UnitKey,
        channels: Vec<ChannelIx>,
        from: Time,
        to: Time,
    ) -> futures::future::BoxFuture<'_, Result<Vec<TracePoint>, EvidenceError>> {
        Box::pin(async move {
            let rows = self.0.trace(&unit, &channels, from, to).await.map_err(explain)?;
            Ok(rows.into_iter().map(point).collect())
        })
    }

    fn levels(
        &self,
        class: ClassId,
        units: Vec<UnitKey>,
        channel: ChannelIx,
        span: (Time, Time),
    ) -> futures::future::BoxFuture<'_, Result<Vec<Vec<Level>>, EvidenceError>> {
        Box::pin(async move {
            let found = self.0.levels(&class, units, channel, span).await.map_err(explain)?;
            let level = |l: notchwatch_detect::Level| Level {
                regime: l.regime,
                samples: l.samples,
                middle: l.middle,
            };
            Ok(found.into_iter().map(|of_unit| of_unit.into_iter().map(level).collect()).collect())
        })
    }
}

fn point(row: TraceRow) -> TracePoint {
    TracePoint {
        time: row.time,
        channel: row.channel,
        measured: row.measured,
        expected: row.expected,
        spread: row.spread,
        regime: row.regime,
        judged: row.judged,
    }
}

fn explain(error: TraceError) -> EvidenceError {
    match error {
        TraceError::UnknownUnit(_) | TraceError::UnknownClass => EvidenceError::UnknownUnit,
        TraceError::Evaluate(EvaluateError::Store(e)) if e.passes() => {
            EvidenceError::Unavailable(e.to_string())
        }
        TraceError::Evaluate(e) => EvidenceError::Failed(e.to_string()),
    }
}
