//! Operating state: what the unit was asked to do when it measured, and whether it had settled.
//!
//! Owns the states and the filter that says in which of them a channel is judged. Refuses to derive a state:
//! that is the detector's work, by the class's [`OperationRule`](crate::OperationRule).

use std::fmt;

use serde::{Deserialize, Serialize};

/// What the unit was doing.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Regime {
    /// Engine stopped.
    Stopped,
    /// Throttle position, 0 (idle) to 8.
    Notch(u8),
    /// Dynamic brake: a state of its own.
    DynamicBrake,
    /// The only state of a class that has no throttle.
    Running,
    /// Not known: the channels that say it are missing or stale.
    Unknown,
}

impl Regime {
    /// How many slots a per-regime table needs.
    pub const SLOTS: usize = 12;

    /// Index into a per-regime table; `None` for [`Regime::Unknown`].
    pub const fn slot(self) -> Option<usize> {
        match self {
            Regime::Stopped => Some(0),
            Regime::Notch(n) => {
                if n > 8 {
                    None
                } else {
                    Some(1 + n as usize)
                }
            }
            Regime::DynamicBrake => Some(10),
            Regime::Running => Some(11),
            Regime::Unknown => None,
        }
    }

    /// The regime of a slot, as [`Regime::slot`] numbers them.
    #[expect(clippy::cast_possible_truncation, reason = "the arm holds slots 1 to 9")]
    pub const fn from_slot(slot: usize) -> Regime {
        match slot {
            0 => Regime::Stopped,
            1..=9 => Regime::Notch((slot - 1) as u8),
            10 => Regime::DynamicBrake,
            11 => Regime::Running,
            _ => Regime::Unknown,
        }
    }
}

impl fmt::Display for Regime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Regime::Stopped => f.write_str("stopped"),
            Regime::Notch(0) => f.write_str("idle"),
            Regime::Notch(n) => write!(f, "notch-{n}"),
            Regime::DynamicBrake => f.write_str("dynamic-brake"),
            Regime::Running => f.write_str("running"),
            Regime::Unknown => f.write_str("unknown"),
        }
    }
}

impl std::str::FromStr for Regime {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "stopped" => Ok(Regime::Stopped),
            "idle" => Ok(Regime::Notch(0)),
            "dynamic-brake" => Ok(Regime::DynamicBrake),
            "running" => Ok(Regime::Running),
            "unknown" => Ok(Regime::Unknown),
            _ => match text.strip_prefix("notch-").and_then(|n| n.parse::<u8>().ok()) {
                Some(n @ 1..=8) => Ok(Regime::Notch(n)),
                _ => Err(format!(
                    "{text:?} is not an operating state: stopped, idle, notch-1 to notch-8, dynamic-brake or running"
                )),
            },
        }
    }
}

impl Serialize for Regime {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Regime {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// Operating state at one time (ISO 17359: operating conditions).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct OperatingState {
    /// What the unit was doing.
    pub regime: Regime,
    /// Speed and load have held for the class's stated time.
    pub steady: bool,
    /// The engine has reached the class's stated temperature.
    pub warm: bool,
}

/// The operating states in which a channel is judged or a limit holds. Empty means every known state.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StateFilter {
    /// Regimes allowed; empty allows all known ones.
    #[serde(default)]
    pub regimes: Vec<Regime>,
    /// Only once speed and load have held.
    #[serde(default)]
    pub steady: bool,
    /// Only once warm.
    #[serde(default)]
    pub warm: bool,
}

impl StateFilter {
    /// Whether the state passes. [`Regime::Unknown`] never does.
    pub fn admits(&self, state: OperatingState) -> bool {
        state.regime != Regime::Unknown
            && (self.regimes.is_empty() || self.regimes.contains(&state.regime))
            && (state.steady || !self.steady)
            && (state.warm || !self.warm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slots_are_one_to_one_and_text_comes_back() {
        for slot in 0..Regime::SLOTS {
            let regime = Regime::from_slot(slot);
            assert_eq!(regime.slot(), Some(slot));
            assert_eq!(regime.to_string().parse::<Regime>(), Ok(regime));
        }
        assert!("notch-9".parse::<Regime>().is_err());
    }

    #[test]
    fn an_unknown_state_is_never_admitted() {
        let unknown = OperatingState { regime: Regime::Unknown, steady: true, warm: true };
        assert!(!StateFilter::default().admits(unknown));
    }
}
