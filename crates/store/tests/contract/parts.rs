//! Parts of the tables that grow with time, on `PostgreSQL`: an old database becomes parted, parts are there before
//! rows need them, and go whole while readers and writers go on.

use std::time::Duration;

use notchwatch_model::{ChannelIx, RailwayFilter, Seq, Span, Time};
use notchwatch_store::{EvaluationCommit, Retention, Store, UnitProgress};
use sha2::{Digest as _, Sha256};
use sqlx::{AssertSqlSafe, Connection as _};

use crate::bed::{Bed, at, message, sample, unit};

const DAY: i64 = 86_400;
/// Longer than anything here takes on a busy machine.
const LONG: Duration = Duration::from_mins(1);

async fn names(bed: &Bed, table: &str) -> Vec<String> {
    let sql = format!(
        "SELECT c.relname::text FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid \
         WHERE i.inhparent = '{table}'::regclass ORDER BY length(c.relname), c.relname"
    );
    ask(bed, &sql).await
}

async fn ask(bed: &Bed, sql: &str) -> Vec<String> {
    let mut connection = sqlx::PgConnection::connect(&bed.direct).await.unwrap();
    sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut connection).await.unwrap()
}

/// Waits for the database to say something.
async fn until_said(bed: &Bed, sql: &str) {
    let said = async {
        while ask(bed, sql).await.is_empty() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(LONG, said).await.expect(sql);
}

async fn judge_all(store: &Store) {
    let commit =
        EvaluationCommit { position: store.journal_end().await.unwrap(), ..EvaluationCommit::default() };
    store.commit_evaluation(commit, at(0)).await.unwrap();
}

/// Turns the database into one of the first release, with everything in it.
async fn turn_back(bed: &Bed) {
    let base = include_str!("../../../../migrations/postgres/0001_base.sql");
    let sum =
        base.lines().fold(Sha256::new(), |sum, line| sum.chain_update(line).chain_update("\n")).finalize();
    let sum = sum.iter().fold(String::new(), |hex, byte| hex + &format!("{byte:02x}"));
    let copy = "DO $$ DECLARE t TEXT; cols TEXT; BEGIN \
        FOREACH t IN ARRAY ARRAY['counter','railway','class','unit','engine_fit','journal','batch','block','rollup', \
            'latest','quarantine','quarantine_raw','finding','event','decision','snapshot','progress','evaluation', \
            'account','session','token','audit'] LOOP \
        SELECT string_agg(quote_ident(column_name), ', ') INTO cols FROM information_schema.columns \
            WHERE table_schema = 'old' AND table_name = t AND column_name IN (SELECT column_name \
            FROM information_schema.columns WHERE table_schema = 'public' AND table_name = t); \
        EXECUTE format('DELETE FROM old.%I', t); \
        EXECUTE format('INSERT INTO old.%I (%s) OVERRIDING SYSTEM VALUE SELECT %s FROM public.%I', t, cols, cols, t); \
        END LOOP; \
        DELETE FROM old.counter WHERE name NOT IN \
            ('journal', 'event', 'decision', 'quarantine', 'unit', 'quarantine-bytes'); END $$";
    bed.sql(&format!(
        "BEGIN; CREATE SCHEMA old; SET LOCAL search_path = old; {base}; SET LOCAL search_path = public; {copy}; \
         INSERT INTO old.migration VALUES (1, 'base', '{sum}'); DROP SCHEMA public CASCADE; \
         ALTER SCHEMA old RENAME TO public; COMMIT"
    ))
    .await;
}

/// Everything that a reader can see of the two units with data.
async fn seen(store: &Store) -> Vec<String> {
    let (from, to) = (at(-400 * DAY), at(DAY));
    let mut all = vec![format!("{:?}", store.journal_after(Seq(0), 10_000).await.unwrap().items)];
    for name in ["northmoor/NM-1", "sarel/SC-1"] {
        let unit = unit(name);
        all.push(format!(
            "{:?} {:?} {:?}",
            store.unit_samples(&unit, from, to, None).await.unwrap(),
            store.latest(&unit, at(DAY)).await.unwrap(),
            store.rollup(&unit, ChannelIx(0), from, to, Span::from_hours(1)).await.unwrap(),
        ));
    }
    all
}

pub(crate) async fn an_old_database_is_parted_with_everything_in_it(bed: &Bed) {
    let store = bed.open().await;
    for day in [-300, -60, -2, -1, 0] {
        for name in ["northmoor/NM-1", "sarel/SC-1"] {
            let samples =
                (0..50_u8).map(|i| sample(day * DAY + i64::from(i) * 30, 0, f64::from(i) / 8.0)).collect();
            store.append(&[message(name, day * DAY + 1500, samples)]).await.unwrap();
        }
    }
    store.seal(at(0), Span::from_days(1000)).await.unwrap();
    let before = seen(&store).await;
    store.close().await;
    turn_back(bed).await;
    assert!(names(bed, "journal").await.is_empty(), "not parted any more");
    bed.sql(
        "INSERT INTO progress (unit_no, samples, repeats, conflicts, learning) \
         SELECT MIN(unit_no), 3, 2, 1, '{\"oil_temp\":0.25}' FROM unit",
    )
    .await;

    let store = bed.reopen().await;
    let progress = store.progress(&RailwayFilter::All).await.unwrap();
    let learning: Vec<(&str, f64)> =
        progress.iter().flat_map(UnitProgress::learning).map(|(name, done)| (name.as_str(), done)).collect();
    assert_eq!((progress[0].samples, learning), (3, vec![("oil_temp", 0.25)]), "what its models said");
    assert_eq!(seen(&store).await, before);
    assert_eq!(names(bed, "journal").await[0], "journal_base");
    let late = message("northmoor/NM-1", 10, vec![sample(-300 * DAY + 5, 0, 7.0), sample(10, 0, 8.0)]);
    let last = store.append(&[late]).await.unwrap().last.unwrap();
    assert_eq!(last, Seq(11), "positions go on");
    store.seal(at(2 * DAY), Span::from_days(1000)).await.unwrap();
    let unit = unit("northmoor/NM-1");
    let read = store.unit_samples(&unit, at(-300 * DAY), at(-300 * DAY + 6), None).await.unwrap();
    assert_eq!(read.len(), 2, "late data joined the block of before");
    for (table, key, row) in [
        (
            "journal",
            "seq",
            "seq, unit_no, received, first_event, last_event, retained, approximate, samples, topic, packed, raw",
        ),
        ("block", "unit_no", "unit_no, day, revision, last_seq, samples, packed"),
        ("rollup", "unit_no", "unit_no, day, packed"),
    ] {
        let twice =
            format!("INSERT INTO {table} ({row}) SELECT {row} FROM {table} ORDER BY {key} DESC LIMIT 1");
        let mut connection = sqlx::PgConnection::connect(&bed.direct).await.unwrap();
        let error = sqlx::raw_sql(AssertSqlSafe(twice)).execute(&mut connection).await.unwrap_err();
        assert!(error.as_database_error().unwrap().is_unique_violation(), "{table}: {error}");
    }
    store.close().await;
}

pub(crate) async fn a_row_without_a_part_gets_one(bed: &Bed) {
    let store = bed.open().await;
    let held = names(bed, "journal").await;
    assert!(held.len() > 1, "made ahead at the start: {held:?}");
    for part in held.iter().filter(|name| name.starts_with("journal_from")) {
        bed.sql(&format!("DROP TABLE {part}")).await;
    }
    let batch: Vec<_> = (0..100).map(|i| message("northmoor/NM-1", i, vec![sample(i, 0, 1.0)])).collect();
    let done = store.append(&batch).await.unwrap();
    assert_eq!((done.messages, done.quarantined), (100, 0), "neither lost nor taken for bad");
    assert_eq!(store.journal_after(Seq(0), 1000).await.unwrap().items.len(), 100);
    assert!(names(bed, "journal").await.len() > 1);

    let days = names(bed, "block").await;
    for part in days.iter().filter(|name| name.starts_with("block_from")) {
        bed.sql(&format!("DROP TABLE {part}")).await;
    }
    let report = store.seal(at(3 * DAY), Span::from_days(7)).await.unwrap();
    assert_eq!((report.blocks, report.samples), (1, 100));
    store.close().await;
}

/// The bad row is met first, and only when it is set aside do the others find that they have no part.
pub(crate) async fn a_bad_row_before_a_missing_part_is_set_aside(bed: &Bed) {
    let store = bed.open().await;
    bed.sql("ALTER TABLE journal ADD CONSTRAINT bad CHECK (samples <> 2)").await;
    let held = names(bed, "journal").await;
    let mut ahead = held.iter().filter(|name| name.starts_with("journal_from"));
    let from: i64 = ahead.next().unwrap().strip_prefix("journal_from_").unwrap().parse().unwrap();
    for part in ahead {
        bed.sql(&format!("DROP TABLE {part}")).await;
    }
    // A part of the smallest size: the batch begins in it and ends beyond.
    let near = from + 100_000 - 50;
    bed.sql(&format!("UPDATE counter SET value = {near} WHERE name = 'journal'")).await;
    let batch: Vec<_> = (0..100)
        .map(|i| {
            let width = if i == 10 { 2 } else { 1 };
            message("northmoor/NM-1", i, (0..width).map(|c| sample(i, c, 1.0)).collect())
        })
        .collect();
    let done = store.append(&batch).await.unwrap();
    assert_eq!((done.messages, done.quarantined), (99, 1));
    assert_eq!(store.journal_after(Seq(near), 1000).await.unwrap().items.len(), 99);
    assert!(names(bed, "journal").await.len() > 2);
    store.close().await;
}

pub(crate) async fn no_clock_of_a_sender_makes_a_part(bed: &Bed) {
    let store = bed.open().await;
    store.append(&[message("northmoor/NM-1", 0, vec![sample(0, 0, 1.0)])]).await.unwrap();
    store.seal(at(0), Span::from_days(7)).await.unwrap();
    let parts = async || (names(bed, "journal").await, names(bed, "block").await, names(bed, "rollup").await);
    let before = parts().await;
    let far: Time = "2190-01-01T00:00:00Z".parse().unwrap();
    for years in 0..5 {
        let time = far + Span::from_days(years * 365);
        let mut sample = sample(0, 0, 1.0);
        sample.time = time;
        store.append(&[message("northmoor/NM-1", years, vec![sample])]).await.unwrap();
    }
    store.seal(at(0), Span::from_days(7)).await.unwrap();
    assert_eq!(parts().await, before);
    store.close().await;
}

/// Two parts full of old rows (most positions of them were never given a row) and a row of today.
async fn two_old_parts(bed: &Bed) -> Store {
    let store = bed.open().await;
    for day in [-40, -39] {
        store.append(&[message("northmoor/NM-1", day * DAY, vec![sample(day * DAY, 0, 1.0)])]).await.unwrap();
        bed.sql("UPDATE counter SET value = value + 150000 WHERE name = 'journal'").await;
        store
            .append(&[message("northmoor/NM-2", day * DAY + 9, vec![sample(day * DAY, 0, 2.0)])])
            .await
            .unwrap();
    }
    bed.sql("UPDATE counter SET value = value + 300000 WHERE name = 'journal'").await;
    store.append(&[message("northmoor/NM-1", 0, vec![sample(0, 0, 3.0)])]).await.unwrap();
    judge_all(&store).await;
    store
}

pub(crate) async fn old_parts_go_whole_while_the_rest_goes_on(bed: &Bed) {
    let store = two_old_parts(bed).await;
    let before = names(bed, "journal").await;
    let mut reader = sqlx::PgConnection::connect(&bed.direct).await.unwrap();
    sqlx::raw_sql("BEGIN ISOLATION LEVEL REPEATABLE READ; SELECT COUNT(*) FROM journal")
        .execute(&mut reader)
        .await
        .unwrap();

    let mut sealing = tokio::task::JoinSet::new();
    let sealer = store.clone();
    sealing.spawn(async move { sealer.seal(at(2 * DAY), Span::from_days(7)).await });
    until_said(bed, "SELECT inhrelid::text FROM pg_inherits WHERE inhdetachpending").await;
    for i in 1..20 {
        let one = [message("northmoor/NM-1", i, vec![sample(i, 0, 4.0)])];
        tokio::time::timeout(LONG, store.append(&one)).await.expect("writers go on").unwrap();
    }
    assert!(!store.journal_after(Seq(0), 100).await.unwrap().items.is_empty(), "readers go on");
    let count: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM journal").fetch_one(&mut reader).await.unwrap();
    assert_eq!(count, 5, "and see their state");
    sqlx::raw_sql("COMMIT").execute(&mut reader).await.unwrap();

    let report = sealing.join_next().await.unwrap().unwrap().unwrap();
    assert!(report.dropped >= 4, "{report:?}");
    let after = names(bed, "journal").await;
    assert!(before.iter().filter(|name| !after.contains(name)).count() >= 2, "{before:?} to {after:?}");
    let left =
        ask(bed, "SELECT relname::text FROM pg_class WHERE relname LIKE 'journal_from%' AND relkind = 'r'")
            .await;
    assert_eq!(
        left.len(),
        after.iter().filter(|name| name.starts_with("journal_from")).count(),
        "none left beside"
    );
    let received: Vec<Time> =
        store.journal_after(Seq(0), 100).await.unwrap().items.iter().map(|m| m.received).collect();
    assert!(received.iter().all(|time| *time >= at(0)) && received.len() == 20, "{received:?}");
    let read = store.unit_samples(&unit("northmoor/NM-2"), at(-50 * DAY), at(DAY), None).await.unwrap();
    assert_eq!(read.len(), 2, "samples are in blocks");
    store.close().await;
}

pub(crate) async fn a_drop_cut_short_is_finished_later(bed: &Bed) {
    let store = two_old_parts(bed).await;
    let mut reader = sqlx::PgConnection::connect(&bed.direct).await.unwrap();
    sqlx::raw_sql("BEGIN; SELECT COUNT(*) FROM journal").execute(&mut reader).await.unwrap();
    let mut sealing = tokio::task::JoinSet::new();
    let sealer = store.clone();
    sealing.spawn(async move { sealer.seal(at(2 * DAY), Span::from_days(7)).await });
    until_said(bed, "SELECT inhrelid::text FROM pg_inherits WHERE inhdetachpending").await;
    bed.sql(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE '%DETACH%' \
             AND datname = current_database() AND pid <> pg_backend_pid()",
    )
    .await;
    let error = sealing.join_next().await.unwrap().unwrap().unwrap_err();
    assert!(error.passes(), "{error}");
    sqlx::raw_sql("COMMIT").execute(&mut reader).await.unwrap();
    store.seal(at(2 * DAY), Span::from_days(7)).await.unwrap();
    assert!(ask(bed, "SELECT inhrelid::text FROM pg_inherits WHERE inhdetachpending").await.is_empty());
    let (parts, tables) = (
        names(bed, "journal").await,
        ask(
            bed,
            "SELECT relname::text FROM pg_class WHERE relname ~ '^journal_(from_|base$)' AND relkind = 'r'",
        )
        .await,
    );
    assert_eq!(parts.len(), tables.len(), "{parts:?} {tables:?}");
    assert_eq!(store.journal_after(Seq(0), 100).await.unwrap().items.len(), 1);
    store.close().await;
}

pub(crate) async fn old_days_go_whole(bed: &Bed) {
    let store = bed.open().await;
    for day in [-400, -200, -1] {
        store.append(&[message("northmoor/NM-1", day * DAY, vec![sample(day * DAY, 0, 1.0)])]).await.unwrap();
    }
    store.seal(at(DAY), Span::from_days(7)).await.unwrap();
    judge_all(&store).await;
    let parts = names(bed, "block").await.len();
    let days = Some(Span::from_days(100));
    store.retain(&Retention { samples: days, rollups: days, ..Retention::default() }, at(0)).await.unwrap();
    assert_eq!(names(bed, "block").await.len(), names(bed, "rollup").await.len());
    assert!(names(bed, "block").await.len() <= parts - 2);
    let read = store.unit_samples(&unit("northmoor/NM-1"), at(-500 * DAY), at(DAY), None).await.unwrap();
    assert_eq!(read.len(), 1);
    store.close().await;
}
