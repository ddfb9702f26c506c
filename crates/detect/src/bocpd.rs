//! Bayesian online changepoint detection: how long ago did the present regime begin, and how sure is that?
//!
//! Source: Adams and `MacKay` 2007 (arXiv 0710.3742) with a normal-inverse-gamma prior, whose predictive is Student's
//! t, and a constant hazard. The posterior over run lengths is pruned to [`HELD`] entries, so a step costs the same
//! for ever; entries dropped are those of least weight.

use serde::{Deserialize, Serialize};

use crate::num::single;

/// Most run lengths held: enough for a dozen rival dates and the long run; what is dropped is spread over the rest.
pub const HELD: usize = 24;

/// Run lengths of less weight are dropped.
const NEGLIGIBLE: f32 = 1e-9;

/// What is assumed of a regime before it is seen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Prior {
    /// Expected mean.
    pub mean: f64,
    /// How many samples that expectation is worth.
    pub kappa: f64,
    /// Shape of the variance's prior.
    pub alpha: f64,
    /// Scale of the variance's prior.
    pub beta: f64,
}

/// Parameters of the detector.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hazard {
    /// Chance of a change at each step.
    pub hazard: f64,
    /// Prior of a regime.
    pub prior: Prior,
}

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Run {
    length: u32,
    /// Single precision: what is dropped is more than what this rounds.
    weight: f32,
    mean: f64,
    beta: f64,
}

/// Posterior over run lengths.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Bocpd {
    /// Longest first.
    runs: Vec<Run>,
}

/// The run that the posterior favours among some.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Recent {
    /// Probability that the present regime is one of them.
    pub probability: f64,
    /// The most probable of their lengths.
    pub length: u32,
    /// Mean of the present regime under that length.
    pub mean: f64,
}

impl Bocpd {
    /// Takes one finite value.
    pub fn step(&mut self, x: f64, model: &Hazard) {
        let prior = model.prior;
        let fresh = Run { length: 0, weight: 1.0, mean: prior.mean, beta: prior.beta };
        if self.runs.is_empty() {
            self.runs.push(fresh);
        }
        let mut joints = [0.0; HELD + 1];
        let mut changed = 0.0;
        for (run, slot) in self.runs.iter_mut().zip(&mut joints) {
            let (kappa, alpha) = counts(prior, run.length);
            let joint = f64::from(run.weight) * student(x, run.mean, run.beta, kappa, alpha);
            changed += model.hazard * joint;
            *slot = (1.0 - model.hazard) * joint;
            run.beta += kappa * (x - run.mean) * (x - run.mean) / (2.0 * (kappa + 1.0));
            run.mean = (kappa * run.mean + x) / (kappa + 1.0);
            run.length = run.length.saturating_add(1);
        }
        if let Some(slot) = joints.get_mut(self.runs.len()) {
            *slot = changed;
        }
        // No room is held that is not used: a fleet has a million of these.
        self.runs.reserve_exact(1);
        self.runs.push(fresh);
        self.weigh(&joints);
    }

    /// The run length of most weight.
    pub fn most_probable(&self) -> u32 {
        self.runs.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)).map_or(0, |r| r.length)
    }

    /// Weight of one run length.
    pub fn weight(&self, length: u32) -> f64 {
        self.runs.iter().find(|r| r.length == length).map_or(0.0, |r| f64::from(r.weight))
    }

    /// What the posterior says of regimes of `lengths` steps. `None` when it gives them no weight.
    pub fn recent(&self, lengths: std::ops::RangeInclusive<u32>) -> Option<Recent> {
        let among = || self.runs.iter().filter(|r| lengths.contains(&r.length));
        let best = among().max_by(|a, b| a.weight.total_cmp(&b.weight))?;
        Some(Recent {
            probability: among().map(|r| f64::from(r.weight)).sum(),
            length: best.length,
            mean: best.mean,
        })
    }

    /// Weights in proportion to these, without those that hardly count.
    fn weigh(&mut self, joints: &[f64]) {
        let total: f64 = joints.iter().sum();
        if !(total.is_finite() && total > 0.0) {
            // Every run found the value impossible (it underflowed): the regime begins here.
            self.runs.clear();
            return;
        }
        for (run, joint) in self.runs.iter_mut().zip(joints) {
            run.weight = single(joint / total);
        }
        self.runs.retain(|r| r.weight > NEGLIGIBLE);
        while self.runs.len() > HELD {
            let least = self.runs.iter().enumerate().min_by(|a, b| a.1.weight.total_cmp(&b.1.weight));
            let Some((index, _)) = least else { break };
            self.runs.remove(index);
        }
        let kept: f32 = self.runs.iter().map(|r| r.weight).sum();
        for run in &mut self.runs {
            run.weight /= kept;
        }
    }
}

fn counts(prior: Prior, length: u32) -> (f64, f64) {
    (prior.kappa + f64::from(length), prior.alpha + f64::from(length) / 2.0)
}

/// Density of Student's t with `2 alpha` degrees of freedom, the predictive of a normal-inverse-gamma.
fn student(x: f64, mean: f64, beta: f64, kappa: f64, alpha: f64) -> f64 {
    let scale2_dof = 2.0 * beta * (kappa + 1.0) / kappa;
    let body = ((x - mean) * (x - mean) / scale2_dof).ln_1p();
    gamma_ratio(alpha) / (std::f64::consts::PI * scale2_dof).sqrt() * (-(alpha + 0.5) * body).exp()
}

/// Gamma(a + 1/2) / Gamma(a) for arguments above 0: its expansion in powers of 1/a (Tricomi and Erdélyi 1951) after shifting
/// the argument above 16; relative error below 1e-12. No logarithm: this is the inmost loop of the live path.
fn gamma_ratio(a: f64) -> f64 {
    let (mut a, mut shift) = (a, 1.0);
    while a < 16.0 {
        shift *= a / (a + 0.5);
        a += 1.0;
    }
    let inverse = 1.0 / a;
    let terms = [
        1.0,
        -1.0 / 8.0,
        1.0 / 128.0,
        5.0 / 1024.0,
        -21.0 / 32_768.0,
        -399.0 / 262_144.0,
        869.0 / 4_194_304.0,
        39_325.0 / 33_554_432.0,
    ];
    shift * a.sqrt() * terms.iter().rev().fold(0.0, |sum, term| sum * inverse + term)
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNIT: Prior = Prior { mean: 0.0, kappa: 1.0, alpha: 1.0, beta: 1.0 };

    /// Gamma(1/2) is the root of pi, Gamma(1) is 1, Gamma(5) is 24, Gamma(11/2) is 945/32 roots of pi.
    #[test]
    fn gamma_ratio_meets_known_values() {
        let root = std::f64::consts::PI.sqrt();
        for (a, known) in [(0.5, 1.0 / root), (5.0, 945.0 / 32.0 * root / 24.0)] {
            assert!((gamma_ratio(a) / known - 1.0).abs() < 1e-12, "{a}");
        }
        // The next argument follows from the recursion of the gamma function.
        for a in [0.05, 0.3, 1.0, 7.5, 16.0, 300.25] {
            let next = gamma_ratio(a) * (a + 0.5) / a;
            assert!((gamma_ratio(a + 1.0) / next - 1.0).abs() < 1e-12, "{a}");
        }
    }

    /// The recursion of Adams and `MacKay` computed independently in double precision (the paper prints no table):
    /// ten values about 0, ten about 2, hazard 0.02.
    #[test]
    fn posterior_of_a_step() {
        let x = [
            0.1, -0.2, 0.05, 0.0, 0.15, -0.1, 0.0, 0.1, -0.05, 0.05, 2.1, 1.9, 2.0, 2.05, 1.95, 2.1, 1.9,
            2.0, 2.05, 1.95,
        ];
        let longest =
            [(1, 0.966_214_466_512_986_3), (5, 0.950_933_308_125_257_8), (9, 0.955_617_980_986_891_8)];
        let model = Hazard { hazard: 0.02, prior: UNIT };
        let mut posterior = Bocpd::default();
        for (t, x) in x.iter().enumerate() {
            posterior.step(*x, &model);
            let t = u32::try_from(t).unwrap();
            assert!((posterior.weight(0) - 0.02).abs() < 1e-7);
            if let Some((_, weight)) = longest.iter().find(|(row, _)| *row == t) {
                assert!(
                    (posterior.weight(t + 1) - weight).abs() < 1e-6,
                    "row {t}: {}",
                    posterior.weight(t + 1)
                );
            }
            // The step is seen at once: from row 10 on the favoured run began with it.
            let expected = if t < 10 { t + 1 } else { t - 9 };
            assert_eq!(posterior.most_probable(), expected, "row {t}");
        }
    }

    #[test]
    fn the_posterior_stays_bounded_and_sums_to_one() {
        let mut noise = crate::testing::Noise::new(3);
        let model = Hazard { hazard: 0.001, prior: UNIT };
        let mut posterior = Bocpd::default();
        for t in 0..3000 {
            posterior.step(noise.normal() + f64::from(t / 500), &model);
            let total: f32 = posterior.runs.iter().map(|r| r.weight).sum();
            assert!(posterior.runs.len() <= HELD && (total - 1.0).abs() < 1e-5);
        }
    }

    #[test]
    fn an_impossible_value_begins_a_regime_instead_of_breaking() {
        let model = Hazard { hazard: 0.001, prior: UNIT };
        let mut posterior = Bocpd::default();
        for x in [0.0, 1e200, 1.0, 1.0, 1.0] {
            posterior.step(x, &model);
        }
        assert!(posterior.most_probable() <= 4);
        assert!(posterior.runs.iter().all(|r| r.weight.is_finite() && r.mean.is_finite()));
    }
}
