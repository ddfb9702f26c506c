//! Timelines as a caller sees and fills them.
//!
//! Owns what an entry must fit to: the unit, the engine fitted then, the class's channels, the clock. Beside recorded
//! entries it shows what the unit's own text channels said, read from its messages.

use notchwatch_findings::clean_text;
use notchwatch_model::{
    AsBuilt, ChannelValue, Class, EngineSerial, FAULT_CODE_CHANNEL, Fact, FactKind, MAX_AHEAD, NewEntry,
    Origin, Principal, Problem, SOFTWARE_CHANNEL, Span, TextState, Time, TimelineEntry, TimelineId, Unit,
    UnitKey, Withdrawal,
};
use notchwatch_store::TimelineQuery;

use crate::decide::MAX_PAGE;
use crate::error::{DeskError, Result};
use crate::{Desk, may_decide};

/// Longest span of a unit's timeline that text channels are read for.
pub const MAX_TIMELINE_SPAN: Span = Span::from_days(92);
/// Most entries recorded at one time.
pub const MAX_ENTRIES: usize = 1000;
/// Longest reason of a withdrawal, in characters.
const MAX_REASON_CHARS: usize = 400;

/// Which part of a unit's timeline.
#[derive(Debug, Clone)]
pub struct TimelineSpan {
    /// Event time at or after.
    pub from: Time,
    /// Event time before.
    pub to: Time,
    /// Of this kind alone.
    pub kind: Option<FactKind>,
    /// Withdrawn entries too.
    pub withdrawn: bool,
}

impl Desk {
    /// Timeline of a unit, the newest first, at most 500 entries: recorded ones and those of its text channels.
    pub async fn unit_timeline(
        &self,
        who: &Principal,
        key: &UnitKey,
        span: &TimelineSpan,
    ) -> Result<Vec<TimelineEntry>> {
        let (unit, class) = self.unit(who, key).await?;
        if span.to - span.from > MAX_TIMELINE_SPAN {
            let days = MAX_TIMELINE_SPAN.micros() / Span::from_days(1).micros();
            return Err(DeskError::Refused(format!("a timeline is shown for {days} days at most")));
        }
        let query = TimelineQuery {
            unit: Some(key.clone()),
            kind: span.kind,
            from: Some(span.from),
            to: Some(span.to),
            withdrawn: span.withdrawn,
            limit: MAX_PAGE,
            engine: None,
        };
        let mut entries = self.store().timeline(&query, &who.railways).await?;
        if span.kind.is_none_or(|kind| matches!(kind, FactKind::FaultCode | FactKind::Software)) {
            let said = self.said(&unit, &class, span).await?;
            entries.extend(said.into_iter().filter(|e| span.kind.is_none_or(|kind| e.fact.kind() == kind)));
        }
        entries.sort_by_key(|entry| std::cmp::Reverse((entry.at, entry.id)));
        entries.truncate(MAX_PAGE);
        Ok(entries)
    }

    /// Recorded entries on an engine, whatever unit it was fitted to, the newest first.
    pub async fn engine_timeline(
        &self,
        who: &Principal,
        engine: &EngineSerial,
    ) -> Result<Vec<TimelineEntry>> {
        let query = TimelineQuery {
            engine: Some(engine.clone()),
            withdrawn: true,
            limit: MAX_PAGE,
            ..TimelineQuery::default()
        };
        Ok(self.store().timeline(&query, &who.railways).await?)
    }

    /// Unit of the caller that an engine was fitted to at an event time.
    pub async fn unit_of_engine(&self, who: &Principal, engine: &EngineSerial, at: Time) -> Result<UnitKey> {
        let register = self.register(who).await?;
        let fitted = register.units.iter().find(|unit| unit.engine_at(at) == Some(engine));
        fitted.map(Unit::key).ok_or(DeskError::NotFound)
    }

    /// Records entries: all, or none with every problem. Returns each with whether it is new.
    pub async fn record_entries(
        &self,
        who: &Principal,
        entries: Vec<NewEntry>,
        origin: Origin,
    ) -> Result<Vec<(TimelineEntry, bool)>> {
        may_decide(who)?;
        if entries.len() > MAX_ENTRIES {
            return Err(DeskError::Refused(format!("{MAX_ENTRIES} entries at one time are allowed")));
        }
        let now = self.now();
        let (mut fit, mut problems) = (Vec::with_capacity(entries.len()), Vec::new());
        for (place, entry) in entries.into_iter().enumerate() {
            let (unit, class) = self.unit(who, &entry.unit).await?;
            match fitting(entry, &unit, &class, now) {
                Ok(entry) => fit.push(entry),
                Err((field, what)) => problems.push(Problem { place: format!("{place}.{field}"), what }),
            }
        }
        if !problems.is_empty() {
            return Err(DeskError::Invalid(problems));
        }
        Ok(self.store().record_entries(&fit, &who.name, origin, now).await?)
    }

    /// Takes an entry back. The first withdrawal stands.
    pub async fn withdraw_entry(
        &self,
        who: &Principal,
        id: TimelineId,
        reason: &str,
    ) -> Result<TimelineEntry> {
        may_decide(who)?;
        clean_text(reason, "the reason", MAX_REASON_CHARS).map_err(DeskError::Refused)?;
        let withdrawal = Withdrawal { at: self.now(), by: who.name.clone(), reason: reason.to_owned() };
        self.store().withdraw_entry(id, &who.railways, &withdrawal).await?.ok_or(DeskError::NotFound)
    }

    /// What the unit's text channels said within a span. The first version seen is no change and is left out.
    async fn said(&self, unit: &Unit, class: &Class, span: &TimelineSpan) -> Result<Vec<TimelineEntry>> {
        let read = |name: &str| name == FAULT_CODE_CHANNEL || name == SOFTWARE_CHANNEL;
        if !class.channels.iter().any(|c| read(c.name.as_str())) {
            return Ok(vec![]);
        }
        let (mut state, mut entries, mut versioned) = (TextState::default(), Vec::new(), false);
        for text in self.store().unit_texts(&unit.key(), span.from, span.to, None).await? {
            let Some(channel) = class.channel(text.channel).filter(|c| read(c.name.as_str())) else {
                continue;
            };
            for fact in state.take(channel.name.as_str(), &text.text) {
                if matches!(fact, Fact::Software { .. }) && !std::mem::replace(&mut versioned, true) {
                    continue;
                }
                entries.push(TimelineEntry {
                    id: None,
                    unit: unit.key(),
                    engine: unit.engine_at(text.time).cloned(),
                    at: text.time,
                    received: None,
                    by: None,
                    origin: Origin::Channel,
                    fact,
                    withdrawn: None,
                });
            }
        }
        Ok(entries)
    }
}

/// The entry with the engine fitted at its event time. Errors name the field.
fn fitting(
    mut entry: NewEntry,
    unit: &Unit,
    class: &Class,
    now: Time,
) -> std::result::Result<NewEntry, (&'static str, String)> {
    if entry.at > now + MAX_AHEAD {
        return Err(("at", format!("{} is in the future", entry.at)));
    }
    entry.fact.check()?;
    let fitted = unit.engine_at(entry.at);
    if let (Some(given), Some(fitted)) = (&entry.engine, fitted)
        && given != fitted
    {
        return Err(("engine", format!("engine {fitted} was fitted to {} at {}", entry.unit, entry.at)));
    }
    if let (Some(given), None, false) = (&entry.engine, fitted, unit.engines.is_empty()) {
        return Err(("engine", format!("engine {given} was not fitted to {} at {}", entry.unit, entry.at)));
    }
    if let Fact::Maintenance { channels, .. } = &entry.fact
        && let Some(unknown) = channels.iter().find(|name| class.channel_ix(name.as_str()).is_none())
    {
        return Err(("channels", format!("class {} has no channel {unknown}", class.id)));
    }
    if let Fact::AsBuilt { levels, .. } = &entry.fact {
        levels.iter().try_for_each(|level| begins(level, class)).map_err(|what| ("levels", what))?;
    }
    entry.engine = entry.engine.or_else(|| fitted.cloned());
    Ok(entry)
}

/// Whether the class judges the channel by its level, and the level can be one of it.
fn begins(level: &AsBuilt, class: &Class) -> std::result::Result<(), String> {
    let AsBuilt { channel: name, level, .. } = level;
    let channel = class.channel_ix(name.as_str()).and_then(|at| class.channel(at));
    let channel = channel.ok_or_else(|| format!("class {} has no channel {name}", class.id))?;
    if !channel.judged || channel.value != ChannelValue::Number {
        return Err(format!("class {} does not judge {name} by its level", class.id));
    }
    match channel.range {
        Some((low, high)) if !(low..=high).contains(level) => {
            Err(format!("{name} cannot be {level}: the class gives it {low} to {high} {}", channel.uom))
        }
        _ => Ok(()),
    }
}
