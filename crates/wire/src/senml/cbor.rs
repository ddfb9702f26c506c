//! `SenML` in CBOR (RFC 8428 section 6): bytes to records.
//!
//! Owns the reading of one CBOR array of maps: numeric labels, every form of a number the RFC allows (integers, floats of
//! three widths, decimal fractions), known labels in text form. Declared lengths are compared with the bytes that are
//! there before anything rests on them. Refuses bytes that are not well-formed CBOR, with their position.

use std::borrow::Cow;

use minicbor::data::Type;
use minicbor::decode::{Decoder, Error};
use notchwatch_model::Reason;

use super::number;
use super::record::{Kind, Label, Record, Scalar};
use super::{Each, Fault};
use crate::Limits;

/// Tag of a decimal fraction, RFC 8949 section 3.4.4.
const DECIMAL_FRACTION: u64 = 4;
/// Self-described CBOR, RFC 8949 section 3.4.6: says "this is CBOR" and nothing else.
pub(crate) const SELF_DESCRIBED: [u8; 3] = [0xd9, 0xd9, 0xf7];

/// Hands each record of the pack to `each`, in order.
pub(crate) fn read<'a>(bytes: &'a [u8], limits: &Limits, each: Each<'_, 'a>) -> Result<(), Fault> {
    let body = bytes.strip_prefix(&SELF_DESCRIBED).unwrap_or(bytes);
    let mut reader = Reader { decoder: Decoder::new(body), limits, skipped: bytes.len() - body.len() };
    let mut items = reader.items(Type::Array)?;
    if items.left.is_some_and(|n| n > limits.records as u64) {
        return Err(Fault::too_many_records(limits));
    }
    let (mut count, mut record) = (0_usize, Record::default());
    while reader.next(&mut items)? {
        count += 1;
        if count > limits.records {
            return Err(Fault::too_many_records(limits));
        }
        reader.record(&mut record)?;
        each(&mut record)?;
    }
    if reader.decoder.position() < body.len() {
        return Err(reader.malformed("bytes follow the pack"));
    }
    Ok(())
}

struct Reader<'a, 'l> {
    decoder: Decoder<'a>,
    limits: &'l Limits,
    /// Bytes before the decoder's first.
    skipped: usize,
}

/// What is left of an array or a map.
struct Items {
    /// `None` for one of indefinite length.
    left: Option<u64>,
}

/// Depth of a record: the pack is 1.
const RECORD_DEPTH: usize = 2;

impl<'a> Reader<'a, '_> {
    #[cold]
    fn malformed(&self, what: &str) -> Fault {
        let at = self.skipped + self.decoder.position();
        Fault { reason: Reason::Malformed, detail: format!("not a CBOR pack: {what} at byte {at}") }
    }

    #[cold]
    fn broken(&self, error: Error) -> Fault {
        let what = if error.is_end_of_input() {
            "the bytes end within a value"
        } else {
            "a value is not well-formed"
        };
        self.malformed(what)
    }

    fn kind(&self) -> Result<Type, Fault> {
        self.decoder.datatype().map_err(|e| self.broken(e))
    }

    /// Opens an array or a map, and compares its declared length with what is there.
    fn items(&mut self, wanted: Type) -> Result<Items, Fault> {
        let (opened, bytes_each) = match wanted {
            Type::Map => (self.decoder.map(), 2),
            _ => (self.decoder.array(), 1),
        };
        let left = match opened {
            Ok(left) => left,
            Err(error) if error.is_type_mismatch() => {
                return Err(self.malformed("a pack is an array of records"));
            }
            Err(error) => return Err(self.broken(error)),
        };
        let there = (self.decoder.input().len() - self.decoder.position()) as u64;
        if left.is_some_and(|n| n > there / bytes_each) {
            return Err(self.malformed("an array or map declares more entries than bytes are left"));
        }
        Ok(Items { left })
    }

    /// Whether another entry follows.
    fn next(&mut self, items: &mut Items) -> Result<bool, Fault> {
        match &mut items.left {
            Some(0) => Ok(false),
            Some(left) => {
                *left -= 1;
                Ok(true)
            }
            None if self.kind()? == Type::Break => {
                self.decoder.set_position(self.decoder.position() + 1);
                Ok(false)
            }
            None => Ok(true),
        }
    }

    fn record(&mut self, record: &mut Record<'a>) -> Result<(), Fault> {
        if !matches!(self.kind()?, Type::Map | Type::MapIndef) {
            self.skip(RECORD_DEPTH)?;
            *record = Record::no_record(Kind::Nested);
            return Ok(());
        }
        *record = Record::default();
        let mut fields = self.items(Type::Map)?;
        while self.next(&mut fields)? {
            let label = self.label(record)?;
            let scalar = self.scalar(RECORD_DEPTH + 1)?;
            record.put(label, scalar);
        }
        Ok(())
    }

    fn label(&mut self, record: &mut Record<'a>) -> Result<Label, Fault> {
        if let Some(number) = self.small_number() {
            return Ok(Label::of_number(number));
        }
        match self.scalar(RECORD_DEPTH + 1)? {
            Scalar::Number(number) => {
                #[expect(
                    clippy::cast_possible_truncation,
                    reason = "an `as` cast saturates, and no label is that large"
                )]
                let whole = number as i64;
                Ok(Label::of_number(whole))
            }
            Scalar::Text(text) => {
                let label = Label::of(&text);
                record.note_must_understand(label, &text);
                let known =
                    !matches!(label, Label::Other | Label::MustUnderstand | Label::MustUnderstandBase);
                record.text_label |= known;
                Ok(label)
            }
            _ => Ok(Label::Other),
        }
    }

    /// A whole number in one byte, as nearly every label is (RFC 8949 section 3: major types 0 and 1 below 24).
    fn small_number(&mut self) -> Option<i64> {
        let at = self.decoder.position();
        let byte = *self.decoder.input().get(at)?;
        let number = match byte {
            0x00..=0x17 => i64::from(byte),
            0x20..=0x37 => -1 - i64::from(byte - 0x20),
            _ => return None,
        };
        self.decoder.set_position(at + 1);
        Some(number)
    }

    fn scalar(&mut self, depth: usize) -> Result<Scalar<'a>, Fault> {
        let kind = self.kind()?;
        let decoder = &mut self.decoder;
        let read = match kind {
            Type::U8 | Type::U16 | Type::U32 | Type::U64 => decoder.u64().map(|n| number::whole(n, false)),
            Type::I8 | Type::I16 | Type::I32 | Type::I64 | Type::Int => decoder.int().map(|n| {
                let n = i128::from(n);
                u64::try_from(n.unsigned_abs()).map_or(Scalar::Inexact, |m| number::whole(m, n < 0))
            }),
            Type::F16 => decoder.f16().map(|x| number::float(f64::from(x))),
            Type::F32 => decoder.f32().map(|x| number::float(f64::from(x))),
            Type::F64 => decoder.f64().map(number::float),
            Type::Bool => decoder.bool().map(Scalar::Flag),
            Type::Null => decoder.null().map(|()| Scalar::Null),
            Type::Undefined => decoder.undefined().map(|()| Scalar::Null),
            Type::Bytes => decoder.bytes().map(Scalar::Bytes),
            Type::String | Type::StringIndef => return self.text(kind),
            Type::Tag => return self.tagged(depth),
            _ => {
                self.skip(depth)?;
                Ok(Scalar::Nested)
            }
        };
        read.map_err(|e| self.broken(e))
    }

    /// A text. One that is not UTF-8 has been read over all the same.
    fn text(&mut self, kind: Type) -> Result<Scalar<'a>, Fault> {
        if kind == Type::String {
            return match self.decoder.str() {
                Ok(text) => Ok(Scalar::Text(Cow::Borrowed(text))),
                Err(error) if error.is_end_of_input() || error.is_type_mismatch() => Err(self.broken(error)),
                Err(_) => Ok(Scalar::BrokenText),
            };
        }
        let joined: Result<String, Error> = match self.decoder.str_iter() {
            Ok(parts) => parts.collect(),
            Err(error) => Err(error),
        };
        joined.map(|text| Scalar::Text(Cow::Owned(text))).map_err(|e| self.broken(e))
    }

    /// A tagged value: a decimal fraction is a number, everything else is read over.
    fn tagged(&mut self, depth: usize) -> Result<Scalar<'a>, Fault> {
        let tag = self.decoder.tag().map_err(|e| self.broken(e))?;
        let content = self.decoder.position();
        if tag.as_u64() == DECIMAL_FRACTION
            && let Some((exponent, mantissa)) = self.two_whole_numbers()
        {
            return Ok(number::decimal_fraction(exponent, mantissa));
        }
        self.decoder.set_position(content);
        self.skip(depth + 1)?;
        Ok(Scalar::Nested)
    }

    fn two_whole_numbers(&mut self) -> Option<(i64, i128)> {
        if self.decoder.array().ok()? != Some(2) {
            return None;
        }
        let exponent = self.decoder.i64().ok()?;
        Some((exponent, i128::from(self.decoder.int().ok()?)))
    }

    /// Reads over one value. Recursion ends at the limit of depth.
    fn skip(&mut self, depth: usize) -> Result<(), Fault> {
        let kind = self.kind()?;
        let nested = matches!(kind, Type::Array | Type::ArrayIndef | Type::Map | Type::MapIndef | Type::Tag);
        if nested && depth > self.limits.depth {
            let detail = format!("nested deeper than {} arrays, maps and tags", self.limits.depth);
            return Err(Fault { reason: Reason::TooLarge, detail });
        }
        match kind {
            Type::Array | Type::ArrayIndef => {
                let mut items = self.items(Type::Array)?;
                while self.next(&mut items)? {
                    self.skip(depth + 1)?;
                }
                Ok(())
            }
            Type::Map | Type::MapIndef => {
                let mut items = self.items(Type::Map)?;
                while self.next(&mut items)? {
                    self.skip(depth + 1)?;
                    self.skip(depth + 1)?;
                }
                Ok(())
            }
            Type::Tag => {
                self.decoder.tag().map_err(|e| self.broken(e))?;
                self.skip(depth + 1)
            }
            Type::BytesIndef => {
                let outcome =
                    self.decoder.bytes_iter().and_then(|mut parts| parts.try_for_each(|p| p.map(drop)));
                outcome.map_err(|e| self.broken(e))
            }
            Type::Simple => self.decoder.simple().map(drop).map_err(|e| self.broken(e)),
            Type::Break | Type::Unknown(_) => Err(self.malformed("a value is not well-formed")),
            _ => self.scalar(depth).map(drop),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn records(bytes: &[u8]) -> Result<Vec<Record<'_>>, Fault> {
        let mut all = Vec::new();
        read(bytes, &Limits::default(), &mut |record| {
            all.push(record.clone());
            Ok(())
        })?;
        Ok(all)
    }

    #[test]
    fn every_form_of_a_number_is_read() {
        for (hex, wanted) in [
            ("1829", Scalar::Number(41.0)),
            ("f95130", Scalar::Number(41.5)),
            ("fa42260000", Scalar::Number(41.5)),
            ("fb4044c00000000000", Scalar::Number(41.5)),
            ("c4822019019f", Scalar::Number(41.5)),
            ("26", Scalar::Number(-7.0)),
            ("f97e00", Scalar::NotFinite),
            ("fa7f800000", Scalar::NotFinite),
            ("fbfff0000000000000", Scalar::NotFinite),
            ("1b0020000000000001", Scalar::Inexact),
            ("3bffffffffffffffff", Scalar::Inexact),
            ("f6", Scalar::Null),
            ("f7", Scalar::Null),
            ("61ff", Scalar::BrokenText),
            ("c48101", Scalar::Nested),
            ("c24101", Scalar::Nested),
            ("f0", Scalar::Nested),
            ("5f4101ff", Scalar::Nested),
            ("7f61616162ff", Scalar::Text("ab".into())),
        ] {
            let bytes = bytes(&format!("81a102{hex}"));
            let mut wanted_record = Record::default();
            wanted_record.put(Label::Value, wanted);
            assert_eq!(records(&bytes).unwrap(), [wanted_record], "{hex}");
        }
    }

    #[test]
    fn broken_bytes_are_refused_with_their_position() {
        for (hex, wanted) in [
            ("", "byte 0"),
            ("81", "more entries than bytes"),
            ("9bffffffffffffffff00", "more entries than bytes"),
            ("990100", "more entries than bytes"),
            ("81bb7fffffffffffffff00", "more entries than bytes"),
            ("81a1027bffffffffffffffff61", "the bytes end within a value"),
            ("81a1021c", "not well-formed"),
            ("81a102ff", "not well-formed"),
            ("a0", "array of records"),
            ("8000", "bytes follow the pack"),
            ("9fa10201", "byte"),
        ] {
            let error = records(&bytes(hex)).unwrap_err();
            assert!(error.detail.contains(wanted), "{hex}: {error:?}");
        }
    }

    #[test]
    fn nesting_is_limited() {
        let pack = |levels: usize| bytes(&format!("81a16178{}80", "81".repeat(levels)));
        assert!(records(&pack(13)).is_ok());
        assert_eq!(records(&pack(14)).unwrap_err().reason, Reason::TooLarge);
        assert_eq!(records(&pack(100_000)).unwrap_err().reason, Reason::TooLarge);
        let tags = bytes(&format!("81a102{}01", "c1".repeat(5000)));
        assert_eq!(records(&tags).unwrap_err().reason, Reason::TooLarge);
    }

    #[test]
    fn known_labels_in_text_form_count_as_such() {
        let bytes = bytes("81a2616e61786176182a");
        let all = records(&bytes).unwrap();
        assert!(all[0].text_label);
        assert_eq!(all[0].value, super::super::record::Slot::Is(42.0));
    }

    fn bytes(hex: &str) -> Vec<u8> {
        hex.as_bytes()
            .chunks(2)
            .map(|p| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap())
            .collect()
    }
}
