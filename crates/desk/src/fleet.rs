//! Every unit of a caller in one line each: grade, link, open findings.
//!
//! Owns what is joined. Reads newest grades and counts, never findings or samples, so that its cost grows with units alone;
//! in front of a large fleet that is done once for everybody who asks within some seconds.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use notchwatch_model::{
    CommsState, Principal, Priority, RailwayFilter, Register, Time, Unit, UnitComms, UnitKey,
};
use notchwatch_store::{HealthRecord, UnitProgress};

use crate::error::Result;
use crate::{Desk, link};

/// From this many units on the lines are kept for a moment (ours: below it they take a hundredth of a second).
const LARGE: usize = 1000;
/// How long.
const KEPT: Duration = Duration::from_secs(3);

/// The lines of a large fleet and when they were read; whoever reads them holds the lock.
pub(crate) type FleetCopy = tokio::sync::Mutex<Option<(Instant, Arc<Vec<Arc<FleetUnit>>>)>>;

/// One unit.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetUnit {
    /// As registered.
    pub unit: Unit,
    /// Newest recorded grades; absent before the first.
    pub health: Option<HealthRecord>,
    /// State of its link: as judged last, and what was heard since.
    pub comms: CommsState,
    /// Its link as judged last; absent before the first judgement.
    pub link: Option<UnitComms>,
    /// Newest receive time.
    pub received: Option<Time>,
    /// How far it is judged; absent before anything is.
    pub progress: Option<UnitProgress>,
    /// Open findings by priority, in the order of [`Priority::ALL`].
    pub open: [u64; 4],
}

impl FleetUnit {
    /// Grade of the unit, in thousandths.
    pub fn grade(&self) -> Option<u16> {
        self.health.as_ref().and_then(|h| h.parts.get("unit")).and_then(|mark| mark.grade)
    }
}

/// Order of a list of units. What is alike stands by railway and number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FleetOrder {
    /// Railway and number.
    #[default]
    Unit,
    /// The weakest grade first; what is not known stands behind what is weak and before what is as good as new.
    Health,
    /// Those with the most of the most urgent findings first.
    Findings,
    /// Those longest not heard first, those never heard before them.
    Heard,
}

impl FleetOrder {
    /// The word as it is written in addresses.
    pub const fn word(self) -> &'static str {
        match self {
            FleetOrder::Unit => "unit",
            FleetOrder::Health => "health",
            FleetOrder::Findings => "findings",
            FleetOrder::Heard => "heard",
        }
    }

    /// The order of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Unit, Self::Health, Self::Findings, Self::Heard].into_iter().find(|o| o.word() == word)
    }

    /// Puts units, which stand by railway and number, into the order.
    pub fn sort(self, units: &mut [Arc<FleetUnit>]) {
        /// Thousandths of a unit that is as good as new.
        const NEW: u16 = 1000;
        match self {
            FleetOrder::Unit => {}
            FleetOrder::Findings => units.sort_by_key(|u| std::cmp::Reverse(u.open)),
            FleetOrder::Heard => units.sort_by_key(|u| u.received),
            FleetOrder::Health => {
                units.sort_by_key(|u| u.grade().map_or((1, 0), |g| (if g < NEW { 0 } else { 2 }, g)));
            }
        }
    }
}

impl Desk {
    /// Units of the caller, by railway and number, with the register that names them. In front of a large fleet they are
    /// three seconds old at most.
    pub async fn fleet(&self, who: &Principal) -> Result<(Register, Vec<Arc<FleetUnit>>)> {
        let register = self.register(who).await?;
        if self.whole_register().await?.units.len() < LARGE {
            return Ok((register, self.read_fleet(&who.railways).await?));
        }
        let mut kept = self.inner.fleet.lock().await;
        let all = match &*kept {
            Some((read, units)) if read.elapsed() < KEPT => Arc::clone(units),
            _ => {
                let units = Arc::new(self.read_fleet(&RailwayFilter::All).await?);
                *kept = Some((Instant::now(), Arc::clone(&units)));
                units
            }
        };
        drop(kept);
        let own = all.iter().filter(|u| who.railways.admits(&u.unit.railway));
        Ok((register, own.cloned().collect()))
    }

    async fn read_fleet(&self, filter: &RailwayFilter) -> Result<Vec<Arc<FleetUnit>>> {
        let register = self.whole_register().await?;
        let (store, now) = (self.store(), self.now());
        let by_unit = |records: Vec<HealthRecord>| -> HashMap<UnitKey, HealthRecord> {
            records.into_iter().map(|r| (r.unit.clone(), r)).collect()
        };
        let mut health = by_unit(store.health_now(filter).await?);
        let mut comms: HashMap<UnitKey, UnitComms> =
            store.comms(filter).await?.into_iter().map(|c| (c.unit.clone(), c)).collect();
        let mut progress: HashMap<UnitKey, UnitProgress> =
            store.progress(filter).await?.into_iter().map(|p| (p.unit.clone(), p)).collect();
        let mut open: HashMap<UnitKey, [u64; 4]> = HashMap::new();
        for (unit, priority, number) in store.open_counts(filter).await? {
            let counts = open.entry(unit).or_default();
            for (place, known) in counts.iter_mut().zip(Priority::ALL) {
                *place += if *known == priority { number } else { 0 };
            }
        }
        let own = register.units.iter().filter(|unit| filter.admits(&unit.railway));
        let mut units: Vec<FleetUnit> = own
            .map(|unit| {
                let key = unit.key();
                let (link, progress) = (comms.remove(&key), progress.remove(&key));
                FleetUnit {
                    health: health.remove(&key),
                    comms: link::shown(link.as_ref(), progress.as_ref(), unit.status, now),
                    link,
                    received: progress.as_ref().and_then(|p| p.received),
                    progress,
                    open: open.remove(&key).unwrap_or_default(),
                    unit: unit.clone(),
                }
            })
            .collect();
        units.sort_by_cached_key(|u| u.unit.key());
        Ok(units.into_iter().map(Arc::new).collect())
    }
}
