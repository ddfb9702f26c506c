//! Settings: the few numbers that decide how soon and how surely a change is reported.
//!
//! Owns their defaults and what each means. Settings are versioned in the store; a symptom's finding carries the
//! version that made it. Everything else about a channel comes from its class.

use serde::{Deserialize, Serialize};

/// What judges, besides the class. Read by [`crate::Plan::new`].
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Version of these settings, counted by the store.
    pub version: u32,
    /// CUSUM reference value k, in long-run spreads of a block mean. 0.5 is tuned to a shift of one spread
    /// (Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3).
    pub cusum_reference: f64,
    /// CUSUM decision interval h, in long-run spreads of a block mean. The textbook's 5 gives one false signal in 465
    /// independent blocks, 12 one in about 518,000; each further one costs a block of delay at a shift of one and a
    /// half spreads. 14 was chosen on simulated healthy channels (`doc/methods.md`).
    pub cusum_decision: f64,
    /// Smallest mean departure worth a symptom, in spreads of a single sample. A fleet does not want to hear of
    /// less, however certain it is.
    pub least_spreads: f64,
    /// How many settled samples make one block: the unit in which evidence is counted.
    pub block_samples: u32,
    /// How many settled samples a channel learns from, in each operating state, at a cadence of a minute or less;
    /// slower channels learn from fewer, down to [`LEARN_LEAST`].
    pub learn_samples: u32,
    /// Memory of a baseline that has learned, in days of event time. A drift much faster than this is seen, a
    /// slower one (ageing, seasons of the year) is followed.
    pub memory_days: u32,
}

/// Fewest settled samples a baseline is judged from: about 30 a bin (rule of thumb, common practice).
pub const LEARN_LEAST: u32 = 30;

impl Default for Settings {
    fn default() -> Self {
        Self {
            version: 1,
            cusum_reference: 0.5,
            cusum_decision: 14.0,
            least_spreads: 1.5,
            block_samples: 15,
            learn_samples: 360,
            memory_days: 30,
        }
    }
}
