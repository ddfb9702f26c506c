//! From deliveries to decoded messages, one task, in the order of receipt.
//!
//! Owns the shape of what stands in the queue between the poll loop and decoding, and the last guard around the
//! decoder: no message, whatever its bytes, ends the process.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Instant;

use notchwatch_model::{Decoded, Envelope, Reason, Time};
use notchwatch_store::NewMessage;
use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::sync::{OwnedSemaphorePermit, mpsc};

use crate::ack::Ticket;
use crate::counters::{Counters, add, micros};

/// Bytes kept of a message over the message limit: what the quarantine view shows.
pub(crate) const KEPT_OF_OVERSIZE: usize = 64 * 1024;

/// Bytes read of a topic that MQTT does not allow, which is shown and matched with nothing.
const KEPT_OF_BAD_TOPIC: usize = 1024;

/// Messages decoded at one time, at most: little enough that a commit need not wait for them.
const AT_ONCE: usize = 64;

/// Decoding as ingest sees it: a total function of the envelope.
pub type Decode = Arc<dyn Fn(&Envelope) -> Decoded + Send + Sync>;

/// One delivery of the broker. It holds its place in the bounded queue until it is committed.
#[derive(Debug)]
pub(crate) struct Delivery {
    pub(crate) envelope: Envelope,
    /// Bytes as received; the envelope of an oversize message holds only the first of them.
    pub(crate) size: usize,
    /// The topic is not text that MQTT allows (section 1.5.4).
    pub(crate) bad_topic: bool,
    pub(crate) place: Place,
}

/// What a message occupies until it is committed, and what acknowledges it.
#[derive(Debug)]
pub(crate) struct Place {
    pub(crate) ticket: Ticket,
    /// When it was taken from the connection.
    pub(crate) since: Instant,
    pub(crate) permit: OwnedSemaphorePermit,
}

/// A decoded message on its way to the commit; without a message when there is nothing to store.
#[derive(Debug)]
pub(crate) struct Ready {
    pub(crate) message: Option<NewMessage>,
    pub(crate) place: Place,
}

impl Delivery {
    /// Takes what is needed from a packet. Copies the payload: the packet's bytes share the connection's read buffer.
    pub(crate) fn new(publish: &Publish, received: Time, message_bytes: usize, place: Place) -> Self {
        let size = publish.payload.len();
        let kept = if size > message_bytes { KEPT_OF_OVERSIZE.min(size) } else { size };
        let (topic, bad_topic) = topic(&publish.topic);
        let content_type = publish.properties.as_ref().and_then(|p| p.content_type.clone());
        let envelope = Envelope {
            received,
            topic,
            content_type: content_type.filter(|c| !c.contains(char::is_control)),
            retained: publish.retain,
            payload: publish.payload.get(..kept).unwrap_or_default().to_vec(),
        };
        Self { envelope, size, bad_topic, place }
    }
}

/// Bytes held of a message until it is committed, at most.
pub(crate) fn held_bytes(publish: &Publish, message_bytes: usize) -> usize {
    let content_type = publish.properties.as_ref().and_then(|p| p.content_type.as_ref());
    publish.payload.len().min(message_bytes) + publish.topic.len() + content_type.map_or(0, String::len)
}

/// The topic as text, and whether it had to be changed for that.
fn topic(bytes: &[u8]) -> (String, bool) {
    match std::str::from_utf8(bytes) {
        Ok(text) if !text.contains(char::is_control) => (text.to_owned(), false),
        _ => {
            let shown = bytes.get(..KEPT_OF_BAD_TOPIC).unwrap_or(bytes);
            (String::from_utf8_lossy(shown).replace(char::is_control, "\u{fffd}"), true)
        }
    }
}

/// Decodes until the poll loop has dropped its end. What has come meanwhile is handed on together: waking the commit
/// for every message costs more than decoding one. The way out is waited for: the poll loop does not wait on this
/// task, since the way in has room for everything that can be in flight.
pub(crate) async fn run(
    mut deliveries: mpsc::Receiver<Delivery>,
    ready: mpsc::Sender<Vec<Ready>>,
    decode: Decode,
    message_bytes: usize,
    counters: Arc<Counters>,
) {
    let mut taken = Vec::with_capacity(AT_ONCE);
    while deliveries.recv_many(&mut taken, AT_ONCE).await > 0 {
        let began = Instant::now();
        let number = taken.len() as u64;
        let group = taken.drain(..).map(|d| prepare(d, &decode, message_bytes)).collect();
        add(&counters.decode_us, micros(began.elapsed()));
        add(&counters.decoded, number);
        counters.undecoded.fetch_sub(number, Ordering::Relaxed);
        if ready.send(group).await.is_err() {
            break;
        }
    }
}

fn prepare(delivery: Delivery, decode: &Decode, message_bytes: usize) -> Ready {
    let Delivery { envelope, size, bad_topic, place } = delivery;
    // An empty message deletes a kept one (MQTT 5.0, section 3.3.1.3). It measures nothing, so nothing is stored.
    if size == 0 {
        return Ready { message: None, place };
    }
    let mut decoded = if bad_topic {
        Decoded::refused(
            None,
            Reason::Topic,
            "the topic is not valid UTF-8 without control characters".to_owned(),
        )
    } else {
        guarded(decode, &envelope)
    };
    if size > message_bytes {
        let detail = format!("message of {size} bytes; at most {message_bytes} are read");
        decoded = Decoded::refused(decoded.unit, Reason::TooLarge, detail);
    }
    Ready { message: Some(NewMessage { envelope, decoded }), place }
}

/// The decoder promises not to panic; should it break the promise, the message is refused, not the process ended.
fn guarded(decode: &Decode, envelope: &Envelope) -> Decoded {
    catch_unwind(AssertUnwindSafe(|| decode(envelope))).unwrap_or_else(|_| {
        tracing::error!(topic = %envelope.topic, size_bytes = envelope.payload.len(), "the decoder panicked");
        Decoded::refused(None, Reason::Malformed, "the decoder failed on this message".to_owned())
    })
}

#[cfg(test)]
mod tests {
    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::mqttbytes::v5::PublishProperties;
    use tokio::sync::Semaphore;

    use super::*;

    fn place() -> Place {
        let permit = Arc::new(Semaphore::new(1)).try_acquire_owned().unwrap();
        Place { ticket: Ticket { epoch: 0, packet: 1 }, since: Instant::now(), permit }
    }

    fn prepared(topic: &[u8], payload: &[u8], decode: &Decode) -> Option<NewMessage> {
        let mut publish = Publish::new("", QoS::AtLeastOnce, payload.to_vec(), None);
        publish.topic = topic.to_vec().into();
        prepare(Delivery::new(&publish, Time::EPOCH, 100, place()), decode, 100).message
    }

    fn fine() -> Decode {
        Arc::new(|_| Decoded { records: 1, ..Decoded::default() })
    }

    #[test]
    fn an_oversize_message_is_refused_with_its_true_size() {
        let message = prepared(b"a", &vec![b'x'; 200_000], &fine()).unwrap();
        assert_eq!(message.envelope.payload.len(), KEPT_OF_OVERSIZE);
        let refusal = &message.decoded.refused[0];
        assert_eq!(refusal.reason, Reason::TooLarge);
        assert_eq!(refusal.detail, "message of 200000 bytes; at most 100 are read");
        assert!(prepared(b"a", &[b'x'; 100], &fine()).unwrap().decoded.refused.is_empty());
    }

    #[test]
    fn topics_that_mqtt_does_not_allow_are_refused_and_made_printable() {
        for topic in [&b"units/\xff\xfe"[..], b"units/\0", b"a\nb"] {
            let message = prepared(topic, b"x", &fine()).unwrap();
            assert_eq!(message.decoded.refused[0].reason, Reason::Topic);
            assert!(message.envelope.topic.contains('\u{fffd}'));
            assert!(!message.envelope.topic.contains(char::is_control));
        }
        let long = prepared(&vec![b'\xff'; 65_535], b"x", &fine()).unwrap();
        assert_eq!(long.envelope.topic.chars().count(), KEPT_OF_BAD_TOPIC);
    }

    /// MQTT allows 65,535 bytes of topic and as many of content type (sections 1.5.4, 3.3.2).
    #[test]
    fn topic_and_content_type_count_among_what_is_held() {
        let properties =
            PublishProperties { content_type: Some("c".repeat(60_000)), ..PublishProperties::default() };
        let mut publish =
            Publish::new("t".repeat(65_000), QoS::AtLeastOnce, vec![b'x'; 500], Some(properties));
        assert_eq!(held_bytes(&publish, 100), 100 + 65_000 + 60_000);
        assert_eq!(held_bytes(&publish, 1000), 500 + 65_000 + 60_000);
        let held = Delivery::new(&publish, Time::EPOCH, 1000, place()).envelope;
        assert_eq!(held.bytes(), held_bytes(&publish, 1000));
        publish.properties = None;
        assert_eq!(held_bytes(&publish, 100), 100 + 65_000);
    }

    #[test]
    fn an_empty_message_stores_nothing() {
        assert!(prepared(b"a", b"", &fine()).is_none());
    }

    #[test]
    fn a_decoder_that_panics_refuses_the_message() {
        let broken: Decode = Arc::new(|_| panic!("broken promise"));
        assert_eq!(prepared(b"a", b"x", &broken).unwrap().decoded.refused[0].reason, Reason::Malformed);
    }
}
