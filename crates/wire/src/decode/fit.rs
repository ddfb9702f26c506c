//! Resolved records fitted to a unit's class: the channel, its unit of measure, its kind of value, the time's tolerance.
//!
//! Owns which record becomes a sample of which channel. Refuses a record that names another unit than the topic, a
//! channel that the class does not have, and a value that is not of the channel's kind.

use std::borrow::Cow;

use notchwatch_model::{
    ChannelIx, ChannelValue, Decoded, Envelope, Reason, Refusal, Sample, TextSample, Time, TimeError, Uom,
    UomError, UomUse,
};

use crate::register::ChannelPlan;
use crate::senml::{Content, Entry, SentUom, Step, When, cut, name_problem};
use crate::{Limits, RegisterIndex, UnitPlan};

/// Begin of a device's name as a URN (RFC 9039).
const DEVICE_URN: &str = "urn:dev:";

type Refused = (Reason, String);

/// Fits the records of one message.
#[derive(Debug)]
pub(super) struct Fitter<'m> {
    plan: &'m UnitPlan,
    register: &'m RegisterIndex,
    limits: &'m Limits,
    envelope: &'m Envelope,
}

/// What came of the records so far.
#[derive(Debug, Default)]
pub(super) struct Fitted {
    decoded: Decoded,
    /// Where the class's list goes on after the last record: senders keep the order.
    expected: u16,
    base: Option<BaseVerdict>,
    name: String,
    /// Time of the last record that was in tolerance: the records of a snapshot share theirs.
    last: Option<(When, Time)>,
}

/// What the current base name says about the unit.
#[derive(Debug)]
struct BaseVerdict {
    count: u32,
    /// Length of the part that names the unit, with its separator.
    prefix: usize,
    refused: Option<Refused>,
}

impl<'m> Fitter<'m> {
    pub(super) fn new(
        plan: &'m UnitPlan,
        register: &'m RegisterIndex,
        limits: &'m Limits,
        envelope: &'m Envelope,
    ) -> Self {
        Self { plan, register, limits, envelope }
    }

    /// Takes the record at a position of the pack.
    pub(super) fn take(&self, step: Step<'_, '_>, position: u32, out: &mut Fitted) {
        out.decoded.records += 1;
        let refused = match step {
            Step::BasesOnly => {
                out.decoded.lenient += 1;
                return;
            }
            Step::Refused(reason, detail) => (reason, detail),
            Step::Entry(entry) => match self.fit(entry, out) {
                Ok(()) => return,
                Err(refused) => refused,
            },
        };
        let (reason, detail) = refused;
        Refusal::of_record(reason, position, detail).join(&mut out.decoded.refused);
    }

    fn fit(&self, entry: Entry<'_, '_>, out: &mut Fitted) -> Result<(), Refused> {
        let ix = self.channel(&entry, out)?;
        let channel = self.plan.class.channel(ix).ok_or_else(|| (Reason::UnknownChannel, String::new()))?;
        let time = match out.last {
            Some((when, time)) if when == entry.when => time,
            _ => self.time(entry.when)?,
        };
        out.last = Some((entry.when, time));
        out.expected = ix.0.saturating_add(1);
        if channel.value == ChannelValue::Text {
            let text = text_of(channel, entry.value)?;
            out.decoded.texts.push(TextSample { time, channel: ix, text });
        } else {
            let sent = number_of(channel, &entry)?;
            let value = self.convert(channel, ix, sent, entry.uom.as_ref(), &mut out.decoded.uoms)?;
            out.decoded.samples.push(Sample { time, channel: ix, value });
        }
        out.decoded.approximate |= matches!(entry.when, When::Relative(_));
        out.decoded.lenient += u32::from(entry.text_label);
        Ok(())
    }

    /// The channel that the resolved name means, once the part that names the unit is taken off.
    fn channel(&self, entry: &Entry<'_, '_>, out: &mut Fitted) -> Result<ChannelIx, Refused> {
        let (base, own) = (entry.base_name, entry.name.as_ref());
        if base.len() + own.len() > self.limits.name_bytes {
            let most = self.limits.name_bytes;
            return Err((
                Reason::TooLarge,
                format!("a name of {} bytes, at most {most}", base.len() + own.len()),
            ));
        }
        if own.contains([':', '/']) {
            out.name.clear();
            out.name.push_str(base);
            out.name.push_str(own);
            let prefix = prefix_of(&out.name);
            if let Some(refused) = self.judge_prefix(&out.name, prefix) {
                return Err(refused);
            }
            return self.find(out.name.get(prefix..).unwrap_or_default(), &out.name, out.expected);
        }
        if out.base.as_ref().is_none_or(|verdict| verdict.count != entry.base_name_count) {
            let prefix = prefix_of(base);
            let refused = self.judge_prefix(base, prefix);
            out.base = Some(BaseVerdict { count: entry.base_name_count, prefix, refused });
        }
        let verdict = out.base.as_ref();
        if let Some(refused) = verdict.and_then(|v| v.refused.clone()) {
            return Err(refused);
        }
        let rest = base.get(verdict.map_or(0, |v| v.prefix)..).unwrap_or_default();
        if rest.is_empty() {
            return self.find(own, own, out.expected);
        }
        out.name.clear();
        out.name.push_str(rest);
        out.name.push_str(own);
        self.find(&out.name, &out.name, out.expected)
    }

    fn find(&self, name: &str, resolved: &str, expected: u16) -> Result<ChannelIx, Refused> {
        let class = &self.plan.class;
        let next = ChannelIx(expected);
        if class.channel(next).is_some_and(|channel| *channel.name == *name) {
            return Ok(next);
        }
        class.channel_ix(name).ok_or_else(|| match name_problem(resolved) {
            Some(problem) => (Reason::Name, problem),
            None => {
                (Reason::UnknownChannel, format!("{:?} is not a channel of class {}", cut(name), class.id))
            }
        })
    }

    /// Whether the part of a name before its last separator names another unit than the topic. A device's URN names the
    /// device that measured, unless its id is that of another unit.
    fn judge_prefix(&self, name: &str, prefix: usize) -> Option<Refused> {
        let stem = name.get(..prefix.checked_sub(1)?)?;
        let key = &self.plan.key;
        let (unit, railway) = (key.unit.as_str(), key.railway.as_str());
        let own =
            stem == unit || stem.strip_prefix(railway).and_then(|s| s.strip_prefix(['/', ':'])) == Some(unit);
        if own {
            return None;
        }
        if let Some(problem) = name_problem(stem) {
            return Some((Reason::Name, problem));
        }
        let other = match stem.strip_prefix(DEVICE_URN) {
            None => Some(stem),
            Some(device) => device
                .split([':', '/'])
                .skip(1)
                .flat_map(|id| [Some(id), id.split_once('-').map(|(_, serial)| serial)])
                .flatten()
                .find(|id| *id != unit && self.register.names_a_unit(id))
                .filter(|_| !device.split([':', '/']).any(|id| id == unit)),
        };
        other.map(|other| {
            (Reason::WrongUnit, format!("the record names {:?}, the topic says unit {key}", cut(other)))
        })
    }

    fn time(&self, when: When) -> Result<Time, Refused> {
        if self.envelope.retained && matches!(when, When::Relative(_)) {
            let detail = "a kept message whose time is relative to an unknown instant".to_owned();
            return Err((Reason::RetainedWithoutTime, detail));
        }
        let received = self.envelope.received;
        let time = when.at(received).map_err(|error| match error {
            // Resolution leaves only finite sums, and an absolute one is positive: out of range means far ahead.
            TimeError::OutOfRange(secs) => {
                (Reason::ClockAhead, ahead_detail(&format!("{secs} s since 1970"), received))
            }
            other => (Reason::Time, other.to_string()),
        })?;
        if time - received > self.limits.ahead {
            return Err((Reason::ClockAhead, ahead_detail(&time.to_string(), received)));
        }
        if received - time > self.limits.behind {
            let days = self.limits.behind.secs_f64() / 86_400.0;
            let detail = format!("event time {time} lies more than {days} days before receipt at {received}");
            return Err((Reason::ClockBehind, detail));
        }
        Ok(time)
    }

    /// The value in the channel's stored unit of measure. A base unit is not meant for a channel without one.
    fn convert(
        &self,
        channel: &ChannelPlan,
        ix: ChannelIx,
        value: f64,
        sent: Option<&SentUom<'_, '_>>,
        uoms: &mut Vec<UomUse>,
    ) -> Result<f64, Refused> {
        let Some(sent) = sent else { return Ok(value) };
        let unitless = channel.value == ChannelValue::Flag
            || (channel.uom == Uom::NONE && matches!(sent, SentUom::Base(_)));
        if unitless || sent.name() == channel.uom.name() {
            return Ok(value);
        }
        let refuse = |error: UomError| (Reason::Uom, error.to_string());
        let uom = self
            .register
            .uom(sent.name())
            .ok_or_else(|| refuse(UomError::Unknown(cut(sent.name()).to_owned())))?;
        let converted = uom.convert(value, channel.uom).map_err(refuse)?;
        if !converted.is_finite() {
            return Err((Reason::NotFinite, format!("{value} {uom} is not finite in {}", channel.uom)));
        }
        let used = UomUse { channel: ix, sent: uom };
        if !uoms.contains(&used) {
            uoms.push(used);
        }
        Ok(converted)
    }
}

impl Fitted {
    /// In order of event time, then of the pack.
    pub(super) fn into_decoded(self) -> Decoded {
        let mut decoded = self.decoded;
        if !decoded.samples.is_sorted_by_key(|sample| sample.time) {
            decoded.samples.sort_by_key(|sample| sample.time);
        }
        decoded.texts.sort_by_key(|text| text.time);
        decoded
    }
}

fn ahead_detail(claimed: &str, received: Time) -> String {
    format!("event time {claimed} lies after receipt at {received}")
}

/// Length of the part of a name up to its last separator: no channel name holds one.
fn prefix_of(name: &str) -> usize {
    name.rfind([':', '/']).map_or(0, |at| at + 1)
}

fn number_of(channel: &ChannelPlan, entry: &Entry<'_, '_>) -> Result<f64, Refused> {
    let refuse =
        |is: &str, wanted: &str| Err((Reason::Value, format!("{is}, and {} takes {wanted}", channel.name)));
    match (channel.value, &entry.value) {
        (ChannelValue::Counter, _) if entry.own_sum => {
            entry.sum.map_or_else(|| refuse("no sum", "a number"), Ok)
        }
        (ChannelValue::Flag, Some(Content::Flag(flag))) => Ok(f64::from(u8::from(*flag))),
        (ChannelValue::Flag, Some(Content::Number(value))) if [0.0, 1.0].contains(value) => Ok(value.abs()),
        (ChannelValue::Flag, _) => refuse("the value is no flag", "vb, or v of 0 or 1"),
        (_, Some(Content::Number(value))) => Ok(*value),
        (_, Some(Content::Flag(_))) => refuse("the value is a flag", "v"),
        (_, Some(Content::Text(_))) => refuse("the value is a text", "v"),
        (_, Some(Content::Data(_))) => refuse("the value is data", "v"),
        (_, None) => refuse("there is a sum only", "v"),
    }
}

fn text_of(channel: &ChannelPlan, value: Option<Content<'_>>) -> Result<String, Refused> {
    match value {
        Some(Content::Text(text)) if text.chars().any(char::is_control) => {
            Err((Reason::Value, format!("the text for {} holds a control character", channel.name)))
        }
        Some(Content::Text(text)) => Ok(Cow::into_owned(text)),
        _ => Err((Reason::Value, format!("{} takes a text in vs", channel.name))),
    }
}
