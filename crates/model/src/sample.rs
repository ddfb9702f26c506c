//! Samples: time and value of one channel, after decoding; and rows, the samples of one unit at one time.
//!
//! A sample's value is always finite. Flags are 0 and 1. Missing is the absence of a sample, never a zero.

use serde::{Deserialize, Serialize};

use crate::{ChannelIx, Time};

/// One value of one channel at one event time, in the channel's stored unit of measure.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Sample {
    /// Event time.
    pub time: Time,
    /// Channel, by its position in the class.
    pub channel: ChannelIx,
    /// Finite value in the channel's stored unit of measure; 0 or 1 for a flag.
    pub value: f64,
}

impl Sample {
    /// Which of two values for one (unit, channel, event time) is kept: the larger one. The rule looks at the
    /// values alone, so that order of arrival cannot change what is stored.
    #[must_use]
    pub fn settle(self, other: Sample) -> Sample {
        if other.value.total_cmp(&self.value).is_gt() { other } else { self }
    }
}

/// One text of one channel at one event time (controller fault codes, software version).
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct TextSample {
    /// Event time.
    pub time: Time,
    /// Channel, by its position in the class.
    pub channel: ChannelIx,
    /// Text without control characters.
    pub text: String,
}

/// All samples of one unit at one event time: one slot a channel of the class, `None` where nothing was measured.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// Event time.
    pub time: Time,
    /// One slot a channel, in the order of the class.
    pub values: Vec<Option<f64>>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settling_does_not_look_at_order() {
        let at = |value| Sample { time: Time::EPOCH, channel: ChannelIx(0), value };
        assert_eq!(at(1.0).settle(at(2.0)), at(2.0).settle(at(1.0)));
        assert_eq!(at(0.0).settle(at(-0.0)).value.to_bits(), at(-0.0).settle(at(0.0)).value.to_bits());
    }
}
