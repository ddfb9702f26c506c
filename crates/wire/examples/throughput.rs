//! Prints what decoding costs: nanoseconds for a pack of 45 records and for one of twelve such snapshots, JSON and CBOR.
//!
//! Run with `cargo run --release -p notchwatch-wire --example throughput`. Asserts nothing about time.
#![expect(clippy::print_stdout, reason = "an example that prints figures")]
#![expect(clippy::expect_used, reason = "the example's own inputs are right or it must stop")]

use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Instant;

use minicbor::Encoder;
use notchwatch_model::{Envelope, Register, Span, Time};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

const CHANNELS: usize = 45;
const SECONDS: i64 = 1_767_225_600;
/// Passes timed together; the best of [`ROUNDS`] is printed, since other work on the machine only adds.
const PASSES: u32 = 100;
const ROUNDS: usize = 200;

fn main() {
    let channels: Vec<String> = (0..CHANNELS)
        .map(|i| format!("{{\"name\":\"channel_number_{i:02}\",\"system\":\"machine\",\"uom\":\"Cel\"}}"))
        .collect();
    let register: Register = serde_json::from_str(&format!(
        r#"{{"railways":[{{"id":"north","name":"N"}}],"units":[{{"railway":"north","id":"7","class":"c"}}],
            "classes":[{{"id":"c","name":"C","channels":[{}]}}]}}"#,
        channels.join(",")
    ))
    .expect("a register");
    let index = RegisterIndex::new(&register);
    let pattern = TopicPattern::parse("units/{railway}/{unit}/senml").expect("a pattern");
    let decoder = Decoder::new(pattern, Limits::default());
    for snapshots in [1, 12] {
        for (form, payload) in [("json", json(snapshots)), ("cbor", cbor(snapshots))] {
            let envelope = Envelope {
                received: Time::EPOCH + Span::from_secs(SECONDS),
                topic: "units/north/7/senml".into(),
                content_type: None,
                retained: false,
                payload,
            };
            let records = decoder.decode(&envelope, &index).samples.len();
            let best = best(|| {
                black_box(decoder.decode(black_box(&envelope), &index));
            });
            let bytes = envelope.payload.len();
            println!("{form}: {records} records, {bytes} bytes: {best:.0} ns a pack");
            if form == "json" {
                let parser = best_of_parser(&envelope.payload);
                println!(
                    "  the JSON parser alone, into borrowed fields: {parser:.0} ns, ratio {:.2}",
                    best / parser
                );
            }
        }
    }
}

/// Nanoseconds of one pass, in the fastest round.
fn best(mut pass: impl FnMut()) -> f64 {
    let round = |()| {
        let begin = Instant::now();
        for _ in 0..PASSES {
            pass();
        }
        begin.elapsed().as_secs_f64() * 1e9 / f64::from(PASSES)
    };
    std::iter::repeat_n((), ROUNDS).map(round).fold(f64::INFINITY, f64::min)
}

/// A record as a plain deserializer sees it: the floor for any decoder on this parser.
#[derive(serde::Deserialize)]
#[expect(dead_code, reason = "the fields are filled to be timed, not to be read")]
struct Plain<'a> {
    bn: Option<&'a str>,
    bt: Option<f64>,
    n: Option<&'a str>,
    u: Option<&'a str>,
    v: Option<f64>,
    t: Option<f64>,
}

fn best_of_parser(payload: &[u8]) -> f64 {
    best(|| {
        black_box(serde_json::from_slice::<Vec<Plain<'_>>>(black_box(payload)).expect("a pack"));
    })
}

/// Values with one decimal, as a sensor sends.
fn value(i: usize) -> f64 {
    f64::from(u32::try_from(i * 37 % 1000).unwrap_or(0)) / 10.0
}

fn json(snapshots: usize) -> Vec<u8> {
    let mut text = format!("[{{\"bn\":\"7/\",\"bt\":{SECONDS}}}");
    for i in 0..CHANNELS * snapshots {
        let (channel, minute) = (i % CHANNELS, i / CHANNELS);
        write!(text, ",{{\"n\":\"channel_number_{channel:02}\",\"u\":\"Cel\",\"v\":{:.1}", value(i))
            .expect("a string grows");
        if minute > 0 {
            write!(text, ",\"t\":-{}", minute * 60).expect("a string grows");
        }
        text.push('}');
    }
    text.push(']');
    text.into_bytes()
}

fn cbor(snapshots: usize) -> Vec<u8> {
    let mut encoder = Encoder::new(Vec::new());
    let count = (CHANNELS * snapshots + 1) as u64;
    let mut fill = || -> Result<(), minicbor::encode::Error<std::convert::Infallible>> {
        encoder.array(count)?.map(2)?.i8(-2)?.str("7/")?.i8(-3)?.i64(SECONDS)?;
        for i in 0..CHANNELS * snapshots {
            let (channel, minute) = (i % CHANNELS, i / CHANNELS);
            encoder.map(if minute > 0 { 4 } else { 3 })?;
            encoder
                .u8(0)?
                .str(&format!("channel_number_{channel:02}"))?
                .u8(1)?
                .str("Cel")?
                .u8(2)?
                .f64(value(i))?;
            if minute > 0 {
                encoder.u8(6)?.i64(-60 * i64::try_from(minute).unwrap_or(0))?;
            }
        }
        Ok(())
    };
    fill().expect("a vector grows");
    encoder.into_writer()
}
