//! What the stages of the feed have done, as the process around the web side tells it.
//!
//! Owns their names and units of measure. Refuses to count: whoever runs a stage does.

use notchwatch_model::Time;

/// One stage or kind of event, since the start of the process.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// In words.
    pub name: &'static str,
    /// How many in all.
    pub total: u64,
    /// A second, over the last minute; absent until there are two readings.
    pub per_second: Option<f64>,
}

/// What is stored and not judged yet, where it is more than a moment's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Backlog {
    /// Receive time of the message judged last; of a history that is read in, of what it stands for.
    pub reached: Time,
    /// Share of a history that is judged, 0 to 1; absent where the whole is not known.
    pub share: Option<f64>,
}

/// The stages at one reading.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stages {
    /// In the order in which a message passes them.
    pub stages: Vec<Stage>,
    /// Refused since the start, by reason; reasons without any are left out.
    pub refused: Vec<Stage>,
    /// Messages received and not committed.
    pub held: u64,
    /// Those of them that wait to be decoded.
    pub undecoded: u64,
    /// Messages committed and not judged.
    pub behind_messages: u64,
    /// Seconds since the message judged last was received, while some are not judged.
    pub behind_s: u64,
    /// Work that is behind, and how far it has come; absent in normal running.
    pub backlog: Option<Backlog>,
    /// Mean time of a commit over the last minute, in milliseconds; absent when there was none.
    pub commit_ms: Option<f64>,
}
