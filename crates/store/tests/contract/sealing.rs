//! Sealing days into blocks and rollups: nothing that is read changes.

use notchwatch_model::{ChannelIx, Sample, Seq, Span, TextSample, Time, UnitKey};
use notchwatch_store::{EvaluationCommit, NewMessage, Rollup, Store, UnitProgress};

use crate::bed::{Bed, at, message, sample, unit};

const DAY: i64 = 86_400;
/// Position up to which some is read.
const EARLY: Option<Seq> = Some(Seq(150));
const KEEP: Span = Span::from_days(7);

/// Everything that can be read of a unit.
#[derive(Debug, PartialEq)]
struct View {
    samples: Vec<Sample>,
    early: Vec<Sample>,
    one: Vec<(Time, f64)>,
    texts: Vec<TextSample>,
    early_texts: Vec<TextSample>,
    record: (Vec<Sample>, Vec<TextSample>),
    latest: Vec<Sample>,
    rollups: Vec<Vec<Rollup>>,
}

async fn view(store: &Store, now: Time) -> View {
    let unit = unit("northmoor/NM-1");
    let (from, to) = (at(-4 * DAY + 100), at(DAY));
    let mut rollups = Vec::new();
    for bucket in [Span::from_mins(10), Span::from_hours(1), Span::from_days(1), Span::from_mins(7)] {
        rollups.push(store.rollup(&unit, ChannelIx(1), from, to, bucket).await.unwrap());
    }
    let channels = [ChannelIx(0), ChannelIx(1), ChannelIx(2)];
    let hour = Span::from_hours(1);
    let several = store.unit_rollups(&unit, &channels, (from, to), hour).await.unwrap();
    assert_eq!(several.get(1), rollups.get(1), "several channels in one pass are what each is alone");
    rollups.extend(several);
    View {
        samples: store.unit_samples(&unit, from, to, None).await.unwrap(),
        early: store.unit_samples(&unit, from, to, EARLY).await.unwrap(),
        one: store.channel_samples(&unit, ChannelIx(1), from, to).await.unwrap(),
        texts: store.unit_texts(&unit, from, to, None).await.unwrap(),
        early_texts: store.unit_texts(&unit, from, to, EARLY).await.unwrap(),
        record: store.unit_record(&unit, from, to, EARLY).await.unwrap(),
        latest: store.latest(&unit, now).await.unwrap(),
        rollups,
    }
}

/// Compares part by part, since a difference in thousands of samples is not read.
fn assert_same(now: &View, before: &View, when: &str) {
    assert_eq!(now.samples.len(), before.samples.len(), "{when}");
    assert!((1..now.texts.len()).contains(&now.early_texts.len()), "{when}: {}", now.early_texts.len());
    for (part, same) in [
        ("samples", now.samples == before.samples),
        ("samples up to a position", now.early == before.early),
        ("one channel", now.one == before.one),
        ("texts", now.texts == before.texts),
        ("texts up to a position", now.early_texts == before.early_texts),
        ("both in one pass", now.record == (before.early.clone(), before.early_texts.clone())),
    ] {
        assert!(same, "{part} differ {when}");
    }
    assert_eq!(now.latest, before.latest, "{when}");
    for (a, b) in now.rollups.iter().zip(&before.rollups) {
        assert_eq!(a.len(), b.len(), "{when}");
        for (a, b) in a.iter().zip(b) {
            assert_eq!(a, b, "{when}");
        }
    }
}

/// Batches of a unit over four days: some channels now and then, repeats, contradictions, a text a day.
fn traffic() -> Vec<NewMessage> {
    (0..400_i64)
        .map(|i| {
            let base = -4 * DAY + i * 860;
            let mut samples = Vec::new();
            for step in 0..12 {
                let time = base + step * 60;
                let wave = f64::from(i32::try_from((i * 12 + step) % 97).unwrap()) / 7.0;
                samples.push(sample(time, 1, wave));
                if step % 3 == 0 {
                    samples.push(sample(time, 0, (wave * 10.0).round() / 10.0));
                }
                if i % 50 == 0 && step == 4 {
                    samples.push(sample(time, 1, wave));
                    samples.push(sample(time, 1, wave + 1.0));
                }
            }
            if i % 7 == 0 {
                samples.push(sample(base + 3, 2, 80.0));
            }
            let mut one = message("northmoor/NM-1", base + 720, samples);
            if i % 100 == 0 {
                let text = format!("version {i}");
                one.decoded.texts = vec![TextSample { time: at(base), channel: ChannelIx(3), text }];
            }
            one
        })
        .collect()
}

pub(crate) async fn sealed_reads_equal_unsealed_reads(bed: &Bed) {
    let store = bed.open().await;
    store.append(&traffic()).await.unwrap();
    let now = at(0);
    let before = view(&store, now).await;
    assert!(
        before.samples.len() > 5000 && !before.early.is_empty() && before.early.len() < before.samples.len()
    );
    let report = store.seal(now, KEEP).await.unwrap();
    assert_eq!((report.blocks, report.dropped), (4, 0), "four days are closed: the first began at noon");
    assert!(report.bytes < report.samples * 4, "{report:?}");
    assert_same(&view(&store, now).await, &before, "once sealed");
    let again = store.seal(now, KEEP).await.unwrap();
    assert_eq!((again.blocks, again.samples), (0, 0), "nothing is left to seal");

    store.commit_evaluation(judged(&store).await, now).await.unwrap();
    let report = store.seal(now, Span::ZERO).await.unwrap();
    assert!(report.dropped > 200, "{report:?}");
    assert_same(&view(&store, now).await, &before, "without the rows behind");
    store.close().await;
}

pub(crate) async fn late_rows_are_sealed_again(bed: &Bed) {
    let store = bed.open().await;
    let (mut on_time, mut late) = (Vec::new(), Vec::new());
    for (i, one) in traffic().into_iter().enumerate() {
        if i % 5 == 2 { late.push(one) } else { on_time.push(one) }
    }
    store.append(&on_time).await.unwrap();
    store.seal(at(0), KEEP).await.unwrap();
    store.append(&late).await.unwrap();
    let mixed = view(&store, at(0)).await;
    let report = store.seal(at(0), KEEP).await.unwrap();
    assert_eq!(report.blocks, 4, "every day is written anew");
    assert_same(&view(&store, at(0)).await, &mixed, "once sealed again");
    store.commit_evaluation(judged(&store).await, at(0)).await.unwrap();
    store.seal(at(0), Span::ZERO).await.unwrap();
    assert_same(&view(&store, at(0)).await, &mixed, "once sealed again");
    store.append(&[message("northmoor/NM-1", 5, vec![sample(-3 * DAY, 2, 99.0)])]).await.unwrap();
    store.seal(at(0), Span::ZERO).await.unwrap();
    let after = view(&store, at(0)).await;
    assert_eq!(
        after.samples.len(),
        mixed.samples.len() + 1,
        "nor does a block lose what rows no longer hold"
    );
    store.close().await;
}

pub(crate) async fn a_day_waits_for_its_unit(bed: &Bed) {
    let store = bed.open().await;
    let (hour, midnight) = (3600, -DAY / 2);
    let told = |judged: i64, received: i64| EvaluationCommit {
        progress: vec![UnitProgress {
            unit: unit("northmoor/NM-1"),
            judged: Some(at(judged)),
            received: Some(at(received)),
            samples: 1,
            repeats: 0,
            conflicts: 0,
            models: None,
        }],
        ..EvaluationCommit::default()
    };
    // The newest event time that the unit has sent, when it was heard last, and whether the day before is sealed then.
    let cases = [
        (midnight - 2 * hour, 0, 0, "on its way through the day"),
        (midnight + hour - 1, 0, 0, "not past it by an hour"),
        (midnight + hour, 0, 1, "past it by an hour"),
        (midnight - hour, -hour, 0, "heard an hour ago"),
        (midnight - hour, -hour - 1, 1, "silent for more than an hour"),
    ];
    for (nth, (judged, received, blocks, case)) in (0..).zip(cases) {
        let value = f64::from(i32::try_from(nth).unwrap());
        let new = message("northmoor/NM-1", nth, vec![sample(midnight - hour, 0, value)]);
        store.append(&[new]).await.unwrap();
        store.commit_evaluation(told(judged, received), at(0)).await.unwrap();
        assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, blocks, "{case}");
    }
    store.append(&[message("northmoor/NM-1", 9, vec![sample(midnight - 4 * DAY, 0, 1.0)])]).await.unwrap();
    store.commit_evaluation(told(midnight - 4 * DAY, 0), at(0)).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 1, "the clock of the unit may stand");
    store.close().await;
}

pub(crate) async fn sealing_ends_while_messages_come(bed: &Bed) {
    let store = bed.open().await;
    let late = |nth: i64| message("northmoor/NM-1", nth, vec![sample(-5 * DAY + nth % 1000, 0, 1.0)]);
    store.append(&[late(0)]).await.unwrap();
    let (told, mut ended) = tokio::sync::oneshot::channel();
    let sender = async {
        let mut sent = 1;
        while sent < 200 && ended.try_recv().is_err() {
            store.append(&[late(sent)]).await.unwrap();
            sent += 1;
        }
        sent
    };
    let sealer = async {
        let report = store.seal(at(0), KEEP).await.unwrap();
        told.send(()).unwrap_or_default();
        report
    };
    let (sent, report) = tokio::join!(sender, sealer);
    assert_eq!(report.blocks, 1, "the one day once, though {sent} messages came for it");
    store.close().await;
}

pub(crate) async fn what_a_unit_repeats_all_day_takes_no_room(bed: &Bed) {
    let store = bed.open().await;
    let nm = unit("northmoor/NM-1");
    // More rows than are packed at one time: the same hundred minutes again and again, one value at the very end.
    let minute = |nth: i64, value: f64| vec![sample(-2 * DAY + nth % 100 * 60, 0, value)];
    let repeated: Vec<_> = (0..20_100)
        .map(|nth| message("northmoor/NM-1", nth, minute(nth, f64::from(i32::try_from(nth % 100).unwrap()))))
        .collect();
    for some in repeated.chunks(4000) {
        store.append(some).await.unwrap();
    }
    store.append(&[message("northmoor/NM-1", 20_100, minute(7, 70.5))]).await.unwrap();
    let before = (read(&store, &nm, None).await, read(&store, &nm, Some(Seq(20_050))).await);
    assert_eq!((before.0.len(), before.1.len()), (100, 100));
    assert_ne!(before.0, before.1, "the last value settles for what came later alone");
    let report = store.seal(at(0), KEEP).await.unwrap();
    assert_eq!(report.blocks, 2, "the first rows, and what was new behind them");
    assert!(report.bytes < 4000, "{report:?}");
    assert_eq!(read(&store, &nm, None).await, before.0);
    assert_eq!(read(&store, &nm, Some(Seq(20_050))).await, before.1);
    // A day that is repeated once more is closed without being written anew.
    store.append(repeated.get(..50).unwrap()).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 0);
    store.commit_evaluation(judged(&store).await, at(0)).await.unwrap();
    assert_eq!(store.seal(at(DAY), Span::ZERO).await.unwrap().dropped, 20_151, "no row is left open");
    assert_eq!(read(&store, &nm, None).await, before.0);
    store.close().await;
}

async fn read(store: &Store, unit: &UnitKey, up_to: Option<Seq>) -> Vec<Sample> {
    store.unit_samples(unit, at(-3 * DAY), at(0), up_to).await.unwrap()
}

/// Of the first unit's block, the one too large for its row, the server's pages lose the part that holds it.
const LOSE_PAGES: &str = "CREATE EXTENSION pg_surgery; \
    DO $$ DECLARE pages TEXT; BEGIN \
    FOR pages IN SELECT c.reltoastrelid::regclass FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid \
    WHERE i.inhparent = 'block'::regclass LOOP \
    EXECUTE format('SELECT heap_force_kill(%L::regclass, ctids) FROM (SELECT array_agg(ctid) AS ctids FROM %s) AS all_of_it \
    WHERE ctids IS NOT NULL', pages, pages); \
    END LOOP; END $$";

pub(crate) async fn a_page_that_cannot_be_read_costs_its_day_alone(bed: &Bed) {
    let store = bed.open().await;
    let names = ["northmoor/NM-1", "northmoor/NM-2", "sarel/SC-1"];
    let noise = |n: i32| sample(-2 * DAY + i64::from(n), 0, f64::from(n * n % 7919).sqrt());
    let day = |value: f64| names.map(|name| message(name, 0, vec![sample(-2 * DAY - 1, 0, value)]));
    store.append(&day(1.0)).await.unwrap();
    store.append(&[message(names[0], 0, (0..2000).map(noise).collect())]).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 3);
    bed.sql(LOSE_PAGES).await;
    store.append(&day(2.0)).await.unwrap();
    assert_eq!(store.seal(at(0), KEEP).await.unwrap().blocks, 2, "the other two units'");
    for name in &names[1..] {
        let read = read(&store, &unit(name), None).await;
        assert_eq!(read, [sample(-2 * DAY - 1, 0, 2.0)], "{name}");
    }
    store.close().await;
}

pub(crate) async fn old_rows_go_only_when_sealed_and_judged(bed: &Bed) {
    let store = bed.open().await;
    let old = message("northmoor/NM-1", -3 * DAY, vec![sample(-3 * DAY, 0, 1.0)]);
    let open = message("northmoor/NM-1", -3 * DAY, vec![sample(-60, 0, 2.0)]);
    let young = message("northmoor/NM-1", -60, vec![sample(-3 * DAY, 1, 3.0)]);
    store.append(&[old, open, young]).await.unwrap();
    let keep = Span::from_days(1);
    assert_eq!(store.seal(at(0), keep).await.unwrap().dropped, 0, "not judged");
    store.commit_evaluation(judged(&store).await, at(0)).await.unwrap();
    assert_eq!(store.seal(at(0), keep).await.unwrap().dropped, 1);
    let left: Vec<Seq> = store.journal_after(Seq(0), 10).await.unwrap().items.iter().map(|m| m.seq).collect();
    assert_eq!(left, [Seq(2), Seq(3)], "one is of an open day, one is young");
    assert_eq!(store.journal_end().await.unwrap(), Seq(3));
    let all = store.unit_samples(&unit("northmoor/NM-1"), at(-4 * DAY), at(1), None).await.unwrap();
    assert_eq!(all, [sample(-3 * DAY, 0, 1.0), sample(-3 * DAY, 1, 3.0), sample(-60, 0, 2.0)]);
    store.close().await;
}

pub(crate) async fn messages_across_midnight_are_in_both_days(bed: &Bed) {
    let store = bed.open().await;
    let midnight = -DAY / 2;
    let samples: Vec<Sample> = (-6..6).map(|i| sample(midnight + i * 3600 * 9, 0, 4.5)).collect();
    let batch = message("northmoor/NM-1", 4 * DAY, samples.clone());
    store.append(&[batch]).await.unwrap();
    let nm = unit("northmoor/NM-1");
    for now in [at(midnight + 3599), at(midnight + 3600), at(DAY), at(2 * DAY), at(5 * DAY)] {
        store.seal(now, KEEP).await.unwrap();
        let read = store.unit_samples(&nm, at(-9 * DAY), at(9 * DAY), None).await.unwrap();
        assert_eq!(read, samples, "sealed at {now}");
        let part = store.unit_samples(&nm, at(midnight), at(midnight + DAY), None).await.unwrap();
        assert_eq!(part.len(), 3, "sealed at {now}");
    }
    store.close().await;
}

pub(crate) async fn latest_looks_past_what_is_not_yet(bed: &Bed) {
    let store = bed.open().await;
    let nm = unit("northmoor/NM-1");
    assert_eq!(store.latest(&nm, at(0)).await.unwrap(), []);
    let rows = vec![
        message("northmoor/NM-1", 1, vec![sample(-2 * DAY, 0, 1.0), sample(-2 * DAY, 1, 5.0)]),
        message("northmoor/NM-1", 2, vec![sample(-DAY, 0, 2.0)]),
        message("northmoor/NM-1", 3, vec![sample(-10, 0, 3.0), sample(200, 0, 4.0)]),
    ];
    store.append(&rows).await.unwrap();
    for sealed in [false, true] {
        if sealed {
            store.seal(at(2 * DAY), KEEP).await.unwrap();
        }
        for (now, first) in
            [(at(300), sample(200, 0, 4.0)), (at(0), sample(-10, 0, 3.0)), (at(-DAY), sample(-DAY, 0, 2.0))]
        {
            let latest = store.latest(&nm, now).await.unwrap();
            assert_eq!(latest, [first, sample(-2 * DAY, 1, 5.0)], "at {now}, sealed {sealed}");
        }
        assert_eq!(store.latest(&nm, at(-3 * DAY)).await.unwrap(), []);
    }
    store.close().await;
}

/// A commit that says everything is judged.
async fn judged(store: &Store) -> EvaluationCommit {
    EvaluationCommit { position: store.journal_end().await.unwrap(), ..EvaluationCommit::default() }
}
