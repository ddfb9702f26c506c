//! The whole way in: a stock broker, the real decoder, the real store on SQLite; and the replay of what was refused.

use std::sync::Arc;

use notchwatch_model::{AccountName, RailwayFilter, Reason, Register, Seq, Time};
use notchwatch_store::{Options, QuarantineQuery, Store};
use notchwatch_wire::{Decoder, Limits, RegisterIndex, TopicPattern};
use tempfile::TempDir;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::broker_tests::{Broker, until};
use crate::import::{Replayed, import, replay_quarantine};
use crate::options::MqttOptions;
use crate::start::start;

const CLASS: &str = r#"
[[railways]]
id = "northmoor"
name = "Northmoor Freight"

[[classes]]
id = "plain"
name = "Two channels"
[[classes.channels]]
name = "oil_pressure"
system = "lubrication"
uom = "Pa"
[[classes.channels]]
name = "oil_temp"
system = "lubrication"
uom = "Cel"

[[units]]
railway = "northmoor"
id = "1"
class = "plain"
"#;

/// Any instant: receive times come from the test.
const NOW_S: i64 = 1_800_000_000;

struct Rig {
    store: Store,
    decoder: Decoder,
    folder: TempDir,
}

fn now() -> Time {
    Time::from_millis(NOW_S * 1000).unwrap()
}

fn register(more: &str) -> Register {
    toml::from_str(&format!("{CLASS}{more}")).unwrap()
}

fn index(register: &Register) -> Arc<RegisterIndex> {
    Arc::new(RegisterIndex::new(register))
}

fn pattern() -> TopicPattern {
    TopicPattern::parse("units/{railway}/{unit}/senml").unwrap()
}

async fn rig() -> Rig {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("test.db").display());
    let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
    put(&store, &register("")).await;
    Rig { store, decoder: Decoder::new(pattern(), Limits::default()), folder }
}

async fn put(store: &Store, register: &Register) {
    store.put_register(register, &AccountName::new("test").unwrap(), now()).await.unwrap();
}

fn pack(n: i64) -> String {
    let time = NOW_S - 7200 + n;
    format!(
        r#"[{{"bt":{time},"n":"oil_pressure","u":"Pa","v":{}}},{{"n":"oil_temp","u":"Cel","v":80.5}}]"#,
        400_000 + n
    )
}

async fn quarantined(store: &Store, reason: Reason) -> Vec<(i64, String)> {
    let query = QuarantineQuery { reason: Some(reason), ..QuarantineQuery::default() };
    let page = store.quarantine(&query, &RailwayFilter::All).await.unwrap();
    page.items.into_iter().map(|row| (row.id, row.detail)).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn from_the_broker_into_the_journal_and_out_of_quarantine() {
    let rig = rig().await;
    let broker = Broker::start("").await;
    let (_keep, registers) = watch::channel(index(&register("")));
    let (tracker, stop) = (TaskTracker::new(), CancellationToken::new());
    let options = MqttOptions {
        port: broker.port,
        client_id: "store".to_owned(),
        filters: vec![pattern().filter()],
        ..MqttOptions::default()
    };
    let clock = Arc::new(now);
    let ingest = start(
        options,
        rig.decoder.clone(),
        registers,
        rig.store.clone(),
        clock,
        tracker.clone(),
        stop.clone(),
    );
    let ingest = ingest.unwrap();
    until("ingest is ready", || ingest.health.borrow().ready()).await;

    let good: Vec<String> = (0..500).map(pack).collect();
    broker.publish("units/northmoor/1/senml", &good).await;
    broker.publish("units/northmoor/1/senml", &["{not a pack", r#"[{"n":"steam","v":1}]"#]).await;
    broker.publish("units/northmoor/2/senml", &[pack(0)]).await;
    until("everything is committed", || ingest.counters.snapshot().committed == 503).await;
    stop.cancel();
    tracker.close();
    tracker.wait().await;

    let journal = rig.store.journal_after(Seq(0), 1000).await.unwrap();
    assert_eq!(journal.len(), 500);
    assert!(journal.iter().all(|m| m.samples.len() == 2));
    let values: Vec<f64> = journal.iter().map(|m| m.samples[0].value).collect();
    assert_eq!(values, (0..500).map(|n| f64::from(400_000 + n)).collect::<Vec<_>>());
    assert_eq!(ingest.counters.snapshot().acknowledged, 503);
    for reason in [Reason::Malformed, Reason::UnknownChannel, Reason::UnknownUnit] {
        assert_eq!(quarantined(&rig.store, reason).await.len(), 1, "{reason:?}");
    }
    replayed(&rig).await;
    rig.store.close().await;
    drop(rig.folder);
}

/// The unit is registered late: its message is decoded again and stands in the journal.
async fn replayed(rig: &Rig) {
    let more = "[[units]]\nrailway = \"northmoor\"\nid = \"2\"\nclass = \"plain\"\n";
    let (row, _) = quarantined(&rig.store, Reason::UnknownUnit).await.remove(0);
    let again = |index| {
        let (store, decoder) = (&rig.store, &rig.decoder);
        async move { replay_quarantine(store, decoder, &index, row, &RailwayFilter::All).await.unwrap() }
    };
    assert!(matches!(again(index(&register(""))).await, Replayed::StillRefused(r) if r.len() == 1));
    let mended = register(more);
    put(&rig.store, &mended).await;
    assert_eq!(again(index(&mended)).await, Replayed::Stored(Some(Seq(501))));
    let journal = rig.store.journal_after(Seq(500), 10).await.unwrap();
    assert_eq!((journal.len(), journal[0].unit.unit.as_str(), journal[0].received), (1, "2", now()));
    let none = replay_quarantine(&rig.store, &rig.decoder, &index(&mended), 999, &RailwayFilter::All).await;
    assert_eq!(none.unwrap(), Replayed::Absent);
}

#[tokio::test]
async fn an_import_stands_in_the_journal() {
    let rig = rig().await;
    let envelopes = (0..5000).map(|n| {
        let mut envelope = crate::test_sink::message(&pack(n)).envelope;
        envelope.topic = "units/northmoor/1/senml".to_owned();
        envelope.received = now();
        envelope
    });
    let done = import(&rig.store, &rig.decoder, &index(&register("")), envelopes, |_| {}).await.unwrap();
    assert_eq!((done.messages, done.journalled, done.samples, done.quarantined), (5000, 5000, 10_000, 0));
    assert_eq!(rig.store.journal_end().await.unwrap(), Seq(5000));
    rig.store.close().await;
}
