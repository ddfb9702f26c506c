//! The machine half of findings that follow from receipts.
//!
//! Owns their ids, titles and words for lengths of time.

use notchwatch_model::{
    ClassId, FindingId, FindingKind, MachinePart, NO_UNIT, OWN_RAILWAY, Opening, Outcome, Priority,
    RECEIPT_ID, RailwayId, Scope, Span, System, Time, Unit, UnitId, UnitKey,
};
use sha2::{Digest as _, Sha256};

/// What a finding is about, before it has an id.
pub(super) struct About<'a> {
    pub(super) unit: UnitKey,
    pub(super) class: &'a ClassId,
    pub(super) scope: Scope,
    pub(super) kind: FindingKind,
    /// Tells causes of one unit and onset apart.
    pub(super) cause: &'a str,
    pub(super) onset: Time,
    pub(super) title: String,
    pub(super) priority: Priority,
}

impl About<'_> {
    /// The finding as it opens at `at`. `None` only if an id could not be written, which its form excludes.
    pub(super) fn open(self, at: Time) -> Option<MachinePart> {
        let text = format!("{}\n{:?}\n{}\n{}", self.unit, self.scope, self.cause, self.onset.micros());
        let digest = Sha256::digest(text.as_bytes());
        let number = digest.iter().take(8).fold(0u64, |all, byte| all << 8 | u64::from(*byte));
        let opening = Opening {
            id: FindingId::new(&format!("{RECEIPT_ID}{number:016x}")).ok()?,
            unit: self.unit,
            class: self.class.clone(),
            system: System::Operation,
            kind: self.kind,
            onset: self.onset,
            opened: at,
        };
        Some(MachinePart {
            title: self.title,
            priority: self.priority,
            time_to_limit_reason: Some("says how messages came, not how the machine is".to_owned()),
            scope: self.scope,
            ..MachinePart::new(opening)
        })
    }
}

/// Ends a finding by what it is about having passed.
pub(super) fn end(part: &mut MachinePart, at: Time, title: String) {
    part.active = false;
    part.changed = at;
    part.ended = Some((at, Outcome::ReturnedToNormal));
    part.title = title;
    part.members.clear();
}

/// A finding of one unit.
pub(super) fn of_unit<'a>(unit: &'a Unit, kind: FindingKind, cause: &'a str, onset: Time) -> About<'a> {
    About {
        unit: unit.key(),
        class: &unit.class,
        scope: Scope::Unit,
        kind,
        cause,
        onset,
        title: String::new(),
        priority: Priority::Low,
    }
}

/// Stands for the units of a railway.
pub(super) fn no_unit(railway: RailwayId) -> Option<UnitKey> {
    Some(UnitKey { railway, unit: UnitId::new(NO_UNIT).ok()? })
}

/// Stands for this service.
pub(super) fn ourselves() -> Option<UnitKey> {
    no_unit(RailwayId::new(OWN_RAILWAY).ok()?)
}

/// A length in words, in its two largest parts: `3 h 20 min`.
pub(super) fn length(span: Span) -> String {
    let secs = span.micros().max(0) / 1_000_000;
    let (days, hours, mins) = (secs / 86_400, secs / 3600 % 24, secs / 60 % 60);
    match (days, hours, mins) {
        (0, 0, 0) => format!("{secs} s"),
        (0, 0, _) => format!("{mins} min"),
        (0, _, _) => format!("{hours} h {mins} min"),
        _ => format!("{days} d {hours} h"),
    }
}

/// A time to the minute, with its zone.
pub(super) fn minute(at: Time) -> String {
    let text = at.to_string();
    match text.get(..16) {
        Some(head) => format!("{} UTC", head.replace('T', " ")),
        None => text,
    }
}
