//! `SenML` packs (RFC 8428, with RFC 8798 and the version of RFC 9100) to resolved records.
//!
//! Owns the rules of the RFC and those it leaves open, told in `doc/messages.md`. Needs no register: what a record means
//! for a channel is the decoder's. Refuses a pack that is not well-formed or of a version not understood, and else single
//! records.

mod cbor;
mod json;
mod literal;
mod number;
mod record;
mod resolve;

use std::borrow::Cow;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use notchwatch_model::{MessageFormat, Reason, Refusal, Time};

use crate::Limits;
use json::{Stop, Way};
use record::{Data, Record};
pub(crate) use resolve::{Content, Entry, Resolver, SentUom, Step, When, name_problem};

/// A record with base fields applied and its time made absolute.
#[derive(Clone, PartialEq, Debug)]
pub struct Resolved {
    /// Base name and name.
    pub name: String,
    /// Unit of measure as sent.
    pub uom: Option<String>,
    /// Event time.
    pub time: Time,
    /// The time was given relative to receipt.
    pub relative: bool,
    /// The value; absent in a record that carries a sum only.
    pub value: Option<ResolvedValue>,
    /// Base sum and sum, where either is given.
    pub sum: Option<f64>,
}

/// Value of a resolved record.
#[derive(Clone, PartialEq, Debug)]
pub enum ResolvedValue {
    /// `v`, with the base value.
    Number(f64),
    /// `vs`.
    Text(String),
    /// `vb`.
    Flag(bool),
    /// `vd`, decoded.
    Data(Vec<u8>),
}

/// What a pack gave.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Resolution {
    /// Resolved records in chronological order, then of the pack (RFC 8428 section 4.6).
    pub records: Vec<Resolved>,
    /// Records refused, one refusal for each reason.
    pub refused: Vec<Refusal>,
    /// Records accepted although a strict reader would not: base fields alone, text labels in CBOR.
    pub lenient: u32,
}

/// Resolves a pack. `now` is the receive time. Errors refuse the pack whole, with the reason and the position.
pub fn resolve(
    payload: &[u8],
    format: MessageFormat,
    now: Time,
    limits: &Limits,
) -> Result<Resolution, Refusal> {
    let mut resolution = walk(payload, format, limits, |step, position, out: &mut Resolution| match step {
        Step::BasesOnly => out.lenient += 1,
        Step::Refused(reason, detail) => {
            Refusal::of_record(reason, position, detail).join(&mut out.refused);
        }
        Step::Entry(entry) => match resolved(&entry, now) {
            Ok(record) => {
                out.lenient += u32::from(entry.text_label);
                out.records.push(record);
            }
            Err((reason, detail)) => Refusal::of_record(reason, position, detail).join(&mut out.refused),
        },
    })
    .map_err(|fault| Refusal::whole(fault.reason, fault.detail))?;
    resolution.records.sort_by_key(|record| record.time);
    Ok(resolution)
}

/// Why a whole pack is refused.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Fault {
    pub(crate) reason: Reason,
    pub(crate) detail: String,
}

impl Fault {
    fn too_many_records(limits: &Limits) -> Self {
        Self { reason: Reason::TooLarge, detail: format!("a pack of more than {} records", limits.records) }
    }
}

/// Takes a record as sent; an error ends the pack.
type Each<'e, 'a> = &'e mut dyn FnMut(&mut Record<'a>) -> Result<(), Fault>;

/// Walks through a pack, handing each step with its position to `take`. Where a second reading is needed, what the first
/// made is thrown away.
pub(crate) fn walk<O: Default>(
    payload: &[u8],
    format: MessageFormat,
    limits: &Limits,
    mut take: impl FnMut(Step<'_, '_>, u32, &mut O),
) -> Result<O, Fault> {
    match format {
        MessageFormat::SenmlCbor => once(&mut take, |each| cbor::read(payload, limits, each)),
        MessageFormat::SenmlJson => {
            let text = std::str::from_utf8(payload).map_err(|e| Fault {
                reason: Reason::Malformed,
                detail: format!("not a JSON pack: not UTF-8 from byte {}", e.valid_up_to()),
            })?;
            walk_json(text, limits, &mut take)
        }
    }
}

fn walk_json<O: Default>(
    text: &str,
    limits: &Limits,
    take: &mut impl FnMut(Step<'_, '_>, u32, &mut O),
) -> Result<O, Fault> {
    let first = match once(take, |each| json::read(text, Way::Quick, limits, each)) {
        Ok(out) => return Ok(out),
        Err(Stop::Fault(fault)) => return Err(fault),
        Err(Stop::Parser(error)) => error,
    };
    let mended = literal::repaired(text);
    once(take, |each| json::read(&mended, Way::Exact, limits, each)).map_err(|stop| match stop {
        Stop::Fault(fault) => fault,
        // A mended text is longer than what was sent, so its positions would mislead.
        Stop::Parser(_) if matches!(mended, Cow::Owned(_)) => not_json(&first),
        Stop::Parser(error) => not_json(&error),
    })
}

fn not_json(error: &serde_json::Error) -> Fault {
    Fault { reason: Reason::Malformed, detail: format!("not a JSON pack: {}", cut(&error.to_string())) }
}

fn once<'a, O: Default, E: From<Fault>>(
    take: &mut impl FnMut(Step<'_, '_>, u32, &mut O),
    read: impl FnOnce(Each<'_, 'a>) -> Result<(), E>,
) -> Result<O, E> {
    let mut out = O::default();
    let mut resolver = Resolver::default();
    let mut position = 0;
    read(&mut |record| {
        take(resolver.step(record)?, position, &mut out);
        position += 1;
        Ok(())
    })?;
    Ok(out)
}

fn resolved(entry: &Entry<'_, '_>, now: Time) -> Result<Resolved, (Reason, String)> {
    let name = format!("{}{}", entry.base_name, entry.name);
    if let Some(problem) = name_problem(&name) {
        return Err((Reason::Name, problem));
    }
    let value = match &entry.value {
        None => None,
        Some(Content::Number(value)) => Some(ResolvedValue::Number(*value)),
        Some(Content::Text(text)) => Some(ResolvedValue::Text(text.clone().into_owned())),
        Some(Content::Flag(flag)) => Some(ResolvedValue::Flag(*flag)),
        Some(Content::Data(Data::Bytes(bytes))) => Some(ResolvedValue::Data(bytes.to_vec())),
        Some(Content::Data(Data::Text(text))) => Some(ResolvedValue::Data(
            URL_SAFE_NO_PAD
                .decode(text.as_bytes())
                .map_err(|_| (Reason::Value, "vd is not base64url without padding".to_owned()))?,
        )),
    };
    Ok(Resolved {
        name,
        uom: entry.uom.as_ref().map(|uom| uom.name().to_owned()),
        time: entry.when.at(now).map_err(|e| (Reason::Time, e.to_string()))?,
        relative: matches!(entry.when, When::Relative(_)),
        value,
        sum: entry.sum,
    })
}

/// Longest piece of a message shown in a refusal, in characters.
const SHOWN: usize = 80;

/// The beginning of a text from outside, short enough to be shown.
pub(crate) fn cut(text: &str) -> &str {
    text.char_indices().nth(SHOWN).map_or(text, |(end, _)| text.get(..end).unwrap_or(text))
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod twins;
