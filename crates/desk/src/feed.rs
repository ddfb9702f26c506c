//! What comes in and what was refused: progress of the units, learning, quarantine.
//!
//! Owns that a caller sees the units and refusals of the caller's railways only.

use std::collections::HashMap;
use std::sync::Arc;

use notchwatch_model::{Principal, RailwayFilter, Reason, Time, UnitComms, UnitKey};
use notchwatch_store::{AuditEntry, Cursor, OwnOutage, Page, QuarantineQuery, QuarantineRow, UnitProgress};

use crate::decide::MAX_PAGE;
use crate::error::{DeskError, Result};
use crate::evidence::{Again, Replay};
use crate::{Desk, link, may_decide};

/// State of the feed, for the railways of one caller.
#[derive(Debug, Clone, PartialEq)]
pub struct Feed {
    /// When it was read, for ages.
    pub now: Time,
    /// How far each unit is judged, and what it still has to learn.
    pub progress: Vec<UnitProgress>,
    /// Refused messages and records by reason.
    pub quarantine: Vec<(Reason, u64)>,
    /// Rows of quarantine that its bounds have dropped, ever; told to who sees every railway alone.
    pub quarantine_dropped: Option<u64>,
    /// State of each unit's link: as judged last, and what was heard since.
    pub comms: Vec<UnitComms>,
    /// The newest outages of this service, which concern every railway.
    pub own_outages: Vec<OwnOutage>,
}

/// What came of another try at several refused things.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Replays {
    /// Stored now.
    pub stored: u64,
    /// Still refused.
    pub still_refused: u64,
    /// Not to be read again: their bytes were not kept whole, or they are gone by now.
    pub incomplete: u64,
    /// Where the rest of the set begins.
    pub next: Option<Cursor>,
}

/// Most refused things tried again with one call: each is a commit of its own, and a call answers within seconds.
pub const MAX_REPLAYS: usize = 100;

/// Outages of our own that are shown.
const OWN_OUTAGES: usize = 10;

impl Desk {
    /// State of the feed.
    pub async fn feed(&self, who: &Principal) -> Result<Feed> {
        let now = self.now();
        let register = self.register(who).await?;
        let statuses = register.units.iter().map(|u| (u.key(), u.status)).collect();
        let comms = self.store().comms(&who.railways).await?;
        // Read after the states: what was received meanwhile may only be newer.
        let progress = self.store().progress(&who.railways).await?;
        let comms = link::follow(comms, &progress, &statuses, now);
        Ok(Feed {
            now,
            progress,
            quarantine: self.quarantine_counts(who).await?,
            quarantine_dropped: self.quarantine_dropped(who).await?,
            comms,
            own_outages: self.store().own_outages(OWN_OUTAGES).await?,
        })
    }

    /// How far one unit is judged, and the state of its link.
    pub async fn link(
        &self,
        who: &Principal,
        key: &UnitKey,
    ) -> Result<(Option<UnitProgress>, Option<UnitComms>)> {
        let (unit, _) = self.unit(who, key).await?;
        let own = std::slice::from_ref(key);
        let comms = self.store().comms_of(own).await?;
        let progress = self.store().progress_of(own).await?;
        let links = link::follow(comms, &progress, &HashMap::from([(key.clone(), unit.status)]), self.now());
        Ok((progress.into_iter().next(), links.into_iter().next()))
    }

    /// How many places of the store were found damaged since the start and are left out of what is shown. Says
    /// nothing of any railway.
    #[must_use]
    pub fn store_damage(&self) -> usize {
        self.store().damage().len()
    }

    /// Bytes of the store's write-ahead log while somebody outside keeps it from being cut back; `None` while nobody does.
    #[must_use]
    pub fn store_log_held(&self) -> Option<u64> {
        self.store().log_bytes().filter(|_| self.store().log_held())
    }

    /// A page of refused things, newest first.
    pub async fn quarantine(&self, who: &Principal, query: QuarantineQuery) -> Result<Page<QuarantineRow>> {
        let query = QuarantineQuery { limit: query.limit.min(MAX_PAGE), ..query };
        Ok(self.store().quarantine(&query, &who.railways).await?)
    }

    /// One refused thing with its bytes, as received.
    pub async fn quarantine_row(&self, who: &Principal, id: i64) -> Result<(QuarantineRow, Vec<u8>)> {
        self.store().quarantine_row(id, &who.railways).await?.ok_or(DeskError::NotFound)
    }

    /// Tries a refused message again, once its cause is mended. Done twice, it stores nothing twice.
    pub async fn replay(&self, who: &Principal, id: i64) -> Result<Again> {
        may_decide(who)?;
        let again = self.replayer()?.again(id, who.railways.clone()).await?;
        if again == Again::Absent {
            return Err(DeskError::NotFound);
        }
        self.audit_replay(who, id.to_string()).await?;
        Ok(again)
    }

    /// Tries a page of a filtered set again, [`MAX_REPLAYS`] at most, newest first. What an error cuts short is done as
    /// far as it went; done again, it stores nothing twice.
    pub async fn replay_all(&self, who: &Principal, query: QuarantineQuery) -> Result<Replays> {
        may_decide(who)?;
        let replay = self.replayer()?;
        let limit = query.limit.clamp(1, MAX_REPLAYS);
        let page = self.quarantine(who, QuarantineQuery { limit, ..query }).await?;
        let mut done = Replays { next: page.next, ..Replays::default() };
        for row in &page.items {
            match replay.again(row.id, who.railways.clone()).await? {
                Again::Stored => done.stored += 1,
                Again::StillRefused(_) => done.still_refused += 1,
                Again::Incomplete | Again::Absent => done.incomplete += 1,
            }
        }
        if let (Some(newest), Some(oldest)) = (page.items.first(), page.items.last()) {
            let on = format!("{} of {} to {}", page.items.len(), oldest.id, newest.id);
            self.audit_replay(who, on).await?;
        }
        Ok(done)
    }

    fn replayer(&self) -> Result<&Arc<dyn Replay>> {
        self.inner.replay.get().ok_or_else(|| {
            DeskError::Internal("nobody reads refused messages again in this process".to_owned())
        })
    }

    async fn audit_replay(&self, who: &Principal, on: String) -> Result<()> {
        let (at, by) = (self.now(), who.name.to_string());
        let entry = AuditEntry { at, by, what: "quarantine-replayed".to_owned(), on };
        Ok(self.store().audit(&entry).await?)
    }

    /// Rows that the bounds of quarantine have dropped, ever. They are counted over all railways together, so only who
    /// sees every one is told.
    pub async fn quarantine_dropped(&self, who: &Principal) -> Result<Option<u64>> {
        match who.railways {
            RailwayFilter::All => Ok(Some(self.store().quarantine_dropped().await?)),
            RailwayFilter::Only(_) => Ok(None),
        }
    }

    /// The same for metrics, which people's reads do not hold up.
    pub async fn whole_quarantine_dropped(&self) -> Result<u64> {
        Ok(self.store().for_work().quarantine_dropped().await?)
    }

    /// Refused things by reason.
    pub async fn quarantine_counts(&self, who: &Principal) -> Result<Vec<(Reason, u64)>> {
        Ok(self.store().quarantine_counts(&who.railways).await?)
    }
}
