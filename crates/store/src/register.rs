//! The register in the store, and the compact numbers of its units.
//!
//! Owns the rule that what samples refer to never moves: a unit keeps its number, a channel its position, its stored
//! unit of measure and its kind of value.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::PoisonError;

use notchwatch_model::{
    AccountName, ChannelDef, Class, ClassId, EngineFit, OWN_RAILWAY, Railway, RailwayId, Register, Time,
    Unit, UnitId, UnitKey,
};

use crate::access::audited;
use crate::clean::clean;
use crate::db::{Column, Row, Tx, values};
use crate::{Error, Result, Store, int};

impl Store {
    /// The register as it stands.
    pub async fn register(&self) -> Result<Register> {
        let mut tx = self.read().await?;
        let register = read(&mut tx).await?;
        tx.end().await?;
        Ok(register)
    }

    /// Adds or replaces entries (audited). Units and channels keep the numbers they were first given: new channels of
    /// a known class come after the known ones, and a channel that is missing stays. Errors with [`Error::Refused`]
    /// when a channel would change its stored unit of measure or kind of value, a unit with samples its class, or an
    /// entry would refer to one that is not registered.
    pub async fn put_register(&self, register: &Register, by: &AccountName, now: Time) -> Result<()> {
        let mut tx = self.shared.db.write().await?;
        put_railways(&mut tx, &register.railways).await?;
        put_classes(&mut tx, &register.classes).await?;
        put_units(&mut tx, &register.units).await?;
        put_engines(&mut tx, &register.units).await?;
        let subject = format!(
            "{} railways, {} classes, {} units",
            register.railways.len(),
            register.classes.len(),
            register.units.len()
        );
        audited(&mut tx, now, by.as_str(), "register", &subject).await?;
        tx.commit().await
    }

    /// Number of a unit; `None` when it is not registered.
    pub(crate) async fn unit_no(&self, unit: &UnitKey) -> Result<Option<i64>> {
        Ok(self.unit_numbers([unit]).await?.get(unit).copied())
    }

    /// Numbers of units; those that are not registered are left out.
    pub(crate) async fn unit_numbers(
        &self,
        units: impl IntoIterator<Item = &UnitKey>,
    ) -> Result<HashMap<UnitKey, i64>> {
        let mut wanted: Vec<&UnitKey> = units.into_iter().collect();
        wanted.sort_unstable();
        wanted.dedup();
        let among = |known: &HashMap<UnitKey, i64>| -> HashMap<UnitKey, i64> {
            wanted.iter().filter_map(|unit| Some(((*unit).clone(), *known.get(*unit)?))).collect()
        };
        let found = among(&self.shared.units.read().unwrap_or_else(PoisonError::into_inner));
        if found.len() == wanted.len() {
            return Ok(found);
        }
        let rows =
            self.shared.db.fetch_for_work("SELECT unit_no, railway, unit FROM unit", values![]).await?;
        let fresh = rows.iter().map(numbered).collect::<Result<HashMap<UnitKey, i64>>>()?;
        let found = among(&fresh);
        *self.shared.units.write().unwrap_or_else(PoisonError::into_inner) = fresh;
        Ok(found)
    }

    /// Which of the railways are registered. One look at the database answers for all, however many are invented.
    pub(crate) async fn registered(
        &self,
        railways: impl IntoIterator<Item = &RailwayId>,
    ) -> Result<HashSet<RailwayId>> {
        let wanted: HashSet<&RailwayId> = railways.into_iter().collect();
        let among = |known: &HashSet<RailwayId>| -> HashSet<RailwayId> {
            wanted.iter().filter(|r| known.contains(**r)).map(|r| (*r).clone()).collect()
        };
        let found = among(&self.shared.railways.read().unwrap_or_else(PoisonError::into_inner));
        if found.len() == wanted.len() {
            return Ok(found);
        }
        let sql = "SELECT id FROM railway WHERE id <> $1";
        let rows = self.shared.db.fetch_for_work(sql, values![OWN_RAILWAY]).await?;
        let fresh = rows.iter().map(|row| row.parsed("id")).collect::<Result<HashSet<RailwayId>>>()?;
        let found = among(&fresh);
        *self.shared.railways.write().unwrap_or_else(PoisonError::into_inner) = fresh;
        Ok(found)
    }
}

/// Key of a row with `railway` and `unit`.
pub(crate) fn unit_key(row: &Row) -> Result<UnitKey> {
    Ok(UnitKey { railway: row.parsed("railway")?, unit: row.parsed("unit")? })
}

fn numbered(row: &Row) -> Result<(UnitKey, i64)> {
    Ok((unit_key(row)?, row.int("unit_no")?))
}

async fn read(tx: &mut Tx) -> Result<Register> {
    let railways = tx
        .fetch("SELECT id, name, zone FROM railway WHERE id <> $1 ORDER BY id", values![OWN_RAILWAY])
        .await?
        .iter()
        .map(|row| Ok(Railway { id: row.parsed("id")?, name: row.text("name")?, zone: row.text("zone")? }))
        .collect::<Result<_>>()?;
    let classes = tx
        .fetch("SELECT doc FROM class ORDER BY id", values![])
        .await?
        .iter()
        .map(|row| row.json("doc"))
        .collect::<Result<_>>()?;
    let mut engines: BTreeMap<i64, Vec<EngineFit>> = BTreeMap::new();
    let fits = "SELECT unit_no, serial, fitted, removed FROM engine_fit ORDER BY unit_no, position";
    for row in tx.fetch(fits, values![]).await? {
        let fit = EngineFit {
            serial: row.parsed("serial")?,
            from: row.time("fitted")?,
            to: row.maybe_time("removed")?,
        };
        engines.entry(row.int("unit_no")?).or_default().push(fit);
    }
    let sql =
        "SELECT unit_no, railway, unit, class, region, zone, status, fitted FROM unit ORDER BY railway, unit";
    let mut units = Vec::new();
    for row in tx.fetch(sql, values![]).await? {
        units.push(Unit {
            railway: row.parsed("railway")?,
            id: row.parsed::<UnitId>("unit")?,
            class: row.parsed("class")?,
            region: row.text("region")?,
            zone: row.maybe_text("zone")?,
            status: row.json("status")?,
            engines: engines.remove(&row.int("unit_no")?).unwrap_or_default(),
            fitted: row.json("fitted")?,
        });
    }
    Ok(Register { railways, classes, units })
}

async fn put_railways(tx: &mut Tx, railways: &[Railway]) -> Result<()> {
    let entries: BTreeMap<&RailwayId, &Railway> = railways.iter().map(|r| (&r.id, r)).collect();
    let columns = vec![
        ("id", Column::texts(entries.values().map(|r| r.id.to_string()))),
        ("name", Column::texts(entries.values().map(|r| clean(&r.name)))),
        ("zone", Column::texts(entries.values().map(|r| clean(&r.zone)))),
    ];
    let merge = "ON CONFLICT (id) DO UPDATE SET name = excluded.name, zone = excluded.zone";
    tx.insert("railway", columns, merge).await.map(drop)
}

async fn put_classes(tx: &mut Tx, classes: &[Class]) -> Result<()> {
    let mut known: BTreeMap<ClassId, Class> = BTreeMap::new();
    for row in tx.fetch("SELECT doc FROM class LOCKED", values![]).await? {
        let class: Class = row.json("doc")?;
        known.insert(class.id.clone(), class);
    }
    let mut merged: BTreeMap<ClassId, Class> = BTreeMap::new();
    for class in classes {
        let before = merged.get(&class.id).or_else(|| known.get(&class.id));
        let class = match before {
            None => class.clone(),
            Some(before) => merge_class(before, class)?,
        };
        merged.insert(class.id.clone(), class);
    }
    let documents = merged.values().map(json).collect::<Result<Vec<_>>>()?;
    let columns = vec![
        ("id", Column::texts(merged.keys().map(ToString::to_string))),
        ("doc", Column::texts(documents)),
    ];
    tx.insert("class", columns, "ON CONFLICT (id) DO UPDATE SET doc = excluded.doc").await.map(drop)
}

/// The new form of a class, with its channels where they were first.
fn merge_class(before: &Class, after: &Class) -> Result<Class> {
    let same = |a: &ChannelDef, b: &ChannelDef| a.name == b.name;
    let mut channels = Vec::with_capacity(after.channels.len());
    for old in &before.channels {
        let new = after.channels.iter().find(|c| same(c, old)).unwrap_or(old);
        if new.uom != old.uom || new.value != old.value {
            return Err(Error::Refused(format!(
                "channel {} of class {} is stored as {:?} in {}: a change of that is a channel of another name",
                old.name, before.id, old.value, old.uom
            )));
        }
        channels.push(new.clone());
    }
    let fresh = after.channels.iter().filter(|c| !before.channels.iter().any(|old| same(c, old)));
    channels.extend(fresh.cloned());
    Ok(Class { channels, ..after.clone() })
}

async fn put_units(tx: &mut Tx, units: &[Unit]) -> Result<()> {
    let units: BTreeMap<UnitKey, &Unit> = units.iter().map(|u| (u.key(), u)).collect();
    let sql = "SELECT unit_no, railway, unit, class FROM unit LOCKED";
    let mut known: HashMap<UnitKey, (i64, String)> = HashMap::new();
    for row in tx.fetch(sql, values![]).await? {
        known.insert(unit_key(&row)?, (row.int("unit_no")?, row.text("class")?));
    }
    let fresh = units.keys().filter(|key| !known.contains_key(key)).count();
    let mut next = give(tx, "unit", fresh).await?;
    let mut numbers = Vec::with_capacity(units.len());
    for (key, unit) in &units {
        if let Some((number, class)) = known.get(key) {
            if class != unit.class.as_str() && has_samples(tx, *number).await? {
                return Err(Error::Refused(format!(
                    "unit {key} has samples as of class {class}: it cannot become {}",
                    unit.class
                )));
            }
            numbers.push(*number);
        } else {
            numbers.push(next);
            next += 1;
        }
    }
    let status = units.values().map(|u| json(&u.status)).collect::<Result<Vec<_>>>()?;
    let fitted = units.values().map(|u| json(&u.fitted)).collect::<Result<Vec<_>>>()?;
    let columns = vec![
        ("unit_no", Column::ints(numbers)),
        ("railway", Column::texts(units.values().map(|u| u.railway.to_string()))),
        ("unit", Column::texts(units.values().map(|u| u.id.to_string()))),
        ("class", Column::texts(units.values().map(|u| u.class.to_string()))),
        ("region", Column::texts(units.values().map(|u| clean(&u.region)))),
        ("zone", Column::Texts(units.values().map(|u| u.zone.as_deref().map(clean)).collect())),
        ("status", Column::texts(status)),
        ("fitted", Column::texts(fitted)),
    ];
    let merge = "ON CONFLICT (unit_no) DO UPDATE SET class = excluded.class, region = excluded.region, \
                 zone = excluded.zone, status = excluded.status, fitted = excluded.fitted";
    tx.insert("unit", columns, merge).await.map(drop)
}

async fn put_engines(tx: &mut Tx, units: &[Unit]) -> Result<()> {
    let units: BTreeMap<UnitKey, &Unit> = units.iter().map(|u| (u.key(), u)).collect();
    let mut numbers = HashMap::new();
    for row in tx.fetch("SELECT unit_no, railway, unit FROM unit", values![]).await? {
        let (key, number) = numbered(&row)?;
        numbers.insert(key, number);
    }
    let of = |key: &UnitKey| numbers.get(key).copied().unwrap_or_default();
    let all: Vec<i64> = units.keys().map(of).collect();
    tx.execute("DELETE FROM engine_fit WHERE unit_no IN INTS($1)", values![all]).await?;
    let fits: Vec<(i64, usize, &Unit, &EngineFit)> = units
        .iter()
        .flat_map(|(key, unit)| {
            unit.engines.iter().enumerate().map(move |(ix, fit)| (of(key), ix, *unit, fit))
        })
        .collect();
    let columns = vec![
        ("unit_no", Column::ints(fits.iter().map(|f| f.0))),
        ("position", Column::ints(fits.iter().map(|f| int(f.1)))),
        ("railway", Column::texts(fits.iter().map(|f| f.2.railway.to_string()))),
        ("serial", Column::texts(fits.iter().map(|f| f.3.serial.to_string()))),
        ("fitted", Column::ints(fits.iter().map(|f| f.3.from.micros()))),
        ("removed", Column::Ints(fits.iter().map(|f| f.3.to.map(Time::micros)).collect())),
    ];
    tx.insert("engine_fit", columns, "").await.map(drop)
}

async fn has_samples(tx: &mut Tx, unit_no: i64) -> Result<bool> {
    let sql = "SELECT unit_no FROM (SELECT unit_no FROM journal WHERE unit_no = $1 AND open_day IS NOT NULL \
               UNION ALL SELECT unit_no FROM block WHERE unit_no = $1) AS held LIMIT 1";
    Ok(tx.fetch_one(sql, values![unit_no]).await?.is_some())
}

/// Takes `count` numbers of a counter; returns the first. The counter stays locked until the transaction ends, so
/// that numbers become visible in order. Errors with [`Error::InUse`] when another process has taken the database over.
pub(crate) async fn give(tx: &mut Tx, counter: &'static str, count: usize) -> Result<i64> {
    let sql = "UPDATE counter SET value = value + $2 WHERE name = $1 AND fence = COALESCE($3, fence) \
               RETURNING value";
    let fence = tx.fence();
    let row = tx.fetch_one(sql, values![counter, int(count), fence]).await?;
    let last = row
        .ok_or_else(|| match fence {
            Some(_) => Error::InUse("another process has taken the database over; stop this one".into()),
            None => Error::Damaged { place: "counter".into(), what: format!("no counter {counter}") },
        })?
        .int("value")?;
    Ok(last - int(count) + 1)
}

/// A document as JSON text.
pub(crate) fn json<T: serde::Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(|e| Error::Refused(e.to_string()))
}
