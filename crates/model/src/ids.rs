//! Identities: names that people write (railway, unit, class, channel, engine, fault) and numbers the store gives.
//!
//! Owns which characters a name may hold, so that no name can break a topic, a path, a label or a page.

use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Longest name accepted, in bytes.
const MAX_NAME: usize = 64;
/// Longest channel name, in bytes.
const MAX_CHANNEL: usize = 128;

/// Why a text is not an identity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{text:?} is not a {what}: 1 to {max} of the characters A-Z a-z 0-9 - . _, beginning with a letter or digit"
)]
pub struct IdError {
    /// What the text should have been.
    pub what: &'static str,
    /// The text, cut to what can be shown.
    pub text: String,
    /// Longest allowed, in bytes.
    pub max: usize,
}

fn check(what: &'static str, text: &str, max: usize) -> Result<Arc<str>, IdError> {
    let fits = (1..=max).contains(&text.len())
        && text.starts_with(|c: char| c.is_ascii_alphanumeric())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_'));
    if fits {
        Ok(Arc::from(text))
    } else {
        Err(IdError { what, text: text.chars().take(max).collect(), max })
    }
}

macro_rules! name {
    ($(#[$doc:meta])* $name:ident, $what:literal, $max:expr) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Arc<str>);

        impl $name {
            /// Checks the text. Errors name the allowed characters and length.
            pub fn new(text: &str) -> Result<Self, IdError> {
                check($what, text, $max).map(Self)
            }

            /// The name as written.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:?}", &*self.0)
            }
        }

        impl FromStr for $name {
            type Err = IdError;
            fn from_str(text: &str) -> Result<Self, IdError> {
                Self::new(text)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(&self.0)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                Self::new(&text).map_err(serde::de::Error::custom)
            }
        }
    };
}

name!(
    /// Owner or operator of units; the tenant boundary.
    RailwayId, "railway id", MAX_NAME
);
name!(
    /// One unit of one railway, as the railway numbers it. Unique within its railway only: see [`UnitKey`].
    UnitId, "unit id", MAX_NAME
);
name!(
    /// A design that units share.
    ClassId, "class id", MAX_NAME
);
name!(
    /// An operator position: a seat that covers stated railways or classes.
    PositionId, "position", MAX_NAME
);
name!(
    /// One measured quantity, as the class names it.
    ChannelName, "channel name", MAX_CHANNEL
);
name!(
    /// The serial number of an engine.
    EngineSerial, "engine serial number", MAX_NAME
);
name!(
    /// A fault of the fault library, short lower-case words.
    FaultId, "fault id", MAX_NAME
);
name!(
    /// A finding. Derived from unit, cause and onset, so that the same data names it the same.
    FindingId, "finding id", MAX_NAME
);

/// A unit of the whole fleet: railway and the railway's own number for it.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct UnitKey {
    /// The railway.
    pub railway: RailwayId,
    /// The unit within it.
    pub unit: UnitId,
}

impl fmt::Display for UnitKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.railway, self.unit)
    }
}

/// Position of a channel in its class's list.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ChannelIx(pub u16);

impl ChannelIx {
    /// As an index into per-channel slices.
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

macro_rules! number {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
        pub struct $name(pub i64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)
            }
        }

        impl FromStr for $name {
            type Err = std::num::ParseIntError;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                text.parse().map(Self)
            }
        }

        /// A string in JSON, since a number there is exact only to 2^53.
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                if serializer.is_human_readable() {
                    serializer.collect_str(&self.0)
                } else {
                    serializer.serialize_i64(self.0)
                }
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                if deserializer.is_human_readable() {
                    String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
                } else {
                    i64::deserialize(deserializer).map(Self)
                }
            }
        }
    };
}

number!(
    /// Position of a message in the journal. Grows for ever.
    Seq
);
number!(
    /// Position of an event in the event log. Grows for ever and becomes visible in order.
    EventId
);
number!(
    /// Position of a decision in the decision log.
    DecisionId
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_hold_only_what_no_topic_path_or_page_can_break_on() {
        for good in ["a", "northmoor", "NM-4021", "oil_pressure", "0.5"] {
            assert!(UnitId::new(good).is_ok(), "{good}");
        }
        for bad in ["", "-a", "a b", "a/b", "a+", "#", "a\0", "ä", &"x".repeat(65)] {
            assert!(UnitId::new(bad).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn the_error_says_what_would_be_right() {
        let text = RailwayId::new("a b").unwrap_err().to_string();
        assert!(text.contains("railway id") && text.contains("A-Z a-z 0-9"), "{text}");
    }
}
