//! The whole way in: a stock broker, the real decoder, the real store; and the replay of what was refused.
//!
//! `PostgreSQL` is looked for at `NOTCHWATCH_TEST_POSTGRES` (default `postgres://postgres@127.0.0.1:5432/test`).

use std::process::Command;
use std::sync::Arc;

use notchwatch_model::{AccountName, Envelope, RailwayFilter, Reason, Register, Seq, Span, Time};
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

const UNIT_2: &str = "[[units]]\nrailway = \"northmoor\"\nid = \"2\"\nclass = \"plain\"\n";

/// Any instant: receive times come from the test.
const NOW_S: i64 = 1_800_000_000;

struct Rig {
    store: Store,
    decoder: Decoder,
    _place: Place,
}

/// Where the store of a test is.
enum Place {
    Folder(TempDir),
    Server { server: String, name: String },
}

impl Place {
    fn sqlite() -> Self {
        Self::Folder(tempfile::tempdir().unwrap())
    }

    #[expect(clippy::disallowed_methods, reason = "a test's server is named by the environment")]
    fn postgres() -> Self {
        let server = std::env::var("NOTCHWATCH_TEST_POSTGRES")
            .unwrap_or_else(|_| "postgres://postgres@127.0.0.1:5432/test".to_owned());
        let name = format!("notchwatch_ingest_{}", std::process::id());
        psql(&server, &format!("create database {name}"));
        Self::Server { server, name }
    }

    fn url(&self) -> String {
        match self {
            Self::Folder(folder) => format!("sqlite:{}", folder.path().join("test.db").display()),
            Self::Server { server, name } => format!("{}/{name}", server.rsplit_once('/').unwrap().0),
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if let Self::Server { server, name } = self
            && !std::thread::panicking()
        {
            psql(server, &format!("drop database if exists {name} with (force)"));
        }
    }
}

fn psql(server: &str, statement: &str) {
    let done = Command::new("psql")
        .args(["--no-password", "--quiet", "--no-psqlrc", "--command", statement, server])
        .output()
        .unwrap();
    assert!(done.status.success(), "{server}: {}", String::from_utf8_lossy(&done.stderr));
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

async fn rig(place: Place) -> Rig {
    let store = Store::open(&Options { url: place.url(), readers: 2 }).await.unwrap();
    put(&store, &register("")).await;
    Rig { store, decoder: Decoder::new(pattern(), Limits::default()), _place: place }
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
    let rig = rig(Place::sqlite()).await;
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

    let journal = rig.store.journal_after(Seq(0), 1000).await.unwrap().items;
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
}

/// The unit is registered late: its message is decoded again and stands in the journal.
async fn replayed(rig: &Rig) {
    let (row, _) = quarantined(&rig.store, Reason::UnknownUnit).await.remove(0);
    let again = |index| {
        let (store, decoder) = (&rig.store, &rig.decoder);
        async move { replay_quarantine(store, decoder, &index, row, &RailwayFilter::All).await.unwrap() }
    };
    assert!(matches!(again(index(&register(""))).await, Replayed::StillRefused(r) if r.len() == 1));
    let mended = register(UNIT_2);
    put(&rig.store, &mended).await;
    assert_eq!(again(index(&mended)).await, Replayed::Stored(Some(Seq(501))));
    let journal = rig.store.journal_after(Seq(500), 10).await.unwrap().items;
    assert_eq!((journal.len(), journal[0].unit.unit.as_str(), journal[0].received), (1, "2", now()));
    let none = replay_quarantine(&rig.store, &rig.decoder, &index(&mended), 999, &RailwayFilter::All).await;
    assert_eq!(none.unwrap(), Replayed::Absent);
}

/// A message of unit 2, which is not registered at first.
fn of_unit_2(payload: &str, retained: bool) -> Envelope {
    let mut envelope = crate::test_sink::message(payload).envelope;
    envelope.topic = "units/northmoor/2/senml".to_owned();
    (envelope.received, envelope.retained) = (now(), retained);
    envelope
}

/// What the broker had kept is no measurement of the time when it was received, nor a sign of life: neither at first nor
/// when it is replayed, whatever it was refused for.
async fn a_kept_message_stays_one_in_quarantine(place: Place) {
    let rig = rig(place).await;
    let old = NOW_S - 21 * 86_400;
    let timed = format!(r#"[{{"n":"oil_temp","t":{old},"v":80.5}}]"#);
    let untimed = r#"[{"n":"oil_temp","v":81.5}]"#;
    let sent = [of_unit_2(untimed, true), of_unit_2(&timed, true), of_unit_2(untimed, false)];
    import(&rig.store, &rig.decoder, &index(&register("")), sent.into_iter(), |_| {}).await.unwrap();
    let mut rows = quarantined(&rig.store, Reason::UnknownUnit).await;
    rows.reverse();
    assert_eq!(rows.len(), 3);
    let mended = register(UNIT_2);
    put(&rig.store, &mended).await;
    let mut outcomes = Vec::new();
    for (row, _) in rows {
        let (store, decoder) = (&rig.store, &rig.decoder);
        outcomes.push(
            replay_quarantine(store, decoder, &index(&mended), row, &RailwayFilter::All).await.unwrap(),
        );
    }
    let [kept, kept_with_time, live] = &outcomes[..] else { unreachable!("three were replayed") };
    assert!(
        matches!(kept, Replayed::StillRefused(r) if r[0].reason == Reason::RetainedWithoutTime),
        "nobody knows when it was measured: {kept:?}"
    );
    assert_eq!((kept_with_time, live), (&Replayed::Stored(Some(Seq(1))), &Replayed::Stored(Some(Seq(2)))));
    let journal = rig.store.journal_after(Seq(0), 10).await.unwrap().items;
    let told: Vec<_> = journal.iter().map(|m| (m.retained, m.samples[0].time, m.samples[0].value)).collect();
    let then = now() - Span::from_days(21);
    assert_eq!(told, [(true, then, 80.5), (false, now(), 81.5)]);
    rig.store.close().await;
}

#[tokio::test]
async fn a_kept_message_stays_one_in_quarantine_sqlite() {
    a_kept_message_stays_one_in_quarantine(Place::sqlite()).await;
}

#[tokio::test]
async fn a_kept_message_stays_one_in_quarantine_postgres() {
    a_kept_message_stays_one_in_quarantine(Place::postgres()).await;
}

#[tokio::test]
async fn an_import_stands_in_the_journal() {
    let rig = rig(Place::sqlite()).await;
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
