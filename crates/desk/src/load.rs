//! Operator load and positions.
//!
//! Owns that a caller sees positions and counts of the caller's railways only, and that there is always a position.

use std::time::{Duration, Instant};

use notchwatch_findings::{LOAD_DAYS, Load, STALE_AFTER, clean_text};
use notchwatch_model::{Arrival, EventId, Position, PositionId, Principal, RailwayFilter, Span, Time};
use notchwatch_store::Store;

use crate::error::{DeskError, Result};
use crate::{Desk, may_administer};

/// Longest title of a position, in characters.
const MAX_TITLE_CHARS: usize = 100;
/// Name of the position that covers everything while none is made.
const EVERYTHING: &str = "all";

/// Load of every position.
#[derive(Debug, Clone)]
pub struct Loads {
    /// Begin of the period.
    pub from: Time,
    /// Its end.
    pub now: Time,
    /// Each position with its load, by id.
    pub positions: Vec<(Position, Load)>,
    /// New findings of the period that no position covers: nobody is told to look at them.
    pub uncovered: u64,
    /// Whether positions were made; without any, one that covers everything stands in.
    pub made: bool,
}

/// How long figures serve again while nothing happens: they move with the clock too.
const KEPT: Duration = Duration::from_secs(30);
/// Filters whose figures are kept; the oldest go.
const MOST_KEPT: usize = 16;

/// Figures that serve again, with the newest event that they know.
#[derive(Debug)]
pub(crate) struct Kept {
    at: Instant,
    of: RailwayFilter,
    event: Option<EventId>,
    loads: Loads,
}

impl Desk {
    /// Load of the positions over the last thirty days, from what the caller may see.
    pub async fn load(&self, who: &Principal) -> Result<Loads> {
        self.loads(self.store(), &who.railways).await
    }

    /// The same over all railways, for metrics, which people's reads do not hold up.
    pub async fn whole_load(&self) -> Result<Loads> {
        self.loads(&self.store().for_work(), &RailwayFilter::All).await
    }

    /// The figures, or those of a moment ago when nothing happened since: every page of the queue shows them, and they
    /// are counted from up to a hundred thousand findings. Callers at the same time wait for one count.
    async fn loads(&self, store: &Store, filter: &RailwayFilter) -> Result<Loads> {
        let mut kept = self.inner.loads.lock().await;
        // Read before the findings: what happens meanwhile is counted again next time.
        let event = store.event_range().await?.map(|(_, newest)| newest);
        kept.retain(|k| k.at.elapsed() < KEPT && k.event == event);
        if let Some(known) = kept.iter().find(|k| k.of == *filter) {
            return Ok(known.loads.clone());
        }
        let loads = self.counted(store, filter).await?;
        if kept.len() >= MOST_KEPT {
            kept.remove(0);
        }
        kept.push(Kept { at: Instant::now(), of: filter.clone(), event, loads: loads.clone() });
        Ok(loads)
    }

    async fn counted(&self, store: &Store, filter: &RailwayFilter) -> Result<Loads> {
        let now = self.now();
        let from = now - Span::from_days(LOAD_DAYS);
        let arrivals = store.arrivals(from, now - STALE_AFTER, now, filter).await?;
        let (all, made) = all_positions(store).await?;
        let covered = |a: &Arrival| all.iter().any(|p| p.covers(&a.unit.railway, &a.class));
        let uncovered = arrivals.iter().filter(|a| a.at >= from && !covered(a)).count();
        let seen = all.iter().filter_map(|position| visible(position, filter));
        let positions = seen
            .map(|position| {
                let own = arrivals.iter().filter(|a| position.covers(&a.unit.railway, &a.class));
                let load = Load::of(own, from, now);
                (position, load)
            })
            .collect();
        let uncovered = u64::try_from(uncovered).unwrap_or(u64::MAX);
        Ok(Loads { from, now, positions, uncovered, made })
    }

    /// Creates or replaces a position. Refuses railways and classes that are not registered.
    pub async fn put_position(&self, who: &Principal, position: Position) -> Result<()> {
        may_administer(who)?;
        clean_text(&position.title, "the title", MAX_TITLE_CHARS).map_err(DeskError::Refused)?;
        let register = self.register(who).await?;
        if let Some(id) = position.railways.iter().find(|id| register.railway(id).is_none()) {
            return Err(DeskError::Refused(format!("there is no railway {id}")));
        }
        if let Some(id) = position.classes.iter().find(|id| register.class(id).is_none()) {
            return Err(DeskError::Refused(format!("there is no class {id}")));
        }
        self.store().put_position(&position, &who.name, self.now()).await?;
        self.inner.loads.lock().await.clear();
        Ok(())
    }

    /// Removes a position.
    pub async fn remove_position(&self, who: &Principal, id: &PositionId) -> Result<()> {
        may_administer(who)?;
        if self.store().remove_position(id, &who.name, self.now()).await? {
            self.inner.loads.lock().await.clear();
            Ok(())
        } else {
            Err(DeskError::NotFound)
        }
    }
}

/// The positions, and whether they were made; one that covers everything when none is.
async fn all_positions(store: &Store) -> Result<(Vec<Position>, bool)> {
    let made = store.positions().await?;
    if !made.is_empty() {
        return Ok((made, true));
    }
    let id = PositionId::new(EVERYTHING).map_err(|e| DeskError::Internal(e.to_string()))?;
    let title = "everything".to_owned();
    Ok((vec![Position { id, title, railways: Vec::new(), classes: Vec::new() }], false))
}

/// A position as a caller may see it: without railways that are not the caller's, and not at all when none is left.
fn visible(position: &Position, filter: &RailwayFilter) -> Option<Position> {
    let railways: Vec<_> = position.railways.iter().filter(|r| filter.admits(r)).cloned().collect();
    let hidden = railways.is_empty() && !position.railways.is_empty();
    (!hidden).then(|| Position { railways, ..position.clone() })
}
