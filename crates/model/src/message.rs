//! Messages: what arrived, and what decoding made of it.
//!
//! Owns the envelope and the fixed list of reasons for which a message or a record is refused. Malformed input
//! is data: a decoder returns what it could use beside what it refused.

use serde::{Deserialize, Serialize};

use crate::{ChannelIx, Sample, TextSample, Time, UnitKey, Uom};

/// A message as received, before decoding.
#[derive(Clone, PartialEq, Debug)]
pub struct Envelope {
    /// Receive time.
    pub received: Time,
    /// MQTT topic.
    pub topic: String,
    /// MQTT 5 content type, when given.
    pub content_type: Option<String>,
    /// Retain flag of the delivery: the broker sent a kept message, not a fresh one.
    pub retained: bool,
    /// The bytes.
    pub payload: Vec<u8>,
}

impl Envelope {
    /// Bytes of payload, topic and content type: senders choose the length of each.
    pub fn bytes(&self) -> usize {
        self.payload.len() + self.topic.len() + self.content_type.as_ref().map_or(0, String::len)
    }
}

/// Form of a payload.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MessageFormat {
    /// `SenML` in JSON (RFC 8428 section 5).
    SenmlJson,
    /// `SenML` in CBOR (RFC 8428 section 6).
    SenmlCbor,
}

/// Why something was refused. A fixed list: reasons label metrics.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// The topic does not match the configured pattern.
    Topic,
    /// The unit is not in the register.
    UnknownUnit,
    /// The payload names another unit than the topic.
    WrongUnit,
    /// Neither content type nor first byte tells the format.
    Format,
    /// Not well-formed JSON or CBOR, or not the shape of a pack.
    Malformed,
    /// Larger, deeper or longer than a stated limit.
    TooLarge,
    /// A pack version that is not understood (RFC 8428 section 4.4).
    Version,
    /// A field that must be understood is not (a label ending in `_`).
    MustUnderstand,
    /// The name is missing or not of the allowed characters.
    Name,
    /// The channel is not in the unit's class.
    UnknownChannel,
    /// No value, more than one, or of the wrong type for the channel.
    Value,
    /// A number that is not finite, or a whole number beyond what can be kept exactly.
    NotFinite,
    /// The unit of measure is not known or does not convert to the channel's.
    Uom,
    /// The event time is too far ahead of the receive time: the clock is wrong.
    ClockAhead,
    /// The event time is too far behind the receive time: the clock is wrong.
    ClockBehind,
    /// The time is not a time.
    Time,
    /// A kept message without a time of its own: nobody knows when it was measured.
    RetainedWithoutTime,
    /// The database refused it.
    Store,
}

impl Reason {
    /// Every reason, in a fixed order.
    pub const ALL: [Reason; 18] = [
        Reason::Topic,
        Reason::UnknownUnit,
        Reason::WrongUnit,
        Reason::Format,
        Reason::Malformed,
        Reason::TooLarge,
        Reason::Version,
        Reason::MustUnderstand,
        Reason::Name,
        Reason::UnknownChannel,
        Reason::Value,
        Reason::NotFinite,
        Reason::Uom,
        Reason::ClockAhead,
        Reason::ClockBehind,
        Reason::Time,
        Reason::RetainedWithoutTime,
        Reason::Store,
    ];

    /// The reason as it is stored, counted and shown.
    pub const fn code(self) -> &'static str {
        match self {
            Reason::Topic => "topic",
            Reason::UnknownUnit => "unknown-unit",
            Reason::WrongUnit => "wrong-unit",
            Reason::Format => "format",
            Reason::Malformed => "malformed",
            Reason::TooLarge => "too-large",
            Reason::Version => "version",
            Reason::MustUnderstand => "must-understand",
            Reason::Name => "name",
            Reason::UnknownChannel => "unknown-channel",
            Reason::Value => "value",
            Reason::NotFinite => "not-finite",
            Reason::Uom => "uom",
            Reason::ClockAhead => "clock-ahead",
            Reason::ClockBehind => "clock-behind",
            Reason::Time => "time",
            Reason::RetainedWithoutTime => "retained-without-time",
            Reason::Store => "store",
        }
    }

    /// The reason of a code.
    pub fn from_code(code: &str) -> Option<Reason> {
        Reason::ALL.into_iter().find(|r| r.code() == code)
    }
}

/// A refused message, or the records of one message that are refused for one reason.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Refusal {
    /// Why.
    pub reason: Reason,
    /// Position of the first of the records in the pack, from 0; absent when the whole message is refused.
    pub record: Option<u32>,
    /// How many records are refused for it; 1 when the whole message is.
    pub count: u32,
    /// What was found at the first and what would be right, for a person.
    pub detail: String,
}

impl Refusal {
    /// A message refused whole.
    pub fn whole(reason: Reason, detail: String) -> Self {
        Self { reason, record: None, count: 1, detail }
    }

    /// One record refused, by its position in the pack.
    pub fn of_record(reason: Reason, record: u32, detail: String) -> Self {
        Self { reason, record: Some(record), count: 1, detail }
    }

    /// Joins the refusals of its message. The first for each reason stays and counts those like it, so that what is held
    /// of a message does not grow with the records refused.
    pub fn join(self, refused: &mut Vec<Refusal>) {
        match refused.iter_mut().find(|first| first.reason == self.reason) {
            Some(first) => first.count = first.count.saturating_add(self.count),
            None => refused.push(self),
        }
    }
}

/// First sight of a unit of measure that a unit sends for a channel, when it is not the stored one.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct UomUse {
    /// The channel.
    pub channel: ChannelIx,
    /// As sent; converted to the stored one.
    pub sent: Uom,
}

/// What one message gave: samples, and refusals with reasons.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Decoded {
    /// Which unit the topic proves; absent when it does not.
    pub unit: Option<UnitKey>,
    /// Samples, in order of event time, then of the pack.
    pub samples: Vec<Sample>,
    /// Texts, in order of event time, then of the pack.
    pub texts: Vec<TextSample>,
    /// What was refused: one for each reason, in the order of their first record.
    pub refused: Vec<Refusal>,
    /// Units of measure sent other than the stored ones, each once.
    pub uoms: Vec<UomUse>,
    /// The pack used times relative to receipt: they are as wrong as the delivery was late.
    pub approximate: bool,
    /// Records accepted although a strict reader would not (base fields alone in a record).
    pub lenient: u32,
    /// Records in the pack.
    pub records: u32,
}

impl Decoded {
    /// A message refused whole.
    pub fn refused(unit: Option<UnitKey>, reason: Reason, detail: String) -> Self {
        Self { unit, refused: vec![Refusal::whole(reason, detail)], ..Self::default() }
    }

    /// Earliest and latest event time of its samples and texts.
    pub fn span(&self) -> Option<(Time, Time)> {
        let times = || self.samples.iter().map(|s| s.time).chain(self.texts.iter().map(|t| t.time));
        Some((times().min()?, times().max()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_comes_back_from_its_code() {
        for reason in Reason::ALL {
            assert_eq!(Reason::from_code(reason.code()), Some(reason));
        }
    }

    #[test]
    fn records_refused_for_one_reason_are_one_refusal_that_counts_them() {
        let mut refused = Vec::new();
        for (record, reason) in [Reason::Uom, Reason::Name, Reason::Uom, Reason::Uom].into_iter().enumerate()
        {
            let record = u32::try_from(record).unwrap();
            Refusal::of_record(reason, record, format!("at {record}")).join(&mut refused);
        }
        let told: Vec<_> = refused.iter().map(|r| (r.reason, r.record, r.count, r.detail.as_str())).collect();
        assert_eq!(told, [(Reason::Uom, Some(0), 3, "at 0"), (Reason::Name, Some(1), 1, "at 1")]);
    }
}
