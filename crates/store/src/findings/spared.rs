//! The decision log as evaluation reads it: past what cannot be read.
//!
//! Owns that one damaged decision costs itself alone. People's reads of a finding's decisions say that one is damaged.

use notchwatch_model::{Decision, DecisionId};

use super::rows::decision;
use crate::damage::Place;
use crate::db::values;
use crate::{Error, Result, Store, int};

impl Store {
    /// Decisions after a position, in order, and the position read to: the same when nothing is after it. What cannot be
    /// read is noted as damage and left out.
    pub async fn decisions_spared(
        &self,
        after: DecisionId,
        limit: usize,
    ) -> Result<(Vec<Decision>, DecisionId)> {
        match self.decisions_after(after, limit).await {
            Ok(page) => {
                let to = page.last().map_or(after, |last| last.id);
                Ok((page, to))
            }
            Err(Error::Damaged { .. }) => self.decisions_one_by_one(after, limit).await,
            Err(other) => Err(other),
        }
    }

    async fn decisions_one_by_one(
        &self,
        after: DecisionId,
        limit: usize,
    ) -> Result<(Vec<Decision>, DecisionId)> {
        let sql = "SELECT id, at, account, railway, unit, finding, act, seen, effective FROM decision WHERE id = $1";
        let (mut read, mut to) = (Vec::new(), after);
        for id in self.decision_ids(after.0, limit).await? {
            let found = self.shared.db.fetch_for_work(sql, values![id]).await;
            let found = found.and_then(|rows| rows.first().map(decision).transpose());
            read.extend(self.shared.known.spare(Place::Decision { id }, found)?);
            to = DecisionId(id);
        }
        Ok((read, to))
    }

    /// Ids after one, as they stand in the table; where that cannot be read, all that were given.
    async fn decision_ids(&self, after: i64, limit: usize) -> Result<Vec<i64>> {
        let sql = "SELECT id FROM decision WHERE id > $1 ORDER BY id LIMIT $2";
        match self.shared.db.fetch_for_work(sql, values![after, int(limit)]).await {
            Ok(rows) => rows.iter().map(|row| row.int("id")).collect(),
            Err(Error::Damaged { .. }) => {
                let sql = "SELECT value FROM counter WHERE name = 'decision'";
                let rows = self.shared.db.fetch_for_work(sql, values![]).await?;
                let newest = rows.first().map_or(Ok(after), |row| row.int("value"))?;
                Ok((after + 1..=newest.min(after.saturating_add(int(limit)))).collect())
            }
            Err(other) => Err(other),
        }
    }
}
