//! Ingest: the MQTT session, decoding in order of receipt, commit to the store, acknowledgement after commit.
//!
//! Owns the promise that an acknowledgement means committed, and the memory bound on what is not committed yet.
//! Refuses SQL, judgement and any reading of a wall clock: the receive time comes from the clock it is given.
//! The rules of the session stand in `doc/session.md`.

mod start;

mod options;
mod tls;

mod session;

mod ack;
mod backoff;
mod intake;

mod commit;
mod sink;

mod import;

mod counters;
mod health;

#[cfg(test)]
mod broker_tests;
#[cfg(test)]
mod store_tests;
#[cfg(test)]
mod test_sink;

pub use commit::CommitError;
pub use counters::{Counters, Snapshot};
pub use health::{Health, HealthReason};
pub use import::{Imported, Replayed, import, replay_quarantine};
pub use intake::Decode;
pub use options::{Batching, Credentials, MqttOptions, OptionsError};
pub use sink::{Committing, Sink};
pub use start::{Clock, Ingest, start, start_with};
pub use tls::{TlsError, TlsOptions};
