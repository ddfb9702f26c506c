//! `SenML` in JSON (RFC 8428 section 5): text to records.
//!
//! Owns the reading of one JSON array of records, field by field, so that a wrong field costs its record and not the pack.
//! Two ways lead through the same text: the quick one lets the JSON parser make the numbers; where it gives up or a number
//! may have been rounded, the exact one reads every number from its literal. Refuses text that is not JSON, but for the
//! literals `NaN`, `Infinity` and `-Infinity`, which common encoders write: these cost their record only.

use std::borrow::Cow;
use std::fmt;

use notchwatch_model::Reason;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue;

use super::literal;
use super::number::{self, EXACT};
use super::record::{Kind, Label, Record, Scalar};
use super::{Each, Fault};
use crate::Limits;

/// How numbers are made.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Way {
    /// By the JSON parser. Gives up where a literal overflows or may have been rounded to a whole number.
    Quick,
    /// From each literal.
    Exact,
}

/// Why reading stopped.
#[derive(Debug)]
pub(crate) enum Stop {
    /// The pack as a whole is refused.
    Fault(Fault),
    /// The parser gave up.
    Parser(serde_json::Error),
}

impl From<Fault> for Stop {
    fn from(fault: Fault) -> Self {
        Stop::Fault(fault)
    }
}

/// Hands each record of the pack to `each`, in order.
pub(crate) fn read<'a>(text: &'a str, way: Way, limits: &Limits, each: Each<'_, 'a>) -> Result<(), Stop> {
    let mut state = State { limits, record: Record::default(), way, fault: None };
    let mut parser = serde_json::Deserializer::from_str(text);
    let outcome = PackSeed { state: &mut state, each }.deserialize(&mut parser).and_then(|()| parser.end());
    match (state.fault, outcome) {
        (Some(fault), _) => Err(Stop::Fault(fault)),
        (None, Err(error)) => Err(Stop::Parser(error)),
        (None, Ok(())) => Ok(()),
    }
}

struct State<'l, 'a> {
    limits: &'l Limits,
    /// The record being read: one place for all, since moving it costs more than reading it.
    record: Record<'a>,
    way: Way,
    fault: Option<Fault>,
}

impl State<'_, '_> {
    /// Notes why the whole pack is refused, and gives the error that stops the parser.
    fn stop<E: serde::de::Error>(&mut self, fault: Fault) -> E {
        self.fault = Some(fault);
        E::custom("stopped")
    }

    fn check_depth<E: serde::de::Error>(&mut self, depth: usize) -> Result<(), E> {
        if depth > self.limits.depth {
            let detail = format!("nested deeper than {} arrays and objects", self.limits.depth);
            return Err(self.stop(Fault { reason: Reason::TooLarge, detail }));
        }
        Ok(())
    }
}

struct PackSeed<'s, 'l, 'e, 'a> {
    state: &'s mut State<'l, 'a>,
    each: Each<'e, 'a>,
}

impl<'de> DeserializeSeed<'de> for PackSeed<'_, '_, '_, 'de> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for PackSeed<'_, '_, '_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a pack: an array of records")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut records: A) -> Result<(), A::Error> {
        let mut count = 0_usize;
        while records.next_element_seed(RecordSeed { state: self.state })?.is_some() {
            count += 1;
            if count > self.state.limits.records {
                return Err(self.state.stop(Fault::too_many_records(self.state.limits)));
            }
            if let Err(fault) = (self.each)(&mut self.state.record) {
                return Err(self.state.stop(fault));
            }
        }
        Ok(())
    }
}

struct RecordSeed<'s, 'l, 'a> {
    state: &'s mut State<'l, 'a>,
}

impl<'de> DeserializeSeed<'de> for RecordSeed<'_, '_, 'de> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

/// Depth of a record: the pack is 1.
const RECORD_DEPTH: usize = 2;

impl RecordSeed<'_, '_, '_> {
    fn instead(self, kind: Kind) {
        self.state.record = Record::no_record(kind);
    }
}

impl<'de> Visitor<'de> for RecordSeed<'_, '_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a record: an object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<(), A::Error> {
        self.state.record = Record::default();
        while let Some(label) = fields.next_key_seed(LabelSeed { record: &mut self.state.record })? {
            let scalar = fields.next_value_seed(ScalarSeed { state: self.state, depth: RECORD_DEPTH + 1 })?;
            self.state.record.put(label, scalar);
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, items: A) -> Result<(), A::Error> {
        ScalarSeed { state: self.state, depth: RECORD_DEPTH }.visit_seq(items)?;
        self.instead(Kind::Nested);
        Ok(())
    }

    fn visit_str<E>(self, _: &str) -> Result<(), E> {
        self.instead(Kind::Text);
        Ok(())
    }

    fn visit_u64<E>(self, _: u64) -> Result<(), E> {
        self.instead(Kind::Number);
        Ok(())
    }

    fn visit_i64<E>(self, _: i64) -> Result<(), E> {
        self.instead(Kind::Number);
        Ok(())
    }

    fn visit_f64<E>(self, _: f64) -> Result<(), E> {
        self.instead(Kind::Number);
        Ok(())
    }

    fn visit_bool<E>(self, _: bool) -> Result<(), E> {
        self.instead(Kind::Boolean);
        Ok(())
    }

    fn visit_unit<E>(self) -> Result<(), E> {
        self.instead(Kind::Null);
        Ok(())
    }
}

struct LabelSeed<'r, 'a> {
    record: &'r mut Record<'a>,
}

impl<'de> DeserializeSeed<'de> for LabelSeed<'_, '_> {
    type Value = Label;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Label, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for LabelSeed<'_, '_> {
    type Value = Label;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a label")
    }

    fn visit_str<E>(self, text: &str) -> Result<Label, E> {
        let label = Label::of(text);
        self.record.note_must_understand(label, text);
        Ok(label)
    }
}

/// A field's value at a depth of nesting; nested ones are read over.
struct ScalarSeed<'s, 'l, 'a> {
    state: &'s mut State<'l, 'a>,
    depth: usize,
}

impl<'de> DeserializeSeed<'de> for ScalarSeed<'_, '_, '_> {
    type Value = Scalar<'de>;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Scalar<'de>, D::Error> {
        match self.state.way {
            Way::Quick => deserializer.deserialize_any(self),
            Way::Exact => {
                let raw: &'de RawValue = serde::Deserialize::deserialize(deserializer)?;
                scalar_of_literal(raw.get(), self.state, self.depth)
            }
        }
    }
}

impl<'de> Visitor<'de> for ScalarSeed<'_, '_, '_> {
    type Value = Scalar<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Borrowed(text)))
    }

    fn visit_str<E>(self, text: &str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Owned(text.to_owned())))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Scalar<'de>, E> {
        Ok(number::whole(value, false))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Scalar<'de>, E> {
        Ok(number::whole(value.unsigned_abs(), value < 0))
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Scalar<'de>, E> {
        #[expect(clippy::cast_precision_loss, reason = "2^53 is exact")]
        if value.abs() >= EXACT as f64 {
            return Err(E::custom("a large number is read from its literal"));
        }
        Ok(number::float(value))
    }

    fn visit_bool<E>(self, value: bool) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Flag(value))
    }

    fn visit_unit<E>(self) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Scalar<'de>, A::Error> {
        self.state.check_depth(self.depth)?;
        while items.next_element_seed(ScalarSeed { state: self.state, depth: self.depth + 1 })?.is_some() {}
        Ok(Scalar::Nested)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<Scalar<'de>, A::Error> {
        self.state.check_depth(self.depth)?;
        while fields.next_key::<IgnoredAny>()?.is_some() {
            fields.next_value_seed(ScalarSeed { state: self.state, depth: self.depth + 1 })?;
        }
        Ok(Scalar::Nested)
    }
}

fn scalar_of_literal<'a, E: serde::de::Error>(
    literal: &'a str,
    state: &mut State<'_, '_>,
    depth: usize,
) -> Result<Scalar<'a>, E> {
    Ok(match literal.as_bytes().first() {
        Some(b'"') => literal::text(literal),
        Some(b't' | b'f') => Scalar::Flag(literal == "true"),
        Some(b'n') => Scalar::Null,
        Some(b'[' | b'{') => {
            state.check_depth(depth - 1 + literal::nesting(literal))?;
            Scalar::Nested
        }
        _ => number::literal(literal),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn records(text: &str, way: Way) -> Result<Vec<Record<'_>>, Stop> {
        let mut all = Vec::new();
        read(text, way, &Limits::default(), &mut |record| {
            all.push(record.clone());
            Ok(())
        })?;
        Ok(all)
    }

    #[test]
    fn both_ways_read_the_same() {
        let text = r#"[{"bn":"a:","bt":1.5e9,"n":"x","v":-1.25,"extra":[{"a":[1]}],"vs":"q\"\u0041"},
            {"n":"y","vb":true,"t":null}, 5, "no", [1,[2]], null, true, -1, {}]"#;
        assert_eq!(records(text, Way::Quick).unwrap(), records(text, Way::Exact).unwrap());
    }

    #[test]
    fn the_quick_way_gives_up_where_the_exact_one_can_tell() {
        for (literal, wanted) in [
            ("1e999", Scalar::NotFinite),
            ("18446744073709551616", Scalar::Inexact),
            ("9007199254740993.0", Scalar::Inexact),
            ("1e308", Scalar::Number(1e308)),
            (r#""\ud800""#, Scalar::BrokenText),
        ] {
            let text = format!(r#"[{{"v":{literal}}}]"#);
            assert!(matches!(records(&text, Way::Quick), Err(Stop::Parser(_))), "{literal}");
            let mut wanted_record = Record::default();
            wanted_record.put(Label::Value, wanted);
            assert_eq!(records(&text, Way::Exact).unwrap(), [wanted_record], "{literal}");
        }
    }

    #[test]
    fn nesting_is_limited_in_both_ways() {
        for way in [Way::Quick, Way::Exact] {
            let pack = |levels: usize| format!(r#"[{{"x":{}{}}}]"#, "[".repeat(levels), "]".repeat(levels));
            assert!(records(&pack(14), way).is_ok());
            assert!(matches!(records(&pack(15), way), Err(Stop::Fault(f)) if f.reason == Reason::TooLarge));
            assert!(records(r#"[{"x":"[[[[[[[[[[[[[[[[[[[[[[[[["}]"#, way).is_ok());
        }
    }
}
