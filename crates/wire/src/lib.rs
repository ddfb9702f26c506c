//! Bytes and a topic become samples, texts and refusals; recorded days and CSV exports become messages and columns.
//!
//! Owns every format that comes in: `SenML` in JSON and CBOR (RFC 8428), the recorded day, and CSV. Every decoder is a
//! total function: whatever the bytes, it returns what it could use beside what it refused, within stated limits of time
//! and memory. Refuses a clock (receive time is an argument), tokio, and the register's files.

mod decode;
mod limits;
mod register;
pub mod senml;
pub mod timeline;
mod topic;

pub mod csv;
pub mod recorded_day;

pub use decode::Decoder;
pub use limits::Limits;
pub use register::{ClassPlan, RegisterIndex, UnitPlan};
pub use topic::{PatternError, TopicPattern};
