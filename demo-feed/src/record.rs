//! Files: messages a line, and the truth beside them.
//!
//! Owns the form of both: JSON lines, times as RFC 3339, the payload as the JSON it is.

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;

use anyhow::Context as _;
use demo_feed::{Fleet, Message, TruthEntry};
use jiff::Timestamp;
use serde::Serialize;
use serde_json::value::RawValue;

#[derive(Serialize)]
struct Line<'a> {
    received: Timestamp,
    topic: &'a str,
    content_type: &'static str,
    payload: &'a RawValue,
}

/// Writes all messages sent from `from_ms` up to `until_ms` (ms since 1970). Returns how many.
pub(crate) fn write(path: &Path, fleet: &mut Fleet, from_ms: i64, until_ms: i64) -> anyhow::Result<u64> {
    let mut out = create(path)?;
    let mut written = 0;
    for message in fleet.advance_to(until_ms).filter(|m| m.at_unix_ms >= from_ms) {
        line(&mut out, &message)?;
        written += 1;
    }
    out.flush()?;
    Ok(written)
}

/// Writes the truth, an entry a line.
pub(crate) fn truth(path: &Path, entries: &[TruthEntry]) -> anyhow::Result<()> {
    let mut out = create(path)?;
    for entry in entries {
        serde_json::to_writer(&mut out, entry)?;
        out.write_all(b"\n")?;
    }
    Ok(out.flush()?)
}

fn create(path: &Path) -> anyhow::Result<BufWriter<File>> {
    Ok(BufWriter::new(File::create(path).with_context(|| format!("cannot write {}", path.display()))?))
}

fn line(out: &mut impl std::io::Write, message: &Message) -> anyhow::Result<()> {
    let payload: &RawValue = serde_json::from_slice(&message.payload)?;
    let received = Timestamp::from_millisecond(message.at_unix_ms)?;
    let (topic, content_type) = (&*message.topic, message.content_type);
    serde_json::to_writer(&mut *out, &Line { received, topic, content_type, payload })?;
    Ok(out.write_all(b"\n")?)
}
