//! Taking decisions: read, judged and recorded in one writing transaction, so that of two that race one wins.

use notchwatch_model::{DecisionId, Finding, RailwayFilter};

use super::rows::{NewEvent, put_events, put_operator, stored};
use super::{EventKind, NewDecision, Verdict, Verdicted};
use crate::db::{Tx, values};
use crate::register::{give, json};
use crate::{Result, Store};

impl Store {
    /// Takes a decision: reads the finding inside the write transaction, asks `judge`, and records what it says.
    ///
    /// `None` when there is no such finding or the filter does not admit its railway. A decision that does not take
    /// effect is recorded too, but for a repeat. Of two decisions on one version, the second is judged on what the
    /// first made of the finding.
    pub async fn decide(
        &self,
        decision: &NewDecision,
        filter: &RailwayFilter,
        judge: &(dyn Fn(&Finding) -> Verdict + Send + Sync),
    ) -> Result<Option<Verdicted>> {
        let mut tx = self.shared.db.write().await?;
        // Taken first by every writer of findings, so that two of them never wait for each other.
        give(&mut tx, "event", 0).await?;
        let known = stored(&mut tx, vec![decision.finding.to_string()]).await?;
        let Some(before) = known.into_values().map(|s| s.finding).next() else { return Ok(None) };
        if !filter.admits(&before.machine.unit.railway) {
            return Ok(None);
        }
        let verdict = judge(&before);
        let (finding, id) = match &verdict {
            Verdict::Repeat => (before, None),
            Verdict::Stale | Verdict::Refuse(_) => {
                let id = put_decision(&mut tx, decision, &before, false).await?;
                (before, Some(id))
            }
            Verdict::Apply(operator) => {
                let after = Finding {
                    operator: operator.clone(),
                    version: before.version.saturating_add(1),
                    ..before.clone()
                };
                let id = put_decision(&mut tx, decision, &after, true).await?;
                put_operator(&mut tx, &after).await?;
                let kind =
                    if before.open() && !after.open() { EventKind::Closed } else { EventKind::Decided };
                let event = NewEvent { at: decision.at, kind, finding: after.clone(), decision: Some(id) };
                let events = put_events(&mut tx, &[event]).await?;
                tx.commit().await?;
                if let Some(newest) = events.last() {
                    self.tell(*newest);
                }
                return Ok(Some(Verdicted { verdict, finding: after, decision: Some(id) }));
            }
        };
        tx.commit().await?;
        Ok(Some(Verdicted { verdict, finding, decision: id }))
    }
}

async fn put_decision(
    tx: &mut Tx,
    decision: &NewDecision,
    finding: &Finding,
    effective: bool,
) -> Result<DecisionId> {
    let id = give(tx, "decision", 1).await?;
    let unit = &finding.machine.unit;
    let sql = "INSERT INTO decision (id, at, account, railway, unit, finding, act, seen, effective) \
               VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
    let values = values![
        id,
        decision.at,
        decision.by.as_str(),
        unit.railway.as_str(),
        unit.unit.as_str(),
        decision.finding.as_str(),
        json(&decision.act)?,
        i64::from(decision.seen),
        effective,
    ];
    tx.execute(sql, values).await?;
    Ok(DecisionId(id))
}
