//! Decisions that join, part and reopen findings are inputs of the fold: restarts, kills and late data change nothing
//! of what they did, and a unit that sends nothing more still gets them.
#![expect(clippy::unwrap_used, reason = "a test that cannot set itself up fails")]

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::{EvaluateOptions, Evaluator};
use notchwatch_findings::{Library, Ruling, rule};
use notchwatch_model::{
    Act, ChannelIx, Decoded, Envelope, Finding, FindingId, MachinePart, Outcome, RailwayFilter, Register,
    Sample, Span, SymptomName, Time, UnitKey,
};
use notchwatch_store::{FindingQuery, NewDecision, NewMessage, Options, Store, Verdict};
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
system = "lubrication"
uom = "Pa"
resolution = 100.0

[[classes.channels]]
name = "flow"
system = "cooling"
uom = "Pa"
resolution = 100.0

[[units]]
railway = "r"
id = "1"
class = "pump"
"#;

/// Minutes of data, with a step of each channel after three days, ten hours apart.
const MINUTES: i64 = 5 * 1440;
const STEPS: [i64; 2] = [3 * 1440 + 60, 3 * 1440 + 660];
/// Decisions are taken at this minute, with all before it judged.
const DECIDED: i64 = 4 * 1440 + 300;
const ROWS: i64 = 12;
const ALL: RailwayFilter = RailwayFilter::All;

fn at(minute: i64) -> Time {
    let begin: Time = "2026-03-02T00:00:00Z".parse().unwrap();
    begin + Span::from_mins(minute)
}

fn now() -> Time {
    at(DECIDED + 2880)
}

/// Noise of a small generator (constants of Knuth's MMIX, from memory), a level, and a step that stays.
fn messages() -> Vec<NewMessage> {
    let mut state = 5_u64;
    let mut noise = || {
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            f64::from(u32::try_from((state >> 33) % 1_000_000).unwrap()) / 1e6
        };
        (0..12).map(|_| next()).sum::<f64>() - 6.0
    };
    let unit: UnitKey = UnitKey { railway: "r".parse().unwrap(), unit: "1".parse().unwrap() };
    let mut messages = Vec::new();
    for first in (0..MINUTES).step_by(usize::try_from(ROWS).unwrap()) {
        let mut samples = Vec::new();
        for minute in first..first + ROWS {
            for (channel, step) in (0u16..).zip(STEPS) {
                let level = if minute < step { 400_000.0 } else { 330_000.0 };
                let value = ((level + 5_000.0 * noise()) / 100.0).round() * 100.0;
                samples.push(Sample { time: at(minute), channel: ChannelIx(channel), value });
            }
        }
        messages.push(NewMessage {
            envelope: Envelope {
                received: at(first + ROWS),
                topic: "units/r/1/senml".into(),
                content_type: None,
                retained: false,
                payload: first.to_string().into_bytes(),
            },
            decoded: Decoded { unit: Some(unit.clone()), samples, ..Decoded::default() },
        });
    }
    messages
}

struct Bench {
    _folder: tempfile::TempDir,
    store: Store,
    register: watch::Sender<Arc<Register>>,
}

impl Bench {
    async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("decisions.db").display());
        let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
        let register: Register = toml::from_str(REGISTER).unwrap();
        store.put_register(&register, &"test".parse().unwrap(), at(0)).await.unwrap();
        let register = watch::Sender::new(Arc::new(store.register().await.unwrap()));
        Self { _folder: folder, store, register }
    }

    /// Runs an evaluator until `done`, then stops or kills it.
    async fn run(&self, kill: bool, done: impl AsyncFn(&Store) -> bool) {
        let options = EvaluateOptions {
            settle: Duration::from_millis(5),
            poll: Duration::from_millis(2),
            round: 60,
            ..EvaluateOptions::default()
        };
        let library = Arc::new(Library::builtin().unwrap());
        let settings = Arc::new(Settings::default());
        let register = self.register.subscribe();
        let evaluator = Evaluator::new(self.store.clone(), options, library, settings, register, now);
        let stop = CancellationToken::new();
        let running = spawn(evaluator.run(stop.clone()));
        while !done(&self.store).await {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        if kill {
            running.abort();
            drop(running.await);
        } else {
            stop.cancel();
            running.await.unwrap();
        }
    }

    /// Appends messages and judges them.
    async fn judge(&self, messages: &[NewMessage], kill: bool) {
        self.store.append(messages).await.unwrap();
        let last = self.store.journal_end().await.unwrap();
        self.run(kill, async |store| store.evaluated().await.unwrap() >= last).await;
    }

    async fn decide(&self, finding: &FindingId, minute: i64, act: Act) {
        let seen = self.find(finding).await.unwrap().version;
        let decision =
            NewDecision { finding: finding.clone(), seen, by: "kim".parse().unwrap(), at: at(minute), act };
        let judge = |finding: &Finding, other: Option<&Finding>| {
            let ruling = rule(finding, other, &decision.act, decision.seen, &decision.by, decision.at);
            match ruling {
                Ruling::Apply(operator) => Verdict::Apply(operator),
                Ruling::Both(both) => Verdict::Both(both),
                Ruling::Repeat => Verdict::Repeat,
                Ruling::Stale => Verdict::Stale,
                Ruling::Refuse(why) => Verdict::Refuse(why),
            }
        };
        let done = self.store.decide(&decision, &ALL, &judge).await.unwrap().unwrap();
        assert!(matches!(done.verdict, Verdict::Apply(_) | Verdict::Both(..)), "{done:?}");
    }

    async fn find(&self, id: &FindingId) -> Option<Finding> {
        self.store.finding(id, &ALL).await.unwrap()
    }

    /// Machine halves by id, and which are open.
    async fn findings(&self) -> BTreeMap<FindingId, (MachinePart, bool)> {
        let query = FindingQuery { limit: 100, ..FindingQuery::default() };
        let page = self.store.findings(&query, &ALL, now()).await.unwrap();
        page.items.into_iter().map(|f| (f.machine.id.clone(), (f.machine.clone(), f.open()))).collect()
    }

    /// The two findings of the two steps, the earlier first.
    async fn two(&self) -> [FindingId; 2] {
        let mut found: Vec<MachinePart> = self.findings().await.into_values().map(|(part, _)| part).collect();
        found.sort_by_key(|part| part.opened);
        let ids: Vec<FindingId> = found.into_iter().map(|part| part.id).collect();
        ids.try_into().unwrap()
    }
}

#[expect(clippy::disallowed_methods, reason = "the handle is awaited or aborted by the one caller")]
fn spawn(work: impl Future<Output = ()> + Send + 'static) -> tokio::task::JoinHandle<()> {
    tokio::spawn(work)
}

fn split_flow(part: &MachinePart) -> Act {
    let symptom = part.symptoms.iter().find(|s| s.channel.as_str() == "flow").unwrap();
    Act::Split { symptoms: vec![SymptomName { channel: symptom.channel.clone(), kind: symptom.kind }] }
}

/// Messages before the decisions, those after, and one of before that comes last.
fn parted() -> (Vec<NewMessage>, Vec<NewMessage>, NewMessage) {
    let mut before = messages();
    let after = before.split_off(usize::try_from(DECIDED / ROWS).unwrap());
    let straggler = before.remove(usize::try_from((4 * 1440) / ROWS).unwrap());
    (before, after, straggler)
}

#[tokio::test(flavor = "multi_thread")]
async fn merged_and_reopened_findings_are_the_same_after_restarts_kills_and_late_data() {
    let mut expected = None;
    for (kill, late) in [(false, false), (true, false), (false, true), (true, true)] {
        let bench = Bench::new().await;
        let (mut before, mut after, straggler) = parted();
        if late {
            after.push(straggler);
        } else {
            before.push(straggler);
        }
        bench.judge(&before, kill).await;
        let [first, second] = bench.two().await;
        bench.decide(&second, DECIDED, Act::Merge { into: first.clone() }).await;
        let middle = after.len() / 2;
        bench.judge(&after[..middle], kill).await;
        let outcome = Outcome::NoFaultFound;
        bench.decide(&first, DECIDED + 240, Act::Close { outcome, note: None }).await;
        bench.decide(&first, DECIDED + 300, Act::Reopen { reason: "too soon".into() }).await;
        bench.judge(&after[middle..], kill).await;
        bench.judge(&[], false).await;
        let found = bench.findings().await;
        assert_eq!(found.len(), 2, "{found:#?}");
        let channels: Vec<&str> = found[&first].0.symptoms.iter().map(|s| s.channel.as_str()).collect();
        assert!(channels.contains(&"flow") && channels.contains(&"pressure"), "{channels:?}");
        assert_eq!((found[&first].1, found[&second].1), (true, false));
        let stays = found[&first].clone();
        assert_eq!(*expected.get_or_insert(stays.clone()), stays, "kill {kill}, late {late}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_unit_still_gets_its_finding_split_off_and_what_comes_late_takes_its_place() {
    let (before, after, straggler) = parted();
    let bench = Bench::new().await;
    bench.judge(&before, false).await;
    bench.judge(&[straggler], false).await;
    let [first, second] = bench.two().await;
    // Taken an hour after the last message: rows that come later for that hour are late.
    bench.decide(&second, DECIDED + 60, Act::Merge { into: first.clone() }).await;
    let merged = async |store: &Store| {
        let part = store.finding(&first, &ALL).await.unwrap().unwrap().machine;
        part.symptoms.iter().any(|s| s.channel.as_str() == "flow")
    };
    bench.run(true, merged).await;
    let part = bench.find(&first).await.unwrap().machine;
    bench.decide(&first, DECIDED + 61, split_flow(&part)).await;
    let off = bench.find(&first).await.unwrap().operator.split_off.remove(0);
    bench.run(false, async |store| store.finding(&off, &ALL).await.unwrap().is_some()).await;
    let split = bench.find(&off).await.unwrap();
    assert_eq!((split.machine.split_from, split.version), (Some(first.clone()), 1));
    assert!(split.machine.active && split.operator.taken_by.is_none());

    bench.judge(&after, false).await;
    let found = bench.findings().await;
    assert_eq!(found.len(), 3, "{found:#?}");
    assert_eq!([&first, &second, &off].map(|id| found[id].1), [true, false, true]);
    assert!(found.values().all(|(part, _)| part.ended.is_none()), "nothing was withdrawn: {found:#?}");
    assert!(found[&off].0.symptoms.iter().all(|s| s.channel.as_str() == "flow"));
}
