//! Findings depend on what was measured, not on how it arrived: order, repeats, delay, restarts and kills change nothing.
//!
//! Drives the evaluator over a real SQLite store with the same messages in different ways, and compares findings,
//! their symptoms and the samples judged with a clean run in order.
#![expect(clippy::unwrap_used, reason = "a test that cannot set itself up fails")]

use std::sync::Arc;
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::{EvaluateOptions, Evaluator};
use notchwatch_findings::Library;
use notchwatch_model::{
    Activity, ChannelIx, Decoded, Envelope, Fact, FindingKind, MachinePart, NewEntry, Origin, Outcome,
    RailwayFilter, Register, Sample, Span, System, Time, TimelineId, UnitKey, Withdrawal,
};
use notchwatch_store::{FindingQuery, NewMessage, Options, Store};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

const REGISTER: &str = r#"
[[railways]]
id = "r"
name = "A railway"

[[classes]]
id = "pump"
name = "A pump"

[[classes.channels]]
name = "pressure"
system = "machine"
uom = "Pa"
resolution = 100.0

[[units]]
railway = "r"
id = "1"
class = "pump"
"#;

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

/// A small generator, so that the test needs no seed from outside (constants of Knuth's MMIX, from memory).
struct Lcg(u64);

impl Lcg {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next()).unwrap() % n
    }

    /// Roughly normal: the sum of twelve uniform numbers, less six.
    fn noise(&mut self) -> f64 {
        (0..12).map(|_| f64::from(u32::try_from(self.next() % 1_000_000).unwrap()) / 1e6).sum::<f64>() - 6.0
    }
}

fn message(first: i64, values: &[f64], received: Time) -> NewMessage {
    let samples = (first..)
        .zip(values)
        .map(|(minute, value)| Sample {
            time: begin() + Span::from_mins(minute),
            channel: ChannelIx(0),
            value: *value,
        })
        .collect();
    let unit: UnitKey = UnitKey { railway: "r".parse().unwrap(), unit: "1".parse().unwrap() };
    NewMessage {
        envelope: Envelope {
            received,
            topic: "units/r/1/senml".into(),
            content_type: None,
            retained: false,
            payload: first.to_string().into_bytes(),
        },
        decoded: Decoded { unit: Some(unit), samples, ..Decoded::default() },
    }
}

/// What the unit sent, in order: noise round a level, and a step that stays.
fn messages() -> Vec<NewMessage> {
    let mut random = Lcg(7);
    let values: Vec<f64> = (0..MINUTES)
        .map(|minute| {
            let level = if minute < STEP_AT { 400_000.0 } else { 330_000.0 };
            ((level + 5_000.0 * random.noise()) / 100.0).round() * 100.0
        })
        .collect();
    (0..)
        .step_by(usize::try_from(ROWS).unwrap())
        .zip(values.chunks(usize::try_from(ROWS).unwrap()))
        .map(|(first, chunk)| message(first, chunk, begin() + Span::from_mins(first + ROWS)))
        .collect()
}

struct Bench {
    _folder: tempfile::TempDir,
    store: Store,
    register: watch::Sender<Arc<Register>>,
}

impl Bench {
    async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("order.db").display());
        let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
        let register: Register = toml::from_str(REGISTER).unwrap();
        assert_eq!(register.problems(), []);
        store.put_register(&register, &"test".parse().unwrap(), begin()).await.unwrap();
        let register = watch::Sender::new(Arc::new(store.register().await.unwrap()));
        Self { _folder: folder, store, register }
    }

    fn evaluator(&self, settings: Settings) -> Evaluator {
        let options = EvaluateOptions {
            settle: Duration::from_millis(20),
            poll: Duration::from_millis(5),
            round: 50,
            ..EvaluateOptions::default()
        };
        let library = Arc::new(Library::builtin().unwrap());
        let settings = Arc::new(settings);
        Evaluator::new(self.store.clone(), options, library, settings, self.register.subscribe(), now)
    }

    /// Appends messages, a few at a time, while the evaluator runs; `end` says how it ends.
    async fn judge(&self, messages: &[NewMessage], end: End) {
        self.judge_with(Settings::default(), messages, end).await;
    }

    async fn judge_with(&self, settings: Settings, messages: &[NewMessage], end: End) {
        let evaluator = self.evaluator(settings);
        let mut lag = evaluator.lag();
        let stop = CancellationToken::new();
        let running = spawn(evaluator.run(stop.clone()));
        for chunk in messages.chunks(37) {
            self.store.append(chunk).await.unwrap();
        }
        if end == End::Kill {
            // Somewhere in the middle of its work.
            tokio::time::sleep(Duration::from_millis(60)).await;
            running.abort();
            drop(running.await);
            return;
        }
        let last = self.store.journal_end().await.unwrap();
        let told = self
            .store
            .timeline_after(TimelineId(0), 1000)
            .await
            .unwrap()
            .last()
            .map(|s| s.id)
            .unwrap_or_default();
        while self.store.evaluated().await.unwrap() < last || self.store.timelined().await.unwrap() < told {
            tokio::select! {
                _ = lag.changed() => {}
                () = tokio::time::sleep(Duration::from_millis(20)) => {}
            }
        }
        stop.cancel();
        running.await.unwrap();
    }

    async fn findings(&self) -> Vec<MachinePart> {
        let query = FindingQuery { limit: 1000, ..FindingQuery::default() };
        let page = self.store.findings(&query, &RailwayFilter::All, now()).await.unwrap();
        let mut found: Vec<MachinePart> = page.items.into_iter().map(|f| f.machine).collect();
        found.sort_by(|a, b| a.id.cmp(&b.id));
        found
    }

    async fn judged(&self) -> u64 {
        self.store.progress(&RailwayFilter::All).await.unwrap().iter().map(|p| p.samples).sum()
    }
}

#[expect(clippy::disallowed_methods, reason = "the handle is awaited or aborted by the one caller")]
fn spawn(work: impl Future<Output = ()> + Send + 'static) -> tokio::task::JoinHandle<()> {
    tokio::spawn(work)
}

#[derive(PartialEq, Clone, Copy)]
enum End {
    Stop,
    Kill,
}

async fn clean() -> (Vec<MachinePart>, u64) {
    let bench = Bench::new().await;
    bench.judge(&messages(), End::Stop).await;
    (bench.findings().await, bench.judged().await)
}

/// Findings that stand: one that was shown on part of the data and withdrawn since is history, not a result.
fn standing(found: Vec<MachinePart>) -> Vec<MachinePart> {
    found.into_iter().filter(|f| f.ended.is_none_or(|e| e.1 != Outcome::Withdrawn)).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_step_is_found_once_and_dated() {
    let (found, judged) = clean().await;
    assert_eq!(judged, u64::try_from(MINUTES).unwrap());
    assert_eq!(found.len(), 1, "{found:#?}");
    let finding = &found[0];
    assert_eq!(finding.kind, FindingKind::Machine);
    let off = (finding.onset - (begin() + Span::from_mins(STEP_AT))).secs_f64().abs();
    assert!(off <= 3600.0, "onset {} is {off} s off", finding.onset);
    assert!(finding.active && finding.symptoms[0].size < -50_000.0, "{finding:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn order_repeats_and_delay_change_nothing() {
    let (expected, judged) = clean().await;
    for seed in 1..=3 {
        let mut random = Lcg(seed);
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
        let bench = Bench::new().await;
        bench.judge(&shuffled, End::Stop).await;
        assert_eq!(standing(bench.findings().await), expected, "seed {seed}");
        assert_eq!(bench.judged().await, judged, "seed {seed}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn stops_and_kills_change_nothing() {
    let (expected, judged) = clean().await;
    let all = messages();
    for ends in [[End::Stop, End::Stop], [End::Kill, End::Kill], [End::Kill, End::Stop]] {
        let bench = Bench::new().await;
        bench.judge(&all[..220], ends[0]).await;
        bench.judge(&all[220..430], ends[1]).await;
        bench.judge(&all[430..], End::Stop).await;
        assert_eq!(bench.findings().await, expected);
        assert_eq!(bench.judged().await, judged);
    }
}

/// Works and samples on the unit's timeline: the sensor's exchange at the step is a person's word that the level is new.
fn entries() -> Vec<NewEntry> {
    let unit: UnitKey = UnitKey { railway: "r".parse().unwrap(), unit: "1".parse().unwrap() };
    let entry = |minute: i64, fact| NewEntry {
        unit: unit.clone(),
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

async fn record(bench: &Bench, entries: &[NewEntry]) {
    bench.store.record_entries(entries, &"ada".parse().unwrap(), Origin::Api, now()).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn an_exchanged_sensor_is_no_fault_whenever_it_is_told() {
    let all = messages();
    let (untold, judged) = clean().await;
    assert_eq!(standing(untold).len(), 1);
    // Told before the data, in the middle, after everything, and by halves with kills between.
    let first = Bench::new().await;
    record(&first, &entries()).await;
    first.judge(&all, End::Stop).await;
    let expected = first.findings().await;
    assert!(expected.is_empty(), "{expected:#?}");
    for (cut, ends) in
        [(380, [End::Stop, End::Stop]), (330, [End::Kill, End::Stop]), (all.len(), [End::Stop, End::Kill])]
    {
        let bench = Bench::new().await;
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

#[tokio::test(flavor = "multi_thread")]
async fn a_withdrawn_entry_was_never_there() {
    let (expected, judged) = clean().await;
    let bench = Bench::new().await;
    record(&bench, &entries()).await;
    bench.judge(&messages(), End::Stop).await;
    let withdrawal = Withdrawal { at: now(), by: "ada".parse().unwrap(), reason: "another unit".into() };
    for id in 1..=3 {
        bench.store.withdraw_entry(TimelineId(id), &RailwayFilter::All, &withdrawal).await.unwrap();
    }
    bench.judge(&[], End::Stop).await;
    assert_eq!(bench.findings().await, expected);
    assert_eq!(bench.judged().await, judged);
}

/// Of the second day, delivered after the fifth: more than two days behind the unit's newest.
const OLD: std::ops::Range<usize> = 130..140;

#[tokio::test(flavor = "multi_thread")]
async fn what_came_beyond_the_horizon_is_left_out_of_every_later_fold() {
    let mut within = messages();
    let beyond: Vec<NewMessage> = within.splice(OLD, []).collect();
    let bench = Bench::new().await;
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
    let at_once = Bench::new().await;
    at_once.judge(&[within, beyond].concat(), End::Stop).await;
    assert_eq!((at_once.findings().await, at_once.judged().await), (expected, judged));
}
