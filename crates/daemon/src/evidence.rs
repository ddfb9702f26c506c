//! Evidence for the desk: traces from evaluation, behind the desk's own trait.

use notchwatch_desk::{Evidence, EvidenceError, TracePoint};
use notchwatch_evaluate::{EvaluateError, TraceError, TraceRow, Tracer};
use notchwatch_model::{ChannelIx, Time, UnitKey};

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
        TraceError::UnknownUnit(_) => EvidenceError::UnknownUnit,
        TraceError::Evaluate(EvaluateError::Store(e)) if e.passes() => {
            EvidenceError::Unavailable(e.to_string())
        }
        TraceError::Evaluate(e) => EvidenceError::Failed(e.to_string()),
    }
}
