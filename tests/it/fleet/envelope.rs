//! What the demo feed sends, as a broker hands it over.

use notchwatch_model::{Envelope, Time, TimeError};

/// A message of the feed, received when it was sent.
pub(crate) fn envelope(message: demo_feed::Message) -> Result<Envelope, TimeError> {
    Ok(Envelope {
        received: Time::from_millis(message.at_unix_ms)?,
        topic: message.topic.to_string(),
        content_type: Some(message.content_type.to_owned()),
        retained: false,
        payload: message.payload,
    })
}
