//! Damage: what is not what was written. What is hit is named, and everything else is still read.
//!
//! Owns the list of places found damaged since the start, bounded. Refuses to mend: what is lost and what helps is told.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Mutex;

use notchwatch_model::{Span, Time, UnitKey};

use crate::db::Row;
use crate::{Error, Result, held};

/// Most places remembered; beyond, damage is logged and left out of reads all the same.
const REMEMBERED: usize = 10_000;

/// Where packed bytes stand, rows that are no more what they were, and tables of which pages cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Place {
    Block { unit_no: i64, day: i64 },
    Channel { unit_no: i64, day: i64, channel: u16 },
    Texts { unit_no: i64, day: i64 },
    Rollup { unit_no: i64, day: i64 },
    Latest { unit_no: i64 },
    Journal { seq: i64 },
    Message { seq: i64 },
    Payloads { seq: i64 },
    Snapshot { unit_no: i64, at: i64 },
    CommsSnapshot,
    Unjudged { unit_no: i64, seq: i64 },
    Decision { id: i64 },
    Finding(String),
    Event { id: i64 },
    Timeline { id: i64 },
    Tick { id: i64 },
    Refused { id: i64 },
    Progress { unit_no: i64 },
    ModelReport { unit_no: i64 },
    Comms { unit_no: i64 },
    Unit(UnitKey),
    Table(&'static str),
}

/// Something that is not what was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Table, unit's compact number and UTC day, or position.
    pub place: String,
    /// What does not fit.
    pub what: String,
    /// What is not read any more.
    pub lost: &'static str,
    /// What to do.
    pub remedy: &'static str,
}

/// Places found damaged since the start.
#[derive(Debug, Default)]
pub(crate) struct Known(Mutex<BTreeMap<Place, String>>);

impl Known {
    /// Passes what reads well. Damage is noted, logged once and read as nothing; other errors stay errors.
    pub(crate) fn spare<T: Default>(&self, place: Place, read: Result<T>) -> Result<T> {
        match read {
            Ok(read) => {
                held(&self.0).remove(&place);
                Ok(read)
            }
            Err(Error::Damaged { what, .. }) => {
                self.note(place, what);
                Ok(T::default())
            }
            Err(other) => Err(other),
        }
    }

    /// What reads well of some rows.
    pub(crate) fn spare_each<T>(
        &self,
        rows: &[Row],
        place: impl Fn(&Row) -> Result<Place>,
        read: impl Fn(&Row) -> Result<T>,
    ) -> Result<Vec<T>> {
        let spared = rows.iter().map(|row| self.spare(place(row)?, read(row).map(Some)));
        spared.filter_map(Result::transpose).collect()
    }

    /// Findings among them, by id.
    pub(crate) fn findings(&self) -> Vec<String> {
        let finding = |place: &Place| match place {
            Place::Finding(id) => Some(id.clone()),
            _ => None,
        };
        held(&self.0).keys().filter_map(finding).collect()
    }

    /// Remembers a place. Returns whether it is news.
    pub(crate) fn note(&self, place: Place, what: String) -> bool {
        let mut known = held(&self.0);
        if known.contains_key(&place) {
            return false;
        }
        tracing::error!(%place, what, lost = place.lost(), remedy = place.remedy(), "damaged data left out");
        if known.len() < REMEMBERED {
            known.insert(place, what);
        }
        true
    }

    /// Forgets places that were written anew or dropped.
    pub(crate) fn forget(&self, gone: impl Fn(&Place) -> bool) {
        held(&self.0).retain(|place, _| !gone(place));
    }

    /// All of them, by table and key.
    pub(crate) fn list(&self) -> Vec<Damage> {
        held(&self.0).iter().map(|(place, what)| place.damage(what)).collect()
    }
}

impl Place {
    /// As it is told to people.
    pub(crate) fn damage(&self, what: &str) -> Damage {
        Damage { place: self.to_string(), what: what.to_owned(), lost: self.lost(), remedy: self.remedy() }
    }

    const fn lost(&self) -> &'static str {
        match self {
            Place::Block { .. } => "samples and texts of this unit and day; its half-hour values remain",
            Place::Channel { .. } => {
                "samples of this channel of this unit and day; its half-hour values remain"
            }
            Place::Texts { .. } => "texts of this unit and day",
            Place::Rollup { .. } => "nothing: half-hour values are computed from samples, which takes longer",
            Place::Latest { .. } => "nothing: newest values are looked for in the last 40 days",
            Place::Journal { .. } => "samples and texts of one message",
            Place::Message { .. } => "one message",
            Place::Payloads { .. } => {
                "the bytes of some messages as received; their samples and texts remain"
            }
            Place::Snapshot { .. } => {
                "a state of the unit's models: the one before is used, and what samples are kept of since is \
                 folded again"
            }
            Place::CommsSnapshot => {
                "what was learned of links: they begin from when each unit was last heard"
            }
            Place::Unjudged { .. } => {
                "which samples of the unit came too late to be judged: a fold from before them judges them"
            }
            Place::Decision { .. } => "the decision: what it concerns is judged without it",
            Place::Finding(_) => {
                "the finding: lists leave it out, decisions on it are not taken, and it stays as it is"
            }
            Place::Event { .. } => "what the event told; streams that pass it are told to read anew",
            Place::Timeline { .. } => {
                "a fact on a unit's timeline, or its withdrawal: the unit is judged without it"
            }
            Place::Tick { .. } => "a reading of the clock: links are judged at the next one",
            Place::Refused { .. } => "why a message was refused, in lists; its bytes remain",
            Place::Progress { .. } => {
                "how far the unit is judged, until it is written anew, and what was repeated"
            }
            Place::ModelReport { .. } => "what the unit's models say of themselves, until it is written anew",
            Place::Unit(_) => {
                "judgement of the unit, from its next load on until what is kept of it can be read"
            }
            Place::Comms { .. } => "the state of the unit's link, until it is written anew",
            Place::Table(_) => "rows of this table on the page that cannot be read, or behind it",
        }
    }

    const fn remedy(&self) -> &'static str {
        match self {
            Place::Block { .. } | Place::Channel { .. } | Place::Texts { .. } => {
                "restore a backup, or import the recorded day again"
            }
            Place::Rollup { .. }
            | Place::Payloads { .. }
            | Place::Event { .. }
            | Place::Tick { .. }
            | Place::Refused { .. } => "none needed",
            Place::Latest { .. } => "none needed: the next sealing of the unit writes it anew",
            Place::Journal { .. } | Place::Message { .. } => {
                "restore a backup, or let the message be sent again"
            }
            Place::Snapshot { .. } => "none needed; if it stays, delete the row",
            Place::CommsSnapshot => "none needed: the next one is written within a quarter of an hour",
            Place::Unjudged { .. } | Place::Decision { .. } | Place::Finding(_) | Place::Unit(_) => {
                "restore a backup"
            }
            Place::Timeline { .. } => "record the fact again, or restore a backup",
            Place::Progress { .. } | Place::ModelReport { .. } | Place::Comms { .. } => {
                "none needed: it is written anew with what comes next"
            }
            Place::Table(_) => "restore a backup; an index alone is mended by REINDEX",
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let date = |day: i64| {
            let text = (Time::EPOCH + Span::from_days(day)).to_string();
            text.split('T').next().unwrap_or_default().to_owned()
        };
        match self {
            Place::Block { unit_no, day } => {
                write!(f, "block of unit_no {unit_no}, day {day} ({})", date(*day))
            }
            Place::Channel { unit_no, day, channel } => {
                write!(f, "channel {channel} in the block of unit_no {unit_no}, day {day} ({})", date(*day))
            }
            Place::Texts { unit_no, day } => {
                write!(f, "texts in the block of unit_no {unit_no}, day {day} ({})", date(*day))
            }
            Place::Rollup { unit_no, day } => {
                write!(f, "rollup of unit_no {unit_no}, day {day} ({})", date(*day))
            }
            Place::Latest { unit_no } => write!(f, "latest of unit_no {unit_no}"),
            Place::Journal { seq } => write!(f, "journal {seq}"),
            Place::Message { seq } => write!(f, "message of journal {seq}"),
            Place::Payloads { seq } => write!(f, "payloads held by journal {seq}"),
            Place::Snapshot { unit_no, at } => match Time::from_micros(*at) {
                Ok(time) => write!(f, "snapshot of unit_no {unit_no} at {time}"),
                Err(_) => write!(f, "snapshot of unit_no {unit_no} at {at} us"),
            },
            Place::CommsSnapshot => write!(f, "comms snapshot"),
            Place::Unjudged { unit_no, seq } => {
                write!(f, "samples not judged of unit_no {unit_no}, journal {seq}")
            }
            Place::Decision { id } => write!(f, "decision {id}"),
            Place::Finding(id) => write!(f, "finding {id}"),
            Place::Event { id } => write!(f, "event {id}"),
            Place::Timeline { id } => write!(f, "timeline {id}"),
            Place::Tick { id } => write!(f, "clock tick {id}"),
            Place::Refused { id } => write!(f, "quarantine {id}"),
            Place::Progress { unit_no } => write!(f, "progress of unit_no {unit_no}"),
            Place::ModelReport { unit_no } => write!(f, "what models say of unit_no {unit_no}"),
            Place::Unit(unit) => write!(f, "unit {unit}"),
            Place::Comms { unit_no } => write!(f, "link of unit_no {unit_no}"),
            Place::Table(name) => write!(f, "table {name}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn damage_is_named_once_and_forgotten_when_it_is_gone() {
        let (known, place) = (Known::default(), || Place::Block { unit_no: 3, day: 20_513 });
        let broken = || Err(Error::Damaged { place: String::new(), what: "checksum does not match".into() });
        for _ in 0..2 {
            assert!(known.spare::<Vec<u8>>(place(), broken()).unwrap().is_empty());
        }
        let [damage] = &known.list()[..] else { panic!("one place: {:?}", known.list()) };
        assert_eq!(damage.place, "block of unit_no 3, day 20513 (2026-03-01)");
        assert!(known.spare::<u8>(place(), Err(Error::Unreachable(String::new()))).is_err());
        known.spare(place(), Ok(1)).unwrap();
        assert_eq!(known.list(), []);
        assert!(known.note(place(), "again".into()) && !known.note(place(), "again".into()));
        known.forget(|_| false);
        assert_eq!(known.list().len(), 1);
        known.forget(|gone| matches!(gone, Place::Block { unit_no: 3, .. }));
        assert_eq!(known.list(), []);
    }
}
