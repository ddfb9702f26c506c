//! The register as a caller sees it, and how an administrator changes it.
//!
//! Owns the filtered view, and that a change keeps the positions of channels which samples are stored under.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use notchwatch_model::{
    Class, ClassId, EngineFit, EngineSerial, Principal, Problem, RailwayFilter, Reason, Register,
    ServiceStatus, Unit, UnitKey,
};
use notchwatch_store::AuditEntry;
use tokio::sync::watch;

use crate::error::{DeskError, Result};
use crate::{Desk, may_administer};

/// How long a copy of the register serves reads: another process may change it, and a page a moment old is fine.
const KEPT: Duration = Duration::from_secs(2);

/// A copy of the register and when it was read.
pub(crate) type RegisterCopy = tokio::sync::Mutex<Option<(Instant, Arc<Register>)>>;

/// What a person says of a unit that a message was refused for; railway and number stand in the message's topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedUnit {
    /// Its design.
    pub class: ClassId,
    /// Region; empty for none.
    pub region: String,
    /// Engine fitted, from the receipt of the message on.
    pub engine: Option<EngineSerial>,
}

impl Desk {
    /// The register: railways and units of the caller, and the classes that these units are of.
    pub async fn register(&self, who: &Principal) -> Result<Register> {
        Ok(filtered(&*self.whole_register().await?, &who.railways))
    }

    /// One unit with its class.
    pub async fn unit(&self, who: &Principal, key: &UnitKey) -> Result<(Unit, Class)> {
        if !who.railways.admits(&key.railway) {
            return Err(DeskError::NotFound);
        }
        let register = self.whole_register().await?;
        let unit = register.unit(key).ok_or(DeskError::NotFound)?.clone();
        let class = register.class(&unit.class).ok_or(DeskError::NotFound)?.clone();
        Ok((unit, class))
    }

    /// Adds or replaces entries of the register. Errors with every problem, each with its place.
    pub async fn put_register(&self, who: &Principal, change: Register) -> Result<()> {
        may_administer(who)?;
        let present = self.store().register().await?;
        let mut problems = moved_channels(&present, &change);
        let mut whole = present;
        whole.merge(change.clone());
        problems.extend(whole.problems());
        if !problems.is_empty() {
            return Err(DeskError::Invalid(problems));
        }
        self.store().put_register(&change, &who.name, self.now()).await?;
        *self.inner.register.lock().await = None;
        *self.inner.fleet.lock().await = None;
        self.inner.register_changes.send_modify(|n| *n += 1);
        Ok(())
    }

    /// Registers the unit that a message was refused for, since nobody knew it. Errors with what is wrong, as for the
    /// register as a whole; refuses other messages, and a unit that is registered by now.
    pub async fn register_refused(&self, who: &Principal, id: i64, unit: RefusedUnit) -> Result<UnitKey> {
        may_administer(who)?;
        let (row, _) = self.quarantine_row(who, id).await?;
        let (Reason::UnknownUnit, Some(railway), Some(number)) = (row.reason, row.railway, row.unit) else {
            return Err(DeskError::Refused(
                "it was not refused for a unit of a registered railway".to_owned(),
            ));
        };
        let key = UnitKey { railway: railway.clone(), unit: number.clone() };
        if self.store().register().await?.unit(&key).is_some() {
            return Err(DeskError::Refused(format!("unit {key} is registered already")));
        }
        let fit = |serial| EngineFit { serial, from: row.received, to: None };
        let unit = Unit {
            railway,
            id: number,
            class: unit.class,
            region: unit.region,
            zone: None,
            status: ServiceStatus::default(),
            engines: unit.engine.map(fit).into_iter().collect(),
            fitted: Vec::new(),
        };
        self.put_register(who, Register { units: vec![unit], ..Register::default() }).await?;
        let (at, by) = (self.now(), who.name.to_string());
        let on = format!("{key} from {id}");
        self.store().audit(&AuditEntry { at, by, what: "unit-registered".to_owned(), on }).await?;
        Ok(key)
    }

    /// Moves whenever the register was changed through this desk.
    pub fn register_changes(&self) -> watch::Receiver<u64> {
        self.inner.register_changes.subscribe()
    }

    /// The whole register, read again when the copy is older than [`KEPT`]. Callers at the same time wait for one read.
    pub(crate) async fn whole_register(&self) -> Result<Arc<Register>> {
        let mut copy = self.inner.register.lock().await;
        if let Some((read, register)) = copy.as_ref()
            && read.elapsed() < KEPT
        {
            return Ok(register.clone());
        }
        let register = Arc::new(self.store().register().await?);
        *copy = Some((Instant::now(), register.clone()));
        Ok(register)
    }
}

fn filtered(register: &Register, filter: &RailwayFilter) -> Register {
    if *filter == RailwayFilter::All {
        return register.clone();
    }
    let units: Vec<Unit> = register.units.iter().filter(|u| filter.admits(&u.railway)).cloned().collect();
    let used: BTreeSet<_> = units.iter().map(|u| u.class.clone()).collect();
    Register {
        railways: register.railways.iter().filter(|r| filter.admits(&r.id)).cloned().collect(),
        classes: register.classes.iter().filter(|c| used.contains(&c.id)).cloned().collect(),
        units,
    }
}

/// Channels that a changed class would move, drop or store in another unit of measure.
fn moved_channels(present: &Register, change: &Register) -> Vec<Problem> {
    let mut found = Vec::new();
    for (new, old) in change.classes.iter().filter_map(|new| Some((new, present.class(&new.id)?))) {
        for (position, channel) in old.channels.iter().enumerate() {
            let same =
                new.channels.get(position).is_some_and(|c| c.name == channel.name && c.uom == channel.uom);
            if !same {
                found.push(Problem {
                    place: format!("classes.{}.channels.{}", new.id, channel.name),
                    what: format!(
                        "samples are stored under position {position} in {:?}: keep position, name and unit of \
                         measure, and add new channels at the end",
                        channel.uom.name()
                    ),
                });
            }
        }
    }
    found
}
