//! What units report in their text channels: software in force and fault codes count as what a timeline says, whatever the
//! order in which they came.
//!
//! Drives the evaluator over a real store with a generated fleet of pumps.

use notchwatch_detect::Settings;
use notchwatch_findings::COMMON_ID;
use notchwatch_model::{
    ChannelIx, Fact, MachinePart, NewEntry, Origin, RailwayFilter, RankedFault, Register, Sample, Scope,
    Span, TextSample, Time,
};
use notchwatch_store::NewMessage;

use crate::bench::{self, Bench, End, Engine, Noise, unit};

/// Units on the newer software, of which all but one are in trouble, those that send beside them, and all.
const NEWER: i64 = 6;
const SENDING: i64 = 7;
const ALL: i64 = 36;
const DAYS: i64 = 6;
const STEP_AT: i64 = 2 * 1440 + 600;
const ROWS: i64 = 60;
const PRESSURE: ChannelIx = ChannelIx(0);
const SOFTWARE: ChannelIx = ChannelIx(1);
const CODE: ChannelIx = ChannelIx(2);
/// In the trade's word and one that stands behind it in order.
const LOW: &str = "OIL-PRESSURE-LOW";
const OTHER: &str = "PUMP-SPEED";

fn at(minute: i64) -> Time {
    let begin: Time = "2026-03-02T00:00:00Z".parse().unwrap();
    begin + Span::from_mins(minute)
}

fn now() -> Time {
    at((DAYS + 2) * 1440)
}

fn register(units: i64) -> Register {
    let channels = [
        ("oil_pressure", "lubrication", "number"),
        ("software_version", "machine", "text"),
        ("fault_code", "machine", "text"),
    ];
    bench::register(&channels, units)
}

/// What a unit measured in some days, an hour a message: its pressure falls or not.
fn measured(number: i64, days: i64, falls: bool) -> Vec<NewMessage> {
    let mut noise = Noise(u64::try_from(number).unwrap() + 77);
    let steps = |minute| falls && minute >= STEP_AT + 37 * number;
    let hours = (0..days * 1440).step_by(usize::try_from(ROWS).unwrap());
    hours
        .map(|first| {
            let samples = (first..first + ROWS).map(|minute| Sample {
                time: at(minute),
                channel: PRESSURE,
                value: noise.about(if steps(minute) { 330_000.0 } else { 400_000.0 }),
            });
            bench::message(number, at(first + ROWS), first, samples.collect())
        })
        .collect()
}

/// A message with one text.
fn said(number: i64, minute: i64, channel: ChannelIx, text: &str) -> NewMessage {
    let mut message = bench::message(number, at(minute), -minute, vec![]);
    message.envelope.payload.extend(text.as_bytes());
    message.decoded.texts = vec![TextSample { time: at(minute), channel, text: text.to_owned() }];
    message
}

/// Software of every unit and since when, by the units' names.
async fn software(bench: &Bench) -> Vec<(String, Time)> {
    let all = bench.store.progress(&RailwayFilter::All).await.unwrap().into_iter();
    all.filter_map(|unit| unit.models?.software).map(|software| (software.version, software.since)).collect()
}

async fn machines(bench: &Bench) -> Vec<MachinePart> {
    let found = bench.findings(now()).await.into_iter().map(|finding| finding.machine);
    found.filter(|machine| !machine.from_receipt()).collect()
}

pub(crate) async fn one_softwares_trouble_is_one_finding_however_late_units_say_what_they_run(
    engine: Engine,
) {
    let versions: Vec<NewMessage> = (0..ALL)
        .map(|number| (number, if number < NEWER { "4.1" } else { "4.0" }))
        .map(|(number, version)| said(number, STEP_AT - 60 + number, SOFTWARE, version))
        .collect();
    let samples: Vec<Vec<NewMessage>> =
        (0..SENDING).map(|number| measured(number, 4, number < NEWER - 1)).collect();
    let first = Bench::new(engine, &register(ALL), at(0)).await;
    let mut all = [samples.concat(), versions.clone()].concat();
    all.sort_by_key(|message| message.envelope.received);
    first.judge(&all, now, End::Stop).await;
    let expected = machines(&first).await;
    let software = software(&first).await;
    assert_eq!(software[0], ("4.1".to_owned(), at(STEP_AT - 60)), "as long as nobody says otherwise");
    assert_eq!(software.iter().filter(|(version, _)| version == "4.0").count(), 30);
    let (common, single): (Vec<_>, Vec<_>) =
        expected.iter().partition(|m| m.id.as_str().starts_with(COMMON_ID));
    assert_eq!(common.len(), 1, "{expected:#?}");
    assert_eq!((&common[0].scope, common[0].members.len()), (&Scope::Software("4.1".into()), 5));
    assert!(single.len() == 5 && single.iter().all(|m| m.part_of.as_ref() == Some(&common[0].id)));

    // Units one after the other, and only then what they run: late, and from units that sent nothing else.
    let last = Bench::new(engine, &register(ALL), at(0)).await;
    for (number, messages) in samples.iter().enumerate().rev() {
        last.judge(messages, now, if number % 2 == 0 { End::Stop } else { End::Kill }).await;
    }
    let alone = machines(&last).await;
    assert!(alone.len() == 5 && alone.iter().all(|machine| machine.part_of.is_none()), "{alone:#?}");
    for some in versions.chunks(10).rev() {
        last.judge(some, now, End::Kill).await;
    }
    last.judge(&versions[..3], now, End::Stop).await;
    assert_eq!(machines(&last).await, expected);
}

/// The faults that explain the one finding of a unit.
async fn faults(bench: &Bench) -> Vec<RankedFault> {
    let found = machines(bench).await;
    assert_eq!(found.len(), 1, "{found:#?}");
    found[0].faults.clone()
}

/// Whether one of them is told to be spoken for by the code.
fn supported(faults: &[RankedFault], code: &str) -> bool {
    let said = format!("fault code {code} on 2026-03-04");
    faults.iter().any(|fault| fault.supports.iter().any(|evidence| evidence.evidence == said))
}

pub(crate) async fn a_code_that_the_controller_reports_counts_as_one_on_the_timeline(engine: Engine) {
    let measured = measured(0, DAYS, true);
    let silent = Bench::new(engine, &register(1), at(0)).await;
    silent.judge(&measured, now, End::Stop).await;
    assert!(!supported(&faults(&silent).await, LOW));

    let told = Bench::new(engine, &register(1), at(0)).await;
    let fact = Fact::FaultCode { code: LOW.into(), active: true, text: String::new() };
    let entry = NewEntry { unit: unit(0), engine: None, at: at(STEP_AT + 60), fact };
    told.store
        .record_entries(&[entry], &"ada".parse().unwrap(), Origin::Api, at(STEP_AT + 60))
        .await
        .unwrap();
    told.judge(&measured, now, End::Stop).await;
    let expected = faults(&told).await;
    assert!(supported(&expected, LOW), "{expected:#?}");

    // Before what was measured, in the middle and half a day late, again with each message after.
    let code = said(0, STEP_AT + 60, CODE, LOW);
    let place = usize::try_from(STEP_AT / ROWS).unwrap();
    for (from, again) in [(0, false), (place, true), (place + 12, false)] {
        let mut all = measured.clone();
        all.insert(from, code.clone());
        if again {
            all.extend((0..3).map(|hour| said(0, STEP_AT + 61 + hour, CODE, LOW)));
        }
        let (before, after) = all.split_at(place + 6);
        let bench = Bench::new(engine, &register(1), at(0)).await;
        bench.judge(before, now, End::Kill).await;
        bench.judge(after, now, End::Stop).await;
        assert_eq!(faults(&bench).await, expected, "from {from}");
        // Beyond the horizon, in the place of what was judged and beside it: not judged now nor in a fold from the begin.
        let late = [said(0, STEP_AT + 60, CODE, OTHER), said(0, STEP_AT + 59, CODE, "ENGINE-HOT")];
        bench.judge(&late, now, End::Stop).await;
        let anew = Settings { version: Settings::default().version + 1, ..Settings::default() };
        bench.judge_with(anew, &[], now, End::Stop).await;
        assert_eq!(faults(&bench).await, expected, "from {from}");
    }
}
