//! One pack written twice, as JSON and as CBOR: whatever the forms of its numbers, labels and lengths, both read alike.
//!
//! Owns a writer of each form (RFC 8428 sections 5 and 6, RFC 8949) that shares nothing with the readers.

use notchwatch_model::Span;
use proptest::prelude::*;

use super::*;

/// Labels with their CBOR keys (RFC 8428 table 2); a label without one is written as text.
const LABELS: [(&str, Option<i8>); 14] = [
    ("bn", Some(-2)),
    ("bt", Some(-3)),
    ("bu", Some(-4)),
    ("bv", Some(-5)),
    ("bs", Some(-6)),
    ("n", Some(0)),
    ("u", Some(1)),
    ("v", Some(2)),
    ("vs", Some(3)),
    ("vb", Some(4)),
    ("s", Some(5)),
    ("t", Some(6)),
    ("extra", None),
    ("extra_", None),
];

/// A value, and where CBOR has several forms, which one.
#[derive(Clone, Debug)]
enum Sent {
    /// A whole number, in a head of at least so many bytes.
    Whole(i64, u8),
    /// A float, in the shortest or in the longest form that holds it.
    Float(f64, bool),
    /// `mantissa * 10^exponent`, as a decimal fraction.
    Decimal(i32, i8),
    /// A text, whole or in pieces.
    Text(&'static str, bool),
    Flag(bool),
    Null,
    NotANumber,
}

impl Sent {
    fn json(&self) -> String {
        match self {
            Sent::Whole(n, _) => n.to_string(),
            Sent::Float(x, _) => format!("{x:?}"),
            Sent::Decimal(mantissa, exponent) => format!("{mantissa}e{exponent}"),
            Sent::Text(text, _) => format!("{text:?}"),
            Sent::Flag(flag) => flag.to_string(),
            Sent::Null => "null".to_owned(),
            Sent::NotANumber => "NaN".to_owned(),
        }
    }

    fn cbor(&self, out: &mut Vec<u8>) {
        match self {
            Sent::Whole(n, width) => whole(*n, *width, out),
            Sent::Float(x, true) => {
                out.push(0xfb);
                out.extend(x.to_be_bytes());
            }
            Sent::Float(x, false) => shortest(*x, out),
            Sent::Decimal(mantissa, exponent) => {
                out.extend([0xc4, 0x82]);
                whole(i64::from(*exponent), 0, out);
                whole(i64::from(*mantissa), 0, out);
            }
            Sent::Text(text, false) => string(text, out),
            Sent::Text(text, true) => {
                let (begin, end) = text.split_at(text.chars().next().map_or(0, char::len_utf8));
                out.push(0x7f);
                string(begin, out);
                string(end, out);
                out.push(0xff);
            }
            Sent::Flag(flag) => out.push(0xf4 + u8::from(*flag)),
            Sent::Null => out.push(0xf6),
            Sent::NotANumber => out.extend([0xf9, 0x7e, 0]),
        }
    }
}

/// A head of a major type in at least `width` bytes after the first (RFC 8949 section 3; longer heads are valid).
fn head(major: u8, argument: u64, width: u8, out: &mut Vec<u8>) {
    let bytes = argument.to_be_bytes();
    let first = major << 5;
    match (argument, width) {
        (0..24, 0) => out.push(first | bytes[7]),
        (..256, ..=1) => out.extend([first | 0x18, bytes[7]]),
        (..0x1_0000, ..=2) => out.extend([&[first | 0x19], &bytes[6..]].concat()),
        (..0x1_0000_0000, ..=4) => out.extend([&[first | 0x1a], &bytes[4..]].concat()),
        _ => out.extend([&[first | 0x1b], &bytes[..]].concat()),
    }
}

fn whole(n: i64, width: u8, out: &mut Vec<u8>) {
    if n < 0 { head(1, n.unsigned_abs() - 1, width, out) } else { head(0, n.unsigned_abs(), width, out) }
}

fn string(text: &str, out: &mut Vec<u8>) {
    head(3, text.len() as u64, 0, out);
    out.extend(text.as_bytes());
}

/// Half where it is exact (small multiples of a quarter here), else single where it is, else double.
fn shortest(x: f64, out: &mut Vec<u8>) {
    #[expect(clippy::cast_possible_truncation, reason = "the round trip is what is asked")]
    let single = x as f32;
    if f64::from(single).to_bits() != x.to_bits() {
        out.push(0xfb);
        out.extend(x.to_be_bytes());
        return;
    }
    let bits = single.to_bits();
    let (sign, exponent, fraction) = (bits >> 31, (bits >> 23) & 0xff, bits & 0x7f_ffff);
    // Normal halves only: exponent -14 to 15, ten bits of fraction (IEEE 754 binary16).
    if (113..=142).contains(&exponent) && fraction.trailing_zeros() >= 13 {
        let half = (sign << 15) | ((exponent - 112) << 10) | (fraction >> 13);
        out.push(0xf9);
        out.extend(&half.to_be_bytes()[2..]);
    } else {
        out.push(0xfa);
        out.extend(single.to_be_bytes());
    }
}

/// A field of a record: which label, in CBOR as text or as its key, and its value.
type Field = (usize, bool, Sent);

fn json_of(pack: &[Vec<Field>]) -> String {
    let field = |(label, _, value): &Field| format!("\"{}\":{}", LABELS[*label].0, value.json());
    let record =
        |fields: &Vec<Field>| format!("{{{}}}", fields.iter().map(field).collect::<Vec<_>>().join(","));
    format!("[{}]", pack.iter().map(record).collect::<Vec<_>>().join(","))
}

/// `open`: arrays and maps of indefinite length.
fn cbor_of(pack: &[Vec<Field>], open: bool, text_labels: bool) -> Vec<u8> {
    let mut out = Vec::new();
    let begin = |major: u8, length: usize, out: &mut Vec<u8>| {
        if open { out.push((major << 5) | 0x1f) } else { head(major, length as u64, 0, out) }
    };
    begin(4, pack.len(), &mut out);
    for fields in pack {
        begin(5, fields.len(), &mut out);
        for (label, as_text, value) in fields {
            match LABELS[*label] {
                (_, Some(key)) if !(text_labels && *as_text) => whole(i64::from(key), 0, &mut out),
                (name, _) => string(name, &mut out),
            }
            value.cbor(&mut out);
        }
        out.extend(open.then_some(0xff));
    }
    out.extend(open.then_some(0xff));
    out
}

/// Every form of a number. Floats stay below 2^53 or are written with an exponent: in between JSON would write digits,
/// which claim to be exact.
fn number() -> impl Strategy<Value = Sent> {
    let width = prop::sample::select(vec![0_u8, 1, 2, 4, 8]);
    let whole = prop_oneof![-300_i64..300, any::<i32>().prop_map(i64::from), any::<i64>()];
    prop_oneof![
        (whole, width).prop_map(|(n, width)| Sent::Whole(n, width)),
        (-4000_i32..4000, any::<bool>()).prop_map(|(n, long)| Sent::Float(f64::from(n) / 4.0, long)),
        (-1e15..1e15, any::<bool>()).prop_map(|(x, long)| Sent::Float(x, long)),
        (prop::sample::select(vec![1e-300, -3e-7, 1e16, 6.25e22, -1e308]), any::<bool>())
            .prop_map(|(x, long)| Sent::Float(x, long)),
        (any::<i32>(), -9_i8..6).prop_map(|(mantissa, exponent)| Sent::Decimal(mantissa, exponent)),
    ]
}

fn field() -> impl Strategy<Value = Field> {
    let text = prop::sample::select(vec!["", "temp", "7/", "Cel", "a b", "\u{e4}"]);
    let value = prop_oneof![
        6 => number(),
        4 => (text, any::<bool>()).prop_map(|(text, pieces)| Sent::Text(text, pieces)),
        1 => any::<bool>().prop_map(Sent::Flag),
        1 => Just(Sent::Null),
        1 => Just(Sent::NotANumber),
    ];
    (0..LABELS.len(), any::<bool>(), value)
}

/// Records whose fields mostly fit their labels, so that much is accepted, and some that do not.
fn record() -> impl Strategy<Value = Vec<Field>> {
    let good = (number(), prop::option::of(-100_000_i64..100_000)).prop_map(|(value, at)| {
        let named = vec![(5, false, Sent::Text("temp", false)), (7, true, value)];
        named.into_iter().chain(at.map(|t| (11, false, Sent::Whole(t, 0)))).collect()
    });
    prop_oneof![2 => good, 1 => prop::collection::vec(field(), 0..5)]
}

fn read(bytes: &[u8], format: MessageFormat) -> Resolution {
    let now = Time::from_secs_f64(1_700_000_000.0).unwrap();
    resolve(bytes, format, now, &Limits::default()).unwrap()
}

proptest! {
    #[test]
    fn both_forms_of_a_pack_read_alike(
        pack in prop::collection::vec(record(), 0..6),
        open in any::<bool>(),
        text_labels in any::<bool>(),
    ) {
        let json = json_of(&pack);
        let from_json = read(json.as_bytes(), MessageFormat::SenmlJson);
        let from_cbor = read(&cbor_of(&pack, open, text_labels), MessageFormat::SenmlCbor);
        let reasons = |r: &Resolution| {
            r.refused.iter().map(|r| (r.record, r.count, r.reason)).collect::<Vec<_>>()
        };
        prop_assert_eq!(&from_json.records, &from_cbor.records, "{}", json);
        prop_assert_eq!(reasons(&from_json), reasons(&from_cbor), "{}", json);
        if !text_labels {
            prop_assert_eq!(from_json.lenient, from_cbor.lenient, "{}", json);
        }
        let finite = from_json.records.iter().all(|r| match r.value {
            Some(ResolvedValue::Number(value)) => value.is_finite(),
            _ => true,
        });
        prop_assert!(finite, "{}", json);
    }

    /// RFC 8428 section 4.5.3: the sum of base time and time decides, and neither of the two alone.
    #[test]
    fn a_sum_below_two_to_the_28_is_relative_and_every_other_absolute(
        base in -400_000_000_i64..2_000_000_000,
        near in -3_i64..3,
        at_boundary in any::<bool>(),
        any_own in -400_000_000_i64..400_000_000,
    ) {
        let now = Time::from_secs_f64(1_700_000_000.0).unwrap();
        let own = if at_boundary { (1 << 28) - base + near } else { any_own };
        let sum = base + own;
        let pack = format!(r#"[{{"bt":{base},"n":"x","t":{own},"v":1}}]"#);
        let got = read(pack.as_bytes(), MessageFormat::SenmlJson);
        let wanted = if sum < 1 << 28 { now + Span::from_secs(sum) } else { Time::EPOCH + Span::from_secs(sum) };
        prop_assert_eq!((got.records[0].relative, got.records[0].time), (sum < 1 << 28, wanted));
    }
}

/// A base time that the sender shortened to single precision is wrong by up to a minute. That cannot be seen and is
/// not mended: it is read as what stands there, and the same number in double precision reads the same.
#[test]
fn a_shortened_base_time_is_read_as_it_stands() {
    let sent = 1_700_000_063.5_f64;
    #[expect(clippy::cast_possible_truncation, reason = "what such a sender does")]
    let shortened = f64::from(sent as f32);
    let pack = |base: f64| {
        vec![vec![
            (1, false, Sent::Float(base, false)),
            (5, false, Sent::Text("temp", false)),
            (7, false, Sent::Whole(1, 0)),
        ]]
    };
    let got = read(&cbor_of(&pack(shortened), false, false), MessageFormat::SenmlCbor);
    assert_eq!(got.records[0].time, Time::from_secs_f64(shortened).unwrap());
    assert!((shortened - sent).abs() > 60.0, "the example shows the loss");
    assert_eq!(got, read(json_of(&pack(shortened)).as_bytes(), MessageFormat::SenmlJson));
}

/// Whole numbers about the end of what is exact, in each form: two neighbours are never made one.
#[test]
fn whole_numbers_are_kept_apart_or_refused_in_both_forms() {
    const END: i64 = 1 << 53;
    for n in [END - 1, END, END + 1, END + 2, 1 << 62, i64::MAX] {
        for n in [n, -n] {
            let pack = vec![vec![(5, false, Sent::Text("x", false)), (7, false, Sent::Whole(n, 0))]];
            for got in [
                read(json_of(&pack).as_bytes(), MessageFormat::SenmlJson),
                read(&cbor_of(&pack, false, false), MessageFormat::SenmlCbor),
            ] {
                if n.abs() <= END {
                    #[expect(clippy::cast_precision_loss, reason = "exact up to 2^53")]
                    let wanted = ResolvedValue::Number(n as f64);
                    assert_eq!(got.records[0].value, Some(wanted), "{n}");
                } else {
                    assert_eq!((got.records.len(), got.refused[0].reason), (0, Reason::NotFinite), "{n}");
                }
            }
        }
    }
}
