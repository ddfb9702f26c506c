//! The invented demo fleet: what its units measure, what goes wrong with them, and how their messages leave.
//!
//! Owns its own physics, its own `SenML` encoder and the truth about the faults it injects, so that whatever
//! reads the feed can be judged against it. Refuses to import any other crate of the project and to read a clock:
//! every time is an argument. Deterministic: the same scenario gives the same bytes.

pub mod scenario;

mod benign;
mod channel;
mod duty;
mod effects;
mod fault;
mod fleet;
mod instrument;
mod limits;
mod machine;
mod reference;
mod register;
mod rng;
mod senml;
mod truth;
mod unit;
mod weather;

pub use benign::{BenignKind, BenignPlan};
pub use channel::{CHANNELS, COUNT, Channel};
pub use fault::{Course, Direction, FaultKind};
pub use fleet::{CLASS_TOML, Fleet, Message};
pub use scenario::{Scenario, ScenarioError};
pub use truth::{Crossing, TruthEntry};
