//! The first form of blocks, which is read and no longer written: messages one after the other, one sum over all.

use notchwatch_model::{Seq, Time};

use super::{Block, MOST_ROWS, Message, times_of};
use crate::pack::bytes::Take;
use crate::pack::column::expand;
use crate::pack::{Broken, extras};

/// Opens what follows magic and version, the sum being checked.
pub(super) fn open(mut from: Take<'_>) -> Result<Block<'_>, Broken> {
    let messages = take_messages(&mut from)?;
    let count = from.count_of(MOST_ROWS)?;
    let times = times_of(expand::<i64>(from.part()?, count)?)?;
    let rows = expand::<u32>(from.part()?, count)?;
    let width = from.count()?;
    let mut channels = Vec::with_capacity(width);
    for _ in 0..width {
        channels.push((extras::take_channel(&mut from)?, from.part()?));
    }
    let texts = from.part()?;
    from.end()?;
    Ok(Block { messages, times, rows, channels, texts, summed: false })
}

fn take_messages(from: &mut Take<'_>) -> Result<Vec<Message>, Broken> {
    let count = from.count()?;
    let (mut seq, mut received) = (0_i64, 0_i64);
    (0..count)
        .map(|_| {
            seq = seq.wrapping_add(from.signed()?);
            received = received.wrapping_add(from.signed()?);
            let flags = from.byte()?;
            Ok(Message {
                seq: Seq(seq),
                received: Time::from_micros(received).map_err(|_| Broken("time out of range"))?,
                retained: flags & 1 != 0,
                approximate: flags & 2 != 0,
                uoms: extras::take_uoms(from)?,
            })
        })
        .collect()
}
