//! Findings as a person or token sees them, and the decisions they take.
//!
//! Owns that every read passes the railway filter and every act the rules of findings. Who may not see a railway
//! never learns whether an id of it exists.

use notchwatch_findings::{Ruling, rule};
use notchwatch_model::{AccountName, Act, Decision, EventId, Finding, FindingId, Principal, RailwayId};
use notchwatch_store::{
    Account, Event, FindingCount, FindingQuery, HistoryEntry, LogPart, NewDecision, Page, Verdict, Verdicted,
};
use tokio::sync::watch;

use crate::error::{DeskError, Result};
use crate::{Desk, may_decide};

/// Most items of one page.
pub(crate) const MAX_PAGE: usize = 500;

impl Desk {
    /// A page of findings, by priority, then the time left, then onset.
    pub async fn findings(&self, who: &Principal, query: FindingQuery) -> Result<Page<Finding>> {
        let query = FindingQuery { limit: query.limit.min(MAX_PAGE), ..query };
        Ok(self.store().findings(&query, &who.railways, self.now()).await?)
    }

    /// How many findings are of which kind, priority and state, among those that the query's railway, class, system and
    /// openness admit; the asker's own are counted too.
    pub async fn finding_counts(&self, who: &Principal, query: &FindingQuery) -> Result<Vec<FindingCount>> {
        Ok(self.store().finding_counts(query, &who.name, &who.railways, self.now()).await?)
    }

    /// One finding.
    pub async fn finding(&self, who: &Principal, id: &FindingId) -> Result<Finding> {
        self.store().finding(id, &who.railways).await?.ok_or(DeskError::NotFound)
    }

    /// History of a finding, oldest first.
    pub async fn history(&self, who: &Principal, id: &FindingId) -> Result<Vec<HistoryEntry>> {
        self.finding(who, id).await?;
        Ok(self.store().history(id, &who.railways).await?)
    }

    /// What was decided on a finding or with it, oldest first: its history without what the machine said.
    pub async fn decisions_on(&self, who: &Principal, id: &FindingId) -> Result<Vec<Decision>> {
        self.finding(who, id).await?;
        Ok(self.store().decisions_on(id, &who.railways).await?)
    }

    /// Takes a decision on a finding of which version `seen` was seen. Returns the finding as it stands after it.
    /// The loser of a race gets [`DeskError::Conflict`] with the present record.
    pub async fn decide(&self, who: &Principal, id: &FindingId, seen: u32, act: Act) -> Result<Finding> {
        may_decide(who)?;
        if let Act::Hand { to } = &act {
            let railway = self.finding(who, id).await?.machine.unit.railway;
            if !self.colleagues(who, &railway).await?.contains(to) {
                let why = format!("{to} is no account that may decide on findings of {railway}");
                return Err(DeskError::Refused(why));
            }
        }
        let decision =
            NewDecision { finding: id.clone(), seen, by: who.name.clone(), at: self.now(), act: tidy(act) };
        let judge = |finding: &Finding, other: Option<&Finding>| {
            verdict(rule(finding, other, &decision.act, decision.seen, &decision.by, decision.at))
        };
        let verdicted = self.store().decide(&decision, &who.railways, &judge).await?;
        let Verdicted { verdict, finding, .. } = verdicted.ok_or(DeskError::NotFound)?;
        match verdict {
            Verdict::Apply(_) | Verdict::Both(..) | Verdict::Repeat => Ok(finding),
            Verdict::Stale => Err(DeskError::Conflict(Box::new(finding))),
            Verdict::Refuse(why) => Err(DeskError::Refused(why)),
        }
    }

    /// Accounts that may decide on findings of a railway, by name: to whom a finding can be handed. Only for who may
    /// decide there.
    pub async fn colleagues(&self, who: &Principal, railway: &RailwayId) -> Result<Vec<AccountName>> {
        may_decide(who)?;
        if !who.railways.admits(railway) {
            return Err(DeskError::NotFound);
        }
        let accounts = self.store().accounts().await?;
        let fits = |a: &Account| a.enabled && a.role.decides() && a.railways.admits(railway);
        Ok(accounts.into_iter().filter(fits).map(|a| a.name).collect())
    }

    /// Events after a position that the asker may see, in order.
    pub async fn events_after(
        &self,
        who: &Principal,
        after: EventId,
        limit: usize,
    ) -> Result<LogPart<Event, EventId>> {
        Ok(self.store().events_after(after, &who.railways, limit.clamp(1, MAX_PAGE)).await?)
    }

    /// Oldest and newest event id kept, of all railways: ids carry nothing but their order.
    pub async fn event_range(&self) -> Result<Option<(EventId, EventId)>> {
        Ok(self.store().event_range().await?)
    }

    /// Newest event id, as it moves.
    pub fn watch_events(&self) -> watch::Receiver<EventId> {
        self.store().watch_events()
    }
}

fn verdict(ruling: Ruling) -> Verdict {
    match ruling {
        Ruling::Apply(operator) => Verdict::Apply(operator),
        Ruling::Both(both) => Verdict::Both(both),
        Ruling::Repeat => Verdict::Repeat,
        Ruling::Stale => Verdict::Stale,
        Ruling::Refuse(why) => Verdict::Refuse(why),
    }
}

/// Line ends as one character: browsers send two for each in a text area.
fn tidy(act: Act) -> Act {
    let lines = |text: String| text.replace("\r\n", "\n");
    match act {
        Act::Note { text } => Act::Note { text: lines(text) },
        Act::Wait { until, reason } => Act::Wait { until, reason: lines(reason) },
        Act::Shelve { until, reason } => Act::Shelve { until, reason: lines(reason) },
        Act::Close { outcome, note } => Act::Close { outcome, note: note.map(lines) },
        Act::OutOfService { until, reason } => Act::OutOfService { until, reason: lines(reason) },
        Act::Reopen { reason } => Act::Reopen { reason: lines(reason) },
        Act::Acknowledge
        | Act::Take
        | Act::GiveBack
        | Act::Hand { .. }
        | Act::Unshelve
        | Act::BackInService
        | Act::Merge { .. }
        | Act::Split { .. } => act,
    }
}
