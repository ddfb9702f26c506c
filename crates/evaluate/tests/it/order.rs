//! Findings depend on what was measured, not on how it arrived: order, repeats, delay, restarts and kills change nothing.
//!
//! Drives the evaluator over a real store with the same messages in different ways, and compares findings,
//! their symptoms and the samples judged with a clean run in order.

use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_model::{
    Activity, AsBuilt, ChannelIx, Fact, FindingKind, MachinePart, NewEntry, OilResult, Origin, Outcome,
    RailwayFilter, Sample, Span, System, Time, TimelineId, Verdict, Withdrawal,
};
use notchwatch_store::NewMessage;

use crate::bench::{self, Bench, End, Engine, Noise, unit};

/// Rows a message, as in a batch of a unit.
const ROWS: i64 = 12;
/// Minutes of data: four days learn and settle, the step comes on the fourth.
const MINUTES: i64 = 5 * 1440;
const STEP_AT: i64 = 3 * 1440 + 600;

fn begin() -> Time {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn now() -> Time {
    begin() + Span::from_days(6)
}

fn message(first: i64, values: &[f64], received: Time) -> NewMessage {
    let samples = (first..).zip(values).map(|(minute, value)| Sample {
        time: begin() + Span::from_mins(minute),
        channel: ChannelIx(0),
        value: *value,
    });
    bench::message(1, received, first, samples.collect())
}

/// What the unit sent, in order: noise round a level, and a step that stays.
fn messages() -> Vec<NewMessage> {
    let mut noise = Noise(7);
    let values: Vec<f64> = (0..MINUTES)
        .map(|minute| noise.about(if minute < STEP_AT { 400_000.0 } else { 330_000.0 }))
        .collect();
    (0..)
        .step_by(usize::try_from(ROWS).unwrap())
        .zip(values.chunks(usize::try_from(ROWS).unwrap()))
        .map(|(first, chunk)| message(first, chunk, begin() + Span::from_mins(first + ROWS)))
        .collect()
}

/// A bench for the one unit.
struct Judging(Bench);

impl Judging {
    async fn new(engine: Engine) -> Self {
        Self(Bench::new(engine, &bench::register(&[("pressure", "machine", "number")], 2), begin()).await)
    }

    /// Appends messages, a few at a time, while the evaluator runs; `end` says how it ends.
    async fn judge(&self, messages: &[NewMessage], end: End) {
        self.judge_with(Settings::default(), messages, end).await;
    }

    async fn judge_with(&self, settings: Settings, messages: &[NewMessage], end: End) {
        let store = &self.0.store;
        let (stop, running) = self.0.start(bench::quick(), settings, now);
        for chunk in messages.chunks(37) {
            store.append(chunk).await.unwrap();
        }
        if end == End::Kill {
            // Somewhere in the middle of its work.
            tokio::time::sleep(Duration::from_millis(60)).await;
        } else {
            let last = store.journal_end().await.unwrap();
            let told = store.timeline_after(TimelineId(0), 1000).await.unwrap().items;
            let told = told.last().map(|s| s.id).unwrap_or_default();
            while store.evaluated().await.unwrap() < last || store.timelined().await.unwrap() < told {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        }
        bench::finish(stop, running, end).await;
    }

    async fn findings(&self) -> Vec<MachinePart> {
        self.0.findings(now()).await.into_iter().map(|f| f.machine).collect()
    }

    async fn judged(&self) -> u64 {
        self.0.store.progress(&RailwayFilter::All).await.unwrap().iter().map(|p| p.samples).sum()
    }
}

async fn clean(engine: Engine) -> (Vec<MachinePart>, u64) {
    let bench = Judging::new(engine).await;
    bench.judge(&messages(), End::Stop).await;
    (bench.findings().await, bench.judged().await)
}

/// Findings that stand: one that was shown on part of the data and withdrawn since is history, not a result.
fn standing(found: Vec<MachinePart>) -> Vec<MachinePart> {
    found.into_iter().filter(|f| f.ended.is_none_or(|e| e.1 != Outcome::Withdrawn)).collect()
}

pub(crate) async fn the_step_is_found_once_and_dated(engine: Engine) {
    let (found, judged) = clean(engine).await;
    assert_eq!(judged, u64::try_from(MINUTES).unwrap());
    assert_eq!(found.len(), 1, "{found:#?}");
    let finding = &found[0];
    assert_eq!(finding.kind, FindingKind::Machine);
    let off = (finding.onset - (begin() + Span::from_mins(STEP_AT))).secs_f64().abs();
    assert!(off <= 3600.0, "onset {} is {off} s off", finding.onset);
    assert!(finding.active && finding.symptoms[0].size < -50_000.0, "{finding:#?}");
}

pub(crate) async fn order_repeats_and_delay_change_nothing(engine: Engine) {
    let (expected, judged) = clean(engine).await;
    for seed in 1..=3 {
        let mut random = Noise(seed);
        let mut shuffled = messages();
        // Within windows of eight hours, so that nothing is later than the horizon of two days.
        for window in shuffled.chunks_mut(40) {
            for i in (1..window.len()).rev() {
                window.swap(i, random.below(i + 1));
            }
        }
        for _ in 0..60 {
            // A repeat comes after its original.
            let original = random.below(shuffled.len());
            let again = shuffled[original].clone();
            let place = (original + 1 + random.below(80)).min(shuffled.len());
            shuffled.insert(place, again);
        }
        // One message of the second day comes a day late.
        let late = shuffled.remove(150);
        shuffled.insert(280, late);
        let bench = Judging::new(engine).await;
        bench.judge(&shuffled, End::Stop).await;
        assert_eq!(standing(bench.findings().await), expected, "seed {seed}");
        assert_eq!(bench.judged().await, judged, "seed {seed}");
    }
}

pub(crate) async fn stops_and_kills_change_nothing(engine: Engine) {
    let (expected, judged) = clean(engine).await;
    let all = messages();
    for ends in [[End::Stop, End::Stop], [End::Kill, End::Kill], [End::Kill, End::Stop]] {
        let bench = Judging::new(engine).await;
        bench.judge(&all[..220], ends[0]).await;
        bench.judge(&all[220..430], ends[1]).await;
        bench.judge(&all[430..], End::Stop).await;
        assert_eq!(bench.findings().await, expected);
        assert_eq!(bench.judged().await, judged);
    }
}

/// Works and samples on the unit's timeline: the sensor's exchange at the step is a person's word that the level is new.
fn entries() -> Vec<NewEntry> {
    let entry = |minute: i64, fact| NewEntry {
        unit: unit(1),
        engine: None,
        at: begin() + Span::from_mins(minute),
        fact,
    };
    let exchange = Fact::Maintenance {
        activity: Activity::Replace,
        system: Some(System::Machine),
        item: "pressure sensor".into(),
        channels: vec!["pressure".parse().unwrap()],
        text: String::new(),
    };
    vec![
        entry(STEP_AT - 3, exchange),
        entry(STEP_AT + 600, Fact::Software { version: "4.1".into() }),
        entry(1440, Fact::Note { text: "nothing to see".into() }),
    ]
}

async fn record(bench: &Judging, entries: &[NewEntry]) {
    bench.0.store.record_entries(entries, &"ada".parse().unwrap(), Origin::Api, now()).await.unwrap();
}

/// A process writes it only when it is new to it; one that has just begun writes everything.
pub(crate) async fn what_models_say_is_written_whenever_it_is_new(engine: Engine) {
    let all = messages();
    for cut in [30, 250, 400, all.len()] {
        let bench = Judging::new(engine).await;
        bench.judge(&all[..cut], End::Stop).await;
        let told = bench.0.store.progress(&RailwayFilter::All).await.unwrap();
        assert!(told.iter().any(|progress| progress.models.is_some()), "{told:?}");
        bench.judge(&[], End::Stop).await;
        assert_eq!(bench.0.store.progress(&RailwayFilter::All).await.unwrap(), told, "after {cut} messages");
    }
}

pub(crate) async fn an_exchanged_sensor_is_no_fault_whenever_it_is_told(engine: Engine) {
    let all = messages();
    let (untold, judged) = clean(engine).await;
    assert_eq!(standing(untold).len(), 1);
    // Told before the data, in the middle, after everything, and by halves with kills between.
    let first = Judging::new(engine).await;
    record(&first, &entries()).await;
    first.judge(&all, End::Stop).await;
    let expected = first.findings().await;
    assert!(expected.is_empty(), "{expected:#?}");
    for (cut, ends) in
        [(380, [End::Stop, End::Stop]), (330, [End::Kill, End::Stop]), (all.len(), [End::Stop, End::Kill])]
    {
        let bench = Judging::new(engine).await;
        bench.judge(&all[..cut], ends[0]).await;
        let mut told = entries();
        told.reverse();
        record(&bench, &told[..2]).await;
        record(&bench, &told[1..]).await;
        bench.judge(&all[cut..], ends[1]).await;
        bench.judge(&[], End::Stop).await;
        assert_eq!(standing(bench.findings().await), expected, "cut at {cut}");
        assert_eq!(bench.judged().await, judged, "cut at {cut}");
    }
}

pub(crate) async fn as_built_levels_judge_at_once_whenever_they_are_told(engine: Engine) {
    let all = messages();
    let (untold, judged) = clean(engine).await;
    // What the unit was built with lies above what it measures from its first sample on.
    let level =
        AsBuilt { channel: "pressure".parse().unwrap(), state: None, level: 470_000.0, spread: 4_000.0 };
    let built = NewEntry {
        unit: unit(1),
        engine: None,
        at: begin() - Span::from_days(2),
        fact: Fact::AsBuilt { levels: vec![level], text: "acceptance run".into() },
    };
    let first = Judging::new(engine).await;
    record(&first, std::slice::from_ref(&built)).await;
    first.judge(&all[..20], End::Stop).await;
    let progress = first.0.store.progress(&RailwayFilter::All).await.unwrap();
    let models = progress[0].models.as_ref().unwrap();
    assert!(models.learning.is_empty() && models.seeded.len() == 1, "{progress:?}");
    first.judge(&all[20..], End::Stop).await;
    let expected = standing(first.findings().await);
    let begins = expected.iter().map(|f| f.onset).min().unwrap();
    assert!(begins - begin() < Span::from_hours(4), "{expected:#?}");
    assert!(untold.iter().all(|f| f.onset - begin() > Span::from_days(3)), "{untold:#?}");
    let models = first.0.store.progress(&RailwayFilter::All).await.unwrap()[0].models.clone().unwrap();
    let chances = models.chances.unwrap();
    assert!(chances.unit > 0.9 && chances.channels.values().all(|p| *p > 0.9), "{chances:?}");
    // Told in the middle, after everything, and with kills between.
    for (cut, ends) in [(330, [End::Kill, End::Stop]), (all.len(), [End::Stop, End::Kill])] {
        let bench = Judging::new(engine).await;
        bench.judge(&all[..cut], ends[0]).await;
        record(&bench, std::slice::from_ref(&built)).await;
        record(&bench, std::slice::from_ref(&built)).await;
        bench.judge(&all[cut..], ends[1]).await;
        bench.judge(&[], End::Stop).await;
        assert_eq!(standing(bench.findings().await), expected, "cut at {cut}");
        assert_eq!(bench.judged().await, judged, "cut at {cut}");
    }
}

/// The laboratory's word on a unit that sends nothing: at once, also one that never sent anything, and the same after a
/// kill.
pub(crate) async fn an_oil_sample_of_a_silent_unit_is_judged_without_a_message(engine: Engine) {
    for heard in [0, 100] {
        let bench = Judging::new(engine).await;
        bench.judge(&messages()[..heard], End::Stop).await;
        let result = OilResult {
            quantity: "glycol".into(),
            value: 0.2,
            uom: "%".into(),
            verdict: Some(Verdict::High),
        };
        let fact = Fact::OilSample { sample: "7".into(), results: vec![result] };
        let at = now() - Span::from_hours(30);
        record(&bench, &[NewEntry { unit: unit(1), engine: None, at, fact }]).await;
        bench.judge(&[], End::Kill).await;
        bench.judge(&[], End::Stop).await;
        let found = bench.findings().await;
        assert_eq!(found.len(), 1, "{heard} messages: {found:#?}");
        let one = &found[0];
        assert_eq!((one.onset, one.opened), (at, at), "it takes effect when it was drawn");
        assert!(one.title.starts_with("Glycol high in the oil sample"), "{}", one.title);
        bench.judge(&messages()[heard..heard + 60], End::Stop).await;
        assert_eq!(bench.findings().await, found, "rows of a time before it change nothing of it");
    }
}

pub(crate) async fn a_withdrawn_entry_was_never_there(engine: Engine) {
    let (expected, judged) = clean(engine).await;
    let bench = Judging::new(engine).await;
    record(&bench, &entries()).await;
    bench.judge(&messages(), End::Stop).await;
    let withdrawal = Withdrawal { at: now(), by: "ada".parse().unwrap(), reason: "another unit".into() };
    for id in 1..=3 {
        bench.0.store.withdraw_entry(TimelineId(id), &RailwayFilter::All, &withdrawal).await.unwrap();
    }
    bench.judge(&[], End::Stop).await;
    assert_eq!(bench.findings().await, expected);
    assert_eq!(bench.judged().await, judged);
}

/// Of the second day, delivered after the fifth: more than two days behind the unit's newest.
const OLD: std::ops::Range<usize> = 130..140;

pub(crate) async fn what_came_beyond_the_horizon_is_left_out_of_every_later_fold(engine: Engine) {
    let mut within = messages();
    let beyond: Vec<NewMessage> = within.splice(OLD, []).collect();
    let bench = Judging::new(engine).await;
    bench.judge(&within, End::Stop).await;
    let (expected, judged) = (bench.findings().await, bench.judged().await);
    assert_eq!(expected.len(), 1, "{expected:#?}");

    // Late, twice, and with another value for a key that was judged.
    let contradiction = message(0, &[9e6], now());
    bench.judge(&beyond, End::Stop).await;
    bench.judge(&[&beyond[..], &[contradiction]].concat(), End::Kill).await;
    bench.judge(&[], End::Stop).await;
    assert_eq!((bench.findings().await, bench.judged().await), (expected.clone(), judged), "as it was");
    // Settings of another version leave no snapshot to begin with: everything is folded anew.
    let anew = Settings { version: Settings::default().version + 1, ..Settings::default() };
    bench.judge_with(anew, &[], End::Stop).await;
    assert_eq!(bench.judged().await, judged, "a fold from the beginning leaves out the same");
    let of = |found: &[MachinePart]| -> Vec<_> {
        found.iter().map(|f| (f.id.clone(), f.onset, f.symptoms[0].size.to_bits())).collect()
    };
    assert_eq!(of(&bench.findings().await), of(&expected));

    // The same at one go, read from the journal in other portions.
    let at_once = Judging::new(engine).await;
    at_once.judge(&[within, beyond].concat(), End::Stop).await;
    assert_eq!((at_once.findings().await, at_once.judged().await), (expected, judged));
}
