//! A block mean in eight bytes: a fleet holds a hundred million of them.

use serde::{Deserialize, Serialize};

/// A block mean as it is held for dating.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(super) struct Mean {
    /// Begin of the block, in whole seconds after the track's origin; the highest bit says that no wander may be learned
    /// from it.
    when: u32,
    pub(super) z: f32,
}

/// The bit of a block that is no measure of normal wander.
const UNFAIR: u32 = 1 << 31;

impl Mean {
    pub(super) fn new(at_s: u32, z: f32, fair: bool) -> Self {
        Self { when: at_s.min(UNFAIR - 1) | if fair { 0 } else { UNFAIR }, z }
    }

    pub(super) fn at_s(self) -> u32 {
        self.when & !UNFAIR
    }

    pub(super) fn fair(self) -> bool {
        self.when & UNFAIR == 0
    }

    /// It is no measure of normal wander.
    pub(super) fn disown(&mut self) {
        self.when |= UNFAIR;
    }
}
