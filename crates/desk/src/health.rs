//! Health grades as a caller sees them, and how they are recorded.
//!
//! Owns what a grade is computed from. The formula is in the `findings` crate, the history in the store.

use std::collections::{BTreeMap, HashMap};

use notchwatch_findings::{Health, HealthBasis, UnitHealth, unit_health};
use notchwatch_model::{
    ChannelName, EngineSerial, Finding, Principal, RailwayFilter, Register, Span, Time, Unit, UnitComms,
    UnitKey,
};
use notchwatch_store::{FindingQuery, HealthMark, HealthRecord, Store, UnitProgress};

use crate::Desk;
use crate::error::{DeskError, Result};

/// Longest span of health history in one call.
pub const MAX_HEALTH_SPAN: Span = Span::from_days(5 * 366);
/// Open findings read at one time while every unit is graded.
const AT_ONE_TIME: usize = 1000;
/// Units whose grades are recorded in one transaction.
const UNITS_A_COMMIT: usize = 2000;
/// Findings of a unit that are looked through for its grades and its page; a unit seldom has a tenth of that.
const MOST_OF_UNIT: usize = 500;

impl Desk {
    /// Grades of one unit as of now, computed anew.
    pub async fn health(&self, who: &Principal, key: &UnitKey) -> Result<UnitHealth> {
        let (unit, class) = self.unit(who, key).await?;
        let open = FindingQuery {
            unit: Some(key.clone()),
            open: Some(true),
            limit: MOST_OF_UNIT,
            ..FindingQuery::default()
        };
        let findings = self.findings(who, open).await?.items;
        let own = std::slice::from_ref(key);
        let progress = self.store().progress_of(own).await?.pop();
        let comms = self.store().comms_of(own).await?.pop();
        let none = BTreeMap::new();
        Ok(unit_health(&HealthBasis {
            unit: &unit,
            class: &class,
            findings: &findings,
            learning: progress.as_ref().and_then(|p| p.models.as_ref()).map_or(&none, |m| &m.learning),
            judged: progress.as_ref().and_then(|p| p.judged),
            comms: comms.map(|c| c.state),
            now: self.now(),
        }))
    }

    /// Recorded grades of a unit with `from <= at < to`, oldest first.
    pub async fn health_history(
        &self,
        who: &Principal,
        key: &UnitKey,
        (from, to): (Time, Time),
    ) -> Result<Vec<HealthRecord>> {
        self.unit(who, key).await?;
        bounded(from, to)?;
        Ok(self.store().health_of_unit(key, from, to).await?)
    }

    /// Recorded grades of an engine, through every unit of the caller that it was fitted to.
    pub async fn engine_health(
        &self,
        who: &Principal,
        engine: &EngineSerial,
        (from, to): (Time, Time),
    ) -> Result<Vec<HealthRecord>> {
        bounded(from, to)?;
        Ok(self.store().health_of_engine(engine, &who.railways, from, to).await?)
    }

    /// Newest recorded grades of every unit of the caller, by railway and number.
    pub async fn health_now(&self, who: &Principal) -> Result<Vec<HealthRecord>> {
        Ok(self.store().health_now(&who.railways).await?)
    }

    /// Grades every unit and records it. For the daemon's own task, which people's reads do not hold up. Returns how many
    /// rows of history were written.
    pub async fn record_health(&self) -> Result<usize> {
        let store = self.store().for_work();
        let register = store.register().await?;
        let findings = self.every_open_finding(&store).await?;
        let now = self.now();
        let mut written = 0;
        for units in register.units.chunks(UNITS_A_COMMIT) {
            // A few at a time: what a whole fleet still learns, channel by channel, would be a hundred megabytes.
            let keys: Vec<UnitKey> = units.iter().map(Unit::key).collect();
            let progress = store.progress_of(&keys).await?.into_iter();
            let progress: HashMap<UnitKey, UnitProgress> = progress.map(|p| (p.unit.clone(), p)).collect();
            let comms = store.comms_of(&keys).await?.into_iter();
            let comms: HashMap<UnitKey, UnitComms> = comms.map(|c| (c.unit.clone(), c)).collect();
            let records: Vec<HealthRecord> = units
                .iter()
                .filter_map(|unit| {
                    let key = unit.key();
                    let findings = findings.get(&key).map_or(&[][..], Vec::as_slice);
                    graded(&register, unit, findings, progress.get(&key), comms.get(&key), now)
                })
                .collect();
            written += store.put_health(&records).await?;
            tokio::task::yield_now().await;
        }
        Ok(written)
    }

    async fn every_open_finding(&self, store: &Store) -> Result<HashMap<UnitKey, Vec<Finding>>> {
        let mut found: HashMap<UnitKey, Vec<Finding>> = HashMap::new();
        let mut query = FindingQuery { open: Some(true), limit: AT_ONE_TIME, ..FindingQuery::default() };
        loop {
            let page = store.findings(&query, &RailwayFilter::All, self.now()).await?;
            for finding in page.items {
                found.entry(finding.machine.unit.clone()).or_default().push(finding);
            }
            let Some(next) = page.next else { return Ok(found) };
            query.after = Some(next);
        }
    }
}

fn graded(
    register: &Register,
    unit: &Unit,
    findings: &[Finding],
    progress: Option<&UnitProgress>,
    comms: Option<&UnitComms>,
    now: Time,
) -> Option<HealthRecord> {
    let class = register.class(&unit.class)?;
    let none: BTreeMap<ChannelName, f64> = BTreeMap::new();
    let health = unit_health(&HealthBasis {
        unit,
        class,
        findings,
        learning: progress.and_then(|p| p.models.as_ref()).map_or(&none, |m| &m.learning),
        judged: progress.and_then(|p| p.judged),
        comms: comms.map(|c| c.state),
        now,
    });
    let mut parts: BTreeMap<String, HealthMark> =
        health.systems.iter().map(|(system, health)| (system.word().to_owned(), mark(health))).collect();
    parts.insert("unit".to_owned(), mark(&health.unit));
    parts.extend(health.engine.as_ref().map(|engine| ("engine".to_owned(), mark(engine))));
    Some(HealthRecord { unit: unit.key(), at: now, engine: unit.engine_at(now).cloned(), parts })
}

fn mark(health: &Health) -> HealthMark {
    let heaviest = health.reasons.iter().find(|r| r.takes > 0.0).map(|r| r.what.clone());
    HealthMark {
        grade: health.grade.map(thousandths),
        confidence: thousandths(health.confidence),
        at_most: health.at_most,
        why: health.unknown.clone().or(heaviest).unwrap_or_default(),
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0 and 1000 before")]
fn thousandths(share: f64) -> u16 {
    (share.clamp(0.0, 1.0) * 1000.0).round() as u16
}

fn bounded(from: Time, to: Time) -> Result<()> {
    if from >= to {
        return Err(DeskError::Refused("the span ends before it begins".to_owned()));
    }
    if to - from > MAX_HEALTH_SPAN {
        return Err(DeskError::Refused("the history of grades is shown for five years at most".to_owned()));
    }
    Ok(())
}
