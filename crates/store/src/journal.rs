//! The journal and what is read from samples: shapes here, the work in the files below.

mod append;
mod batch;
pub(crate) mod read;
mod rollups;
mod seal;
mod seal_day;
mod tail;
mod told;
pub(crate) mod writer;

pub use batch::Batch;
pub use told::ToldSample;

use notchwatch_model::{Decoded, Envelope, Sample, Seq, TextSample, Time, UnitKey, UomUse};

/// A message to commit: as received, and what decoding made of it. With a unit and at least one sample or text it
/// becomes a journal row; each refusal reason of it becomes a quarantine row.
#[derive(Debug, Clone)]
pub struct NewMessage {
    /// As received.
    pub envelope: Envelope,
    /// Decoded.
    pub decoded: Decoded,
}

/// What a commit did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Appended {
    /// Newest journal position, when any row was written.
    pub last: Option<Seq>,
    /// Journal rows written.
    pub messages: u64,
    /// Samples in them.
    pub samples: u64,
    /// Quarantine rows written.
    pub quarantined: u64,
}

/// A message read back from the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct JournalMessage {
    /// Its position.
    pub seq: Seq,
    /// Its unit.
    pub unit: UnitKey,
    /// Receive time.
    pub received: Time,
    /// The broker had kept it.
    pub retained: bool,
    /// Its times were relative to receipt.
    pub approximate: bool,
    /// Samples.
    pub samples: Vec<Sample>,
    /// Texts.
    pub texts: Vec<TextSample>,
    /// Units of measure other than the stored ones.
    pub uoms: Vec<UomUse>,
}

/// One bucket of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rollup {
    /// Begin of the bucket.
    pub from: Time,
    /// Samples in it.
    pub count: u32,
    /// Smallest value.
    pub min: f64,
    /// Mean value.
    pub mean: f64,
    /// Largest value.
    pub max: f64,
    /// Value of the latest sample.
    pub last: f64,
}

/// What sealing did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SealReport {
    /// Blocks written or rewritten.
    pub blocks: u64,
    /// Samples in them.
    pub samples: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Journal rows dropped behind them.
    pub dropped: u64,
}
