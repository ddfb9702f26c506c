//! One region, one cause, one finding with members: found whatever the order, stops or kills, and not where single faults
//! are.
//!
//! Drives the evaluator over a real SQLite store with a generated fleet of pumps.
#![expect(clippy::unwrap_used, reason = "a test that cannot set itself up fails")]

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::{EvaluateOptions, Evaluator};
use notchwatch_findings::{COMMON_ID, Library};
use notchwatch_model::{
    AlarmState, ChannelIx, Decoded, Envelope, Finding, RailwayFilter, Register, Sample, Scope, Span, Time,
    UnitKey,
};
use notchwatch_store::{FindingQuery, NewMessage, Options, Store};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Units of the region in trouble, all of which send.
const EAST: i64 = 6;
/// Units elsewhere, of which the first sends.
const WEST: i64 = 30;
const MINUTES: i64 = 4 * 1440;
const STEP_AT: i64 = 2 * 1440 + 600;
const ROWS: i64 = 60;

fn begin() -> Time {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn now() -> Time {
    begin() + Span::from_days(6)
}

fn register() -> Register {
    let mut text = String::from(
        "railways = [{ id = \"r\", name = \"A railway\" }]\n[[classes]]\nid = \"pump\"\nname = \"A pump\"\n\
         channels = [{ name = \"pressure\", system = \"machine\", uom = \"Pa\", resolution = 100.0 }]\n",
    );
    for number in 0..EAST + WEST {
        let region = if number < EAST { "east" } else { "west" };
        writeln!(
            text,
            "[[units]]\nrailway = \"r\"\nid = \"{number}\"\nclass = \"pump\"\nregion = \"{region}\""
        )
        .unwrap();
    }
    toml::from_str(&text).unwrap()
}

fn key(number: i64) -> UnitKey {
    UnitKey { railway: "r".parse().unwrap(), unit: number.to_string().parse().unwrap() }
}

/// Noise round a level, from a generator of its own for each unit (constants of Knuth's MMIX, from memory).
fn values(number: i64, steps: bool) -> Vec<f64> {
    let mut state = u64::try_from(number).unwrap() + 77;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from((state >> 33) % 1_000_000).unwrap()) / 1e6
    };
    (0..MINUTES)
        .map(|minute| {
            let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
            let stepped = steps && minute >= STEP_AT + 37 * number;
            let level = if stepped { 330_000.0 } else { 400_000.0 };
            ((level + 5_000.0 * noise) / 100.0).round() * 100.0
        })
        .collect()
}

/// What the units sent, in order of time. `troubled` says whose pressure falls.
fn messages(troubled: impl Fn(i64) -> bool) -> Vec<NewMessage> {
    let mut all = Vec::new();
    for number in 0..=EAST {
        let values = values(number, troubled(number));
        for (first, chunk) in
            (0..).step_by(usize::try_from(ROWS).unwrap()).zip(values.chunks(usize::try_from(ROWS).unwrap()))
        {
            let samples = (first..).zip(chunk).map(|(minute, value)| Sample {
                time: begin() + Span::from_mins(minute),
                channel: ChannelIx(0),
                value: *value,
            });
            let received = begin() + Span::from_mins(first + ROWS);
            all.push(NewMessage {
                envelope: Envelope {
                    received,
                    topic: format!("units/r/{number}/senml"),
                    content_type: None,
                    retained: false,
                    payload: format!("{number} {first}").into_bytes(),
                },
                decoded: Decoded {
                    unit: Some(key(number)),
                    samples: samples.collect(),
                    ..Decoded::default()
                },
            });
        }
    }
    all.sort_by_key(|message| message.envelope.received);
    all
}

struct Bench {
    _folder: tempfile::TempDir,
    store: Store,
    register: watch::Sender<Arc<Register>>,
}

impl Bench {
    async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("cause.db").display());
        let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
        store.put_register(&register(), &"test".parse().unwrap(), begin()).await.unwrap();
        let register = watch::Sender::new(Arc::new(store.register().await.unwrap()));
        Self { _folder: folder, store, register }
    }

    /// Judges messages and stops.
    async fn judge(&self, messages: &[NewMessage]) {
        let options = EvaluateOptions {
            settle: Duration::from_millis(5),
            poll: Duration::from_millis(5),
            round: 50,
            ..EvaluateOptions::default()
        };
        let (library, settings) = (Arc::new(Library::builtin().unwrap()), Arc::new(Settings::default()));
        let evaluator =
            Evaluator::new(self.store.clone(), options, library, settings, self.register.subscribe(), now);
        let stop = CancellationToken::new();
        let running = spawn(evaluator.run(stop.clone()));
        self.store.append(messages).await.unwrap();
        let last = self.store.journal_end().await.unwrap();
        while self.store.evaluated().await.unwrap() < last {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        stop.cancel();
        running.await.unwrap();
    }

    async fn findings(&self) -> Vec<Finding> {
        let query = FindingQuery { limit: 1000, ..FindingQuery::default() };
        let page = self.store.findings(&query, &RailwayFilter::All, now()).await.unwrap();
        let mut found: Vec<Finding> =
            page.items.into_iter().filter(|f| !f.machine.from_receipt() && f.open()).collect();
        found.sort_by(|a, b| a.machine.id.cmp(&b.machine.id));
        found
    }
}

#[expect(clippy::disallowed_methods, reason = "the handle is awaited by the one caller")]
fn spawn(work: impl Future<Output = ()> + Send + 'static) -> tokio::task::JoinHandle<()> {
    tokio::spawn(work)
}

#[tokio::test(flavor = "multi_thread")]
async fn one_regions_trouble_is_one_finding_whatever_the_way_it_came() {
    let all = messages(|number| number < EAST - 1);
    let clean = Bench::new().await;
    clean.judge(&all).await;
    let found = clean.findings().await;
    let (common, single): (Vec<_>, Vec<_>) =
        found.iter().partition(|f| f.machine.id.as_str().starts_with(COMMON_ID));
    assert_eq!(common.len(), 1, "{found:#?}");
    let one = &common[0].machine;
    assert_eq!((&one.scope, one.members.len()), (&Scope::Region("east".into()), 5));
    assert_eq!(common[0].alarm_state(now()), AlarmState::Unacknowledged);
    assert_eq!(single.len(), 5);
    for member in single {
        assert_eq!(member.machine.part_of.as_ref(), Some(&one.id));
        assert_eq!(member.alarm_state(now()), AlarmState::SuppressedByDesign, "told by the common one alone");
    }

    // Units one after the other, in parts with stops between.
    let mut by_unit = all.clone();
    by_unit.sort_by(|a, b| b.envelope.topic.cmp(&a.envelope.topic));
    let other = Bench::new().await;
    for part in by_unit.chunks(by_unit.len() / 3 + 1) {
        other.judge(part).await;
    }
    let machines = |found: &[Finding]| found.iter().map(|f| f.machine.clone()).collect::<Vec<_>>();
    assert_eq!(machines(&other.findings().await), machines(&found));
}

#[tokio::test(flavor = "multi_thread")]
async fn single_faults_stay_single() {
    let bench = Bench::new().await;
    bench.judge(&messages(|number| number == 1 || number == EAST)).await;
    let found = bench.findings().await;
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(found.iter().all(|f| f.machine.part_of.is_none()));
    assert!(found.iter().all(|f| f.alarm_state(now()) == AlarmState::Unacknowledged));
}
