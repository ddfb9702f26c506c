//! Duty: the share of time for which a flag is on, by operating state.
//!
//! Owns the running share. A flag has no level of its own: what a compressor or a heater tells lies in how much of the
//! time it runs. Refuses to give a share before enough of the state was seen.

use notchwatch_model::ChannelValue;
use serde::{Deserialize, Serialize};

use crate::plan::{ChannelPlan, MOST_COVARIATES};

/// Samples of one operating state over which the share runs: an hour at one a minute, so that a compressor which cycles
/// three times an hour is seen through some cycles. The longer, the more its neighbours in time resemble each other, and
/// what resembles its neighbours is taken for wander: with three hours a slow change was learned instead of told.
pub(crate) const OVER: u16 = 60;
/// Samples of a state before its share is given: half of that.
const ENOUGH: u16 = OVER / 2;
/// Smallest difference of two shares that means anything: one sample in that many.
pub(crate) const RESOLUTION: f64 = 0.01;
/// Smallest lasting change of a share that is worth telling (common practice: five of a hundred).
pub(crate) const LEAST_TOLD: f64 = 0.05;

/// Running shares of one channel.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Duty(Vec<Share>);

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Share {
    slot: u8,
    /// Samples seen, up to [`OVER`].
    seen: u16,
    on: f64,
    covariates: [f64; MOST_COVARIATES],
}

impl Duty {
    /// Takes a sample of a state. Returns the share of it for which the flag was on, with the means of the covariates
    /// over the same samples, once that can be said.
    pub(crate) fn take(
        &mut self,
        slot: u8,
        x: f64,
        covariates: &[f64],
    ) -> Option<(f64, [f64; MOST_COVARIATES])> {
        let at = self.0.iter().position(|share| share.slot == slot).unwrap_or_else(|| {
            self.0.push(Share { slot, seen: 0, on: 0.0, covariates: [0.0; MOST_COVARIATES] });
            self.0.len() - 1
        });
        let share = self.0.get_mut(at)?;
        // A plain mean at first, then one that forgets.
        share.seen = (share.seen + 1).min(OVER);
        let gain = 1.0 / f64::from(share.seen);
        share.on += (x - share.on) * gain;
        for (mean, value) in share.covariates.iter_mut().zip(covariates) {
            *mean += (value - *mean) * gain;
        }
        (share.seen >= ENOUGH).then_some((share.on, share.covariates))
    }
}

/// Whether a channel is judged by its duty instead of its values.
pub(crate) fn judged(plan: &ChannelPlan) -> bool {
    plan.value == ChannelValue::Flag
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_of_one_state_and_forget() {
        let mut duty = Duty::default();
        for i in 0..ENOUGH - 1 {
            assert_eq!(duty.take(0, f64::from(i % 4 == 0), &[2.0]), None, "too few samples of the state");
        }
        let (quarter, covariates) = duty.take(0, 0.0, &[2.0]).unwrap();
        assert!(
            (quarter - 0.25).abs() < 0.05 && (covariates[0] - 2.0).abs() < 1e-9,
            "{quarter} {covariates:?}"
        );
        assert_eq!(duty.take(8, 1.0, &[]), None, "another state knows nothing yet");
        let (full, _) = (0..4 * OVER).filter_map(|_| duty.take(0, 1.0, &[0.0])).last().unwrap();
        assert!(full > 0.97, "{full}");
    }
}
