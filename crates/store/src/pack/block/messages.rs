//! The messages of a block.

use notchwatch_model::Seq;

use super::{MOST_ROWS, Message, times_of};
use crate::pack::bytes::{Put, Take};
use crate::pack::column::{compress, expand};
use crate::pack::{Broken, extras};

/// Bits of a message's flags.
const RETAINED: u8 = 1;
const APPROXIMATE: u8 = 2;

/// Positions and receive times as columns; flags and units of measure of the few messages that have any.
pub(super) fn put(out: &mut Put, messages: &[Message]) -> Result<(), Broken> {
    out.count(messages.len());
    out.part(&compress(&messages.iter().map(|m| m.seq.0).collect::<Vec<_>>())?);
    out.part(&compress(&messages.iter().map(|m| m.received.micros()).collect::<Vec<_>>())?);
    let marked: Vec<(usize, u8, &Message)> = messages
        .iter()
        .enumerate()
        .map(|(at, m)| (at, flags(m), m))
        .filter(|(_, flags, m)| *flags != 0 || !m.uoms.is_empty())
        .collect();
    out.count(marked.len());
    for (at, flags, message) in marked {
        out.count(at);
        out.byte(flags);
        extras::put_uoms(out, &message.uoms);
    }
    Ok(())
}

pub(super) fn take(from: &mut Take<'_>) -> Result<Vec<Message>, Broken> {
    let count = from.count_of(MOST_ROWS)?;
    let seqs = expand::<i64>(from.part()?, count)?;
    let received = times_of(expand::<i64>(from.part()?, count)?)?;
    let plain = |(seq, received)| Message {
        seq: Seq(seq),
        received,
        retained: false,
        approximate: false,
        uoms: Vec::new(),
    };
    let mut messages: Vec<Message> = seqs.into_iter().zip(received).map(plain).collect();
    for _ in 0..from.count()? {
        let at = from.count_of(MOST_ROWS)?;
        let message = messages.get_mut(at).ok_or(Broken("message out of range"))?;
        let flags = from.byte()?;
        message.retained = flags & RETAINED != 0;
        message.approximate = flags & APPROXIMATE != 0;
        message.uoms = extras::take_uoms(from)?;
    }
    Ok(messages)
}

fn flags(message: &Message) -> u8 {
    (u8::from(message.retained) * RETAINED) | (u8::from(message.approximate) * APPROXIMATE)
}
