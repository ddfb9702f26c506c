//! Quarantine: where refused messages and records stand. Shapes here, the work in the files below.

mod read;
mod write;

pub use write::QuarantineBounds;
pub(crate) use write::{Refused, drop_received_before, put_refused, refused_rows};

use notchwatch_model::{RailwayId, Reason, Time, UnitId};

use crate::Cursor;

/// Which refused things. Every field narrows.
#[derive(Debug, Clone, Default)]
pub struct QuarantineQuery {
    /// For this reason.
    pub reason: Option<Reason>,
    /// Of this railway.
    pub railway: Option<RailwayId>,
    /// Of this unit number.
    pub unit: Option<UnitId>,
    /// Received at or after.
    pub since: Option<Time>,
    /// Received before.
    pub until: Option<Time>,
    /// With this text anywhere in the topic, letter by letter; no NUL in it.
    pub topic: Option<String>,
    /// After this place in the list.
    pub after: Option<Cursor>,
    /// Most items; 0 means 100.
    pub limit: usize,
}

/// A refused message, or the records of one message refused for one reason.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QuarantineRow {
    /// Number of the row.
    pub id: i64,
    /// Receive time.
    pub received: Time,
    /// Topic; the beginning of one longer than 1 KiB.
    pub topic: String,
    /// Content type, when given; cut likewise.
    pub content_type: Option<String>,
    /// Retain flag of the delivery: the broker had kept the message.
    pub retained: bool,
    /// Railway, if the topic names a registered one.
    pub railway: Option<RailwayId>,
    /// Unit number, if the topic names one.
    pub unit: Option<UnitId>,
    /// Why.
    pub reason: Reason,
    /// First record refused for it, from 0; absent when the whole message is.
    pub record: Option<u32>,
    /// How many records of the message were refused for it.
    pub count: u32,
    /// What was found at the first of them and what would be right.
    pub detail: String,
    /// Size of the message in bytes.
    pub size: u64,
}
