//! What is kept: the demo fleet's own bytes, a snapshot a minute, decoded as the program decodes them.
//!
//! Receive times get the delay and the microseconds that a network gives them, or they would be too regular.

use std::collections::BTreeMap;

use demo_feed::{Fleet, Scenario};
use notchwatch_model::{ChannelIx, Envelope, Register, Time, UnitKey};
use notchwatch_store::NewMessage;
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

use crate::Failure;

/// Shortest delay of the network, in microseconds: a cell network's.
const DELAY_US: i64 = 20_000;
/// By how much delays differ, in microseconds.
const JITTER_US: u64 = 60_000;

/// What the fleet sent.
pub(crate) struct Sent {
    pub(crate) register: Register,
    /// Messages by UTC day of receipt, in order.
    pub(crate) days: Vec<Vec<NewMessage>>,
    /// Samples settled: what a table with a key holds.
    pub(crate) samples: BTreeMap<(UnitKey, ChannelIx, Time), f64>,
}

impl Sent {
    pub(crate) fn messages(&self) -> usize {
        self.days.iter().map(Vec::len).sum()
    }
}

/// Plays the fleet.
pub(crate) fn send(units: u32, days: i64) -> Result<Sent, Failure> {
    let start: jiff::Timestamp = "2026-06-15T00:00:00Z".parse()?;
    let mut scenario = Scenario::every_fault(start, 24.0).with_units(units);
    scenario.sending.batch_until_h = 0.0;
    let mut fleet = Fleet::new(&scenario)?;
    let mut register: Register = toml::from_str(include_str!("../../../deploy/register/demo-12.toml"))?;
    register.merge(toml::from_str(&fleet.register_toml())?);
    let index = RegisterIndex::new(&register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
    let mut sent = Sent { register, days: Vec::new(), samples: BTreeMap::new() };
    for day in 1..=days {
        let mut messages = Vec::new();
        for (number, message) in fleet.advance_to(start.as_millisecond() + day * 86_400_000).enumerate() {
            let envelope = Envelope {
                received: Time::from_micros(message.at_unix_ms * 1_000 + delay(number as u64))?,
                topic: message.topic.to_string(),
                content_type: Some(message.content_type.to_owned()),
                retained: false,
                payload: message.payload,
            };
            let got = decoder.decode(&envelope, &index);
            let Some(unit) = &got.unit else { continue };
            for sample in &got.samples {
                sent.samples
                    .entry((unit.clone(), sample.channel, sample.time))
                    .and_modify(|held| *held = held.max(sample.value))
                    .or_insert(sample.value);
            }
            messages.push(NewMessage { envelope, decoded: got });
        }
        sent.days.push(messages);
    }
    Ok(sent)
}

/// A delay that looks like chance and is the same in each run (a multiplicative hash).
fn delay(number: u64) -> i64 {
    let mixed = number.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 32;
    DELAY_US + i64::try_from(mixed % JITTER_US).unwrap_or_default()
}
