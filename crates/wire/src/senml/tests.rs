//! Packs printed in RFC 8428 section 5.1 and what its section 4 makes of them, in JSON and in CBOR; rules that the RFC's
//! text gives without an example are marked as derived.

use proptest::prelude::*;

use super::*;

/// Seconds at which the relative examples are resolved: arbitrary.
const NOW: f64 = 1_498_780_179.0;

fn secs(secs: f64) -> Time {
    Time::from_secs_f64(secs).unwrap()
}

fn json(pack: &str) -> Resolution {
    resolve(pack.as_bytes(), MessageFormat::SenmlJson, secs(NOW), &Limits::default()).unwrap()
}

fn fault(pack: &str) -> Reason {
    resolve(pack.as_bytes(), MessageFormat::SenmlJson, secs(NOW), &Limits::default()).unwrap_err().reason
}

fn hex(hex: &str) -> Vec<u8> {
    hex.as_bytes()
        .chunks(2)
        .map(|p| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap())
        .collect()
}

/// A record as one line: name, unit of measure, seconds, value, sum.
fn lines(resolution: &Resolution) -> Vec<String> {
    let show = |value: &ResolvedValue| match value {
        ResolvedValue::Number(value) => value.to_string(),
        ResolvedValue::Text(text) => format!("{text:?}"),
        ResolvedValue::Flag(flag) => flag.to_string(),
        ResolvedValue::Data(bytes) => format!("{bytes:?}"),
    };
    let line = |r: &Resolved| {
        let value = r.value.as_ref().map_or("-".to_owned(), show);
        let sum = r.sum.map_or(String::new(), |s| format!(" sum {s}"));
        format!("{} {} {} {value}{sum}", r.name, r.uom.as_deref().unwrap_or("-"), r.time.secs_f64())
    };
    resolution.records.iter().map(line).collect()
}

/// RFC 8428 sections 5.1.1 to 5.1.7.
#[test]
fn examples_of_the_rfc() {
    let cases: &[(&str, &[&str])] = &[
        (
            r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#,
            &["urn:dev:ow:10e2073a01080063 Cel 1498780179 23.1"],
        ),
        (
            r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]"#,
            &[
                "urn:dev:ow:10e2073a01080063:voltage V 1498780179 120.1",
                "urn:dev:ow:10e2073a01080063:current A 1498780179 1.2",
            ],
        ),
        (
            r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464.0,"bu":"%RH","v":20},{"u":"lon","v":24.30621},
                {"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"%EL","t":150,"v":98}]"#,
            &[
                "urn:dev:ow:10e2073a01080063 %RH 1320067464 20",
                "urn:dev:ow:10e2073a01080063 lon 1320067464 24.30621",
                "urn:dev:ow:10e2073a01080063 lat 1320067464 60.07965",
                "urn:dev:ow:10e2073a01080063 %RH 1320067524 20.3",
                "urn:dev:ow:10e2073a01080063 lon 1320067524 24.30622",
                "urn:dev:ow:10e2073a01080063 %EL 1320067614 98",
            ],
        ),
        (
            r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
                {"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]"#,
            &[
                "urn:dev:ow:10e2073a01080063:temp Cel 1498780179 23.1",
                "urn:dev:ow:10e2073a01080063:label - 1498780179 \"Machine Room\"",
                "urn:dev:ow:10e2073a01080063:open - 1498780179 false",
                "urn:dev:ow:10e2073a01080063:nfv-reader - 1498780179 [104, 105, 32, 10]",
            ],
        ),
        (
            r#"[{"bn":"2001:db8::2/","bt":1320078429.0,"n":"temperature","u":"Cel","v":25.2},
                {"n":"humidity","u":"%RH","v":30},
                {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]"#,
            &[
                "2001:db8::2/temperature Cel 1320078429 25.2",
                "2001:db8::2/humidity %RH 1320078429 30",
                "2001:db8::1/temperature Cel 1320078429 12.3",
                "2001:db8::1/humidity %RH 1320078429 67",
            ],
        ),
        (
            r#"[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1}]"#,
            &[
                "urn:dev:ow:10e2073a01080063:temp Cel 1498780179 23.1",
                "urn:dev:ow:10e2073a01080063:heat / 1498780179 1",
            ],
        ),
        (
            r#"[{"bt":1320078429.0,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},
                {"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]"#,
            &[
                "2001:db8::3 / 1320078429 0.5",
                "2001:db8::4 / 1320078429 0.5",
                "2001:db8::3 / 1320078429.1 0",
                "2001:db8::4 / 1320078429.1 0",
            ],
        ),
    ];
    for (pack, wanted) in cases {
        let resolution = json(pack);
        assert_eq!(lines(&resolution), *wanted, "{pack}");
        assert_eq!(resolution.refused, vec![]);
    }
}

/// RFC 8428 section 5.1.2, third pack, and section 6's CBOR of it. Chronological order moves the voltage to the end.
#[test]
fn the_series_is_the_same_in_json_and_cbor() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V",
        "v":120.1},{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#;
    let cbor = hex(concat!(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c74616765",
        "01615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccc",
        "cda3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999",
        "999999999aa3006763757272656e74060002fb3ffb333333333333"
    ));
    let from_json = json(pack);
    let from_cbor = resolve(&cbor, MessageFormat::SenmlCbor, secs(NOW), &Limits::default()).unwrap();
    let values: Vec<String> =
        lines(&from_json).iter().map(|l| l.split(' ').skip(1).collect::<Vec<_>>().join(" ")).collect();
    assert_eq!(
        values,
        [
            "A 1276020071.001 1.2",
            "A 1276020072.001 1.3",
            "A 1276020073.001 1.4",
            "A 1276020074.001 1.5",
            "A 1276020075.001 1.6",
            "V 1276020076.001 120.1",
            "A 1276020076.001 1.7"
        ]
    );
    assert_eq!(from_json, from_cbor);
}

/// Derived from sections 4.5.2 to 4.5.4; the record with a sum alone gets no value from the base value: our decision.
#[test]
fn base_values_sums_units_and_times_are_applied() {
    let cases: &[(&str, &[&str])] = &[
        (
            r#"[{"bn":"u1:","bt":1320067464,"bv":100,"bs":1000,"n":"a","v":1.5,"s":2},{"n":"b","v":-2},{"n":"c","s":5}]"#,
            &[
                "u1:a - 1320067464 101.5 sum 1002",
                "u1:b - 1320067464 98 sum 1000",
                "u1:c - 1320067464 - sum 1005",
            ],
        ),
        (
            r#"[{"bu":"kg","bt":1320067464,"n":"x","u":"Cel","v":1},{"n":"y","v":2}]"#,
            &["x Cel 1320067464 1", "y kg 1320067464 2"],
        ),
        (r#"[{"n":"x","t":-10,"v":1}]"#, &["x - 1498780169 1"]),
        (r#"[{"n":"x","t":268435455,"v":1}]"#, &["x - 1767215634 1"]),
        (r#"[{"n":"x","t":268435456,"v":1}]"#, &["x - 268435456 1"]),
        (r#"[{"n":"x","bt":200000000,"t":200000000,"v":1}]"#, &["x - 400000000 1"]),
        (
            r#"[{"bt":1e9,"n":"x","v":1},{"bt":1.1e9,"n":"y","v":1},{"n":"z","v":1}]"#,
            &["x - 1000000000 1", "y - 1100000000 1", "z - 1100000000 1"],
        ),
        (r#"[{"n":"x","v":1,"foo":{"a":[1]},"ut":60}]"#, &["x - 1498780179 1"]),
        ("[]", &[]),
    ];
    for (pack, wanted) in cases {
        assert_eq!(lines(&json(pack)), *wanted, "{pack}");
    }
}

/// Sections 4.2, 4.4 and 4.5.1, and the forms that are data and not the end of a pack.
#[test]
fn a_wrong_record_costs_itself_alone() {
    for (record, reason) in [
        (r#"{"n":"x","v":1,"foo_":1}"#, Reason::MustUnderstand),
        (r#"{"n":"_x","v":1}"#, Reason::Name),
        (r#"{"n":"a b","v":1}"#, Reason::Name),
        (r#"{"n":"a\u0000b","v":1}"#, Reason::Name),
        (r#"{"n":7,"v":1}"#, Reason::Name),
        (r#"{"v":1}"#, Reason::Name),
        (r#"{"n":"x"}"#, Reason::Value),
        (r#"{"bv":5,"n":"x"}"#, Reason::Value),
        (r#"{"n":"x","v":1,"vs":"a"}"#, Reason::Value),
        (r#"{"n":"x","v":1,"vd":"aGkgCg=="}"#, Reason::Value),
        (r#"{"n":"x","vd":"aGkgCg=="}"#, Reason::Value),
        (r#"{"n":"x","v":null}"#, Reason::Value),
        (r#"{"n":"x","v":"12.5"}"#, Reason::Value),
        (r#"{"n":"x","v":NaN}"#, Reason::NotFinite),
        (r#"{"n":"x","v":-Infinity}"#, Reason::NotFinite),
        (r#"{"n":"x","v":1e400}"#, Reason::NotFinite),
        (r#"{"n":"x","v":9007199254740993}"#, Reason::NotFinite),
        (r#"{"n":"x","v":18446744073709551616}"#, Reason::NotFinite),
        (r#"{"n":"x","v":1,"v":2}"#, Reason::Malformed),
        (r#"{"n":"x","v":1,"t":"now"}"#, Reason::Time),
        (r#"{"n":"x","v":1,"t":1e18}"#, Reason::Time),
        (r#"{"n":"x","v":1,"u":5}"#, Reason::Uom),
        ("{}", Reason::Name),
        ("5", Reason::Malformed),
        ("null", Reason::Malformed),
        ("[]", Reason::Malformed),
    ] {
        let reason_of = |r: &Resolution| r.refused.iter().map(|r| (r.reason, r.record)).collect::<Vec<_>>();
        let resolution = json(&format!(r#"[{{"n":"a","v":1}},{record},{{"n":"b","v":2}}]"#));
        assert_eq!(reason_of(&resolution), [(reason, Some(1))], "{record}");
        let names: Vec<&str> = resolution.records.iter().map(|r| r.name.as_str()).collect();
        assert_eq!(names, ["a", "b"], "{record}");
    }
}

/// Section 4.4: a version that is not understood, or two versions; and what is no pack at all.
#[test]
fn a_pack_is_refused_whole_when_nothing_in_it_can_be_trusted() {
    for (pack, reason) in [
        (r#"[{"bver":11,"n":"x","v":1}]"#, Reason::Version),
        (r#"[{"bver":5,"n":"x","v":1},{"bver":10,"n":"y","v":1}]"#, Reason::Version),
        (r#"[{"n":"x","v":1},{"bver":5,"n":"y","v":1}]"#, Reason::Version),
        (r#"[{"bver":"10","n":"x","v":1}]"#, Reason::Version),
        (r#"[{"bver":9.5,"n":"x","v":1}]"#, Reason::Version),
        (r#"[{"n":"x","v":1}"#, Reason::Malformed),
        (r#"[{"n":"x","v":1}] x"#, Reason::Malformed),
        (r#"[{"n":"x","v":01}]"#, Reason::Malformed),
        (r#"[{"n":"x","v":NaN},]"#, Reason::Malformed),
        (r#"{"n":"x","v":1}"#, Reason::Malformed),
        ("", Reason::Malformed),
    ] {
        assert_eq!(fault(pack), reason, "{pack}");
    }
    assert_eq!(json(r#"[{"bver":26,"n":"x","u":"kPa","v":1},{"bver":26,"n":"y","v":1}]"#).records.len(), 2);
    let not_text = resolve(b"[\xff]", MessageFormat::SenmlJson, secs(NOW), &Limits::default()).unwrap_err();
    assert!(not_text.detail.contains("byte 1"), "{}", not_text.detail);
    let broken =
        resolve(b"[{\"n\":NaN,\n \"v\":1}} ]", MessageFormat::SenmlJson, secs(NOW), &Limits::default())
            .unwrap_err();
    assert!(broken.detail.contains("line 1"), "{}", broken.detail);
}

#[test]
fn what_rests_on_a_wrong_base_is_refused_until_the_base_is_right_again() {
    let resolution = json(
        r#"[{"bt":"soon","n":"a","v":1},{"n":"b","v":1},{"bt":1e9,"n":"c","v":1},
            {"bn":"x:","bfoo_":1,"n":"d","v":1},{"n":"e","v":1}]"#,
    );
    let reasons: Vec<_> = resolution.refused.iter().map(|r| (r.record, r.count, r.reason)).collect();
    assert_eq!(reasons, [(Some(0), 2, Reason::Time), (Some(3), 2, Reason::MustUnderstand)]);
    assert_eq!(lines(&resolution), ["c - 1000000000 1"]);
}

#[test]
fn bases_of_a_refused_record_hold_for_the_next() {
    assert_eq!(
        lines(&json(r#"[{"bn":"x:","bt":1e9,"n":"a","v":NaN},{"n":"b","v":1}]"#)),
        ["x:b - 1000000000 1"]
    );
}

#[test]
fn a_record_of_base_fields_alone_is_counted() {
    assert_eq!(json(r#"[{"bn":"x:"},{"bt":1e9},{"n":"a","v":1}]"#).lenient, 2);
}

/// A field of a record as text, right and wrong.
fn field() -> impl Strategy<Value = String> {
    let label = prop::sample::select(vec![
        "n", "bn", "v", "vb", "vs", "t", "bt", "u", "bu", "s", "bv", "bver", "x", "x_",
    ]);
    let value = prop::sample::select(vec![
        "1",
        "-2.5",
        "1e999",
        "9007199254740993",
        "1e17",
        "true",
        "null",
        "NaN",
        "\"a\"",
        "\"k:\"",
        "\"\\u0041\"",
        "\"\\ud800\"",
        "[1,[2]]",
        "{\"a\":1}",
        "1.5e9",
        "10",
        "\"Pa\"",
    ]);
    (label, value).prop_map(|(label, value)| format!("\"{label}\":{value}"))
}

proptest! {
    /// Whatever the fields, no record disturbs the reading of another, and every one is accounted for.
    #[test]
    fn every_record_is_accounted_for(records in prop::collection::vec(prop::collection::vec(field(), 0..4), 0..6)) {
        let count = records.len();
        let pack: Vec<String> = records.iter().map(|fields| format!("{{{}}}", fields.join(","))).collect();
        let pack = format!("[{}]", pack.join(","));
        match resolve(pack.as_bytes(), MessageFormat::SenmlJson, secs(NOW), &Limits::default()) {
            Ok(r) => {
                let refused: u32 = r.refused.iter().map(|refusal| refusal.count).sum();
                prop_assert_eq!(r.records.len() + (refused + r.lenient) as usize, count, "{}", pack);
            }
            Err(refusal) => prop_assert_eq!(refusal.reason, Reason::Version, "{}", pack),
        }
    }
}
