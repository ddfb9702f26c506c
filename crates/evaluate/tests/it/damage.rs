//! Damaged states, decisions and comms snapshots: the unit that they are of is folded again to what it was, and no other
//! unit waits for it.

use notchwatch_detect::Settings;
use notchwatch_findings::{Ruling, rule};
use notchwatch_model::{
    Act, Activity, ChannelIx, DecisionId, Fact, Finding, MachinePart, NewEntry, Origin, RailwayFilter,
    Sample, Span, Time,
};
use notchwatch_store::{EvaluationCommit, NewDecision, NewMessage, Snapshot, UnitProgress, Verdict};

use crate::bench::{self, Bench, End, Engine, Noise, unit};

const HIT: i64 = 1;
const BESIDE: i64 = 2;
/// Minutes of data; each unit has a step, the second's after the damage.
const MINUTES: i64 = 5 * 1440;
const STEPS: [(i64, i64); 2] = [(HIT, 3 * 1440 + 60), (BESIDE, 4 * 1440 + 60)];
const DAMAGED: i64 = 4 * 1440 - 360;
const ROWS: i64 = 12;

fn at(minute: i64) -> Time {
    let begin: Time = "2026-03-02T00:00:00Z".parse().unwrap();
    begin + Span::from_mins(minute)
}

fn now() -> Time {
    at(MINUTES + 1440)
}

/// Noise about a level, and a step that stays, of both units in turn.
fn messages(from: i64, to: i64) -> Vec<NewMessage> {
    let mut noise = Noise(5);
    let mut messages = Vec::new();
    for first in (0..MINUTES).step_by(usize::try_from(ROWS).unwrap()) {
        for (number, step) in STEPS {
            let of = |minute: i64, noise: &mut Noise| Sample {
                time: at(minute),
                channel: ChannelIx(0),
                value: noise.about(if minute < step { 400_000.0 } else { 330_000.0 }),
            };
            let samples = (first..first + ROWS).map(|minute| of(minute, &mut noise)).collect();
            let message = bench::message(number, at(first + ROWS), first, samples);
            messages.extend((from..to).contains(&first).then_some(message));
        }
    }
    messages
}

/// What stands at the end: findings, progress, and the states of both units.
#[derive(Debug, PartialEq)]
struct Outcome {
    findings: Vec<MachinePart>,
    progress: Vec<UnitProgress>,
    states: Vec<Option<(Time, Vec<u8>)>>,
}

async fn outcome(bench: &Bench) -> Outcome {
    let mut states = Vec::new();
    for number in [HIT, BESIDE] {
        let newest = bench.store.snapshot(&unit(number), None).await.unwrap();
        states.push(newest.map(|snapshot| (snapshot.at, snapshot.state)));
    }
    Outcome {
        findings: bench.findings(now()).await.into_iter().map(|found| found.machine).collect(),
        progress: bench.store.progress(&RailwayFilter::All).await.unwrap(),
        states,
    }
}

async fn bench(engine: Engine) -> Bench {
    Bench::new(engine, &bench::register(&[("pressure", "machine", "number")], 3), at(0)).await
}

/// Judges all of it, with a damage in between, while nobody judges.
async fn judged(engine: Engine, damage: impl AsyncFn(&Bench)) -> Outcome {
    let bench = bench(engine).await;
    bench.judge(&messages(0, DAMAGED), now, End::Stop).await;
    damage(&bench).await;
    bench.judge(&messages(DAMAGED, MINUTES), now, End::Stop).await;
    outcome(&bench).await
}

/// Takes the head of states of the unit away, which both engines say alike.
fn beheaded(which: &str) -> String {
    format!(
        "UPDATE snapshot SET state = substr(state, 9) \
         WHERE unit_no = (SELECT unit_no FROM unit WHERE unit = '{HIT}') {which}"
    )
}

const NEWEST: &str =
    "AND at = (SELECT MAX(newer.at) FROM snapshot newer WHERE newer.unit_no = snapshot.unit_no)";

/// Bytes that unpack and are no state, of the right form: they are found out by whoever reads the state.
async fn no_state(bench: &Bench) {
    let newest = bench.store.snapshot(&unit(HIT), None).await.unwrap().unwrap();
    let snapshots = vec![Snapshot { state: vec![0xff; 40], ..newest }];
    let commit = EvaluationCommit { snapshots, ..EvaluationCommit::default() };
    bench.store.commit_evaluation(commit, now()).await.unwrap();
}

async fn acknowledge(bench: &Bench) {
    let finding = bench.findings(now()).await.remove(0);
    let decision = NewDecision {
        finding: finding.machine.id,
        seen: finding.version,
        by: "kim".parse().unwrap(),
        at: at(DAMAGED),
        act: Act::Acknowledge,
    };
    let judge = |finding: &Finding, other: Option<&Finding>| match rule(
        finding,
        other,
        &decision.act,
        decision.seen,
        &decision.by,
        decision.at,
    ) {
        Ruling::Apply(operator) => Verdict::Apply(operator),
        other => Verdict::Refuse(format!("{other:?}")),
    };
    bench.store.decide(&decision, &RailwayFilter::All, &judge).await.unwrap().unwrap();
}

pub(crate) async fn a_unit_with_damaged_snapshots_is_folded_again_to_what_it_was(engine: Engine) {
    let whole = judged(engine, async |_| {}).await;
    let of = |number| whole.findings.iter().filter(move |found| found.unit == unit(number)).count();
    assert_eq!((of(HIT), of(BESIDE)), (1, 1), "{:#?}", whole.findings);
    let newest = judged(engine, async |bench| bench.sql(&beheaded(NEWEST))).await;
    assert_eq!(newest, whole, "from the one before");
    let every = judged(engine, async |bench| bench.sql(&beheaded(""))).await;
    assert_eq!(every, whole, "from the beginning");
    assert_eq!(judged(engine, no_state).await, whole, "what unpacks and is no state");
}

pub(crate) async fn damage_is_told_when_evaluation_meets_it_and_not_once_it_is_gone(engine: Engine) {
    let bench = bench(engine).await;
    bench.judge(&messages(0, DAMAGED), now, End::Stop).await;
    no_state(&bench).await;
    let (stop, running) = bench.start(bench::quick(), Settings::default(), now);
    while bench.store.damage().is_empty() {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    let told = bench.store.damage();
    assert!(told.len() == 1 && told[0].place.starts_with("snapshot of unit_no "), "{told:?}");
    // The end writes the state anew.
    bench::finish(stop, running, End::Stop).await;
    assert_eq!(bench.store.damage(), []);
}

pub(crate) async fn damage_of_links_and_decisions_stops_nobody(engine: Engine) {
    let whole = judged(engine, async |_| {}).await;
    let hit = judged(engine, async |bench| {
        acknowledge(bench).await;
        assert_eq!(bench.store.decisions_after(DecisionId(0), 9).await.unwrap().items.len(), 1);
        bench.sql("UPDATE decision SET act = '{'");
        bench.sql("UPDATE comms_snapshot SET state = substr(state, 9)");
        bench.sql("UPDATE clock_tick SET refused = '{' WHERE id = (SELECT MAX(id) FROM clock_tick)");
        bench.sql("UPDATE model_report SET learning = '{'");
    });
    assert_eq!(hit.await, whole);
}

/// What a person decided on it stands in the same row: it is not written over, and everything else goes on.
pub(crate) async fn a_damaged_finding_stays_and_stops_nobody(engine: Engine) {
    let whole = judged(engine, async |_| {}).await;
    let hit = judged(engine, async |bench| {
        bench.sql(&format!("UPDATE finding SET operator = '{{' WHERE unit = '{HIT}'"));
    })
    .await;
    let beside = |of: &Outcome| {
        of.findings.iter().filter(|found| found.unit == unit(BESIDE)).cloned().collect::<Vec<_>>()
    };
    assert_eq!((beside(&hit), hit.findings.len()), (beside(&whole), 1));
    assert_eq!((hit.progress, hit.states), (whole.progress, whole.states), "and its unit is judged");
}

/// One fact of two on the unit's timeline cannot be read: it is judged as if the other were all there is.
pub(crate) async fn a_damaged_timeline_entry_costs_itself(engine: Engine) {
    let says = async |bench: &Bench, items: &[&str]| {
        let entry = |item: &&str| NewEntry {
            unit: unit(HIT),
            engine: None,
            at: at(DAMAGED - 60),
            fact: Fact::Maintenance {
                activity: Activity::Replace,
                system: None,
                item: (*item).to_owned(),
                channels: vec![],
                text: String::new(),
            },
        };
        let entries: Vec<NewEntry> = items.iter().map(entry).collect();
        bench
            .store
            .record_entries(&entries, &"kim".parse().unwrap(), Origin::Api, at(DAMAGED))
            .await
            .unwrap();
    };
    let one = judged(engine, async |bench| says(bench, &["pump"]).await).await;
    let hit = judged(engine, async |bench| {
        says(bench, &["pump", "valve"]).await;
        bench.sql("UPDATE timeline SET fact = '{' WHERE id = 2");
    })
    .await;
    assert_eq!(hit, one);
}

/// A page of what is kept of one unit, and of nobody else, that has lost its checksum: whatever is asked about it fails.
const LOST: &str = "ALTER TABLE unjudged RENAME TO unjudged_pages; \
    CREATE FUNCTION lost(unit_no BIGINT) RETURNS BOOLEAN STABLE LANGUAGE plpgsql AS $$ BEGIN \
    RAISE EXCEPTION 'invalid page in block 0 of relation unjudged' USING ERRCODE = 'XX001'; END $$; \
    CREATE VIEW unjudged AS SELECT * FROM unjudged_pages UNION ALL SELECT u.unit_no, 1, 0, 0, ''::bytea FROM unit u \
    WHERE u.unit = '1' AND lost(u.unit_no)";
const MENDED: &str = "DROP VIEW unjudged; ALTER TABLE unjudged_pages RENAME TO unjudged";

pub(crate) async fn a_unit_that_cannot_be_loaded_keeps_nobody_waiting(engine: Engine) {
    let whole = judged(engine, async |_| {}).await;
    let beside = |of: &Outcome| {
        of.findings.iter().filter(|found| found.unit == unit(BESIDE)).cloned().collect::<Vec<_>>()
    };
    let bench = bench(engine).await;
    bench.judge(&messages(0, DAMAGED), now, End::Stop).await;
    bench.sql(LOST);
    bench.judge(&messages(DAMAGED, MINUTES - ROWS), now, End::Stop).await;
    let hit = outcome(&bench).await;
    assert_eq!(beside(&hit), beside(&whole));
    let places: Vec<_> = bench.store.damage().into_iter().map(|damage| damage.place).collect();
    assert_eq!(places, [format!("unit {}", unit(HIT))], "told, once");
    bench.sql(MENDED);
    bench.judge(&messages(MINUTES - ROWS, MINUTES), now, End::Stop).await;
    assert_eq!(outcome(&bench).await, whole, "nothing of it was lost meanwhile");
    assert_eq!(bench.store.damage(), []);
}
