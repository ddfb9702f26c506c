//! One region, one cause, one finding with members: found whatever the order, stops or kills, and not where single faults
//! are.
//!
//! Drives the evaluator over a real store with a generated fleet of pumps.

use notchwatch_findings::{COMMON_ID, Ruling, rule};
use notchwatch_model::{
    Act, AlarmState, ChannelIx, Finding, Outcome, RailwayFilter, Sample, Scope, Span, Time,
};
use notchwatch_store::{NewDecision, NewMessage, Store, Verdict};

use crate::bench::{self, Bench, End, Engine, Noise};

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

/// Noise about a level, from a generator of its own for each unit.
fn values(number: i64, steps: bool) -> Vec<f64> {
    let mut noise = Noise(u64::try_from(number).unwrap() + 77);
    let stepped = |minute| steps && minute >= STEP_AT + 37 * number;
    (0..MINUTES).map(|minute| noise.about(if stepped(minute) { 330_000.0 } else { 400_000.0 })).collect()
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
            all.push(bench::message(number, received, first, samples.collect()));
        }
    }
    all.sort_by_key(|message| message.envelope.received);
    all
}

/// Open findings that follow from samples, by id.
async fn findings(bench: &Bench) -> Vec<Finding> {
    let mut found = bench.findings(now()).await;
    found.retain(|f| !f.machine.from_receipt() && f.open());
    found
}

pub(crate) async fn one_regions_trouble_is_one_finding_whatever_the_way_it_came(engine: Engine) {
    let all = messages(|number| number < EAST - 1);
    let clean = Bench::new(engine, &bench::two_regions(EAST, WEST), begin()).await;
    clean.judge(&all, now, End::Stop).await;
    let found = findings(&clean).await;
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

    the_last_member_that_is_closed_ends_it(&clean, &found).await;

    // Units one after the other, in parts with stops between.
    let mut by_unit = all.clone();
    by_unit.sort_by(|a, b| b.envelope.topic.cmp(&a.envelope.topic));
    let other = Bench::new(engine, &bench::two_regions(EAST, WEST), begin()).await;
    for part in by_unit.chunks(by_unit.len() / 3 + 1) {
        other.judge(part, now, End::Stop).await;
    }
    let machines = |found: &[Finding]| found.iter().map(|f| f.machine.clone()).collect::<Vec<_>>();
    assert_eq!(machines(&findings(&other).await), machines(&found));
}

async fn the_last_member_that_is_closed_ends_it(bench: &Bench, found: &[Finding]) {
    let (common, members): (Vec<_>, Vec<_>) =
        found.iter().partition(|f| f.machine.id.as_str().starts_with(COMMON_ID));
    for (member, minute) in members.iter().zip(0..) {
        let act = Act::Close { outcome: Outcome::RepairedElsewhere, note: None };
        let at = now() - Span::from_mins(10 - minute);
        let finding = member.machine.id.clone();
        let decision = NewDecision { finding, seen: member.version, by: "kim".parse().unwrap(), at, act };
        let judge = |finding: &Finding, other: Option<&Finding>| {
            let ruling = rule(finding, other, &decision.act, decision.seen, &decision.by, decision.at);
            let Ruling::Apply(operator) = ruling else {
                unreachable!("a close of an open finding: {ruling:?}")
            };
            Verdict::Apply(operator)
        };
        bench.store.decide(&decision, &RailwayFilter::All, &judge).await.unwrap().unwrap();
    }
    let id = &common[0].machine.id;
    let find = async |store: &Store| store.finding(id, &RailwayFilter::All).await.unwrap().unwrap();
    bench.evaluate(now, End::Stop, async |store| !find(store).await.open()).await;
    let over = find(&bench.store).await;
    let last = now() - Span::from_mins(10 - i64::try_from(members.len()).unwrap() + 1);
    assert_eq!(over.machine.ended, Some((last, Outcome::RepairedElsewhere)));
}

pub(crate) async fn single_faults_stay_single(engine: Engine) {
    let bench = Bench::new(engine, &bench::two_regions(EAST, WEST), begin()).await;
    bench.judge(&messages(|number| number == 1 || number == EAST), now, End::Stop).await;
    let found = findings(&bench).await;
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(found.iter().all(|f| f.machine.part_of.is_none()));
    assert!(found.iter().all(|f| f.alarm_state(now()) == AlarmState::Unacknowledged));
}

/// The common finding of five does not end when four of them cannot be read, and the fifth stays one of it.
pub(crate) async fn members_that_cannot_be_read_end_nothing(engine: Engine) {
    let all = messages(|number| number < EAST - 1);
    let (last, before) = all.split_last().unwrap();
    let bench = Bench::new(engine, &bench::two_regions(EAST, WEST), begin()).await;
    bench.judge(before, now, End::Stop).await;
    let is_common = |f: &&Finding| f.machine.id.as_str().starts_with(COMMON_ID);
    let found = findings(&bench).await;
    let (common, members): (Vec<_>, Vec<_>) = found.iter().partition(is_common);
    assert_eq!((common.len(), members.len()), (1, 5));
    for member in &members[1..] {
        bench.sql(&format!("UPDATE finding SET machine = '{{' WHERE id = '{}'", member.machine.id));
    }
    bench.judge(std::slice::from_ref(last), now, End::Stop).await;
    let left = findings(&bench).await;
    assert_eq!(left.len(), 2, "{left:#?}");
    let one = left.iter().find(is_common).unwrap();
    assert_eq!((&one.machine.id, one.machine.ended), (&common[0].machine.id, None));
    assert!(left.iter().any(|f| f.machine.part_of.as_ref() == Some(&one.machine.id)));
}
