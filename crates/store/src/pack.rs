//! Packed forms of samples: messages in the journal, blocks of closed days, rollups.
//!
//! Owns the bytes, which `crates/store/doc/storage.md` describes for other readers. Refuses SQL. Every reader is
//! total: bytes that do not fit are [`Broken`], never a panic, and cost no more memory than they are long allow.

pub(crate) mod block;
pub(crate) mod bytes;
pub(crate) mod column;
pub(crate) mod extras;
pub(crate) mod message;
pub(crate) mod payloads;
pub(crate) mod rollup;
pub(crate) mod values;

use crate::Error;

/// What does not fit in packed bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub(crate) struct Broken(pub(crate) &'static str);

impl Broken {
    /// As an error of the store that names where the bytes stand.
    pub(crate) fn at(self, place: impl Into<String>) -> Error {
        Error::Damaged { place: place.into(), what: self.0.to_owned() }
    }
}
