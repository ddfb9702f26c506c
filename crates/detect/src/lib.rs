//! Samples to symptoms: quality, operating state, baseline, season, change points, drift, peers and limits.
//!
//! A pure function of its input: rows of one unit in, symptom changes out, the state in between a plain value. No
//! clock, no I/O, no randomness; the same rows give the same symptoms in any chunking, with the same build. Refuses
//! diagnosis: what a symptom means is the findings crate's.
//!
//! The methods, with sources and failure modes, are described in `doc/methods.md`.

mod plan;
mod settings;
mod unit;

mod bounds;
mod channel;

mod counter;
mod expression;
mod moment;
mod operation;
mod pace;
mod quality;
mod stuck;
mod timer;

mod baseline;
mod judge;
mod levels;
mod noisy;
mod season;

pub mod bocpd;
pub mod cusum;
mod duty;
pub mod ewma;
pub mod examine;
pub mod robust;
pub mod stl;

mod segment;

mod book;
pub mod calibrate;
mod course;
mod forecast;
mod growth;
mod joint;
mod noise;
mod num;
mod shape;
mod surprise;
mod track;
mod verdict;

#[cfg(test)]
mod testing;

pub use levels::{Level, levels};
pub use plan::{FEWEST_SISTERS, MOST_COVARIATES, Plan};
pub use segment::{cheapest_levels, segment, segment_at};
pub use settings::{LEARN_LEAST, Settings};
pub use unit::{Judged, LearningProgress, UnitModel};
