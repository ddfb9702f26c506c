//! Resolution (RFC 8428 section 4.6): base fields applied, one record after the other.
//!
//! Owns the pack's running base fields, its version, and the rules for names, times and values that hold whatever the
//! channel. Refuses a record that rests on a base field that was wrong: its value would be mislabelled.

use std::borrow::Cow;
use std::mem::take;

use notchwatch_model::{Reason, Time, TimeError};

use super::record::{BASES, Bad, Data, Record, Slot, VALUES};
use super::{Fault, cut};

/// Sums of base time and time below this are relative to now (RFC 8428 section 4.5.3), in seconds.
const ABSOLUTE_FROM: f64 = 268_435_456.0;
/// Version of a pack that names none (RFC 8428 section 4.1), and the largest plain version understood.
const DEFAULT_VERSION: u8 = 10;
/// Version 10 with the feature bit of secondary units (RFC 9100; RFC 8798).
const SECONDARY_UNITS_VERSION: u8 = 26;

/// Running state of one pack.
#[derive(Debug, Default)]
pub(crate) struct Resolver<'a> {
    base_name: Slot<Cow<'a, str>>,
    base_name_count: u32,
    base_time: Slot<f64>,
    base_uom: Slot<Cow<'a, str>>,
    base_value: Slot<f64>,
    base_sum: Slot<f64>,
    version: Option<u8>,
    not_understood: Option<Box<str>>,
}

/// What a record came to.
#[derive(Debug)]
pub(crate) enum Step<'r, 'a> {
    /// Base fields alone: no sample, and no harm.
    BasesOnly,
    /// Nothing usable.
    Refused(Reason, String),
    /// A record with the base fields applied.
    Entry(Entry<'r, 'a>),
}

/// A record with the base fields applied. The resolved name is `base_name` followed by `name`.
#[derive(Debug)]
pub(crate) struct Entry<'r, 'a> {
    pub(crate) base_name: &'r str,
    /// Changes whenever a base name was given.
    pub(crate) base_name_count: u32,
    pub(crate) name: Cow<'a, str>,
    pub(crate) uom: Option<SentUom<'r, 'a>>,
    pub(crate) when: When,
    pub(crate) value: Option<Content<'a>>,
    pub(crate) sum: Option<f64>,
    /// The record itself gave a sum, not only the base.
    pub(crate) own_sum: bool,
    pub(crate) text_label: bool,
}

/// Unit of measure as sent.
#[derive(Debug)]
pub(crate) enum SentUom<'r, 'a> {
    /// By the record.
    Own(Cow<'a, str>),
    /// By the base.
    Base(&'r str),
}

impl SentUom<'_, '_> {
    pub(crate) fn name(&self) -> &str {
        match self {
            SentUom::Own(name) => name,
            SentUom::Base(name) => name,
        }
    }
}

/// Value of an entry.
#[derive(Debug)]
pub(crate) enum Content<'a> {
    Number(f64),
    Text(Cow<'a, str>),
    Flag(bool),
    Data(Data<'a>),
}

/// When an entry was measured.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum When {
    /// Seconds since 1970, UTC.
    Absolute(f64),
    /// Seconds from receipt, negative in the past.
    Relative(f64),
}

impl When {
    /// As a time, `now` being the receive time.
    pub(crate) fn at(self, now: Time) -> Result<Time, TimeError> {
        match self {
            When::Absolute(secs) => Time::from_secs_f64(secs),
            When::Relative(secs) => {
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "an `as` cast saturates, and so does the sum"
                )]
                let micros = (secs * 1e6).round() as i64;
                Ok(now.saturating_add(notchwatch_model::Span::from_micros(micros)))
            }
        }
    }
}

impl<'a> Resolver<'a> {
    /// Takes the next record; its fields are moved out of it. Errors refuse the whole pack: its version is not understood.
    pub(crate) fn step(&mut self, record: &mut Record<'a>) -> Result<Step<'_, 'a>, Fault> {
        self.check_version(record)?;
        let bases_only = record.is_base_only();
        self.take_bases(record);
        if let Some(what) = record.instead {
            return Ok(Step::Refused(
                Reason::Malformed,
                format!("a record is a map of fields, this is {}", what.words()),
            ));
        }
        let own = record.not_understood.as_ref().and_then(|noted| noted.own.as_deref());
        if let Some(label) = self.not_understood.as_deref().or(own) {
            let detail = format!("the field {label:?} must be understood and is not");
            return Ok(Step::Refused(Reason::MustUnderstand, detail));
        }
        if bases_only {
            return Ok(Step::BasesOnly);
        }
        Ok(match self.entry(record) {
            Ok(entry) => Step::Entry(entry),
            Err((reason, detail)) => Step::Refused(reason, detail),
        })
    }

    fn check_version(&mut self, record: &Record<'a>) -> Result<(), Fault> {
        let version = match &record.base_version {
            Slot::Absent => {
                self.version.get_or_insert(DEFAULT_VERSION);
                return Ok(());
            }
            Slot::Is(version) => understood(*version),
            Slot::Bad(_) => None,
        };
        let fault = |detail: &str| Fault { reason: Reason::Version, detail: detail.to_owned() };
        let version =
            version.ok_or_else(|| fault("bver is understood from 1 to 10, and 26 (secondary units)"))?;
        if *self.version.get_or_insert(version) != version {
            return Err(fault("records of one pack have different versions"));
        }
        Ok(())
    }

    /// Moves the record's base fields to the pack. A wrong one stays wrong until the same base is given again.
    fn take_bases(&mut self, record: &mut Record<'a>) {
        if let Some(label) = record.not_understood.as_mut().and_then(|noted| noted.base.take()) {
            self.not_understood = Some(label);
        }
        if !record.has(BASES) {
            return;
        }
        if !record.base_name.is_absent() {
            self.base_name = take(&mut record.base_name);
            self.base_name_count = self.base_name_count.wrapping_add(1);
        }
        renew(&mut self.base_time, &mut record.base_time);
        renew(&mut self.base_uom, &mut record.base_uom);
        renew(&mut self.base_value, &mut record.base_value);
        renew(&mut self.base_sum, &mut record.base_sum);
    }

    fn entry(&self, record: &mut Record<'a>) -> Result<Entry<'_, 'a>, (Reason, String)> {
        let base_name = usable(&self.base_name, Reason::Name, "bn")?.map_or("", |name| name);
        let name = own(take(&mut record.name), Reason::Name, "n")?.unwrap_or(Cow::Borrowed(""));
        if base_name.is_empty() && name.is_empty() {
            return Err((Reason::Name, "neither n nor bn names the channel".to_owned()));
        }
        let when = self.when(take(&mut record.time))?;
        let uom = match own(take(&mut record.uom), Reason::Uom, "u")? {
            Some(own) => Some(SentUom::Own(own)),
            None => usable(&self.base_uom, Reason::Uom, "bu")?.map(|base| SentUom::Base(base)),
        };
        let own_sum = !record.sum.is_absent();
        let sum = add(
            usable(&self.base_sum, Reason::Value, "bs")?,
            own(take(&mut record.sum), Reason::Value, "s")?,
            "bs + s",
        )?;
        let value = self.content(record)?;
        if value.is_none() && !own_sum {
            return Err((Reason::Value, "none of v, vs, vb, vd and s is there".to_owned()));
        }
        Ok(Entry {
            base_name,
            base_name_count: self.base_name_count,
            name,
            uom,
            when,
            value,
            sum,
            own_sum,
            text_label: record.text_label,
        })
    }

    fn when(&self, time: Slot<f64>) -> Result<When, (Reason, String)> {
        let base = usable(&self.base_time, Reason::Time, "bt")?.copied().unwrap_or(0.0);
        let secs = base + own(time, Reason::Time, "t")?.unwrap_or(0.0);
        if !secs.is_finite() {
            return Err((Reason::Time, "bt + t is not a finite number".to_owned()));
        }
        Ok(if secs < ABSOLUTE_FROM { When::Relative(secs) } else { When::Absolute(secs) })
    }

    fn content(&self, record: &mut Record<'a>) -> Result<Option<Content<'a>>, (Reason, String)> {
        if (record.fields & VALUES).count_ones() > 1 {
            return Err((Reason::Value, "more than one of v, vs, vb and vd is there".to_owned()));
        }
        let Record { value, text, flag, data, .. } = record;
        if let Some(value) = own(take(value), Reason::Value, "v")? {
            let base = usable(&self.base_value, Reason::Value, "bv")?;
            return Ok(add(base, Some(value), "bv + v")?.map(Content::Number));
        }
        if let Some(text) = own(take(text), Reason::Value, "vs")? {
            return Ok(Some(Content::Text(text)));
        }
        if let Some(flag) = own(take(flag), Reason::Value, "vb")? {
            return Ok(Some(Content::Flag(flag)));
        }
        Ok(own(take(data), Reason::Value, "vd")?.map(Content::Data))
    }
}

fn understood(version: f64) -> Option<u8> {
    (1..=DEFAULT_VERSION)
        .chain([SECONDARY_UNITS_VERSION])
        .find(|known| f64::from(*known).total_cmp(&version).is_eq())
}

fn renew<T>(base: &mut Slot<T>, given: &mut Slot<T>) {
    if !given.is_absent() {
        *base = take(given);
    }
}

fn wrong(bad: Bad, usual: Reason, label: &str) -> (Reason, String) {
    (bad.reason(usual), format!("{label} {bad}"))
}

fn usable<'b, T>(base: &'b Slot<T>, usual: Reason, label: &str) -> Result<Option<&'b T>, (Reason, String)> {
    match base {
        Slot::Absent => Ok(None),
        Slot::Is(value) => Ok(Some(value)),
        Slot::Bad(bad) => Err(wrong(*bad, usual, label)),
    }
}

fn own<T>(field: Slot<T>, usual: Reason, label: &str) -> Result<Option<T>, (Reason, String)> {
    field.value().map_err(|bad| wrong(bad, usual, label))
}

/// Base and own part of a value or a sum; absent when both are.
fn add(base: Option<&f64>, own: Option<f64>, what: &str) -> Result<Option<f64>, (Reason, String)> {
    let sum = match (base, own) {
        (None, own) => own,
        (Some(base), own) => Some(base + own.unwrap_or(0.0)),
    };
    match sum {
        Some(sum) if !sum.is_finite() => Err((Reason::NotFinite, format!("{what} is not a finite number"))),
        sum => Ok(sum),
    }
}

/// Why a resolved name is none: RFC 8428 section 4.5.1.
pub(crate) fn name_problem(name: &str) -> Option<String> {
    let begins = name.starts_with(|c: char| c.is_ascii_alphanumeric());
    let holds =
        name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b':' | b'.' | b'/' | b'_'));
    (!(begins && holds)).then(|| {
        let name = cut(name);
        format!(
            "{name:?} is not a name: the characters A-Z a-z 0-9 - : . / _, beginning with a letter or digit"
        )
    })
}
