//! Refused things, and rows that the database refuses.

use notchwatch_model::{Decoded, RailwayFilter, Reason, Refusal, Seq, Span, UnitId};
use notchwatch_store::{NewMessage, QuarantineBounds, QuarantineQuery, Retention};

use crate::bed::{Bed, Engine, at, message, only, railway, sample, unit};

fn refusal(reason: Reason, record: Option<u32>) -> Refusal {
    Refusal { reason, record, count: 1, detail: format!("{} at {record:?}", reason.code()) }
}

pub(crate) async fn refusals_are_kept_by_reason(bed: &Bed) {
    let store = bed.open().await;
    let mut mixed = message("northmoor/NM-1", 1, vec![sample(0, 0, 1.0)]);
    mixed.envelope.retained = true;
    mixed.decoded.refused = vec![
        refusal(Reason::Uom, Some(3)),
        refusal(Reason::UnknownChannel, Some(1)),
        refusal(Reason::Uom, Some(7)),
    ];
    let mut whole = message("sarel/SC-1", 2, vec![]);
    whole.decoded = Decoded::refused(Some(unit("sarel/SC-1")), Reason::Malformed, "not JSON".into());
    let mut nobody = message("nowhere/X-1", 3, vec![]);
    nobody.decoded = Decoded::refused(Some(unit("nowhere/X-1")), Reason::UnknownUnit, "no such unit".into());
    let batch: Vec<NewMessage> = vec![mixed.clone(), whole, nobody];
    let done = store.append(&batch).await.unwrap();
    assert_eq!((done.messages, done.samples, done.quarantined), (1, 1, 4));

    let all = RailwayFilter::All;
    let rows = store.quarantine(&QuarantineQuery::default(), &all).await.unwrap().items;
    let brief: Vec<_> = rows.iter().map(|r| (r.reason, r.record, r.count, r.railway.is_some())).collect();
    assert_eq!(
        brief,
        [
            (Reason::UnknownUnit, None, 1, false),
            (Reason::Malformed, None, 1, true),
            (Reason::Uom, Some(3), 2, true),
            (Reason::UnknownChannel, Some(1), 1, true),
        ]
    );
    assert_eq!(rows[0].unit, Some(UnitId::new("X-1").unwrap()));
    assert_eq!(rows.iter().map(|r| r.retained).collect::<Vec<_>>(), [false, false, true, true]);
    assert_eq!((rows[1].received, rows[1].detail.as_str()), (at(2), "not JSON"));
    let (row, bytes) = store.quarantine_row(rows[3].id, &all).await.unwrap().unwrap();
    assert_eq!((&row, bytes.as_slice()), (&rows[3], mixed.envelope.payload.as_slice()));
    assert_eq!(row.size, mixed.envelope.payload.len() as u64);

    let sarel = only("sarel");
    let seen = store.quarantine(&QuarantineQuery::default(), &sarel).await.unwrap().items;
    assert_eq!(seen, [rows[1].clone()], "neither another railway's rows nor nobody's");
    assert_eq!(store.quarantine_row(rows[0].id, &sarel).await.unwrap(), None);
    assert_eq!(store.quarantine_counts(&sarel).await.unwrap(), [(Reason::Malformed, 1)]);
    assert_eq!(store.quarantine_counts(&all).await.unwrap().len(), 4);

    for (query, count) in [
        (QuarantineQuery { reason: Some(Reason::Uom), ..QuarantineQuery::default() }, 1),
        (QuarantineQuery { railway: Some(railway("northmoor")), ..QuarantineQuery::default() }, 2),
        (QuarantineQuery { unit: Some(UnitId::new("SC-1").unwrap()), ..QuarantineQuery::default() }, 1),
        (QuarantineQuery { since: Some(at(2)), ..QuarantineQuery::default() }, 2),
        (QuarantineQuery { until: Some(at(2)), ..QuarantineQuery::default() }, 2),
        (QuarantineQuery { since: Some(at(2)), until: Some(at(3)), ..QuarantineQuery::default() }, 1),
        (QuarantineQuery { topic: Some(rows[1].topic.clone()), ..QuarantineQuery::default() }, 1),
        (QuarantineQuery { topic: Some("SC-".into()), ..QuarantineQuery::default() }, 1),
        (QuarantineQuery { topic: Some("sc-".into()), ..QuarantineQuery::default() }, 0),
        (QuarantineQuery { topic: Some("%".into()), ..QuarantineQuery::default() }, 0),
        (QuarantineQuery { topic: Some("_".into()), ..QuarantineQuery::default() }, 0),
    ] {
        assert_eq!(store.quarantine(&query, &all).await.unwrap().items.len(), count, "{query:?}");
    }
    let nul = QuarantineQuery { topic: Some("a\0b".into()), ..QuarantineQuery::default() };
    assert!(store.quarantine(&nul, &all).await.is_err());
    let mut query = QuarantineQuery { limit: 3, ..QuarantineQuery::default() };
    let page = store.quarantine(&query, &all).await.unwrap();
    query.after = page.next;
    let rest = store.quarantine(&query, &all).await.unwrap();
    assert_eq!((page.items.len(), rest.items, rest.next), (3, vec![rows[3].clone()], None));
    store.close().await;
}

pub(crate) async fn a_row_bad_at_the_database_is_set_aside(bed: &Bed) {
    let store = bed.open().await;
    match bed.engine {
        Engine::Sqlite => {
            bed.sql(
                "CREATE TRIGGER bad BEFORE INSERT ON journal WHEN NEW.samples = 2 \
                 BEGIN SELECT RAISE(ABORT, 'two is bad'); END",
            )
            .await;
        }
        Engine::Postgres => bed.sql("ALTER TABLE journal ADD CONSTRAINT bad CHECK (samples <> 2)").await,
    }
    let batch: Vec<NewMessage> = (0..1000_i64)
        .map(|i| {
            let width = if i == 333 || i == 999 { 2 } else { 1 };
            message("northmoor/NM-1", i, (0..width).map(|c| sample(i, c, 1.0)).collect())
        })
        .collect();
    let done = store.append(&batch).await.unwrap();
    assert_eq!((done.messages, done.quarantined), (998, 2));
    let stored = store.journal_after(Seq(0), 2000).await.unwrap().items;
    let times: Vec<_> = stored.iter().map(|m| m.received).collect();
    let good: Vec<_> = (0..1000).filter(|i| *i != 333 && *i != 999).map(at).collect();
    assert_eq!(times, good, "in the order given");
    let rows = store.quarantine(&QuarantineQuery::default(), &only("northmoor")).await.unwrap().items;
    assert!(rows.iter().all(|r| r.reason == Reason::Store && !r.detail.is_empty()), "{rows:?}");
    let bytes = store.quarantine_row(rows[0].id, &RailwayFilter::All).await.unwrap().unwrap().1;
    assert!(bytes == batch[333].envelope.payload || bytes == batch[999].envelope.payload);
    store.append(&[message("northmoor/NM-1", 5, vec![sample(5, 0, 1.0)])]).await.unwrap();
    store.close().await;
}

pub(crate) async fn what_its_bounds_drop_is_counted_over_a_restart(bed: &Bed) {
    let store = bed.open().await;
    store.bound_quarantine(QuarantineBounds { rows: 2, bytes: 1 << 20 });
    assert_eq!(store.quarantine_dropped().await.unwrap(), 0);
    for second in 0..5 {
        store.append(&[refused_at(second)]).await.unwrap();
    }
    assert_eq!(store.quarantine_dropped().await.unwrap(), 3);
    store.close().await;
    let store = bed.open().await;
    assert_eq!(store.quarantine_dropped().await.unwrap(), 3, "kept over a restart");
    let by_age = Retention { refused: Some(Span::from_days(1)), ..Retention::default() };
    store.retain(&by_age, at(10 * 86_400)).await.unwrap();
    assert_eq!(store.quarantine_dropped().await.unwrap(), 5, "age is a bound too");
    store.close().await;
}

/// A refused message received at a second, its payload that number.
fn refused_at(second: i64) -> NewMessage {
    let mut message = message("northmoor/NM-1", second, vec![]);
    message.envelope.payload = second.to_string().into_bytes();
    message.decoded = Decoded::refused(None, Reason::Malformed, "why".into());
    message
}

pub(crate) async fn age_goes_by_receive_time_whatever_the_order(bed: &Bed) {
    const DAY: i64 = 86_400;
    let store = bed.open().await;
    // Today, what an import brought of old, today again, and a clock that once was years ahead.
    for second in [3 * DAY, 0, 3 * DAY + 1, 4000 * DAY, 1, 3 * DAY + 2] {
        store.append(&[refused_at(second)]).await.unwrap();
    }
    let keep = Retention { refused: Some(Span::from_days(1)), ..Retention::default() };
    assert_eq!(store.retain(&keep, at(3 * DAY + 60)).await.unwrap().refused, 2);
    let all = RailwayFilter::All;
    let left = store.quarantine(&QuarantineQuery::default(), &all).await.unwrap().items;
    let received: Vec<_> = left.iter().map(|row| row.received).collect();
    assert_eq!(received, [3 * DAY + 2, 4000 * DAY, 3 * DAY + 1, 3 * DAY].map(at));
    for row in &left {
        assert!(store.quarantine_row(row.id, &all).await.unwrap().is_some(), "with its bytes");
    }
    assert_eq!(store.retain(&keep, at(6 * DAY)).await.unwrap().refused, 3, "none waits for the wrong clock");
    assert_eq!(store.quarantine_dropped().await.unwrap(), 5);
    store.bound_quarantine(QuarantineBounds { rows: 1, ..QuarantineBounds::default() });
    store.append(&[refused_at(6 * DAY)]).await.unwrap();
    let left = store.quarantine(&QuarantineQuery::default(), &all).await.unwrap().items;
    assert_eq!(left.iter().map(|row| row.received).collect::<Vec<_>>(), [at(6 * DAY)]);
    store.close().await;
}

/// MQTT allows 65,535 bytes of topic and of content type, and each row holds its own.
pub(crate) async fn texts_are_cut_and_count_among_the_bytes_kept(bed: &Bed) {
    let store = bed.open().await;
    let mut long = refused_at(0);
    long.envelope.topic = "é".repeat(30_000);
    long.envelope.content_type = Some("c".repeat(60_000));
    long.decoded.refused[0].detail = "d".repeat(5000);
    long.decoded.refused.push(refusal(Reason::Uom, Some(0)));
    store.append(&[long.clone()]).await.unwrap();
    let all = RailwayFilter::All;
    let rows = store.quarantine(&QuarantineQuery::default(), &all).await.unwrap().items;
    assert_eq!(rows.len(), 2);
    for row in &rows {
        assert_eq!(row.topic, format!("{}…", "é".repeat(510)), "on the boundary of a character");
        assert_eq!(row.content_type.as_deref().map(str::len), Some(1024));
    }
    assert_eq!((rows[0].detail.as_str(), rows[1].detail.len()), ("uom at Some(0)", 1024));

    // Two rows with a topic and a content type of 1 KiB each, and one detail of 1 KiB: 5 KiB and some bytes a message.
    store.bound_quarantine(QuarantineBounds { rows: 100, bytes: 20 * 1024 });
    for _ in 0..10 {
        store.append(&[long.clone()]).await.unwrap();
    }
    let rows = store.quarantine(&QuarantineQuery::default(), &all).await.unwrap().items;
    assert_eq!(rows.len(), 6, "three messages of five KiB within nine tenths of twenty");
    store.close().await;
}
