//! A sink for tests: keeps what it is given, and can be away, full, slow, hanging or set against one message.

use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use notchwatch_model::{Decoded, Envelope, RailwayId, Reason, Time, UnitId, UnitKey};
use notchwatch_store::{Appended, Batch, Error, NewMessage};

use crate::sink::{Committing, Sink};

/// How the sink behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mode {
    Fine,
    Away,
    Full,
    Broken,
    /// Takes this long for a batch.
    Slow(Duration),
    /// Never answers.
    Hangs,
    /// Refuses a batch that holds a decoded message with `poison` in its bytes.
    RefusesPoison,
    /// Refuses any message with `poison` in its bytes, also one for quarantine.
    RefusesPoisonBytes,
    /// Panics on a decoded message with `poison` in its bytes.
    PanicsOnPoison,
}

#[derive(Debug)]
pub(crate) struct TestSink {
    mode: Mutex<Mode>,
    rows: Mutex<Vec<NewMessage>>,
    calls: Mutex<u32>,
}

impl TestSink {
    pub(crate) fn new(mode: Mode) -> Arc<Self> {
        Arc::new(Self { mode: Mutex::new(mode), rows: Mutex::default(), calls: Mutex::default() })
    }

    pub(crate) fn set(&self, mode: Mode) {
        *self.mode.lock().unwrap() = mode;
    }

    pub(crate) fn rows(&self) -> MutexGuard<'_, Vec<NewMessage>> {
        self.rows.lock().unwrap()
    }

    pub(crate) fn calls(&self) -> u32 {
        *self.calls.lock().unwrap()
    }

    /// Payloads committed, as text, in order.
    pub(crate) fn payloads(&self) -> Vec<String> {
        self.rows().iter().map(|m| String::from_utf8_lossy(&m.envelope.payload).into_owned()).collect()
    }

    /// Payloads of messages that went to quarantine for a reason.
    pub(crate) fn refused(&self, reason: Reason) -> Vec<String> {
        let rows = self.rows();
        let of = rows.iter().filter(|m| m.decoded.refused.iter().any(|r| r.reason == reason));
        of.map(|m| String::from_utf8_lossy(&m.envelope.payload).into_owned()).collect()
    }
}

impl Sink for Arc<TestSink> {
    fn append(&self, batch: Arc<Batch>) -> Committing {
        let batch = batch.messages().to_vec();
        let sink = Arc::clone(self);
        *sink.calls.lock().unwrap() += 1;
        let mode = *sink.mode.lock().unwrap();
        Box::pin(async move {
            match mode {
                Mode::Away => return Err(Error::Unreachable("test".to_owned())),
                Mode::Full => return Err(Error::Full("test".to_owned())),
                Mode::Broken => return Err(Error::Database("test".to_owned())),
                Mode::Slow(time) => tokio::time::sleep(time).await,
                Mode::Hangs => std::future::pending().await,
                Mode::RefusesPoison if batch.iter().any(|m| poison(m) && m.decoded.refused.is_empty()) => {
                    return Err(Error::Refused("poison\u{0}".to_owned()));
                }
                Mode::RefusesPoisonBytes if batch.iter().any(poison) => {
                    return Err(Error::Database("poison".to_owned()));
                }
                Mode::PanicsOnPoison if batch.iter().any(|m| poison(m) && m.decoded.refused.is_empty()) => {
                    panic!("poison")
                }
                _ => {}
            }
            let refused = batch.iter().map(|m| m.decoded.refused.len() as u64).sum();
            let messages = batch.iter().filter(|m| m.decoded.refused.is_empty()).count() as u64;
            sink.rows().extend(batch.iter().cloned());
            Ok(Appended { last: None, messages, samples: messages, quarantined: refused })
        })
    }
}

fn poison(message: &NewMessage) -> bool {
    message.envelope.payload.starts_with(b"poison")
}

/// A decoded message with these bytes.
pub(crate) fn message(payload: &str) -> NewMessage {
    let envelope = Envelope {
        received: Time::EPOCH,
        topic: "units/northmoor/1/senml".to_owned(),
        content_type: None,
        retained: false,
        payload: payload.as_bytes().to_vec(),
    };
    let decoded = decode(&envelope);
    NewMessage { envelope, decoded }
}

/// Decoding for tests of the transport: everything is accepted, but what begins with `bad`.
pub(crate) fn decode(envelope: &Envelope) -> Decoded {
    let unit = envelope.topic.split('/').nth(2).and_then(|u| UnitId::new(u).ok());
    let railway = RailwayId::new("northmoor").unwrap();
    let unit = unit.map(|unit| UnitKey { railway, unit });
    if envelope.payload.starts_with(b"bad") {
        return Decoded::refused(unit, Reason::Malformed, "bad".to_owned());
    }
    Decoded { unit, records: 1, ..Decoded::default() }
}
