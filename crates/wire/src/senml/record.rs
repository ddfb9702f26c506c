//! One record of a pack as it was sent, whichever form it came in.
//!
//! Owns the labels of RFC 8428 (table 1 and the CBOR labels of section 6) and what can be wrong with one field. Refuses
//! nothing: a wrong field is kept as wrong, so that only its own record is lost, or the records that rest on it.

use std::borrow::Cow;
use std::fmt;

use notchwatch_model::Reason;

use super::cut;

/// A value of a field, whichever form it came in.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Scalar<'a> {
    Number(f64),
    /// A whole number beyond 2^53.
    Inexact,
    NotFinite,
    Text(Cow<'a, str>),
    /// A text whose bytes are not one.
    BrokenText,
    Flag(bool),
    Null,
    /// A CBOR byte string.
    Bytes(&'a [u8]),
    /// An array, a map, or a CBOR tag that is no number.
    Nested,
}

/// Type of a value. One byte, so that a record stays small enough to be filled anew for each of a pack.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Kind {
    Number,
    Text,
    Boolean,
    Null,
    Bytes,
    Nested,
}

impl Kind {
    /// The type in words.
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Kind::Number => "a number",
            Kind::Text => "a text",
            Kind::Boolean => "a boolean",
            Kind::Null => "null",
            Kind::Bytes => "a byte string",
            Kind::Nested => "an array, a map or a tagged value",
        }
    }
}

impl Scalar<'_> {
    const fn kind(&self) -> Kind {
        match self {
            Scalar::Number(_) | Scalar::Inexact | Scalar::NotFinite => Kind::Number,
            Scalar::Text(_) | Scalar::BrokenText => Kind::Text,
            Scalar::Flag(_) => Kind::Boolean,
            Scalar::Null => Kind::Null,
            Scalar::Bytes(_) => Kind::Bytes,
            Scalar::Nested => Kind::Nested,
        }
    }
}

/// What is wrong with one field.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Bad {
    /// It stands twice in its record: nobody knows which one counts.
    Twice,
    /// It is of another type.
    Type {
        is: Kind,
        wanted: Kind,
    },
    NotFinite,
    Inexact,
    BrokenText,
}

impl Bad {
    /// The reason it gives, in a field whose wrong values otherwise give `usual`.
    pub(crate) const fn reason(self, usual: Reason) -> Reason {
        match (self, usual) {
            (Bad::Twice, _) => Reason::Malformed,
            (Bad::NotFinite | Bad::Inexact, Reason::Value) => Reason::NotFinite,
            _ => usual,
        }
    }
}

impl fmt::Display for Bad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Bad::Twice => f.write_str("stands twice in one record"),
            Bad::Type { is, wanted } => write!(f, "is {}, not {}", is.words(), wanted.words()),
            Bad::NotFinite => f.write_str("is not a finite number"),
            Bad::Inexact => f.write_str("is a whole number beyond 2^53, which cannot be kept exactly"),
            Bad::BrokenText => f.write_str("is not valid UTF-8 or has a broken escape"),
        }
    }
}

/// A field: not there, there, or there and wrong.
#[derive(Clone, PartialEq, Debug, Default)]
pub(crate) enum Slot<T> {
    #[default]
    Absent,
    Is(T),
    Bad(Bad),
}

impl<T> Slot<T> {
    pub(crate) const fn is_absent(&self) -> bool {
        matches!(self, Slot::Absent)
    }

    #[inline]
    fn put(&mut self, value: Slot<T>) {
        *self = if self.is_absent() { value } else { Slot::Bad(Bad::Twice) };
    }

    /// The value, if any. Errors when the field is wrong.
    pub(crate) fn value(self) -> Result<Option<T>, Bad> {
        match self {
            Slot::Absent => Ok(None),
            Slot::Is(value) => Ok(Some(value)),
            Slot::Bad(bad) => Err(bad),
        }
    }
}

/// A label of a field.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Label {
    BaseName,
    BaseTime,
    BaseUnit,
    BaseValue,
    BaseSum,
    BaseVersion,
    Name,
    Unit,
    Value,
    StringValue,
    BooleanValue,
    DataValue,
    Sum,
    Time,
    UpdateTime,
    /// Not one of RFC 8428, to be ignored.
    Other,
    /// Not one of RFC 8428, and must be understood (it ends in `_`).
    MustUnderstand,
    /// The same for a base field (RFC 8428 section 12.2, from memory: their labels begin with `b`).
    MustUnderstandBase,
}

/// Labels of base fields.
pub(crate) const BASES: u32 = Label::BaseName.bit()
    | Label::BaseTime.bit()
    | Label::BaseUnit.bit()
    | Label::BaseValue.bit()
    | Label::BaseSum.bit()
    | Label::BaseVersion.bit();
/// Labels of the values of which a record has one.
pub(crate) const VALUES: u32 =
    Label::Value.bit() | Label::StringValue.bit() | Label::BooleanValue.bit() | Label::DataValue.bit();
/// Labels of a record's own fields.
const OWN: u32 = VALUES
    | Label::Name.bit()
    | Label::Unit.bit()
    | Label::Sum.bit()
    | Label::Time.bit()
    | Label::UpdateTime.bit();

impl Label {
    /// Its bit among the fields of a record; none for labels that are not of RFC 8428.
    pub(crate) const fn bit(self) -> u32 {
        match self {
            Label::Other | Label::MustUnderstand | Label::MustUnderstandBase => 0,
            known => 1 << known as u32,
        }
    }

    pub(crate) fn of(text: &str) -> Self {
        match text {
            "bn" => Label::BaseName,
            "bt" => Label::BaseTime,
            "bu" => Label::BaseUnit,
            "bv" => Label::BaseValue,
            "bs" => Label::BaseSum,
            "bver" => Label::BaseVersion,
            "n" => Label::Name,
            "u" => Label::Unit,
            "v" => Label::Value,
            "vs" => Label::StringValue,
            "vb" => Label::BooleanValue,
            "vd" => Label::DataValue,
            "s" => Label::Sum,
            "t" => Label::Time,
            "ut" => Label::UpdateTime,
            _ if !text.ends_with('_') => Label::Other,
            _ if text.starts_with('b') => Label::MustUnderstandBase,
            _ => Label::MustUnderstand,
        }
    }

    /// CBOR labels, RFC 8428 section 6, table 4. No other integer will be defined.
    pub(crate) const fn of_number(number: i64) -> Self {
        match number {
            -1 => Label::BaseVersion,
            -2 => Label::BaseName,
            -3 => Label::BaseTime,
            -4 => Label::BaseUnit,
            -5 => Label::BaseValue,
            -6 => Label::BaseSum,
            0 => Label::Name,
            1 => Label::Unit,
            2 => Label::Value,
            3 => Label::StringValue,
            4 => Label::BooleanValue,
            5 => Label::Sum,
            6 => Label::Time,
            7 => Label::UpdateTime,
            8 => Label::DataValue,
            _ => Label::Other,
        }
    }
}

/// One record as sent.
#[derive(Clone, PartialEq, Debug, Default)]
pub(crate) struct Record<'a> {
    pub(crate) base_name: Slot<Cow<'a, str>>,
    pub(crate) base_time: Slot<f64>,
    pub(crate) base_uom: Slot<Cow<'a, str>>,
    pub(crate) base_value: Slot<f64>,
    pub(crate) base_sum: Slot<f64>,
    pub(crate) base_version: Slot<f64>,
    pub(crate) name: Slot<Cow<'a, str>>,
    pub(crate) uom: Slot<Cow<'a, str>>,
    pub(crate) value: Slot<f64>,
    pub(crate) text: Slot<Cow<'a, str>>,
    pub(crate) flag: Slot<bool>,
    pub(crate) data: Slot<Data<'a>>,
    pub(crate) sum: Slot<f64>,
    pub(crate) time: Slot<f64>,
    /// Labels that came, a bit each: what most records lack is not looked for in each of them.
    pub(crate) fields: u32,
    /// A field that must be understood and is not; boxed, being rare.
    pub(crate) not_understood: Option<Box<NotUnderstood>>,
    /// It is no record at all: what it is instead.
    pub(crate) instead: Option<Kind>,
    /// A known field came under its text label in CBOR, where the RFC has a number.
    pub(crate) text_label: bool,
}

/// Labels that must be understood and are not.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(crate) struct NotUnderstood {
    /// Of a field of this record alone.
    pub(crate) own: Option<Box<str>>,
    /// Of a base field: it concerns every record from this one on.
    pub(crate) base: Option<Box<str>>,
}

/// A data value: base64url text in JSON, bytes in CBOR.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Data<'a> {
    Text(Cow<'a, str>),
    Bytes(&'a [u8]),
}

impl<'a> Record<'a> {
    pub(crate) fn no_record(kind: Kind) -> Self {
        Self { instead: Some(kind), ..Self::default() }
    }

    /// Takes one field.
    #[inline]
    pub(crate) fn put(&mut self, label: Label, scalar: Scalar<'a>) {
        self.fields |= label.bit();
        match label {
            Label::BaseName => self.base_name.put(text(scalar)),
            Label::BaseTime => self.base_time.put(number(scalar)),
            Label::BaseUnit => self.base_uom.put(text(scalar)),
            Label::BaseValue => self.base_value.put(number(scalar)),
            Label::BaseSum => self.base_sum.put(number(scalar)),
            Label::BaseVersion => self.base_version.put(number(scalar)),
            Label::Name => self.name.put(text(scalar)),
            Label::Unit => self.uom.put(text(scalar)),
            Label::Value => self.value.put(number(scalar)),
            Label::StringValue => self.text.put(text(scalar)),
            Label::BooleanValue => self.flag.put(match scalar {
                Scalar::Flag(flag) => Slot::Is(flag),
                other => Slot::Bad(Bad::Type { is: other.kind(), wanted: Kind::Boolean }),
            }),
            Label::DataValue => self.data.put(match scalar {
                Scalar::Bytes(bytes) => Slot::Is(Data::Bytes(bytes)),
                Scalar::Text(text) => Slot::Is(Data::Text(text)),
                other => Slot::Bad(Bad::Type { is: other.kind(), wanted: Kind::Bytes }),
            }),
            Label::Sum => self.sum.put(number(scalar)),
            Label::Time => self.time.put(number(scalar)),
            Label::UpdateTime | Label::Other | Label::MustUnderstand | Label::MustUnderstandBase => {}
        }
    }

    /// Notes an unknown label that must be understood.
    #[inline]
    pub(crate) fn note_must_understand(&mut self, label: Label, text: &str) {
        if !matches!(label, Label::MustUnderstand | Label::MustUnderstandBase) {
            return;
        }
        let noted = self.not_understood.get_or_insert_default();
        let place = if label == Label::MustUnderstand { &mut noted.own } else { &mut noted.base };
        *place = Some(cut(text).into());
    }

    /// Whether one of the labels came.
    #[inline]
    pub(crate) const fn has(&self, labels: u32) -> bool {
        self.fields & labels != 0
    }

    /// Whether it carries base fields and no field of its own.
    pub(crate) const fn is_base_only(&self) -> bool {
        self.has(BASES) && !self.has(OWN)
    }
}

fn number(scalar: Scalar<'_>) -> Slot<f64> {
    match scalar {
        Scalar::Number(value) => Slot::Is(value),
        Scalar::Inexact => Slot::Bad(Bad::Inexact),
        Scalar::NotFinite => Slot::Bad(Bad::NotFinite),
        other => Slot::Bad(Bad::Type { is: other.kind(), wanted: Kind::Number }),
    }
}

fn text(scalar: Scalar<'_>) -> Slot<Cow<'_, str>> {
    match scalar {
        Scalar::Text(text) => Slot::Is(text),
        Scalar::BrokenText => Slot::Bad(Bad::BrokenText),
        other => Slot::Bad(Bad::Type { is: other.kind(), wanted: Kind::Text }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_stands_twice_is_wrong_even_when_both_agree() {
        let mut record = Record::default();
        record.put(Label::Value, Scalar::Number(1.0));
        record.put(Label::Value, Scalar::Number(1.0));
        assert_eq!(record.value, Slot::Bad(Bad::Twice));
    }

    #[test]
    fn labels_of_both_forms_mean_the_same() {
        for (text, number) in [
            ("bver", -1),
            ("bn", -2),
            ("bt", -3),
            ("bu", -4),
            ("bv", -5),
            ("bs", -6),
            ("n", 0),
            ("u", 1),
            ("v", 2),
            ("vs", 3),
            ("vb", 4),
            ("s", 5),
            ("t", 6),
            ("ut", 7),
            ("vd", 8),
            ("x", 9),
        ] {
            assert_eq!(Label::of(text), Label::of_number(number), "{text}");
        }
        assert_eq!(Label::of("foo_"), Label::MustUnderstand);
        assert_eq!(Label::of("bfoo_"), Label::MustUnderstandBase);
    }
}
