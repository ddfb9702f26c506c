//! The load: snapshots of the demo fleet as units send them, made before anything is timed, and handed to the sender
//! in a file.

use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;

use demo_feed::{Fleet, Scenario};

use crate::publisher::Message;

/// A load and the register that its units stand in.
pub(crate) struct Load {
    pub(crate) messages: Vec<Message>,
    pub(crate) register: String,
}

/// Records of a full snapshot of the demo class.
pub(crate) const RECORDS: u64 = 45;

/// So many snapshots of 45 records of `units` healthy units, the last of them now.
pub(crate) fn snapshots(units: u32, number: usize) -> Result<Load, Box<dyn std::error::Error>> {
    let minutes = i64::try_from(number / units as usize + 2)?;
    let now = crate::support::now_ms();
    let mut scenario =
        Scenario::demo(jiff::Timestamp::from_millisecond(now - minutes * 60_000)?).with_units(units);
    scenario.start = jiff::Timestamp::from_millisecond(now - minutes * 60_000)?;
    scenario.sending.batch_until_h = 0.0;
    scenario.sending.dead_zones = 0.0;
    scenario.sending.duplicates = 0.0;
    (scenario.faults, scenario.outages, scenario.clocks) = (vec![], vec![], vec![]);
    (scenario.misnamed, scenario.strangers, scenario.orders) = (vec![], vec![], vec![]);
    let mut fleet = Fleet::new(&scenario)?;
    let register = fleet.register_toml();
    let messages: Vec<Message> = fleet
        .advance_to(now)
        .take(number)
        .map(|m| Message { topic: m.topic.to_string(), payload: m.payload })
        .collect();
    if messages.len() < number {
        return Err(format!("the fleet made {} of {number} snapshots", messages.len()).into());
    }
    Ok(Load { messages, register })
}

/// Writes messages to a file, each part with its length before it.
pub(crate) fn write(path: &Path, messages: &[Message]) -> std::io::Result<()> {
    let mut file = BufWriter::new(std::fs::File::create(path)?);
    for part in messages.iter().flat_map(|m| [m.topic.as_bytes(), &m.payload]) {
        file.write_all(&u32::try_from(part.len()).unwrap_or(u32::MAX).to_be_bytes())?;
        file.write_all(part)?;
    }
    file.flush()
}

/// Reads them back.
pub(crate) fn read(path: &Path) -> std::io::Result<Vec<Message>> {
    let mut file = BufReader::new(std::fs::File::open(path)?);
    let mut messages = Vec::new();
    while let Some(topic) = part(&mut file)? {
        let payload = part(&mut file)?.unwrap_or_default();
        messages.push(Message { topic: String::from_utf8_lossy(&topic).into_owned(), payload });
    }
    Ok(messages)
}

fn part(file: &mut impl Read) -> std::io::Result<Option<Vec<u8>>> {
    let mut length = [0; 4];
    match file.read_exact(&mut length) {
        Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => return Ok(None),
        other => other?,
    }
    let mut bytes = vec![0; u32::from_be_bytes(length) as usize];
    file.read_exact(&mut bytes)?;
    Ok(Some(bytes))
}
