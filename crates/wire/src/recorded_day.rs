//! Recorded days: messages as received, one a line of JSON, compressed with zstd.
//!
//! Owns the file's form, so that a day can be read, searched and mended with common tools. A payload that is JSON on one
//! line stands in the line as it is, byte for byte; every other one as base64. Refuses a line that is not of the form, names
//! its number, and goes on with the next.

use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use notchwatch_model::{Envelope, Time};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Longest line accepted, in bytes: a message of the largest default size in base64, with its other fields.
const MAX_LINE: u64 = 4 << 20;
/// Largest window a compressed file may ask for, as a power of two (zstd's own default limit for decoders: 128 MiB).
const WINDOW_LOG: u32 = 27;
/// Compression level of new files: zstd's default, a good middle for text.
const LEVEL: i32 = 3;

/// One line of a recorded day.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line<'a> {
    received: Time,
    topic: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    content_type: Option<String>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    retained: bool,
    #[serde(default, borrow, skip_serializing_if = "Option::is_none")]
    payload: Option<&'a RawValue>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    payload_base64: Option<String>,
}

/// Why a line is not a message.
#[derive(Debug, thiserror::Error)]
pub enum LineError {
    /// It is not JSON of the form of a line.
    #[error("not a recorded message: {0}")]
    Form(#[from] serde_json::Error),
    /// It has no payload, or two.
    #[error("a recorded message has either payload or payload_base64")]
    Payload,
    /// The payload is not base64.
    #[error("payload_base64 is not base64: {0}")]
    Base64(#[from] base64::DecodeError),
    /// It is longer than any message can be.
    #[error("longer than {MAX_LINE} bytes")]
    TooLong,
}

/// Why a recorded day cannot be read on.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// One line is wrong; the next may be right.
    #[error("line {line}: {error}")]
    Line {
        /// Number of the line, from 1.
        line: u64,
        /// What is wrong with it.
        error: LineError,
    },
    /// The file ends early or cannot be read.
    #[error("after line {line}: {error}")]
    Io {
        /// Number of the last line read, from 1.
        line: u64,
        /// What went wrong.
        error: io::Error,
    },
}

/// Writes the line of a message, without its line end.
pub fn write_line(envelope: &Envelope) -> Result<String, serde_json::Error> {
    let payload = one_line_json(&envelope.payload);
    serde_json::to_string(&Line {
        received: envelope.received,
        topic: envelope.topic.clone(),
        content_type: envelope.content_type.clone(),
        retained: envelope.retained,
        payload,
        payload_base64: payload.is_none().then(|| STANDARD.encode(&envelope.payload)),
    })
}

/// Reads one line, without its line end.
pub fn read_line(line: &[u8]) -> Result<Envelope, LineError> {
    if line.len() as u64 > MAX_LINE {
        return Err(LineError::TooLong);
    }
    let line: Line<'_> = serde_json::from_slice(line)?;
    let payload = match (line.payload, line.payload_base64) {
        (Some(raw), None) => raw.get().as_bytes().to_vec(),
        (None, Some(text)) => STANDARD.decode(text)?,
        _ => return Err(LineError::Payload),
    };
    Ok(Envelope {
        received: line.received,
        topic: line.topic,
        content_type: line.content_type,
        retained: line.retained,
        payload,
    })
}

/// The payload as JSON, when it comes back byte for byte from a line. A `null` does not: it reads as no payload.
fn one_line_json(payload: &[u8]) -> Option<&RawValue> {
    let text = std::str::from_utf8(payload).ok()?;
    if text.contains(['\n', '\r']) {
        return None;
    }
    serde_json::from_str::<&RawValue>(text).ok().filter(|raw| raw.get() == text && text != "null")
}

/// Writes a recorded day.
pub struct Writer<W: Write> {
    encoder: zstd::stream::write::Encoder<'static, BufWriter<W>>,
}

impl<W: Write> Writer<W> {
    /// Begins a file.
    pub fn new(into: W) -> io::Result<Self> {
        Ok(Self { encoder: zstd::stream::write::Encoder::new(BufWriter::new(into), LEVEL)? })
    }

    /// Writes a message.
    pub fn write(&mut self, envelope: &Envelope) -> io::Result<()> {
        let mut line = write_line(envelope)?;
        line.push('\n');
        self.encoder.write_all(line.as_bytes())
    }

    /// Ends the file. Without it the file is cut short, and a reader says so.
    pub fn finish(self) -> io::Result<W> {
        self.encoder.finish()?.into_inner().map_err(io::IntoInnerError::into_error)
    }
}

impl<W: Write> std::fmt::Debug for Writer<W> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").finish_non_exhaustive()
    }
}

/// Reads a recorded day: an iterator of messages. After an error of one line it goes on with the next; after an error of
/// the file it ends.
pub struct Reader<R: Read> {
    lines: BufReader<zstd::stream::read::Decoder<'static, BufReader<R>>>,
    line: u64,
    ended: bool,
}

impl<R: Read> Reader<R> {
    /// Opens a file.
    pub fn new(from: R) -> io::Result<Self> {
        let mut decoder = zstd::stream::read::Decoder::new(from)?;
        decoder.window_log_max(WINDOW_LOG)?;
        Ok(Self { lines: BufReader::new(decoder), line: 0, ended: false })
    }

    /// The next line without its end; `None` at the end of the file, an inner error for a line that is too long.
    fn next_line(&mut self) -> io::Result<Option<Result<Vec<u8>, LineError>>> {
        let mut line = Vec::new();
        self.lines.by_ref().take(MAX_LINE + 1).read_until(b'\n', &mut line)?;
        if line.is_empty() {
            return Ok(None);
        }
        self.line += 1;
        if line.pop_if(|last| *last == b'\n').is_none() && line.len() as u64 > MAX_LINE {
            self.lines.skip_until(b'\n')?;
            return Ok(Some(Err(LineError::TooLong)));
        }
        Ok(Some(Ok(line)))
    }
}

impl<R: Read> Iterator for Reader<R> {
    type Item = Result<Envelope, ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.ended {
            let message = match self.next_line() {
                Ok(Some(Ok(line))) if line.iter().all(u8::is_ascii_whitespace) => continue,
                Ok(Some(Ok(line))) => read_line(&line),
                Ok(Some(Err(error))) => Err(error),
                Ok(None) => {
                    self.ended = true;
                    return None;
                }
                Err(error) => {
                    self.ended = true;
                    return Some(Err(ReadError::Io { line: self.line, error }));
                }
            };
            return Some(message.map_err(|error| ReadError::Line { line: self.line, error }));
        }
        None
    }
}

impl<R: Read> std::fmt::Debug for Reader<R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Reader").field("line", &self.line).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn message(payload: &[u8]) -> Envelope {
        Envelope {
            received: "2026-01-01T00:00:00.25Z".parse().unwrap(),
            topic: "units/north/7/senml".into(),
            content_type: None,
            retained: false,
            payload: payload.to_vec(),
        }
    }

    fn file(lines: &[u8]) -> Vec<u8> {
        zstd::stream::encode_all(lines, LEVEL).unwrap()
    }

    #[test]
    fn a_day_comes_back_as_it_was() {
        let messages = [
            Envelope {
                content_type: Some("application/senml+json".into()),
                ..message(br#"[{"n":"a","v":1e999}]"#)
            },
            Envelope { retained: true, ..message(&[0x81, 0xff, 0x00]) },
            message(b"[1,\n2]"),
            message(b" [1] "),
            message(b"null"),
            message(b""),
            message(b"[NaN]"),
        ];
        let mut writer = Writer::new(Vec::new()).unwrap();
        for message in &messages {
            writer.write(message).unwrap();
        }
        let bytes = writer.finish().unwrap();
        let back: Vec<Envelope> = Reader::new(&*bytes).unwrap().map(Result::unwrap).collect();
        assert_eq!(back, messages);
    }

    #[test]
    fn json_stands_in_the_line_as_it_is() {
        assert_eq!(
            write_line(&message(br#"[{"n":"a", "v":1.50}]"#)).unwrap(),
            r#"{"received":"2026-01-01T00:00:00.25Z","topic":"units/north/7/senml","payload":[{"n":"a", "v":1.50}]}"#
        );
    }

    #[test]
    fn a_wrong_line_is_named_and_the_next_is_read() {
        let right = write_line(&message(b"[]")).unwrap();
        let lines = format!(
            "{right}\nnot json\n\n{}\n{}\n{}\n{right}",
            r#"{"received":"2026-01-01T00:00:00Z","topic":"t"}"#,
            r#"{"received":"2026-01-01T00:00:00Z","topic":"t","payload":[],"payload_base64":""}"#,
            r#"{"received":"2026-01-01T00:00:00Z","topic":"t","payload_base64":"*"}"#,
        );
        let outcome: Vec<Result<Envelope, String>> =
            Reader::new(&*file(lines.as_bytes())).unwrap().map(|r| r.map_err(|e| e.to_string())).collect();
        let wrong: Vec<&str> =
            outcome.iter().filter_map(|r| r.as_ref().err()).map(|e| e.split(':').next().unwrap()).collect();
        assert_eq!(wrong, ["line 2", "line 4", "line 5", "line 6"]);
        assert_eq!(outcome.iter().filter(|r| r.is_ok()).count(), 2);
    }

    #[test]
    fn a_line_without_end_costs_no_more_than_the_limit() {
        let long = vec![b'x'; usize::try_from(MAX_LINE).unwrap() + 10];
        let mut lines = long;
        lines.push(b'\n');
        lines.extend_from_slice(write_line(&message(b"[]")).unwrap().as_bytes());
        let outcome: Vec<_> = Reader::new(&*file(&lines)).unwrap().collect();
        assert!(matches!(outcome[0], Err(ReadError::Line { line: 1, error: LineError::TooLong })));
        assert!(outcome[1].is_ok());
    }

    #[test]
    fn a_file_cut_short_says_so_once() {
        let mut writer = Writer::new(Vec::new()).unwrap();
        for _ in 0..100 {
            writer.write(&message(b"[{}]")).unwrap();
        }
        let bytes = writer.finish().unwrap();
        let outcome: Vec<_> = Reader::new(&bytes[..bytes.len() - 8]).unwrap().collect();
        assert_eq!(outcome.iter().filter(|r| matches!(r, Err(ReadError::Io { .. }))).count(), 1);
        assert!(matches!(outcome.last(), Some(Err(ReadError::Io { .. }))));
    }

    proptest! {
        #[test]
        fn any_message_comes_back(
            micros in -1_000_000_000_000_000_i64..4_000_000_000_000_000,
            topic in ".{0,20}",
            content_type in proptest::option::of(".{0,20}"),
            retained: bool,
            payload in proptest::collection::vec(any::<u8>(), 0..64),
        ) {
            let received = Time::from_micros(micros).unwrap();
            let sent = Envelope { received, topic, content_type, retained, payload };
            prop_assert_eq!(read_line(write_line(&sent).unwrap().as_bytes()).unwrap(), sent);
        }
    }
}
