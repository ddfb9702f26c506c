//! Scratch.
use std::io::Write;
use demo_feed::{Fleet, Scenario};
use notchwatch_evaluate::Rows;
use notchwatch_model::{Envelope, Register, Time, UnitKey};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};
fn main() {
    let begin: jiff::Timestamp = "2026-06-15T00:00:00Z".parse().unwrap();
    let scenario = Scenario::demo(begin);
    let until = begin.as_millisecond();
    let mut fleet = Fleet::new(&scenario).unwrap();
    let mut register: Register = toml::from_str(include_str!("../../deploy/register/demo-12.toml")).unwrap();
    register.merge(toml::from_str(&fleet.register_toml()).unwrap());
    let index = RegisterIndex::new(&register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml").unwrap(), Limits::default());
    let width = register.classes[0].channels.len();
    let mut rows: std::collections::BTreeMap<UnitKey, Rows> = Default::default();
    for m in fleet.advance_to(until) {
        let e = Envelope { received: Time::from_millis(m.at_unix_ms).unwrap(), topic: m.topic.to_string(), content_type: Some(m.content_type.to_owned()), retained: false, payload: m.payload };
        let d = decoder.decode(&e, &index);
        if let Some(u) = d.unit { let r = rows.entry(u).or_insert_with(|| Rows::new(width)); for s in d.samples { r.add(s); } }
    }
    let mut f = std::io::BufWriter::new(std::fs::File::create("/tmp/detect_rows.bin").unwrap());
    f.write_all(&(rows.len() as u64).to_le_bytes()).unwrap();
    for (k, mut r) in rows {
        let all = r.take_all();
        let name = k.to_string();
        f.write_all(&(name.len() as u64).to_le_bytes()).unwrap(); f.write_all(name.as_bytes()).unwrap();
        f.write_all(&(all.len() as u64).to_le_bytes()).unwrap();
        for row in all { f.write_all(&row.time.micros().to_le_bytes()).unwrap(); for v in row.values { f.write_all(&v.unwrap_or(f64::NAN).to_le_bytes()).unwrap(); } }
    }
    for t in fleet.truth() { println!("{}/{} {} {} {:?}", t.railway, t.unit, t.kind, t.onset, t.channels.iter().map(|c| c.0.clone()).collect::<Vec<_>>()); }
}
