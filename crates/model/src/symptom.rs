//! Symptoms: evidence, from one channel or a set of peers, that something changed (ISO 13372, ISO 13379-1).
//!
//! Owns the kinds of symptom and what each carries. A symptom is a fact about data, never a diagnosis.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{ChannelName, FindingKind, Regime, Time, Uom};

/// What kind of change.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SymptomKind {
    /// A limit of the class is exceeded.
    Limit,
    /// The level changed at a point in time.
    LevelShift,
    /// The level moves slowly away from its baseline.
    Drift,
    /// The channel left its daily or weekly pattern.
    Seasonal,
    /// The channel left its sister channels.
    Peer,
    /// The value does not change although the channel normally moves.
    Stuck,
    /// The value lies outside what is physically possible, or is a sensor's code for "no value".
    OutOfRange,
    /// The value changes faster than is physically possible.
    ImpossibleRate,
    /// The spread is much larger than usual.
    Noisy,
    /// Two channels that physics ties disagree.
    Disagreement,
    /// A counter fell and stayed: reset or exchanged.
    CounterReset,
    /// The unit began to send another unit of measure.
    UomChange,
    /// A result of an oil sample is out of the ordinary: the laboratory says so, or stated limits.
    OilSample,
}

impl SymptomKind {
    /// Every kind.
    pub const ALL: [SymptomKind; 13] = [
        SymptomKind::Limit,
        SymptomKind::LevelShift,
        SymptomKind::Drift,
        SymptomKind::Seasonal,
        SymptomKind::Peer,
        SymptomKind::Stuck,
        SymptomKind::OutOfRange,
        SymptomKind::ImpossibleRate,
        SymptomKind::Noisy,
        SymptomKind::Disagreement,
        SymptomKind::CounterReset,
        SymptomKind::UomChange,
        SymptomKind::OilSample,
    ];

    /// What such a symptom is about, taken alone: a step on a machine channel is a machine matter, a stuck value a
    /// sensor's, a counter reset the data's.
    pub const fn about(self) -> FindingKind {
        match self {
            SymptomKind::Limit
            | SymptomKind::LevelShift
            | SymptomKind::Drift
            | SymptomKind::Seasonal
            | SymptomKind::Peer
            | SymptomKind::OilSample => FindingKind::Machine,
            SymptomKind::Stuck
            | SymptomKind::OutOfRange
            | SymptomKind::ImpossibleRate
            | SymptomKind::Noisy
            | SymptomKind::Disagreement => FindingKind::Sensor,
            SymptomKind::CounterReset | SymptomKind::UomChange => FindingKind::Data,
        }
    }

    /// The word as it is written in the API and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            SymptomKind::Limit => "limit",
            SymptomKind::LevelShift => "level-shift",
            SymptomKind::Drift => "drift",
            SymptomKind::Seasonal => "seasonal",
            SymptomKind::Peer => "peer",
            SymptomKind::Stuck => "stuck",
            SymptomKind::OutOfRange => "out-of-range",
            SymptomKind::ImpossibleRate => "impossible-rate",
            SymptomKind::Noisy => "noisy",
            SymptomKind::Disagreement => "disagreement",
            SymptomKind::CounterReset => "counter-reset",
            SymptomKind::UomChange => "uom-change",
            SymptomKind::OilSample => "oil-sample",
        }
    }
}

/// Which way.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Higher than expected.
    Up,
    /// Lower than expected.
    Down,
    /// Neither: stuck, noisy, exchanged.
    None,
}

impl std::str::FromStr for SymptomKind {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        SymptomKind::ALL.into_iter().find(|kind| kind.word() == text).ok_or_else(|| {
            let known: Vec<&str> = SymptomKind::ALL.iter().map(|kind| kind.word()).collect();
            format!("{text:?} is not a kind of symptom: {}", known.join(", "))
        })
    }
}

impl Direction {
    /// Of a signed size.
    pub fn of(size: f64) -> Self {
        if size > 0.0 {
            Direction::Up
        } else if size < 0.0 {
            Direction::Down
        } else {
            Direction::None
        }
    }

    /// The word as it is written in the API and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            Direction::Up => "up",
            Direction::Down => "down",
            Direction::None => "none",
        }
    }
}

/// What makes two reports of a symptom the same symptom while it lasts.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct SymptomId {
    /// The channel.
    pub channel: ChannelName,
    /// The kind.
    pub kind: SymptomKind,
    /// When it was detected: event time at which the evidence sufficed.
    pub detected: Time,
}

/// A symptom with the numbers that made it.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Symptom {
    /// The channel.
    pub channel: ChannelName,
    /// What kind of change.
    pub kind: SymptomKind,
    /// Which way.
    pub direction: Direction,
    /// How far from expected, signed, in `uom`. Zero where size has no meaning (stuck).
    pub size: f64,
    /// Unit of measure of `size`.
    pub uom: Uom,
    /// How far from expected in the channel's own robust spreads, signed.
    pub spreads: f64,
    /// Estimated start.
    pub onset: Time,
    /// Event time at which the evidence sufficed.
    pub detected: Time,
    /// Probability that there is a change, 0 to 1.
    pub probability: f64,
    /// Operating states in which it was seen.
    pub states: Vec<Regime>,
    /// Which detector.
    pub model: String,
    /// The numbers that made it: expected, measured, spread, limit, count. Finite.
    pub numbers: BTreeMap<String, f64>,
}

impl Symptom {
    /// Its identity.
    pub fn id(&self) -> SymptomId {
        SymptomId { channel: self.channel.clone(), kind: self.kind, detected: self.detected }
    }
}

/// What happened to a symptom at one event time.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct SymptomChange {
    /// Event time of the change.
    pub at: Time,
    /// The symptom as it now stands.
    pub symptom: Symptom,
    /// What happened.
    pub change: Change,
}

/// Life of a symptom.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The evidence sufficed.
    Raised,
    /// Size, onset or probability moved enough to matter.
    Revised,
    /// The channel is back.
    Cleared,
}

/// Why a symptom of a level says no time to a limit. Stands as [`Self::number`] under [`Self::NAME`] among a symptom's numbers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Untold {
    /// The class states no limit on the side that the level moves to.
    NoLimit,
    /// The operating states in which the limit holds were not seen for long enough since.
    Unseen,
    /// Too little was seen to tell how it grows.
    Unsure,
    /// It does not grow.
    Stays,
    /// It leads to no limit within a year.
    Far,
}

impl Untold {
    /// Name among a symptom's numbers.
    pub const NAME: &str = "ttl_untold";
    /// Every reason, in the order in which one of several symptoms speaks for a finding.
    pub const ALL: [Untold; 5] =
        [Untold::Unsure, Untold::Unseen, Untold::Far, Untold::Stays, Untold::NoLimit];

    /// The reason as a number.
    pub fn number(self) -> f64 {
        match self {
            Untold::NoLimit => 1.0,
            Untold::Unseen => 2.0,
            Untold::Unsure => 3.0,
            Untold::Stays => 4.0,
            Untold::Far => 5.0,
        }
    }

    /// The reason that a symptom's numbers give, if they give one.
    pub fn of(symptom: &Symptom) -> Option<Self> {
        let number = symptom.numbers.get(Self::NAME)?;
        Self::ALL.into_iter().find(|reason| reason.number().total_cmp(number).is_eq())
    }
}
