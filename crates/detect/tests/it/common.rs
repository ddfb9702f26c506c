//! Seeded noise and small classes for the integration tests of this crate.

use notchwatch_model::{ChannelDef, ChannelName, Class, ClassId, OperationRule, System, Time};

/// A seeded generator (`SplitMix64`, Steele, Lea and Flood 2014): the same numbers on every machine.
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x00DE_7EC7)
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
        let u = (z >> 11) as f64;
        (u + 0.5) / 9_007_199_254_740_992.0
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

pub(crate) fn epoch() -> Time {
    Time::from_secs_f64(1_767_225_600.0).unwrap()
}

pub(crate) fn channel(name: &str) -> ChannelDef {
    ChannelDef::new(ChannelName::new(name).unwrap(), System::Machine)
}

pub(crate) fn class(channels: Vec<ChannelDef>) -> Class {
    Class {
        id: ClassId::new("test").unwrap(),
        name: "Test".into(),
        operation: OperationRule::default(),
        channels,
    }
}
