//! The register as decoders need it: unit to class, name to channel, channel to stored unit of measure.
//!
//! Owns lookups that take borrowed text and allocate nothing. Refuses to judge the register: a unit whose class is not
//! registered is left out, as if it were not registered.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use notchwatch_model::{ChannelIx, ChannelValue, Class, ClassId, Register, UnitKey, Uom};

/// Every registered unit with what decoding needs of its class. Built once for each change of the register.
#[derive(Clone, Debug, Default)]
pub struct RegisterIndex {
    railways: HashMap<Box<str>, HashMap<Box<str>, UnitPlan>>,
    /// Ids of units of any railway, to tell a device from another unit.
    unit_ids: HashSet<Box<str>>,
    uoms: HashMap<&'static str, Uom>,
}

/// What decoding needs of one unit.
#[derive(Clone, Debug)]
pub struct UnitPlan {
    /// The unit.
    pub key: UnitKey,
    /// Its class.
    pub class: Arc<ClassPlan>,
}

/// What decoding needs of one class.
#[derive(Clone, Debug)]
pub struct ClassPlan {
    /// The class.
    pub id: ClassId,
    channels: Vec<ChannelPlan>,
    names: HashMap<Box<str>, ChannelIx>,
}

/// What decoding needs of one channel.
#[derive(Clone, Debug)]
pub(crate) struct ChannelPlan {
    pub(crate) name: Box<str>,
    pub(crate) uom: Uom,
    pub(crate) value: ChannelValue,
}

impl RegisterIndex {
    /// Indexes the register. Costs a few hundred nanoseconds a unit.
    pub fn new(register: &Register) -> Self {
        let classes: HashMap<&ClassId, Arc<ClassPlan>> =
            register.classes.iter().map(|class| (&class.id, Arc::new(ClassPlan::new(class)))).collect();
        let mut index = Self { uoms: Uom::all().map(|uom| (uom.name(), uom)).collect(), ..Self::default() };
        for unit in &register.units {
            let Some(class) = classes.get(&unit.class) else { continue };
            let plan = UnitPlan { key: unit.key(), class: Arc::clone(class) };
            index.unit_ids.insert(unit.id.as_str().into());
            index
                .railways
                .entry(unit.railway.as_str().into())
                .or_default()
                .insert(unit.id.as_str().into(), plan);
        }
        index
    }

    /// The plan of a unit.
    pub fn unit(&self, key: &UnitKey) -> Option<&UnitPlan> {
        self.find(key.railway.as_str(), key.unit.as_str())
    }

    /// The plan of a unit by the parts of a topic.
    pub(crate) fn find(&self, railway: &str, unit: &str) -> Option<&UnitPlan> {
        self.railways.get(railway)?.get(unit)
    }

    /// Whether some railway has a unit of that id.
    pub(crate) fn names_a_unit(&self, id: &str) -> bool {
        self.unit_ids.contains(id)
    }

    /// A unit of measure by its name.
    pub(crate) fn uom(&self, name: &str) -> Option<Uom> {
        self.uoms.get(name).copied()
    }
}

impl ClassPlan {
    fn new(class: &Class) -> Self {
        let channels: Vec<ChannelPlan> = class
            .channels
            .iter()
            .map(|c| ChannelPlan { name: c.name.as_str().into(), uom: c.uom, value: c.value })
            .collect();
        let names = (0_u16..).zip(&channels).map(|(ix, c)| (c.name.clone(), ChannelIx(ix))).collect();
        Self { id: class.id.clone(), channels, names }
    }

    /// Position of a channel by its name.
    pub fn channel_ix(&self, name: &str) -> Option<ChannelIx> {
        self.names.get(name).copied()
    }

    /// A channel by its position.
    pub(crate) fn channel(&self, ix: ChannelIx) -> Option<&ChannelPlan> {
        self.channels.get(ix.index())
    }
}
