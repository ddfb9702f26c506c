//! Messages to samples: what a class makes of a pack, and what it refuses.

use notchwatch_model::{
    ChannelDef, ChannelIx, ChannelName, ChannelValue, Class, ClassId, OperationRule, Railway, RailwayId,
    Register, ServiceStatus, Span, System, Time, Unit, UnitId, Uom,
};

use super::*;

const T: i64 = 1_767_225_600;

fn received() -> Time {
    Time::EPOCH + Span::from_secs(T)
}

fn channel(name: &str, uom: &str, value: ChannelValue) -> ChannelDef {
    ChannelDef {
        uom: Uom::parse(uom).unwrap(),
        value,
        ..ChannelDef::new(ChannelName::new(name).unwrap(), System::Machine)
    }
}

fn unit(railway: &str, id: &str) -> Unit {
    Unit {
        railway: RailwayId::new(railway).unwrap(),
        id: UnitId::new(id).unwrap(),
        class: ClassId::new("c").unwrap(),
        region: String::new(),
        zone: None,
        status: ServiceStatus::InService,
        engines: vec![],
        fitted: vec![],
    }
}

fn register() -> RegisterIndex {
    let number = ChannelValue::Number;
    let class = Class {
        id: ClassId::new("c").unwrap(),
        name: "C".into(),
        operation: OperationRule::default(),
        channels: vec![
            channel("temp", "Cel", number),
            channel("press", "Pa", number),
            channel("notch", "", number),
            channel("run", "", ChannelValue::Flag),
            channel("hours", "h", ChannelValue::Counter),
            channel("code", "", ChannelValue::Text),
        ],
    };
    let railway = Railway { id: RailwayId::new("north").unwrap(), name: "N".into(), zone: "UTC".into() };
    let units = vec![unit("north", "7"), unit("north", "N-8"), unit("south", "9")];
    RegisterIndex::new(&Register { railways: vec![railway], classes: vec![class], units })
}

fn envelope(payload: &[u8]) -> Envelope {
    Envelope {
        received: received(),
        topic: "units/north/7/senml".into(),
        content_type: None,
        retained: false,
        payload: payload.to_vec(),
    }
}

fn decode(envelope: &Envelope) -> Decoded {
    let pattern = TopicPattern::parse("units/{railway}/{unit}/senml").unwrap();
    Decoder::new(pattern, Limits::default()).decode(envelope, &register())
}

fn json(pack: &str) -> Decoded {
    decode(&envelope(pack.as_bytes()))
}

/// Samples as (channel, seconds from receipt, value).
fn samples(decoded: &Decoded) -> Vec<(u16, f64, f64)> {
    decoded.samples.iter().map(|s| (s.channel.0, (s.time - received()).secs_f64(), s.value)).collect()
}

fn reasons(decoded: &Decoded) -> Vec<(Reason, Option<u32>)> {
    decoded.refused.iter().map(|r| (r.reason, r.record)).collect()
}

#[test]
fn a_pack_becomes_samples_in_order_of_time() {
    let decoded = json(&format!(
        r#"[{{"bn":"7/","bt":{T},"n":"temp","u":"Cel","v":80}},{{"n":"notch","v":8}},{{"n":"run","vb":true}},
            {{"n":"temp","t":-60,"v":79}},{{"n":"code","vs":"A12","t":-1}}]"#
    ));
    assert_eq!(samples(&decoded), [(0, -60.0, 79.0), (0, 0.0, 80.0), (2, 0.0, 8.0), (3, 0.0, 1.0)]);
    assert_eq!((decoded.texts.len(), decoded.texts[0].text.as_str()), (1, "A12"));
    assert_eq!(
        (decoded.unit.unwrap().to_string().as_str(), decoded.records, decoded.approximate),
        ("north/7", 5, false)
    );
}

#[test]
fn the_units_own_prefix_is_taken_off_and_another_units_is_refused() {
    for (base, name, wanted) in [
        ("", "temp", None),
        ("7/", "temp", None),
        ("7:", "temp", None),
        ("north/7/", "temp", None),
        ("", "7/temp", None),
        ("7/te", "mp", None),
        ("urn:dev:ow:10e2073a01080063:", "temp", None),
        ("urn:dev:ow:10e2073a01080063/", "temp", None),
        ("urn:dev:os:32473-7:", "temp", None),
        ("urn:dev:ow:7/", "temp", None),
        ("", "urn:dev:ow:10e2073a01080063:temp", None),
        ("8/", "temp", Some(Reason::WrongUnit)),
        ("", "8/temp", Some(Reason::WrongUnit)),
        ("south/7/", "temp", Some(Reason::WrongUnit)),
        ("N-8:", "temp", Some(Reason::WrongUnit)),
        ("urn:dev:os:32473-9:", "temp", Some(Reason::WrongUnit)),
        ("urn:dev:os:32473-N-8:", "temp", Some(Reason::WrongUnit)),
        ("urn:dev:ow:9/", "temp", Some(Reason::WrongUnit)),
        ("urn:dev:ow:1:", "tempo", Some(Reason::UnknownChannel)),
        ("urn:dev:ow:10e2073a01080063", "", Some(Reason::UnknownChannel)),
        ("a b/", "temp", Some(Reason::Name)),
        ("7/", "te mp", Some(Reason::Name)),
        ("7/", "te\u{7f}mp", Some(Reason::Name)),
        (&"x".repeat(250), "temp123", Some(Reason::TooLarge)),
    ] {
        let decoded = json(&format!(r#"[{{"bn":"{base}","bt":{T},"n":"{name}","v":1}}]"#));
        match wanted {
            None => assert_eq!(samples(&decoded), [(0, 0.0, 1.0)], "{base} {name}"),
            Some(reason) => assert_eq!(reasons(&decoded), [(reason, Some(0))], "{base} {name}"),
        }
    }
}

#[test]
fn two_base_names_are_judged_apart() {
    let decoded = json(
        r#"[{"bn":"7/","n":"temp","v":1},{"bn":"8/","n":"temp","v":2},{"n":"press","v":3},{"bn":"","n":"press","v":4}]"#,
    );
    assert_eq!(samples(&decoded), [(0, 0.0, 1.0), (1, 0.0, 4.0)]);
    assert_eq!(reasons(&decoded), [(Reason::WrongUnit, Some(1))]);
    assert_eq!(decoded.refused[0].count, 2);
}

/// Factors: RFC 8798 for kW and hPa's kin, NIST SP 811 for psi; fixed points for temperatures.
#[test]
fn units_of_measure_are_converted_once_named_and_refused_when_they_do_not_fit() {
    let decoded = json(
        r#"[{"bu":"bar","n":"press","v":2},{"n":"press","t":-1,"v":3},{"n":"press","u":"hPa","v":10},
            {"n":"temp","u":"degF","v":212},{"n":"temp","u":"Pa","v":1},{"n":"temp","u":"furlong","v":1},
            {"n":"notch","v":3},{"n":"notch","u":"/","v":3},{"n":"run","u":"Pa","vb":false}]"#,
    );
    let values: Vec<f64> =
        samples(&decoded).into_iter().map(|(_, _, value)| (value * 1e6).round() / 1e6).collect();
    assert_eq!(values, [300_000.0, 200_000.0, 1000.0, 100.0, 3.0, 0.0]);
    assert_eq!((reasons(&decoded), decoded.refused[0].count), (vec![(Reason::Uom, Some(4))], 3));
    let uoms: Vec<(u16, &str)> = decoded.uoms.iter().map(|u| (u.channel.0, u.sent.name())).collect();
    assert_eq!(uoms, [(1, "bar"), (1, "hPa"), (0, "degF")]);
}

#[test]
fn each_kind_of_channel_takes_its_own_kind_of_value() {
    for (record, wanted) in [
        (r#"{"n":"run","v":1}"#, Ok(1.0)),
        (r#"{"n":"run","v":0}"#, Ok(0.0)),
        (r#"{"n":"run","vb":true}"#, Ok(1.0)),
        (r#"{"n":"run","v":2}"#, Err(Reason::Value)),
        (r#"{"n":"run","vs":"1"}"#, Err(Reason::Value)),
        (r#"{"n":"hours","v":5}"#, Ok(5.0)),
        (r#"{"n":"hours","s":6}"#, Ok(6.0)),
        (r#"{"n":"hours","bs":10,"s":6}"#, Ok(16.0)),
        (r#"{"n":"hours","v":1,"s":6}"#, Ok(6.0)),
        (r#"{"n":"hours","bs":10,"v":1}"#, Ok(1.0)),
        (r#"{"n":"hours","u":"s","s":7200}"#, Ok(2.0)),
        (r#"{"n":"temp","s":6}"#, Err(Reason::Value)),
        (r#"{"n":"temp","v":5,"s":6}"#, Ok(5.0)),
        (r#"{"n":"temp","vb":true}"#, Err(Reason::Value)),
        (r#"{"n":"temp","vs":"5"}"#, Err(Reason::Value)),
        (r#"{"n":"temp","vd":"aGkgCg"}"#, Err(Reason::Value)),
        (r#"{"n":"code","v":5}"#, Err(Reason::Value)),
        (r#"{"n":"code","vs":"LOW\u0000OIL"}"#, Err(Reason::Value)),
        (r#"{"n":"temp","u":"degC","bv":1e308,"v":1e308}"#, Err(Reason::NotFinite)),
        (r#"{"n":"press","u":"bar","v":1e304}"#, Err(Reason::NotFinite)),
    ] {
        let decoded = json(&format!("[{record}]"));
        match wanted {
            Ok(value) => assert_eq!(decoded.samples.first().map(|s| s.value), Some(value), "{record}"),
            Err(reason) => assert_eq!(reasons(&decoded), [(reason, Some(0))], "{record}"),
        }
    }
}

#[test]
fn a_wrong_clock_is_refused_and_never_bent() {
    let minute = 60;
    let day = 86_400;
    for (time, wanted) in [
        (format!("{}", T + 5 * minute), None),
        (format!("{}", T + 5 * minute + 1), Some(Reason::ClockAhead)),
        (format!("{}", T + 3 * 365 * day), Some(Reason::ClockAhead)),
        ("253402300800".to_owned(), Some(Reason::ClockAhead)),
        ("1e18".to_owned(), Some(Reason::ClockAhead)),
        ("1767225600000".to_owned(), Some(Reason::ClockAhead)),
        (format!("{}", T - 30 * day), None),
        (format!("{}", T - 30 * day - 1), Some(Reason::ClockBehind)),
        ("268435455".to_owned(), Some(Reason::ClockAhead)),
        ("268435456".to_owned(), Some(Reason::ClockBehind)),
        ("-1e18".to_owned(), Some(Reason::ClockBehind)),
    ] {
        let decoded = json(&format!(r#"[{{"n":"temp","t":{time},"v":1}},{{"n":"press","v":2}}]"#));
        assert_eq!(reasons(&decoded).first().map(|r| r.0), wanted, "{time}");
        assert!(samples(&decoded).contains(&(1, 0.0, 2.0)), "{time}");
    }
}

#[test]
fn times_relative_to_receipt_are_marked() {
    let decoded = json(r#"[{"n":"temp","t":-60,"v":1},{"n":"temp","v":2},{"n":"temp","t":30,"v":3}]"#);
    assert_eq!(samples(&decoded), [(0, -60.0, 1.0), (0, 0.0, 2.0), (0, 30.0, 3.0)]);
    assert!(decoded.approximate);
}

#[test]
fn a_kept_message_counts_only_with_a_time_of_its_own() {
    let kept = |pack: &str| decode(&Envelope { retained: true, ..envelope(pack.as_bytes()) });
    assert_eq!(reasons(&kept(r#"[{"n":"temp","v":1}]"#)), [(Reason::RetainedWithoutTime, Some(0))]);
    let timed = kept(&format!(r#"[{{"n":"temp","t":{},"v":1}}]"#, T - 86_400));
    assert_eq!((samples(&timed).len(), timed.approximate), (1, false));
    for retained in [true, false] {
        let deleted = decode(&Envelope { retained, ..envelope(b"") });
        assert_eq!((deleted.refused.len(), deleted.samples.len(), deleted.records), (0, 0, 0));
    }
}

#[test]
fn the_whole_message_is_refused_for_its_topic_unit_size_or_format() {
    let pack = br#"[{"n":"temp","v":1}]"#;
    let at = |topic: &str| decode(&Envelope { topic: topic.into(), ..envelope(pack) });
    let typed = |text: &str| decode(&Envelope { content_type: Some(text.into()), ..envelope(pack) });
    let big = [b"[".as_slice(), &vec![b' '; 1 << 20]].concat();
    let many = format!("[{}{{}}]", "{},".repeat(10_000));
    for (decoded, reason, unit) in [
        (at("trains/north/7"), Reason::Topic, None),
        (at("units/nor th/7/senml"), Reason::Topic, None),
        (at("units/north/77/senml"), Reason::UnknownUnit, Some("north/77")),
        (at("units/south/7/senml"), Reason::UnknownUnit, Some("south/7")),
        (typed("application/json"), Reason::Format, Some("north/7")),
        (typed("application/senml+cbor"), Reason::Malformed, Some("north/7")),
        (decode(&envelope(b"temp=5")), Reason::Format, Some("north/7")),
        (decode(&envelope(&big)), Reason::TooLarge, Some("north/7")),
        (json(&many), Reason::TooLarge, Some("north/7")),
        (json(&format!("[{}", "[".repeat(1000))), Reason::TooLarge, Some("north/7")),
    ] {
        assert_eq!(reasons(&decoded), [(reason, None)]);
        assert_eq!(decoded.unit.map(|u| u.to_string()).as_deref(), unit);
        assert!(decoded.samples.is_empty());
    }
    for text in ["application/senml+json", "Application/SenML+JSON; charset=utf-8", ""] {
        assert_eq!(typed(text).samples.len(), 1, "{text}");
    }
}

#[test]
fn json_and_cbor_of_one_pack_give_the_same() {
    let json = json(&format!(
        r#"[{{"bn":"7/","bt":{T},"bu":"Cel","n":"temp","v":41.5}},{{"n":"press","u":"Pa","v":-7}},{{"n":"run","vb":true}}]"#
    ));
    let head = "83a5216237 2f221a6955b900236343656c006474656d7002f95130".replace(' ', "");
    let hex = format!("{head}a3006570726573730162506102 26a200637275 6e04f5").replace(' ', "");
    let bytes: Vec<u8> = hex
        .as_bytes()
        .chunks(2)
        .map(|p| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap())
        .collect();
    assert_eq!(decode(&envelope(&bytes)), json);
    assert_eq!(json.samples.len(), 3);
    let described = [&[0xd9, 0xd9, 0xf7], bytes.as_slice()].concat();
    assert_eq!(decode(&envelope(&described)), json);
}

/// A pack of bad records is held as one refusal for each reason, however many there are.
#[test]
fn what_is_held_of_a_pack_does_not_grow_with_its_bad_records() {
    let decoded =
        json(&format!("[{}{{\"n\":\"temp\"}}]", r#"{"n":"x","v":1},{"n":"temp","v":"5"},"#.repeat(500)));
    let told: Vec<_> = decoded.refused.iter().map(|r| (r.reason, r.record, r.count)).collect();
    assert_eq!(told, [(Reason::UnknownChannel, Some(0), 500), (Reason::Value, Some(1), 501)]);
    assert_eq!((decoded.records, decoded.refused.capacity() < 10), (1001, true));
}

#[test]
fn channels_sent_out_of_order_are_found_all_the_same() {
    let decoded = json(r#"[{"n":"hours","v":1},{"n":"temp","v":2},{"n":"press","v":3},{"n":"temp","v":4}]"#);
    let found: Vec<ChannelIx> = decoded.samples.iter().map(|s| s.channel).collect();
    assert_eq!(found, [ChannelIx(4), ChannelIx(0), ChannelIx(1), ChannelIx(0)]);
}
