//! The register as a caller sees it, and how an administrator changes it.
//!
//! Owns the filtered view, and that a change keeps the positions of channels which samples are stored under.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use notchwatch_model::{Class, Principal, Problem, RailwayFilter, Register, Unit, UnitKey};
use tokio::sync::watch;

use crate::error::{DeskError, Result};
use crate::{Desk, may_administer};

/// How long a copy of the register serves reads: another process may change it, and a page a moment old is fine.
const KEPT: Duration = Duration::from_secs(2);

/// A copy of the register and when it was read.
pub(crate) type RegisterCopy = tokio::sync::Mutex<Option<(Instant, Arc<Register>)>>;

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
        self.inner.register_changes.send_modify(|n| *n += 1);
        Ok(())
    }

    /// Moves whenever the register was changed through this desk.
    pub fn register_changes(&self) -> watch::Receiver<u64> {
        self.inner.register_changes.subscribe()
    }

    /// The whole register, read again when the copy is older than [`KEPT`]. Callers at the same time wait for one read.
    async fn whole_register(&self) -> Result<Arc<Register>> {
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
