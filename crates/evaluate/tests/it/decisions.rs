//! Decisions that join, part and reopen findings are inputs of the fold: restarts, kills and late data change nothing
//! of what they did, and a unit that sends nothing more still gets them.

use std::collections::BTreeMap;

use notchwatch_findings::{Ruling, rule};
use notchwatch_model::{
    Act, ChannelIx, Finding, FindingId, MachinePart, Outcome, RailwayFilter, Sample, Span, SymptomName, Time,
};
use notchwatch_store::{NewDecision, NewMessage, Store, Verdict};

use crate::bench::{self, Bench, End, Engine, Noise};

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

/// Noise about a level, and a step that stays.
fn messages() -> Vec<NewMessage> {
    let mut noise = Noise(5);
    let mut messages = Vec::new();
    for first in (0..MINUTES).step_by(usize::try_from(ROWS).unwrap()) {
        let mut samples = Vec::new();
        for minute in first..first + ROWS {
            for (channel, step) in (0u16..).zip(STEPS) {
                let value = noise.about(if minute < step { 400_000.0 } else { 330_000.0 });
                samples.push(Sample { time: at(minute), channel: ChannelIx(channel), value });
            }
        }
        messages.push(bench::message(1, at(first + ROWS), first, samples));
    }
    messages
}

/// A bench for the one unit and what is decided about it.
struct Deciding(Bench);

impl Deciding {
    async fn new(engine: Engine) -> Self {
        Self(
            Bench::new(
                engine,
                &bench::register(&[("pressure", "lubrication", "number"), ("flow", "cooling", "number")], 2),
                at(0),
            )
            .await,
        )
    }

    /// Runs an evaluator until `done`, then ends it.
    async fn run(&self, end: End, done: impl AsyncFn(&Store) -> bool) {
        self.0.evaluate(now, end, done).await;
    }

    /// Appends messages and judges them.
    async fn judge(&self, messages: &[NewMessage], end: End) {
        self.0.judge(messages, now, end).await;
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
        let done = self.0.store.decide(&decision, &ALL, &judge).await.unwrap().unwrap();
        assert!(matches!(done.verdict, Verdict::Apply(_) | Verdict::Both(..)), "{done:?}");
    }

    async fn find(&self, id: &FindingId) -> Option<Finding> {
        self.0.store.finding(id, &ALL).await.unwrap()
    }

    /// Machine halves by id, and which are open.
    async fn findings(&self) -> BTreeMap<FindingId, (MachinePart, bool)> {
        let found = self.0.findings(now()).await.into_iter();
        found.map(|f| (f.machine.id.clone(), (f.machine.clone(), f.open()))).collect()
    }

    /// The two findings of the two steps, the earlier first.
    async fn two(&self) -> [FindingId; 2] {
        let mut found: Vec<MachinePart> = self.findings().await.into_values().map(|(part, _)| part).collect();
        found.sort_by_key(|part| part.opened);
        let ids: Vec<FindingId> = found.into_iter().map(|part| part.id).collect();
        ids.try_into().unwrap()
    }
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

pub(crate) async fn merged_and_reopened_findings_are_the_same_after_restarts_kills_and_late_data(
    engine: Engine,
) {
    let mut expected = None;
    for (end, late) in [(End::Stop, false), (End::Kill, false), (End::Stop, true), (End::Kill, true)] {
        let bench = Deciding::new(engine).await;
        let (mut before, mut after, straggler) = parted();
        if late {
            after.push(straggler);
        } else {
            before.push(straggler);
        }
        bench.judge(&before, end).await;
        let [first, second] = bench.two().await;
        bench.decide(&second, DECIDED, Act::Merge { into: first.clone() }).await;
        let middle = after.len() / 2;
        bench.judge(&after[..middle], end).await;
        let outcome = Outcome::NoFaultFound;
        bench.decide(&first, DECIDED + 240, Act::Close { outcome, note: None }).await;
        bench.decide(&first, DECIDED + 300, Act::Reopen { reason: "too soon".into() }).await;
        bench.judge(&after[middle..], end).await;
        bench.judge(&[], End::Stop).await;
        let found = bench.findings().await;
        assert_eq!(found.len(), 2, "{found:#?}");
        let channels: Vec<&str> = found[&first].0.symptoms.iter().map(|s| s.channel.as_str()).collect();
        assert!(channels.contains(&"flow") && channels.contains(&"pressure"), "{channels:?}");
        assert_eq!((found[&first].1, found[&second].1), (true, false));
        let stays = found[&first].clone();
        assert_eq!(*expected.get_or_insert(stays.clone()), stays, "{end:?}, late {late}");
    }
}

pub(crate) async fn a_silent_unit_still_gets_its_finding_split_off_and_what_comes_late_takes_its_place(
    engine: Engine,
) {
    let (before, after, straggler) = parted();
    let bench = Deciding::new(engine).await;
    bench.judge(&before, End::Stop).await;
    bench.judge(&[straggler], End::Stop).await;
    let [first, second] = bench.two().await;
    // Taken an hour after the last message: rows that come later for that hour are late.
    bench.decide(&second, DECIDED + 60, Act::Merge { into: first.clone() }).await;
    let merged = async |store: &Store| {
        let part = store.finding(&first, &ALL).await.unwrap().unwrap().machine;
        part.symptoms.iter().any(|s| s.channel.as_str() == "flow")
    };
    bench.run(End::Kill, merged).await;
    let part = bench.find(&first).await.unwrap().machine;
    bench.decide(&first, DECIDED + 61, split_flow(&part)).await;
    let off = bench.find(&first).await.unwrap().operator.split_off.remove(0);
    bench.run(End::Stop, async |store| store.finding(&off, &ALL).await.unwrap().is_some()).await;
    let split = bench.find(&off).await.unwrap();
    assert_eq!((split.machine.split_from, split.version), (Some(first.clone()), 1));
    assert!(split.machine.active && split.operator.taken_by.is_none());

    bench.judge(&after, End::Stop).await;
    let found = bench.findings().await;
    assert_eq!(found.len(), 3, "{found:#?}");
    assert_eq!([&first, &second, &off].map(|id| found[id].1), [true, false, true]);
    assert!(found.values().all(|(part, _)| part.ended.is_none()), "nothing was withdrawn: {found:#?}");
    assert!(found[&off].0.symptoms.iter().all(|s| s.channel.as_str() == "flow"));
}
