//! Damage on evaluation's way: states, decisions and lists that cannot be read are named and left out, one by one.

use notchwatch_model::{ChannelIx, DecisionId, Finding, OperatorPart, Seq, Span};
use notchwatch_store::{
    CommsSnapshot, Depth, EvaluationCommit, Retention, Snapshot, Store, Unjudged, Verdict,
};

use crate::bed::{Bed, Engine, at, unit};
use crate::findings::{ALL, acknowledge, commit, machine};

/// Takes the head of a compressed state away, which both engines say alike.
const BEHEADED: &str = "substr(state, 9)";

fn taken(of: &str, hours: i64) -> Snapshot {
    let state = format!("state of {of} after {hours} hours").repeat(9).into_bytes();
    Snapshot { unit: unit(of), at: at(hours * 3600), seq: Seq(hours), form: 1, state }
}

async fn take(store: &Store, snapshots: Vec<Snapshot>) {
    let commit = EvaluationCommit { snapshots, ..EvaluationCommit::default() };
    store.commit_evaluation(commit, at(0)).await.unwrap();
}

pub(crate) fn places(store: &Store) -> Vec<String> {
    store.damage().into_iter().map(|damage| damage.place).collect()
}

pub(crate) async fn a_damaged_snapshot_gives_way_to_the_one_before(bed: &Bed) {
    let store = bed.open().await;
    let (nm, sc) = (unit("northmoor/NM-1"), unit("sarel/SC-1"));
    let all = || [6, 12, 18].map(|hours| taken("northmoor/NM-1", hours)).to_vec();
    take(&store, all()).await;
    take(&store, vec![taken("sarel/SC-1", 18)]).await;

    let newest = at(18 * 3600).micros();
    bed.sql(&format!("UPDATE snapshot SET state = {BEHEADED} WHERE unit_no = 1 AND at = {newest}")).await;
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), Some(taken("northmoor/NM-1", 12)));
    assert_eq!(store.snapshot(&nm, Some(at(7 * 3600))).await.unwrap(), Some(taken("northmoor/NM-1", 6)));
    assert_eq!(store.snapshot(&sc, None).await.unwrap(), Some(taken("sarel/SC-1", 18)));
    assert_eq!(places(&store), ["snapshot of unit_no 1 at 2026-03-02T06:00:00Z"]);
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage, store.damage(), "told once");

    // What unpacks may be no state all the same: that is the reader's to say.
    let none_of_12 = |snapshot: Snapshot| match snapshot.seq {
        Seq(12) => Err(String::from("no state")),
        _ => Ok(snapshot.at),
    };
    assert_eq!(store.snapshot_with(&nm, None, none_of_12).await.unwrap(), Some(at(6 * 3600)));
    assert_eq!(places(&store).len(), 2);
    assert_eq!(
        store.check(Depth::Deep).await.unwrap().damage.len(),
        2,
        "a check does not overrule the reader"
    );

    bed.sql(&format!("UPDATE snapshot SET state = {BEHEADED} WHERE unit_no = 1")).await;
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), None);
    assert_eq!(places(&store).len(), 3);
    take(&store, vec![taken("northmoor/NM-1", 18)]).await;
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), Some(taken("northmoor/NM-1", 18)));
    assert_eq!(places(&store).len(), 2, "written anew");
    let stale = vec![(nm.clone(), at(6 * 3600))];
    store.commit_evaluation(EvaluationCommit { stale, ..EvaluationCommit::default() }, at(0)).await.unwrap();
    assert_eq!(places(&store), [""; 0], "dropped");
    store.close().await;
}

/// Breaks the chain of pages on which a long value stands in `SQLite`'s file.
pub(crate) async fn break_chain(bed: &Bed, value: &[u8]) {
    bed.sql("PRAGMA wal_checkpoint(TRUNCATE)").await;
    let size = usize::try_from(bed.number("PRAGMA page_size").await).unwrap();
    let mut file = std::fs::read(bed.file()).unwrap();
    let stands = |part: &[u8]| file.windows(part.len()).position(|window| window == part);
    let middle = value.len() / 2;
    let place = [middle, middle + 100].into_iter().find_map(|ix| stands(&value[ix..ix + 40])).unwrap();
    // The first four bytes of such a page name the next one.
    let page = place / size * size;
    file[page..page + 4].fill(0xff);
    std::fs::write(bed.file(), file).unwrap();
}

/// Not its bytes, but the pages on which they stand: the statement fails, and the row cannot be stepped over.
pub(crate) async fn a_snapshot_on_pages_that_cannot_be_read_gives_way_as_well(bed: &Bed) {
    let store = bed.open().await;
    let nm = unit("northmoor/NM-1");
    let mut number = 7_u64;
    let mut next = || {
        number = number.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        number.to_be_bytes()[0]
    };
    // What cannot be compressed stands in the file as it is.
    let large =
        |hours| Snapshot { state: (0..60_000).map(|_| next()).collect(), ..taken("northmoor/NM-1", hours) };
    let [first, second] = [6, 12].map(large);
    take(&store, vec![first.clone(), second.clone()]).await;
    store.close().await;
    let newest = second.at.micros();
    match bed.engine {
        Engine::Sqlite => {
            break_chain(bed, &second.state).await;
        }
        Engine::Postgres => {
            let broken = format!(
                "CREATE FUNCTION read(at BIGINT, state BYTEA) RETURNS BYTEA STABLE LANGUAGE plpgsql AS $$ BEGIN \
                 IF at = {newest} THEN RAISE EXCEPTION 'missing chunk number 0' USING ERRCODE = 'XX001'; END IF; \
                 RETURN state; END $$; \
                 ALTER TABLE snapshot RENAME TO snapshot_pages; CREATE VIEW snapshot AS \
                 SELECT unit_no, at, seq, form, read(at, state) AS state FROM snapshot_pages"
            );
            bed.sql(&broken).await;
        }
    }
    let store = bed.reopen().await;
    assert_eq!(store.snapshot(&nm, None).await.unwrap(), Some(first));
    assert_eq!(places(&store), ["snapshot of unit_no 1 at 2026-03-02T00:00:00Z"]);
    store.close().await;
}

pub(crate) async fn a_damaged_comms_snapshot_counts_as_none(bed: &Bed) {
    let store = bed.open().await;
    let read = |held: CommsSnapshot| Ok(held.tick);
    assert_eq!(store.comms_state(read).await.unwrap(), None);
    let held = || CommsSnapshot { seq: Seq(0), tick: 3, form: 1, state: vec![1; 50] };
    let commit = || EvaluationCommit { comms_snapshot: Some(held()), ..EvaluationCommit::default() };
    store.commit_evaluation(commit(), at(0)).await.unwrap();
    assert_eq!(store.comms_state(read).await.unwrap(), Some(3));
    let no_state = |_: CommsSnapshot| Err::<i64, _>(String::from("no state"));
    assert_eq!(store.comms_state(no_state).await.unwrap(), None);
    assert_eq!(places(&store), ["comms snapshot"]);
    assert_eq!(
        store.check(Depth::Quick).await.unwrap().damage,
        store.damage(),
        "a check does not overrule the reader"
    );
    bed.sql(&format!("UPDATE comms_snapshot SET state = {BEHEADED}")).await;
    assert_eq!(store.comms_state(read).await.unwrap(), None);
    assert_eq!(store.check(Depth::Quick).await.unwrap().damage, store.damage(), "told once");
    assert_eq!(places(&store), ["comms snapshot"]);
    store.commit_evaluation(commit(), at(0)).await.unwrap();
    assert_eq!(places(&store), [""; 0], "written anew");
    store.close().await;
}

pub(crate) async fn a_decision_that_cannot_be_read_costs_itself(bed: &Bed) {
    let store = bed.open().await;
    let names: Vec<String> = (1..=5).map(|n| format!("f-{n}")).collect();
    let machines = names.iter().map(|name| machine(name, "northmoor/NM-1")).collect();
    store.commit_evaluation(commit(machines), at(0)).await.unwrap();
    let judge = |finding: &Finding, _: Option<&Finding>| {
        Verdict::Apply(OperatorPart { acknowledged_occurrence: 1, ..finding.operator.clone() })
    };
    for name in &names {
        store.decide(&acknowledge(name, "ada", 1), &ALL, &judge).await.unwrap().unwrap();
    }
    let read = async |after, limit| {
        let part = store.decisions_after(DecisionId(after), limit).await.unwrap();
        (part.items.into_iter().map(|decision| decision.id.0).collect::<Vec<_>>(), part.to.0)
    };
    assert_eq!(read(0, 10).await, (vec![1, 2, 3, 4, 5], 5));
    bed.sql("UPDATE decision SET act = '{' WHERE id IN (2, 5)").await;
    assert_eq!(read(0, 10).await, (vec![1, 3, 4], 5));
    assert_eq!(read(0, 1).await, (vec![1], 1));
    assert_eq!(read(1, 1).await, (vec![], 2), "read past");
    assert_eq!(read(4, 10).await, (vec![], 5), "the newest as well");
    assert_eq!(read(5, 10).await, (vec![], 5), "and no more");
    assert_eq!(places(&store), ["decision 2", "decision 5"]);
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage, store.damage(), "told once");
    store.close().await;
}

pub(crate) async fn a_list_of_samples_not_judged_costs_itself(bed: &Bed) {
    let store = bed.open().await;
    let nm = unit("northmoor/NM-1");
    let late = |secs: i64| Unjudged { time: at(secs), channel: ChannelIx(0), instead: None };
    for position in 1..=3 {
        let unjudged = vec![(nm.clone(), vec![late(position)])];
        let commit = EvaluationCommit { position: Seq(position), unjudged, ..EvaluationCommit::default() };
        store.commit_evaluation(commit, at(0)).await.unwrap();
    }
    bed.sql("UPDATE unjudged SET packed = substr(packed, 9) WHERE seq = 2").await;
    assert_eq!(store.unjudged(&nm, at(0), at(9)).await.unwrap(), [late(1), late(3)]);
    assert_eq!(places(&store), ["samples not judged of unit_no 1, journal 2"]);
    store.close().await;

    let store = bed.reopen().await;
    let found = store.check(Depth::Quick).await.unwrap().damage;
    assert_eq!(found, store.damage(), "a check finds it as well");
    assert_eq!(places(&store), ["samples not judged of unit_no 1, journal 2"]);
    let keep = Retention { samples: Some(Span::from_days(1)), ..Retention::default() };
    assert_eq!(store.retain(&keep, at(9 * 86_400)).await.unwrap().unjudged, 3);
    assert_eq!(places(&store), [""; 0], "dropped");
    store.close().await;
}
