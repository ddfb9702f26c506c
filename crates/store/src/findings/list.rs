//! Reading findings, by what a caller may see.

use notchwatch_model::{
    ClassId, Finding, FindingId, FindingKind, RailwayFilter, RailwayId, System, Time, UnitKey, WorkList,
};

use super::rows::{finding, finding_columns, rank};
use super::{Cursor, FindingQuery, Page, Shown};
use crate::access::seen;
use crate::damage::Place;
use crate::db::{Row, Value, values};
use crate::{Error, Result, Store, int, page_size};

/// What stands in `$21` is passed over before anything else of it is looked at.
const LIST: &str = concat!(
    "SELECT id, priority, due, onset, ",
    finding_columns!(),
    " FROM finding WHERE NOT (id IN TEXTS($21)) AND ($1 OR railway IN TEXTS($2)) AND ($3 IS NULL OR railway = $3) \
     AND ($4 IS NULL OR unit = $4) AND ($5 IS NULL OR class = $5) AND ($6 IS NULL OR system = $6) \
     AND ($7 OR kind IN TEXTS($16)) AND ($8 IS NULL OR priority = $8) \
     AND ($9 OR open = $10) AND ($11 IS NULL OR opened >= $11) \
     AND ($12 IS NULL OR (priority, due, onset, id) > ($12, $19, $13, $14)) \
     AND ($17 IS NULL OR CASE $17 \
       WHEN 'open' THEN COALESCE(out_until, 0) <= $18 AND COALESCE(shelved_until, 0) <= $18 \
       WHEN 'unacknowledged' THEN COALESCE(out_until, 0) <= $18 AND COALESCE(shelved_until, 0) <= $18 \
         AND occurrence > acknowledged_occurrence \
       WHEN 'mine' THEN COALESCE(taken_by, '') = $20 \
       WHEN 'new' THEN COALESCE(out_until, 0) <= $18 AND COALESCE(shelved_until, 0) <= $18 \
         AND taken_by IS NULL AND COALESCE(waiting_until, 0) <= $18 \
       WHEN 'taken' THEN taken_by IS NOT NULL AND COALESCE(waiting_until, 0) <= $18 \
       WHEN 'waiting' THEN COALESCE(waiting_until, 0) > $18 \
       WHEN 'shelved' THEN COALESCE(shelved_until, 0) > $18 AND COALESCE(out_until, 0) <= $18 \
       ELSE COALESCE(out_until, 0) > $18 END) \
     ORDER BY priority, due, onset, id LIMIT $15"
);
const OF_UNIT: &str = concat!(
    "SELECT id, ",
    finding_columns!(),
    " FROM finding WHERE NOT (id IN TEXTS($4)) AND railway = $1 AND unit = $2 AND (open OR opened >= $3) \
     ORDER BY opened, id"
);
/// With everything that lists, counts and commits look at: what stops them must stop this.
const THESE: &str = concat!(
    "SELECT id, ",
    finding_columns!(),
    ", railway, unit, class, system, kind, priority, open, due, onset, opened, active, occurrence, \
     acknowledged_occurrence, told, taken_by, waiting_until, shelved_until, out_until FROM finding WHERE id IN TEXTS($1)"
);

impl Store {
    /// A page of findings, by priority (critical first), then the time at which a limit is reached (soonest first), then
    /// onset (oldest first). `now` ends shelves, waits and times out of service. One that cannot be read is noted as damage
    /// and left out.
    pub async fn findings(
        &self,
        query: &FindingQuery,
        filter: &RailwayFilter,
        now: Time,
    ) -> Result<Page<Finding>> {
        let (all, railways) = seen(filter);
        let limit = page_size(query.limit);
        let railway = query.railway.as_ref().or(query.unit.as_ref().map(|u| &u.railway));
        if let (Some(railway), Some(unit)) = (&query.railway, &query.unit)
            && *railway != unit.railway
        {
            return Ok(Page { items: Vec::new(), next: None, left_out: false });
        }
        let after = query.after.as_ref().map(place).transpose()?;
        let (after_rank, after_due, after_onset, after_id) = match after {
            Some((rank, due, onset, id)) => (Some(rank), Some(due), Some(onset), Some(id)),
            None => (None, None, None, None),
        };
        let me = match &query.state {
            Some(Shown::Mine(me)) => Some(me.as_str()),
            _ => None,
        };
        let values = values![
            all,
            railways,
            railway.map(RailwayId::as_str),
            query.unit.as_ref().map(|u| u.unit.as_str()),
            query.class.as_ref().map(ClassId::as_str),
            query.system.map(System::word),
            query.kind.is_none() && query.list.is_none(),
            query.priority.map(rank),
            query.open.is_none(),
            query.open.unwrap_or_default(),
            query.since,
            after_rank,
            after_onset,
            after_id,
            int(limit + 1),
            kinds(query),
            query.state.as_ref().map(Shown::word),
            now,
            after_due,
            me,
        ];
        let (mut rows, passed) = self.fetch_passing(LIST, values).await?;
        let more = rows.len() > limit;
        rows.truncate(limit);
        let next = rows.last().filter(|_| more).map(cursor).transpose()?;
        let items = self.spared_findings(&rows)?;
        let left_out = passed || items.len() < rows.len();
        Ok(Page { items, next, left_out })
    }

    /// One finding, if the filter admits its railway.
    pub async fn finding(&self, id: &FindingId, filter: &RailwayFilter) -> Result<Option<Finding>> {
        let sql = concat!(
            "SELECT ",
            finding_columns!(),
            " FROM finding WHERE id = $3 AND ($1 OR railway IN TEXTS($2))"
        );
        let (all, railways) = seen(filter);
        let rows = self.fetch(sql, values![all, railways, id.as_str()]).await?;
        rows.first().map(finding).transpose()
    }

    /// Machine and operator parts of every finding of a unit that is open or was opened at or after `since`; one that cannot
    /// be read is noted as damage and left out.
    pub async fn unit_findings(&self, unit: &UnitKey, since: Time) -> Result<Vec<Finding>> {
        let values = values![unit.railway.as_str(), unit.unit.as_str(), since];
        self.spared_findings(&self.fetch_passing(OF_UNIT, values).await?.0)
    }

    /// Rows of findings, but for those on pages that cannot be read. A statement that meets one fails as a whole; so it is told,
    /// as its last value, what to pass over: what is known to be damaged, and if that is not all, what is found when they are
    /// read apart. Returns also whether there was any.
    pub(super) async fn fetch_passing(
        &self,
        sql: &'static str,
        values: Vec<Value>,
    ) -> Result<(Vec<Row>, bool)> {
        let passing = |some: Vec<String>| {
            let mut values = values.clone();
            values.extend(values![some]);
            self.fetch(sql, values)
        };
        match passing(Vec::new()).await {
            Err(Error::Damaged { .. }) => {}
            rows => return Ok((rows?, false)),
        }
        let known = self.shared.known.findings();
        if !known.is_empty() {
            match passing(known).await {
                Err(Error::Damaged { .. }) => {}
                rows => return Ok((rows?, true)),
            }
        }
        let rows = match self.fetch("SELECT id FROM finding", values![]).await {
            Ok(ids) => {
                let ids = ids.iter().map(|row| row.text("id")).collect::<Result<Vec<_>>>()?;
                passing(self.unreadable(ids).await?).await
            }
            failed => failed,
        };
        if let Err(Error::Damaged { what, .. }) = &rows {
            self.shared.known.note(Place::Table("finding"), what.clone());
        }
        Ok((rows?, true))
    }

    fn spared_findings(&self, rows: &[Row]) -> Result<Vec<Finding>> {
        self.shared.known.spare_each(rows, |row| Ok(Place::Finding(row.text("id")?)), finding)
    }

    /// Notes which of these findings cannot be read from their pages, and returns them.
    pub(crate) async fn unreadable(&self, ids: Vec<String>) -> Result<Vec<String>> {
        let (rows, lost) = self.apart(THESE, ids).await?;
        self.spared_findings(&rows)?;
        let known = &self.shared.known;
        let noted = lost
            .into_iter()
            .map(|(id, why)| known.spare(Place::Finding(id.clone()), Err::<(), _>(why)).map(|()| id));
        noted.collect()
    }
}

/// Kinds that the query admits by kind and list.
fn kinds(query: &FindingQuery) -> Vec<String> {
    let of_kind = FindingKind::ALL.iter().filter(|kind| query.kind.is_none_or(|wanted| wanted == **kind));
    let of_list = of_kind.filter(|kind| query.list.is_none_or(|list| WorkList::of(**kind) == list));
    of_list.map(ToString::to_string).collect()
}

fn cursor(last: &Row) -> Result<Cursor> {
    let (rank, due, onset) = (last.int("priority")?, last.int("due")?, last.int("onset")?);
    Ok(Cursor(format!("{rank}:{due}:{onset}:{}", last.text("id")?)))
}

fn place(cursor: &Cursor) -> Result<(i64, i64, i64, String)> {
    let read = || {
        let mut parts = cursor.0.splitn(4, ':');
        let (rank, due) = (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
        let onset = parts.next()?.parse().ok()?;
        let id = FindingId::new(parts.next()?).ok()?;
        Some((rank, due, onset, id.to_string()))
    };
    read().ok_or_else(|| Error::Refused(format!("{:?} is not a place in this list", cursor.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_come_back_and_others_are_refused() {
        assert_eq!(place(&Cursor("1:7:-5:f-1".into())).unwrap(), (1, 7, -5, "f-1".into()));
        for bad in ["", "1", "1:2", "1:2:3", "a:2:3:f", "1:2:3:", "1:2:3:f'--"] {
            assert!(matches!(place(&Cursor(bad.into())), Err(Error::Refused(_))), "{bad:?}");
        }
    }
}
