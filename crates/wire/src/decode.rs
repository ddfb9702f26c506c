//! The decoder: an envelope and the register become samples, texts and refusals.
//!
//! Owns the order of checks (topic, unit, size, format, pack, record) and the choice of the format. A total function:
//! whatever the bytes, it returns. Refuses a clock: the receive time stands in the envelope.

mod fit;

use notchwatch_model::{Decoded, Envelope, MessageFormat, Reason};

use crate::senml::{self, cut};
use crate::{Limits, RegisterIndex, TopicPattern};
use fit::{Fitted, Fitter};

/// First bytes of a CBOR array: major type 4, RFC 8949 section 3.1.
const CBOR_ARRAY: std::ops::RangeInclusive<u8> = 0x80..=0x9f;
/// First byte of self-described CBOR, RFC 8949 section 3.4.6.
const CBOR_SELF_DESCRIBED: u8 = 0xd9;

/// Decodes messages of one topic pattern within limits. Cheap to clone, and without state: the same envelope and register
/// always give the same.
#[derive(Clone, Debug)]
pub struct Decoder {
    pattern: TopicPattern,
    limits: Limits,
}

impl Decoder {
    /// A decoder for the topics of a pattern.
    pub fn new(pattern: TopicPattern, limits: Limits) -> Self {
        Self { pattern, limits }
    }

    /// The topic pattern.
    pub fn pattern(&self) -> &TopicPattern {
        &self.pattern
    }

    /// The limits.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Decodes one message. An empty payload is the deletion of a kept message (MQTT 5 section 3.3.1.3): it gives nothing
    /// and is refused nothing, whether it comes with the retain flag or as the live copy without it.
    pub fn decode(&self, envelope: &Envelope, register: &RegisterIndex) -> Decoded {
        let Some((railway, unit)) = self.pattern.parts(&envelope.topic) else {
            return Decoded::refused(None, Reason::Topic, self.topic_detail(&envelope.topic));
        };
        if envelope.payload.is_empty() {
            return Decoded { unit: self.pattern.unit(&envelope.topic), ..Decoded::default() };
        }
        let Some(plan) = register.find(railway, unit) else {
            return match self.pattern.unit(&envelope.topic) {
                None => Decoded::refused(None, Reason::Topic, self.topic_detail(&envelope.topic)),
                Some(key) => {
                    let detail = format!("unit {key} is not in the register");
                    Decoded::refused(Some(key), Reason::UnknownUnit, detail)
                }
            };
        };
        let unit = Some(plan.key.clone());
        if envelope.payload.len() > self.limits.message_bytes {
            let (is, most) = (envelope.payload.len(), self.limits.message_bytes);
            return Decoded::refused(
                unit,
                Reason::TooLarge,
                format!("{is} bytes, at most {most} are accepted"),
            );
        }
        let format = match format_of(envelope.content_type.as_deref(), &envelope.payload) {
            Ok(format) => format,
            Err(detail) => return Decoded::refused(unit, Reason::Format, detail),
        };
        let fitter = Fitter::new(plan, register, &self.limits, envelope);
        let outcome =
            senml::walk(&envelope.payload, format, &self.limits, |step, position, out: &mut Fitted| {
                fitter.take(step, position, out);
            });
        match outcome {
            Ok(outcome) => Decoded { unit, ..outcome.into_decoded() },
            Err(fault) => Decoded::refused(unit, fault.reason, fault.detail),
        }
    }

    fn topic_detail(&self, topic: &str) -> String {
        format!("topic {:?} is not of the pattern whose filter is {}", cut(topic), self.pattern.filter())
    }
}

/// Content type first (RFC 8428 section 12.3), then the first byte: a JSON array begins with `[`, a CBOR array with a byte
/// that no text begins with.
fn format_of(content_type: Option<&str>, payload: &[u8]) -> Result<MessageFormat, String> {
    let media_type = content_type.map(|text| text.split(';').next().unwrap_or_default().trim());
    match media_type {
        Some(text) if text.eq_ignore_ascii_case("application/senml+json") => {
            return Ok(MessageFormat::SenmlJson);
        }
        Some(text) if text.eq_ignore_ascii_case("application/senml+cbor") => {
            return Ok(MessageFormat::SenmlCbor);
        }
        Some("") | None => {}
        Some(other) => {
            let other = cut(other);
            return Err(format!(
                "content type {other:?} is not application/senml+json or application/senml+cbor"
            ));
        }
    }
    match payload.first() {
        Some(b'[' | b'{' | b' ' | b'\t' | b'\r' | b'\n') => Ok(MessageFormat::SenmlJson),
        Some(byte) if CBOR_ARRAY.contains(byte) || *byte == CBOR_SELF_DESCRIBED => {
            Ok(MessageFormat::SenmlCbor)
        }
        Some(byte) => Err(format!("first byte 0x{byte:02x} begins neither a JSON array nor a CBOR array")),
        None => Err("no bytes".to_owned()),
    }
}

#[cfg(test)]
mod tests;
