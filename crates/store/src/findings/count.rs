//! Counting findings by kind, priority and state, so that what stands above a list does not depend on its page.

use notchwatch_model::{AccountName, ClassId, FindingKind, Priority, RailwayFilter, RailwayId, System, Time};

use super::{FindingCount, FindingQuery};
use crate::access::seen;
use crate::db::{Row, values};
use crate::{Error, Result, Store};

impl Store {
    /// Counts of the findings that the query's railway, class, system and openness admit, at `now`; `me` is whose own are
    /// counted. Other fields of the query are left out: they are what the counts tell apart.
    pub async fn finding_counts(
        &self,
        query: &FindingQuery,
        me: &AccountName,
        filter: &RailwayFilter,
        now: Time,
    ) -> Result<Vec<FindingCount>> {
        // Passing as lists do; kinds and priorities that are none are told by who reads the findings.
        let sql = "SELECT kind, priority, COUNT(*) AS n, \
             SUM(CASE WHEN COALESCE(out_until, 0) > $8 OR COALESCE(shelved_until, 0) > $8 THEN 0 ELSE 1 END) AS shown, \
             SUM(CASE WHEN COALESCE(out_until, 0) > $8 OR COALESCE(shelved_until, 0) > $8 \
                 OR occurrence <= acknowledged_occurrence THEN 0 ELSE 1 END) AS unacknowledged, \
             SUM(CASE WHEN taken_by = $9 THEN 1 ELSE 0 END) AS mine, \
             SUM(CASE WHEN COALESCE(shelved_until, 0) > $8 AND COALESCE(out_until, 0) <= $8 THEN 1 ELSE 0 END) AS shelved, \
             SUM(CASE WHEN COALESCE(out_until, 0) > $8 THEN 1 ELSE 0 END) AS out_of_service \
             FROM finding WHERE NOT (id IN TEXTS($10)) AND ($1 OR railway IN TEXTS($2)) AND ($3 IS NULL OR railway = $3) \
             AND ($4 IS NULL OR class = $4) AND ($5 IS NULL OR system = $5) AND ($6 OR open = $7) \
             GROUP BY kind, priority ORDER BY kind, priority";
        let (all, railways) = seen(filter);
        let values = values![
            all,
            railways,
            query.railway.as_ref().map(RailwayId::as_str),
            query.class.as_ref().map(ClassId::as_str),
            query.system.map(System::word),
            query.open.is_none(),
            query.open.unwrap_or_default(),
            now,
            me.as_str(),
        ];
        let (rows, _) = self.fetch_passing(sql, values).await?;
        Ok(rows.iter().filter_map(|row| count(row).ok()).collect())
    }
}

fn count(row: &Row) -> Result<FindingCount> {
    Ok(FindingCount {
        kind: row.parsed::<FindingKind>("kind")?,
        priority: priority(row.int("priority")?)?,
        all: row.count("n")?,
        shown: row.count("shown")?,
        unacknowledged: row.count("unacknowledged")?,
        mine: row.count("mine")?,
        shelved: row.count("shelved")?,
        out_of_service: row.count("out_of_service")?,
    })
}

/// A priority by its place in lists.
pub(crate) fn priority(place: i64) -> Result<Priority> {
    usize::try_from(place).ok().and_then(|place| Priority::ALL.get(place)).copied().ok_or_else(|| {
        Error::Damaged { place: "column priority".into(), what: format!("{place} is not a priority") }
    })
}
