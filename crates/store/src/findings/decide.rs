//! Taking decisions: read, judged and recorded in one writing transaction, so that of two that race one wins.

use std::collections::HashMap;

use notchwatch_model::{Act, DecisionId, EventId, Finding, FindingId, OperatorPart, RailwayFilter};

use super::rows::{NewEvent, Stored, locked, put_events, put_operator, stored};
use super::{EventKind, Judge, NewDecision, Verdict, Verdicted};
use crate::db::{Tx, values};
use crate::register::{give, json};
use crate::{Error, Result, Store};

impl Store {
    /// Takes a decision: reads the finding inside the write transaction, asks `judge`, and records what it says.
    ///
    /// `None` when there is no such finding or the filter does not admit its railway. A decision that does not take
    /// effect is recorded too, but for a repeat. Of two decisions on one version, the second is judged on what the
    /// first made of the finding. Another finding that the act names is read and written in the same transaction; it
    /// is judged as absent when the filter does not admit it.
    pub async fn decide(
        &self,
        decision: &NewDecision,
        filter: &RailwayFilter,
        judge: Judge<'_>,
    ) -> Result<Option<Verdicted>> {
        let mut tx = self.shared.db.write().await?;
        // Taken first by every writer of findings, so that two of them never wait for each other.
        give(&mut tx, "event", 0).await?;
        let ids = [&decision.finding].into_iter().chain(decision.act.other());
        let rows = locked(&mut tx, ids.map(ToString::to_string).collect()).await?;
        let known = rows.iter().map(stored).collect::<Result<Vec<_>>>()?;
        let mut known: HashMap<FindingId, Stored> =
            known.into_iter().map(|stored| (stored.finding.machine.id.clone(), stored)).collect();
        let mut admitted = |id: &FindingId| {
            known.remove(id).map(|s| s.finding).filter(|f| filter.admits(&f.machine.unit.railway))
        };
        let Some(before) = admitted(&decision.finding) else { return Ok(None) };
        let other = decision.act.other().and_then(admitted);
        let verdict = judge(&before, other.as_ref());
        let changed = match (&verdict, other) {
            (Verdict::Apply(operator), _) => vec![(before.clone(), operator)],
            (Verdict::Both(both), Some(other)) => {
                vec![(before.clone(), &both.0), (other, &both.1)]
            }
            (Verdict::Repeat | Verdict::Stale | Verdict::Refuse(_) | Verdict::Both(..), _) => vec![],
        };
        let (finding, id) = if changed.is_empty() {
            let recorded = match &verdict {
                Verdict::Repeat => None,
                _ => Some(put_decision(&mut tx, decision, &before, false).await?),
            };
            tx.commit().await?;
            (before, recorded)
        } else {
            let (finding, id, newest) = apply(&mut tx, decision, changed).await?;
            tx.commit().await?;
            if let Some(newest) = newest {
                self.tell(newest);
            }
            (finding.unwrap_or(before), Some(id))
        };
        Ok(Some(Verdicted { verdict, finding, decision: id }))
    }
}

/// Writes the operator halves with the decision and an event for each finding. Returns the first finding as it stands.
async fn apply(
    tx: &mut Tx,
    decision: &NewDecision,
    changed: Vec<(Finding, &OperatorPart)>,
) -> Result<(Option<Finding>, DecisionId, Option<EventId>)> {
    let pairs: Vec<(bool, Finding)> = changed
        .into_iter()
        .map(|(before, operator)| {
            let version = before.version.saturating_add(1);
            (before.open(), Finding { operator: operator.clone(), version, ..before })
        })
        .collect();
    let first = pairs.first().map(|(_, finding)| finding.clone());
    let Some(finding) = &first else {
        return Err(Error::Refused("a decision that changes no finding".to_owned()));
    };
    let id = put_decision(tx, decision, finding, true).await?;
    let mut events = Vec::new();
    for (was_open, finding) in pairs {
        put_operator(tx, &finding).await?;
        let kind = if was_open && !finding.open() { EventKind::Closed } else { EventKind::Decided };
        events.push(NewEvent { at: decision.at, kind, finding, decision: Some(id) });
    }
    let newest = put_events(tx, &events).await?.last().copied();
    Ok((first, id, newest))
}

/// The other finding that a decision concerns, as it is recorded.
fn other<'a>(act: &'a Act, after: &'a Finding) -> Option<&'a FindingId> {
    match act {
        Act::Split { .. } => after.operator.split_off.last(),
        _ => act.other(),
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
    let sql = "INSERT INTO decision (id, at, account, railway, unit, finding, act, seen, effective, other) \
               VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
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
        other(&decision.act, finding).filter(|_| effective).map(FindingId::as_str),
    ];
    tx.execute(sql, values).await?;
    Ok(DecisionId(id))
}
