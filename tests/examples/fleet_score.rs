//! Scores the whole chain on the demo fleet: each injected fault met or missed, how early, and what else was found.
//!
//! Decodes the feed's own bytes and folds them unit by unit, without broker or store, so that it runs in seconds.
//! Usage: `cargo run --release -p notchwatch-tests --example fleet_score -- [SEED] [DAYS]`

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Instant;

use demo_feed::{Fleet, Scenario, TruthEntry};
use notchwatch_detect::{Plan, Settings};
use notchwatch_evaluate::{Fold, FoldContext, Rows};
use notchwatch_findings::Library;
use notchwatch_model::{Envelope, FindingKind, MachinePart, Register, Time, UnitKey};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let seed: Option<u64> = arguments.next().map(|a| a.parse()).transpose()?;
    let begin: jiff::Timestamp = "2026-06-15T00:00:00Z".parse()?;
    let mut scenario = Scenario::demo(begin);
    if let Some(seed) = seed {
        scenario.seed = seed;
    }
    let hours: i64 = arguments.next().map_or(Ok(0), |a| a.parse::<i64>())?;
    let until = begin.as_millisecond() + hours * 3_600_000;
    let mut fleet = Fleet::new(&scenario)?;
    let mut register: Register = toml::from_str(include_str!("../../deploy/register/demo-12.toml"))?;
    register.merge(toml::from_str(&fleet.register_toml())?);
    let rows = decode(&mut fleet, &register, until)?;
    let found = fold(&register, rows)?;
    report(&found, fleet.truth(), &fleet);
    Ok(())
}

fn decode(
    fleet: &mut Fleet,
    register: &Register,
    until: i64,
) -> Result<BTreeMap<UnitKey, Rows>, Box<dyn std::error::Error>> {
    let index = RegisterIndex::new(register);
    let decoder = Decoder::new(TopicPattern::parse("units/{railway}/{unit}/senml")?, Limits::default());
    let width = register.classes.first().map_or(0, |c| c.channels.len());
    let mut rows: BTreeMap<UnitKey, Rows> = BTreeMap::new();
    let (mut messages, mut samples, mut refused) = (0_u64, 0_u64, 0_u64);
    let begun = Instant::now();
    for message in fleet.advance_to(until) {
        let envelope = Envelope {
            received: Time::from_millis(message.at_unix_ms)?,
            topic: message.topic.to_string(),
            content_type: Some(message.content_type.to_owned()),
            retained: false,
            payload: message.payload,
        };
        let got = decoder.decode(&envelope, &index);
        messages += 1;
        refused += got.refused.len() as u64;
        samples += got.samples.len() as u64;
        if let Some(unit) = got.unit {
            let unit = rows.entry(unit).or_insert_with(|| Rows::new(width));
            for sample in got.samples {
                unit.add(sample);
            }
        }
    }
    println!(
        "{messages} messages, {samples} samples, {refused} refused: generated and decoded in {:.1} s",
        begun.elapsed().as_secs_f64()
    );
    Ok(rows)
}

type Found = BTreeMap<UnitKey, BTreeMap<String, MachinePart>>;

fn fold(register: &Register, rows: BTreeMap<UnitKey, Rows>) -> Result<Found, Box<dyn std::error::Error>> {
    let library = Arc::new(Library::builtin()?);
    let settings = Settings::default();
    let class = Arc::new(register.classes.first().ok_or("no class")?.clone());
    let plan = Arc::new(Plan::new(&class, &settings));
    let mut found = Found::new();
    let (mut samples, mut bytes, mut units) = (0, 0, 0);
    let begun = Instant::now();
    for (key, mut rows) in rows {
        let Some(unit) = register.unit(&key) else { continue };
        let context =
            FoldContext::new(unit.clone(), class.clone(), plan.clone(), library.clone(), settings.version);
        let mut fold = Fold::new(&context);
        let findings = found.entry(key).or_default();
        for row in rows.take_all() {
            for machine in fold.row(&context, &row) {
                findings.insert(machine.id.to_string(), machine);
            }
        }
        samples += fold.samples();
        bytes += fold.save(&context)?.len();
        units += 1;
    }
    let took = begun.elapsed().as_secs_f64();
    println!(
        "{samples} samples folded in {took:.1} s: {:.2} us a sample; state {} bytes a channel",
        took * 1e6 / samples as f64,
        bytes / (units * class.channels.len()).max(1)
    );
    Ok(found)
}

fn report(found: &Found, truth: &[TruthEntry], fleet: &Fleet) {
    let mut explained: Vec<String> = Vec::new();
    println!("\nfaults");
    for entry in truth {
        let onset = entry.onset.as_microsecond();
        let of_unit = found
            .iter()
            .filter(|(key, _)| key.railway.as_str() == entry.railway && key.unit.as_str() == entry.unit)
            .flat_map(|(_, f)| f.values());
        let names: Vec<&str> = entry.channels.iter().map(|c| c.0.as_str()).collect();
        let mut hits: Vec<&MachinePart> = of_unit
            .filter(|f| {
                f.opened.micros() >= onset && f.symptoms.iter().any(|s| names.contains(&s.channel.as_str()))
            })
            .collect();
        hits.sort_by_key(|f| f.opened);
        explained.extend(hits.iter().map(|f| f.id.to_string()));
        let first = hits.first().map_or("MISSED".to_owned(), |f| {
            let fault = f.faults.first().map_or("-", |x| x.id.as_str());
            format!("+{:.1} h {} [{}] {}", (f.opened.micros() - onset) as f64 / 3.6e9, f.kind, fault, f.title)
        });
        println!("  {}/{} {} ({}): {first}", entry.railway, entry.unit, entry.kind, entry.reference);
    }
    println!("\nother findings");
    let mut others: BTreeMap<FindingKind, usize> = BTreeMap::new();
    for (key, findings) in found {
        for finding in findings.values().filter(|f| !explained.contains(&f.id.to_string())) {
            *others.entry(finding.kind).or_default() += 1;
            let symptoms: Vec<String> = finding
                .symptoms
                .iter()
                .map(|s| format!("{} {} {:+.1}", s.channel, s.kind.word(), s.spreads))
                .collect();
            println!(
                "  {key} {} {} {} :: {}",
                finding.opened,
                finding.kind,
                finding.title,
                symptoms.join("; ")
            );
        }
    }
    println!("\nother findings by kind: {others:?}; {} units", fleet.units());
}
