//! Damaged bytes: what is hit is named and left out, everything else is read, sealed and judged as before.

use std::fmt::Display;

use notchwatch_model::{ChannelIx, Seq, Span};
use notchwatch_store::{Depth, HistoryEntry, Snapshot, Store};

use crate::bed::{Bed, Engine, at, message, sample, unit};
use crate::findings::{ALL, commit, id, machine};

const DAY: i64 = 86_400;
const KEEP: Span = Span::from_days(7);

/// SQL that changes bytes from a position on in the packed column of some rows, and nothing of its length.
fn flip(bed: &Bed, table: &str, position: impl Display, rows: &str) -> String {
    match bed.engine {
        Engine::Sqlite => format!(
            "UPDATE {table} SET packed = CAST(substr(packed, 1, {position}) || x'ffffff' || \
             substr(packed, {position} + 4) AS BLOB) WHERE {rows}"
        ),
        Engine::Postgres => format!(
            "UPDATE {table} SET packed = overlay(packed PLACING '\\xffffff'::bytea FROM {position} + 1) WHERE {rows}"
        ),
    }
}

/// Three units' samples of three closed days, sealed: channel 0 at noon of each, and once a second around.
async fn three_days(bed: &Bed) -> Store {
    let store = bed.open().await;
    let batch: Vec<_> = ["northmoor/NM-1", "northmoor/NM-2", "sarel/SC-1"]
        .iter()
        .flat_map(|name| (1..=3).map(move |day| (*name, -day * DAY)))
        .map(|(name, noon)| {
            let samples = (0..600).map(|i| sample(noon + i, 0, f64::from(i32::try_from(i % 7).unwrap())));
            message(name, noon + 700, samples.collect())
        })
        .collect();
    store.append(&batch).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 9);
    store
}

async fn counts(store: &Store) -> Vec<usize> {
    let mut counts = Vec::new();
    for name in ["northmoor/NM-1", "northmoor/NM-2", "sarel/SC-1"] {
        for day in 1..=3 {
            let (from, to) = (at(-day * DAY), at(-day * DAY + 3600));
            counts.push(store.channel_samples(&unit(name), ChannelIx(0), from, to).await.unwrap().len());
        }
    }
    counts
}

pub(crate) async fn a_damaged_block_takes_nothing_else_along(bed: &Bed) {
    let store = three_days(bed).await;
    let nm = unit("northmoor/NM-1");
    let whole = store.check(Depth::Deep).await.unwrap();
    assert_eq!((whole.blocks, whole.rollups, whole.latest, whole.journal), (9, 9, 3, 9));
    assert_eq!(whole.damage, [], "nothing is damaged yet");
    let hour = Span::from_hours(1);
    let buckets = store.rollup(&nm, ChannelIx(0), at(-4 * DAY), at(0), hour).await.unwrap();

    let day = at(-2 * DAY).day();
    bed.sql(&flip(bed, "block", 40, &format!("unit_no = 1 AND day = {day}"))).await;
    assert_eq!(counts(&store).await, [600, 0, 600, 600, 600, 600, 600, 600, 600]);
    assert_eq!(store.rollup(&nm, ChannelIx(0), at(-4 * DAY), at(0), hour).await.unwrap(), buckets);
    let [damage] = &store.damage()[..] else { panic!("one place: {:?}", store.damage()) };
    assert!(damage.place.contains("unit_no 1") && damage.place.contains("2026-02-27"), "{damage:?}");

    let late = |name, day: i64| message(name, 60, vec![sample(-day * DAY + 1800, 0, 9.0)]);
    store.append(&[late("northmoor/NM-1", 2), late("northmoor/NM-1", 3)]).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 1, "the other day is sealed");
    assert_eq!(
        counts(&store).await,
        [600, 1, 601, 600, 600, 600, 600, 600, 600],
        "late rows are read beside"
    );
    store.close().await;

    let store = bed.reopen().await;
    assert_eq!(store.damage(), [], "nothing is looked at yet");
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage.len(), 1);
    store.close().await;
}

pub(crate) async fn what_can_be_computed_anew_is(bed: &Bed) {
    let store = three_days(bed).await;
    let nm = unit("northmoor/NM-1");
    let read = async || {
        let buckets =
            store.rollup(&nm, ChannelIx(0), at(-4 * DAY), at(0), Span::from_hours(1)).await.unwrap();
        (buckets, store.latest(&nm, at(0)).await.unwrap())
    };
    let before = read().await;
    for table in ["rollup", "latest"] {
        bed.sql(&flip(bed, table, 0, "unit_no = 1")).await;
    }
    assert_eq!(read().await, before);
    assert_eq!(store.damage().len(), 4, "three rollups and the newest values: {:?}", store.damage());
    store.append(&[message("northmoor/NM-1", 60, vec![sample(-DAY - 60, 1, 5.0)])]).await.unwrap();
    store.seal(at(0), KEEP).await.unwrap();
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage.len(), 2, "sealing wrote two of them anew");
    store.close().await;
}

pub(crate) async fn a_reader_of_the_journal_gets_past_damage(bed: &Bed) {
    let store = three_days(bed).await;
    bed.sql(&flip(bed, "journal", 0, "seq IN (1, 5)")).await;
    let rows = store.journal_after(Seq(0), 2).await.unwrap().items;
    assert_eq!(
        rows.iter().map(|m| (m.seq, m.samples.len())).collect::<Vec<_>>(),
        [(Seq(1), 0), (Seq(2), 600)]
    );
    assert_eq!(store.check(Depth::Quick).await.unwrap().damage.len(), 2);
    assert_eq!(counts(&store).await, [600; 9], "what is sealed is in its block");
    store.close().await;
}

pub(crate) async fn a_check_walks_documents_too(bed: &Bed) {
    let store = three_days(bed).await;
    let mut evaluated = commit((0..70).map(|n| machine(&format!("f-{n}"), "northmoor/NM-1")).collect());
    let of = |name: &str| Snapshot { unit: unit(name), at: at(0), seq: Seq(1), form: 1, state: vec![1; 50] };
    evaluated.snapshots = vec![of("northmoor/NM-1"), of("sarel/SC-1")];
    store.commit_evaluation(evaluated, at(0)).await.unwrap();
    for depth in [Depth::Quick, Depth::Deep] {
        let whole = store.check(depth).await.unwrap();
        assert_eq!((whole.findings, whole.events, whole.snapshots), (70, 70, 2));
        assert_eq!(whole.damage, []);
    }
    bed.sql(
        "UPDATE finding SET machine = '{' WHERE id = 'f-5'; UPDATE snapshot SET state = packed FROM latest \
             WHERE snapshot.unit_no = 1 AND latest.unit_no = 1; \
             UPDATE event SET document = packed FROM latest WHERE event.id = 3 AND latest.unit_no = 1",
    )
    .await;
    let found = store.check(Depth::Deep).await.unwrap().damage;
    let places: Vec<_> = found.iter().map(|d| d.place.as_str()).collect();
    assert_eq!(places[1..], ["finding f-5", "event 3"]);
    let (mut lines, mut told) = (0, 0);
    for n in 0..70 {
        for entry in store.history(&id(&format!("f-{n}")), &ALL).await.unwrap() {
            lines += 1;
            told += i32::from(matches!(entry, HistoryEntry::Machine { machine: Some(_), .. }));
        }
    }
    assert_eq!((lines, told), (70, 69), "a history is read past the event");
    assert!(places[0].starts_with("snapshot of unit_no 1 at "), "{places:?}");
    store.close().await;
}

/// Pages of one table cannot be read: that is named, and everything else is looked at.
pub(crate) async fn a_table_that_cannot_be_read_leaves_the_others_to_a_check(bed: &Bed) {
    let store = three_days(bed).await;
    let found = (0..70).map(|n| machine(&format!("f-{n}"), "northmoor/NM-1")).collect();
    store.commit_evaluation(commit(found), at(0)).await.unwrap();
    store.close().await;
    let nth = match bed.engine {
        Engine::Sqlite => {
            bed.sql("PRAGMA wal_checkpoint(TRUNCATE)").await;
            for table in ["finding", "rollup"] {
                let root =
                    bed.number(&format!("SELECT rootpage FROM sqlite_master WHERE name = '{table}'")).await;
                let from = (root - 1) * bed.number("PRAGMA page_size").await;
                let mut file = std::fs::read(bed.file()).unwrap();
                file[usize::try_from(from).unwrap()..][..64].fill(0xff);
                std::fs::write(bed.file(), file).unwrap();
            }
            "database file"
        }
        Engine::Postgres => {
            let broken = "CREATE FUNCTION broken() RETURNS BOOLEAN LANGUAGE plpgsql AS $$ BEGIN \
                 RAISE EXCEPTION 'invalid page in block 0' USING ERRCODE = 'XX001'; END $$; \
                 ALTER TABLE finding RENAME TO finding_pages; ALTER TABLE rollup RENAME TO rollup_pages; \
                 CREATE VIEW finding AS SELECT * FROM finding_pages WHERE broken(); \
                 CREATE VIEW rollup AS SELECT * FROM rollup_pages WHERE broken()";
            bed.sql(broken).await;
            "table rollup"
        }
    };
    let store = bed.reopen().await;
    for depth in [Depth::Quick, Depth::Deep] {
        let done = store.check(depth).await.unwrap();
        let blocks = if depth == Depth::Quick { 3 } else { 9 };
        assert_eq!((done.findings, done.rollups), (0, 0));
        assert_eq!((done.events, done.blocks, done.latest, done.journal), (70, blocks, 3, 9));
        let places: Vec<_> = done.damage.iter().map(|damage| damage.place.as_str()).collect();
        assert_eq!(places[..2], ["table finding", "table rollup"]);
        assert!(depth == Depth::Quick || places.last() == Some(&nth), "{places:?}");
    }
    assert_eq!(store.damage().len(), 2, "told where operators look");
    store.close().await;
}

/// The last byte is the last value: what stands there afterwards decodes and was never measured.
pub(crate) async fn a_changed_number_is_found(bed: &Bed) {
    let store = three_days(bed).await;
    let nm = unit("northmoor/NM-1");
    let change = |table: &str, rows: &str| match bed.engine {
        Engine::Sqlite => format!(
            "UPDATE {table} SET packed = CAST(substr(packed, 1, length(packed) - 1) || x'0c' AS BLOB) WHERE {rows}"
        ),
        Engine::Postgres => format!(
            "UPDATE {table} SET packed = overlay(packed PLACING '\\x0c'::bytea FROM length(packed)) WHERE {rows}"
        ),
    };
    bed.sql(&change("journal", "seq = 1")).await;
    assert!(store.journal_after(Seq(0), 1).await.unwrap().items[0].samples.is_empty());
    let before = store.latest(&nm, at(0)).await.unwrap();
    bed.sql(&change("latest", "unit_no = 1")).await;
    assert_eq!(store.latest(&nm, at(0)).await.unwrap(), before, "looked for in blocks");
    assert_eq!(store.damage().len(), 2, "{:?}", store.damage());

    bed.sql("UPDATE journal SET crc = NULL; UPDATE latest SET crc = NULL").await;
    assert_eq!(store.journal_after(Seq(1), 9).await.unwrap().items.len(), 8, "rows of before have no sum");
    assert!(store.journal_after(Seq(1), 9).await.unwrap().items.iter().all(|m| m.samples.len() == 600));
    assert_eq!(store.latest(&unit("northmoor/NM-2"), at(0)).await.unwrap().len(), 1);
    store.close().await;
}

pub(crate) async fn a_damaged_channel_takes_only_itself(bed: &Bed) {
    let store = three_days(bed).await;
    let nm = unit("northmoor/NM-1");
    let noon = -3 * DAY;
    let more = (0..50).map(|i| sample(noon + i, 1, 4.5)).collect();
    store.append(&[message("northmoor/NM-1", 60, more)]).await.unwrap();
    store.seal(at(0), KEEP).await.unwrap();
    let read = async |channel| {
        store.channel_samples(&nm, ChannelIx(channel), at(noon), at(noon + 3600)).await.unwrap().len()
    };
    assert_eq!((read(0).await, read(1).await), (600, 50));
    // The last five bytes are those of texts, none here.
    bed.sql(&flip(bed, "block", "length(packed) - 10", &format!("unit_no = 1 AND day = {}", at(noon).day())))
        .await;
    assert_eq!((read(0).await, read(1).await), (600, 0));
    assert_eq!(store.unit_samples(&nm, at(noon), at(noon + 3600), None).await.unwrap().len(), 600);
    let told = store.damage();
    let [damage] = &told[..] else { panic!("one place: {told:?}") };
    assert!(damage.place.starts_with("channel 1 in the block of unit_no 1"), "{damage:?}");
    assert_eq!(store.check(Depth::Deep).await.unwrap().damage, told);
    let late = message("northmoor/NM-1", 60, vec![sample(noon + 1800, 0, 9.0)]);
    store.append(&[late]).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 0, "what is left is not sealed over");
    store.close().await;
}

/// Wherever a block is hit, reads go on and other units are whole.
pub(crate) async fn no_place_of_a_block_fails_a_read(bed: &Bed) {
    let store = three_days(bed).await;
    let day = at(-DAY).day();
    for position in (0..200).step_by(23) {
        bed.sql(&flip(bed, "block", position, &format!("unit_no = 2 AND day = {day}"))).await;
        assert_eq!(counts(&store).await, [600, 600, 600, 0, 600, 600, 600, 600, 600], "hit at {position}");
    }
    store.close().await;
}

pub(crate) async fn a_counter_that_fell_behind_is_told(bed: &Bed) {
    let store = three_days(bed).await;
    bed.sql("UPDATE counter SET value = 3 WHERE name = 'journal'").await;
    let found = store.check(Depth::Quick).await.unwrap().damage;
    assert!(found.len() == 1 && found[0].place == "counter journal", "{found:?}");
    store.close().await;
}
