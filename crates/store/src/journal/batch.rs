//! Messages on their way into the journal, packed as they come.
//!
//! Owns what can be done before a transaction is open, so that packing one batch goes on while another is written.
//! Refuses values that are not finite: they are never stored.

use notchwatch_model::{Reason, Refusal, Time};

use super::NewMessage;
use crate::pack::{extras, message, payloads};

/// Payloads compressed together, at most. More would save little, and a reader of one would unpack the others.
const PAYLOADS: usize = 64;
/// Bytes of payloads after which no more join them.
const PAYLOAD_BYTES: usize = 256 * 1024;

/// Messages packed for one commit, in order.
#[derive(Debug, Default)]
pub struct Batch {
    messages: Vec<NewMessage>,
    rows: Vec<Row>,
    /// Payloads of the rows before `packed_to`: the row that holds a group, and the group.
    groups: Vec<(usize, Vec<u8>)>,
    packed_to: usize,
    /// Bytes of payloads from there on.
    waiting: usize,
}

/// A message that becomes a journal row.
#[derive(Debug)]
pub(super) struct Row {
    /// Its place in the batch.
    pub(super) message: usize,
    pub(super) first: Time,
    pub(super) last: Time,
    pub(super) samples: usize,
    pub(super) packed: Vec<u8>,
    pub(super) extras: Option<Vec<u8>>,
}

impl Batch {
    /// Adds a message. Values of it that are not finite become refusals.
    pub fn push(&mut self, mut new: NewMessage) {
        let decoded = &mut new.decoded;
        for sample in decoded.samples.iter().filter(|s| !s.value.is_finite()) {
            let detail = format!("the value of channel {} is {}", sample.channel.0, sample.value);
            Refusal::whole(Reason::NotFinite, detail).join(&mut decoded.refused);
        }
        decoded.samples.retain(|s| s.value.is_finite());
        let times = || decoded.samples.iter().map(|s| s.time).chain(decoded.texts.iter().map(|t| t.time));
        if let (Some(first), Some(last)) = (times().min(), times().max()) {
            self.rows.push(Row {
                message: self.messages.len(),
                first,
                last,
                samples: decoded.samples.len(),
                packed: message::pack(&decoded.samples),
                extras: extras::pack(&decoded.texts, &decoded.uoms),
            });
            self.waiting += new.envelope.payload.len();
        }
        self.messages.push(new);
        if self.rows.len() - self.packed_to >= PAYLOADS || self.waiting >= PAYLOAD_BYTES {
            self.groups.extend(self.rest());
            (self.packed_to, self.waiting) = (self.rows.len(), 0);
        }
    }

    /// The messages, in order.
    pub fn messages(&self) -> &[NewMessage] {
        &self.messages
    }

    /// The messages back.
    pub fn into_messages(self) -> Vec<NewMessage> {
        self.messages
    }

    pub(super) fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The message of a row.
    pub(super) fn of(&self, row: &Row) -> Option<&NewMessage> {
        self.messages.get(row.message)
    }

    /// Payloads as they go into the journal when every row of the batch does: by row, the group that it holds.
    pub(super) fn payloads(&self) -> Vec<(usize, Vec<u8>)> {
        self.groups.iter().cloned().chain(self.rest()).collect()
    }

    /// The same for some of the rows that get positions one after the other.
    pub(super) fn payloads_of(&self, rows: &[&Row]) -> Vec<(usize, Vec<u8>)> {
        let groups = rows.chunks(PAYLOADS).zip(0..);
        groups.map(|(some, group)| (group * PAYLOADS, self.together(some.iter().copied()))).collect()
    }

    /// Payloads of the rows that are in no group yet, when there are any.
    fn rest(&self) -> Option<(usize, Vec<u8>)> {
        let rows = self.rows.get(self.packed_to..).filter(|rows| !rows.is_empty())?;
        Some((self.packed_to, self.together(rows.iter())))
    }

    fn together<'a>(&'a self, rows: impl Iterator<Item = &'a Row>) -> Vec<u8> {
        let payloads = rows.map(|row| self.of(row).map_or(&[][..], |m| &m.envelope.payload));
        payloads::pack((0..).zip(payloads))
    }
}

impl FromIterator<NewMessage> for Batch {
    fn from_iter<I: IntoIterator<Item = NewMessage>>(messages: I) -> Self {
        let mut batch = Self::default();
        messages.into_iter().for_each(|message| batch.push(message));
        batch
    }
}
