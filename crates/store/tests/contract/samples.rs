//! Messages and samples.

use std::collections::BTreeSet;

use notchwatch_model::{ChannelIx, Decoded, Reason, Sample, Seq, TextSample, Uom, UomUse};
use notchwatch_store::{Appended, JournalMessage, NewMessage};

use crate::bed::{Bed, at, message, sample, unit};

pub(crate) async fn messages_come_back_as_decoded(bed: &Bed) {
    let store = bed.open().await;
    assert_eq!(store.journal_end().await.unwrap(), Seq(0));
    let mut full = message("northmoor/NM-1", 10, vec![sample(5, 1, 0.1 + 0.2), sample(5, 0, -0.0)]);
    full.envelope.retained = true;
    full.decoded.approximate = true;
    full.decoded.texts = vec![TextSample { time: at(5), channel: ChannelIx(3), text: "rev. Ö".into() }];
    full.decoded.uoms = vec![UomUse { channel: ChannelIx(0), sent: Uom::parse("psi").unwrap() }];
    let empty = NewMessage { decoded: Decoded::default(), ..message("northmoor/NM-1", 11, vec![]) };
    let other = message("sarel/SC-1", 12, vec![sample(12, 2, f64::MAX)]);
    let done = store.append(&[full.clone(), empty, other.clone()]).await.unwrap();
    assert_eq!(done, Appended { last: Some(Seq(2)), messages: 2, samples: 3, quarantined: 0 });
    assert_eq!(store.append(&[]).await.unwrap(), Appended::default());

    let back = store.journal_after(Seq(0), 10).await.unwrap().items;
    let expected = |seq, new: &NewMessage| JournalMessage {
        seq: Seq(seq),
        unit: new.decoded.unit.clone().unwrap(),
        received: new.envelope.received,
        retained: new.envelope.retained,
        approximate: new.decoded.approximate,
        samples: new.decoded.samples.clone(),
        texts: new.decoded.texts.clone(),
        uoms: new.decoded.uoms.clone(),
    };
    assert_eq!(back, [expected(1, &full), expected(2, &other)]);
    assert_eq!(bits(&back[0].samples), bits(&full.decoded.samples));
    assert_eq!(store.journal_after(Seq(1), 10).await.unwrap().items.len(), 1);
    assert_eq!(store.journal_after(Seq(0), 1).await.unwrap().items.len(), 1);
    assert_eq!(store.journal_end().await.unwrap(), Seq(2));

    let nm = unit("northmoor/NM-1");
    assert_eq!(
        store.unit_samples(&nm, at(0), at(100), None).await.unwrap(),
        [sample(5, 0, -0.0), sample(5, 1, 0.1 + 0.2)]
    );
    assert_eq!(store.unit_samples(&nm, at(6), at(100), None).await.unwrap(), []);
    assert_eq!(store.unit_samples(&nm, at(0), at(5), None).await.unwrap(), [], "the end is not in it");
    assert_eq!(store.unit_texts(&nm, at(0), at(100), None).await.unwrap(), full.decoded.texts);
    assert_eq!(store.unit_samples(&unit("sarel/SC-9"), at(0), at(100), None).await.unwrap(), []);
    store.close().await;
}

pub(crate) async fn repeats_and_contradictions_settle_in_any_order(bed: &Bed) {
    let store = bed.open().await;
    let values = [3.5, 7.25, -1.0, 7.25];
    let orders = [[0, 1, 2, 3], [3, 2, 1, 0], [2, 0, 3, 1]];
    for (day, order) in orders.iter().enumerate() {
        let base = -86_400 * (10 - i64::try_from(day).unwrap());
        for (step, which) in order.iter().enumerate() {
            let batch = [message("northmoor/NM-1", base + 60, vec![sample(base, 0, values[*which])])];
            store.append(&batch).await.unwrap();
            // Some arrive after the day was sealed: the rule holds across block and journal.
            if step == day {
                store.seal(at(0), notchwatch_model::Span::from_days(1)).await.unwrap();
            }
        }
        let nm = unit("northmoor/NM-1");
        let read = store.channel_samples(&nm, ChannelIx(0), at(base - 10), at(base + 10)).await.unwrap();
        assert_eq!(read, [(at(base), 7.25)], "order {order:?}");
    }
    let pack = vec![sample(0, 1, 1.0), sample(0, 1, 1.0), sample(0, 1, 2.0)];
    store.append(&[message("northmoor/NM-2", 0, pack.clone())]).await.unwrap();
    assert_eq!(
        store.unit_samples(&unit("northmoor/NM-2"), at(0), at(1), None).await.unwrap(),
        [sample(0, 1, 2.0)],
        "one key twice in one pack"
    );
    let last = store.journal_end().await.unwrap();
    assert_eq!(
        store.journal_after(Seq(last.0 - 1), 1).await.unwrap().items[0].samples,
        pack,
        "the journal keeps them all"
    );
    store.close().await;
}

pub(crate) async fn a_large_message_and_a_catch_up_fit(bed: &Bed) {
    let store = bed.open().await;
    let large: Vec<Sample> = (0..2000_i64)
        .flat_map(|t| (0..3_u16).map(move |c| sample(t, c, f64::from(u32::try_from(t).unwrap()) / 8.0)))
        .collect();
    let done = store.append(&[message("sarel/SC-1", 2000, large.clone())]).await.unwrap();
    assert_eq!((done.messages, done.samples), (1, 6000));
    assert_eq!(store.unit_samples(&unit("sarel/SC-1"), at(0), at(2000), None).await.unwrap(), large);

    let batch: Vec<NewMessage> =
        (0..60_000_i64).map(|i| message("northmoor/NM-1", i, vec![sample(i, 0, 1.5)])).collect();
    let done = store.append(&batch).await.unwrap();
    assert_eq!((done.messages, done.samples, done.last), (60_000, 60_000, Some(Seq(60_001))));
    let read = store.channel_samples(&unit("northmoor/NM-1"), ChannelIx(0), at(0), at(60_000)).await.unwrap();
    assert_eq!(read.len(), 60_000);
    store.close().await;
}

pub(crate) async fn values_that_are_not_finite_are_never_stored(bed: &Bed) {
    let store = bed.open().await;
    let samples = vec![sample(0, 0, f64::NAN), sample(0, 1, 2.0), sample(0, 2, f64::INFINITY)];
    let all_bad = message("northmoor/NM-2", 1, vec![sample(0, 0, f64::NEG_INFINITY)]);
    let done = store.append(&[message("northmoor/NM-1", 1, samples), all_bad]).await.unwrap();
    assert_eq!((done.messages, done.samples, done.quarantined), (1, 1, 2));
    assert_eq!(
        store.unit_samples(&unit("northmoor/NM-1"), at(0), at(1), None).await.unwrap(),
        [sample(0, 1, 2.0)]
    );
    let counts = store.quarantine_counts(&notchwatch_model::RailwayFilter::All).await.unwrap();
    assert_eq!(counts, [(Reason::NotFinite, 2)]);
    store.close().await;
}

pub(crate) async fn texts_with_control_characters_never_fail_a_batch(bed: &Bed) {
    let store = bed.open().await;
    let mut nul = message("northmoor/NM-1", 0, vec![sample(0, 0, 55.5)]);
    nul.envelope.topic = "units/a\0b\u{7}".into();
    nul.envelope.content_type = Some("x\0y".into());
    nul.envelope.payload = b"raw \0 bytes".to_vec();
    nul.decoded.texts = vec![TextSample { time: at(0), channel: ChannelIx(3), text: "a\0b\u{1}".into() }];
    let detail = "name \"c\0d\" holds a control character".to_owned();
    nul.decoded.refused = vec![notchwatch_model::Refusal::of_record(Reason::Name, 4, detail)];
    let good = message("northmoor/NM-2", 0, vec![sample(0, 0, 1.0)]);
    let done = store.append(&[nul, good]).await.unwrap();
    assert_eq!((done.messages, done.quarantined), (2, 1));
    assert_eq!(
        store.unit_texts(&unit("northmoor/NM-1"), at(0), at(1), None).await.unwrap()[0].text,
        "a\0b\u{1}"
    );
    let filter = notchwatch_model::RailwayFilter::All;
    let rows = store.quarantine(&notchwatch_store::QuarantineQuery::default(), &filter).await.unwrap().items;
    assert_eq!(rows[0].detail, "name \"c\u{fffd}d\" holds a control character");
    assert_eq!(store.quarantine_row(rows[0].id, &filter).await.unwrap().unwrap().1, b"raw \0 bytes");
    store.close().await;
}

/// Several writers at once; a reader that goes on from the newest position it saw never misses one.
pub(crate) async fn positions_become_visible_in_order(bed: &Bed) {
    const WRITERS: i64 = 6;
    const BATCHES: i64 = 20;
    let store = bed.open().await;
    let mut writers = tokio::task::JoinSet::new();
    for writer in 0..WRITERS {
        let store = store.clone();
        writers.spawn(async move {
            for batch in 0..BATCHES {
                let secs = writer * 1000 + batch;
                let two = [
                    message("northmoor/NM-1", secs, vec![sample(secs, 0, 1.0)]),
                    message("sarel/SC-1", secs, vec![sample(secs, 0, 1.0)]),
                ];
                store.append(&two).await.unwrap();
            }
        });
    }
    let mut seen = BTreeSet::new();
    let mut after = Seq(0);
    while seen.len() < usize::try_from(WRITERS * BATCHES * 2).unwrap() {
        for read in store.journal_after(after, 7).await.unwrap().items {
            assert!(read.seq > after && seen.insert(read.seq));
            after = read.seq;
        }
        tokio::task::yield_now().await;
        assert!(!writers.is_empty(), "a position was skipped");
        if seen.len() == usize::try_from(store.journal_end().await.unwrap().0).unwrap() {
            while writers.try_join_next().is_some_and(|r| r.is_ok()) {}
            if writers.is_empty() {
                break;
            }
        }
    }
    while let Some(done) = writers.join_next().await {
        done.unwrap();
    }
    for read in store.journal_after(after, 1000).await.unwrap().items {
        seen.insert(read.seq);
    }
    assert_eq!(seen.len(), usize::try_from(WRITERS * BATCHES * 2).unwrap());
    store.close().await;
}

fn bits(samples: &[Sample]) -> Vec<u64> {
    samples.iter().map(|s| s.value.to_bits()).collect()
}

pub(crate) async fn marks_of_times_taken_from_receipt_outlive_sealing(bed: &Bed) {
    const DAY: i64 = 86_400;
    let store = bed.open().await;
    let mut about = message("northmoor/NM-1", -2 * DAY + 20, vec![sample(-2 * DAY + 20, 0, 1.0)]);
    about.decoded.approximate = true;
    let sure = message("northmoor/NM-1", -2 * DAY + 30, vec![sample(-2 * DAY + 30, 0, 2.0)]);
    store.append(&[about, sure]).await.unwrap();
    let nm = unit("northmoor/NM-1");
    let told = async || {
        let found = store.samples_told(&nm, &[ChannelIx(0)], at(-3 * DAY), at(0)).await.unwrap();
        found.iter().map(|t| (t.sample.value, t.approximate)).collect::<Vec<_>>()
    };
    assert_eq!(told().await, [(1.0, true), (2.0, false)]);
    assert_eq!(store.seal(at(0), notchwatch_model::Span::from_days(7)).await.unwrap().blocks, 1);
    assert_eq!(told().await, [(1.0, true), (2.0, false)], "out of the block");
    assert_eq!(store.samples_told(&nm, &[ChannelIx(1)], at(-3 * DAY), at(0)).await.unwrap(), []);
    store.close().await;
}
