//! Every unit of a caller in one line each: grade, link, open findings.
//!
//! Owns what is joined. Reads newest grades and counts, never findings or samples, so that its cost grows with units alone.

use std::collections::HashMap;

use notchwatch_model::{CommsState, Principal, Priority, Register, Time, Unit, UnitComms, UnitKey};
use notchwatch_store::{HealthRecord, UnitProgress};

use crate::error::Result;
use crate::{Desk, link};

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
    pub fn sort(self, units: &mut [FleetUnit]) {
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
    /// Units of the caller, by railway and number, with the register that names them.
    pub async fn fleet(&self, who: &Principal) -> Result<(Register, Vec<FleetUnit>)> {
        let register = self.register(who).await?;
        let (store, now) = (self.store(), self.now());
        let by_unit = |records: Vec<HealthRecord>| -> HashMap<UnitKey, HealthRecord> {
            records.into_iter().map(|r| (r.unit.clone(), r)).collect()
        };
        let mut health = by_unit(store.health_now(&who.railways).await?);
        let mut comms: HashMap<UnitKey, UnitComms> =
            store.comms(&who.railways).await?.into_iter().map(|c| (c.unit.clone(), c)).collect();
        let mut progress: HashMap<UnitKey, UnitProgress> =
            store.progress(&who.railways).await?.into_iter().map(|p| (p.unit.clone(), p)).collect();
        let mut open: HashMap<UnitKey, [u64; 4]> = HashMap::new();
        for (unit, priority, number) in store.open_counts(&who.railways).await? {
            let counts = open.entry(unit).or_default();
            for (place, known) in counts.iter_mut().zip(Priority::ALL) {
                *place += if *known == priority { number } else { 0 };
            }
        }
        let mut units: Vec<FleetUnit> = register
            .units
            .iter()
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
        units.sort_by_key(|u| u.unit.key());
        Ok((register, units))
    }
}
