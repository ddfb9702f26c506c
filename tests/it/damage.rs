//! Damage in the store, seen from outside: told, counted, and no reason to be taken out of service.

use std::time::Duration;

use crate::support::bench::{REGISTER, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine, psql};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms};

const SOON: Duration = Duration::from_secs(20);

#[test]
fn postgres_damage_is_a_note_and_nothing_stops() {
    let (broker, database) = (Broker::start(), Database::new(Engine::Postgres));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    assert_eq!(daemon.anonymous().get("/readyz").text, r#"{"reasons":[]}"#);
    for unit in ["NM-11", "NM-12"] {
        broker.publish(&topic("northmoor", unit), pack(now_ms(), 400_000.0).as_bytes());
        let reader = daemon.client(&format!("reader-{unit}"), "viewer", None);
        eventually("the message", SOON, || {
            Some(samples(&reader, "northmoor", unit, "oil_pressure")).filter(|found| found.len() == 1)
        });
    }
    assert!(daemon.terminate(SOON).success());
    psql(&database.url(), "update journal set crc = crc + 1 where seq = (select min(seq) from journal)");
    daemon.restart();
    let told = eventually("the note", SOON, || {
        Some(daemon.anonymous().get("/readyz")).filter(|answer| answer.text.contains("store-damaged"))
    });
    assert_eq!((told.status, told.text.as_str()), (200, r#"{"reasons":[],"notes":["store-damaged"]}"#));
    let metrics = daemon.anonymous().get("/metrics").text;
    assert!(metrics.lines().any(|line| line == "notchwatch_store_damaged 1"), "{metrics}");
    let reader = daemon.client("reader", "viewer", None);
    let left = ["NM-11", "NM-12"].map(|unit| samples(&reader, "northmoor", unit, "oil_pressure").len());
    assert_eq!(left.iter().sum::<usize>(), 1, "one message is left out and the other is served");
}
