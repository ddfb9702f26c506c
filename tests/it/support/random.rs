//! Pseudo-random numbers from a seed: the same on every machine, so that a failure can be repeated.
//!
//! `SplitMix64` (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014). Not for secrets.

/// A generator.
#[derive(Clone, Debug)]
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A whole number from 0 to below `end`; 0 when there is none.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.next().checked_rem(end).unwrap_or(0)
    }

    /// An index into a list.
    pub(crate) fn index(&mut self, length: usize) -> usize {
        usize::try_from(self.below(length as u64)).expect("an index is small")
    }

    /// Milliseconds from 0 to below `end`.
    pub(crate) fn millis(&mut self, end: i64) -> i64 {
        i64::try_from(self.below(end.unsigned_abs())).expect("a span of this test")
    }

    /// Yes in so many of a thousand cases.
    pub(crate) fn per_mille(&mut self, share: u64) -> bool {
        self.below(1000) < share
    }

    /// One of a list.
    pub(crate) fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        list.get(self.index(list.len())).expect("a list with something in it")
    }
}

#[test]
fn the_numbers_are_those_of_the_paper() {
    // First outputs for seed 1234567, as published with the reference implementation.
    let mut random = Random::new(1_234_567);
    assert_eq!(random.next(), 6_457_827_717_110_365_317);
    assert_eq!(random.next(), 3_203_168_211_198_807_973);
}
