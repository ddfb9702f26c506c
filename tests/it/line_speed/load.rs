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

/// Snapshots of healthy units, one a unit and minute, the last of them about now.
pub(crate) struct Snapshots {
    fleet: Fleet,
    until_ms: i64,
}

impl Snapshots {
    /// The units as a register file.
    pub(crate) fn register_toml(&self) -> String {
        self.fleet.register_toml()
    }
}

impl Iterator for Snapshots {
    type Item = Message;

    fn next(&mut self) -> Option<Message> {
        let message = self.fleet.next_before(self.until_ms)?;
        Some(Message { topic: message.topic.to_string(), payload: message.payload })
    }
}

/// A fleet of `units` that has at least so many snapshots to send.
pub(crate) fn fleet(units: u32, number: usize) -> Result<Snapshots, Box<dyn std::error::Error>> {
    let minutes = i64::try_from(number / units as usize + 2)?;
    let now = crate::support::now_ms();
    let start = jiff::Timestamp::from_millisecond(now - minutes * 60_000)?;
    let mut scenario = Scenario::demo(start).with_units(units);
    scenario.sending.batch_until_h = 0.0;
    scenario.sending.dead_zones = 0.0;
    scenario.sending.duplicates = 0.0;
    (scenario.faults, scenario.outages, scenario.clocks) = (vec![], vec![], vec![]);
    (scenario.misnamed, scenario.strangers, scenario.orders) = (vec![], vec![], vec![]);
    Ok(Snapshots { fleet: Fleet::new(&scenario)?, until_ms: now })
}

/// So many snapshots of 45 records of `units` units.
pub(crate) fn snapshots(units: u32, number: usize) -> Result<Load, Box<dyn std::error::Error>> {
    let fleet = fleet(units, number)?;
    let register = fleet.register_toml();
    let messages: Vec<Message> = fleet.take(number).collect();
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
