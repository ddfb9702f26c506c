//! Every unit of a caller in one line each: grade, link, open findings.
//!
//! Owns what is joined. Reads newest grades and counts, never findings or samples, so that its cost grows with units alone.

use std::collections::HashMap;

use notchwatch_model::{CommsState, Principal, Priority, Register, Time, Unit, UnitComms, UnitKey};
use notchwatch_store::{HealthRecord, UnitProgress};

use crate::Desk;
use crate::error::Result;

/// One unit.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetUnit {
    /// As registered.
    pub unit: Unit,
    /// Newest recorded grades; absent before the first.
    pub health: Option<HealthRecord>,
    /// State of its link.
    pub comms: CommsState,
    /// Newest receive time.
    pub received: Option<Time>,
    /// Open findings by priority, in the order of [`Priority::ALL`].
    pub open: [u64; 4],
}

impl FleetUnit {
    /// Grade of the unit, in thousandths.
    pub fn grade(&self) -> Option<u16> {
        self.health.as_ref().and_then(|h| h.parts.get("unit")).and_then(|mark| mark.grade)
    }
}

impl Desk {
    /// Units of the caller, by railway and number, with the register that names them.
    pub async fn fleet(&self, who: &Principal) -> Result<(Register, Vec<FleetUnit>)> {
        let register = self.register(who).await?;
        let store = self.store();
        let by_unit = |records: Vec<HealthRecord>| -> HashMap<UnitKey, HealthRecord> {
            records.into_iter().map(|r| (r.unit.clone(), r)).collect()
        };
        let mut health = by_unit(store.health_now(&who.railways).await?);
        let comms: HashMap<UnitKey, UnitComms> =
            store.comms(&who.railways).await?.into_iter().map(|c| (c.unit.clone(), c)).collect();
        let progress: HashMap<UnitKey, UnitProgress> =
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
                FleetUnit {
                    health: health.remove(&key),
                    comms: comms.get(&key).map(|c| c.state).unwrap_or_default(),
                    received: progress.get(&key).and_then(|p| p.received),
                    open: open.remove(&key).unwrap_or_default(),
                    unit: unit.clone(),
                }
            })
            .collect();
        units.sort_by_key(|u| u.unit.key());
        Ok((register, units))
    }
}
