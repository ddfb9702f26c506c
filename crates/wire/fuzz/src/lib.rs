//! What the fuzz targets share: a register with one channel of each kind, and the properties every decoded message has.
//!
//! Owns the promises that are checked on arbitrary bytes. Refuses to check single values: unit tests do.

use notchwatch_model::{Decoded, Envelope, MessageFormat, Reason, Refusal, Register, Span, Time};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern, senml};

const REGISTER: &str = r#"
railways = [{ id = "north", name = "North" }]
units = [{ railway = "north", id = "7", class = "c" }, { railway = "north", id = "8", class = "c" }]
[[classes]]
id = "c"
name = "C"
channels = [
  { name = "temp", system = "cooling", uom = "Cel" },
  { name = "press", system = "lubrication", uom = "Pa" },
  { name = "run", system = "operation", value = "flag" },
  { name = "hours", system = "operation", uom = "h", value = "counter" },
  { name = "code", system = "electrical", value = "text" },
]
"#;

/// Decodes arbitrary bytes in one format and checks what is promised whatever they are.
pub fn check(payload: &[u8], content_type: &str, format: MessageFormat) {
    static BENCH: std::sync::OnceLock<(Decoder, RegisterIndex)> = std::sync::OnceLock::new();
    let (decoder, register) = BENCH.get_or_init(|| {
        let register: Register = toml::from_str(REGISTER).expect("the register above is one");
        assert_eq!(register.problems(), vec![]);
        let pattern = TopicPattern::parse("units/{railway}/{unit}/senml").expect("the pattern above is one");
        let limits = Limits { records: 200, ..Limits::default() };
        (Decoder::new(pattern, limits), RegisterIndex::new(&register))
    });
    let received = Time::EPOCH + Span::from_secs(1_767_225_600);
    let mut envelope = Envelope {
        received,
        topic: "units/north/7/senml".to_owned(),
        content_type: Some(content_type.to_owned()),
        retained: false,
        payload: payload.to_vec(),
    };
    let fresh = decoder.decode(&envelope, register);
    holds(&fresh, decoder.limits(), received);
    envelope.retained = true;
    let kept = decoder.decode(&envelope, register);
    holds(&kept, decoder.limits(), received);
    assert!(!kept.approximate, "a kept message has no relative times");

    // Resolution without a register sees the same records.
    match senml::resolve(payload, format, received, decoder.limits()) {
        Err(whole) if !payload.is_empty() => assert_eq!(fresh.refused, vec![whole]),
        Err(_) => {}
        Ok(resolution) => {
            assert!(resolution.records.is_sorted_by_key(|r| r.time));
            assert!(resolution.records.iter().all(|r| r.sum.is_none_or(f64::is_finite)));
            assert!(resolution.records.len() + records(&resolution.refused) <= fresh.records as usize);
        }
    }
}

/// How many records, or messages, refusals speak of.
fn records(refused: &[Refusal]) -> usize {
    refused.iter().map(|refusal| refusal.count as usize).sum()
}

fn holds(decoded: &Decoded, limits: &Limits, received: Time) {
    let made = decoded.samples.len() + decoded.texts.len();
    assert!(decoded.records as usize <= limits.records);
    let whole = decoded.refused.iter().filter(|r| r.record.is_none()).count();
    assert!(whole == 0 || (whole == 1 && made == 0 && decoded.refused.len() == 1));
    assert!(made + records(&decoded.refused) <= decoded.records as usize + whole);
    assert!(decoded.refused.len() <= Reason::ALL.len(), "one for each reason");
    assert!(decoded.uoms.len() <= made);
    assert!(decoded.samples.iter().all(|s| s.value.is_finite()));
    assert!(decoded.samples.is_sorted_by_key(|s| s.time));
    if let Some((first, last)) = decoded.span() {
        assert!(received - first <= limits.behind && last - received <= limits.ahead);
    }
    assert!(decoded.texts.iter().all(|t| !t.text.chars().any(char::is_control)));
    assert!(decoded.refused.iter().all(|r| r.detail.len() <= 1024));
}
