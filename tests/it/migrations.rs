//! A store opened again: migrated once, kept whole, used by one program at a time.

use std::time::Duration;

use crate::support::bench::{REGISTER, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

const SOON: Duration = Duration::from_secs(20);

on_both_stores!(a_store_opened_again_holds_what_it_held);

fn a_store_opened_again_holds_what_it_held(engine: Engine) {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let mut daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    broker.publish(&topic("northmoor", "NM-11"), pack(now_ms(), 400_000.0).as_bytes());
    let stored = eventually("the message", SOON, || {
        Some(samples(&reader, "northmoor", "NM-11", "oil_pressure")).filter(|found| found.len() == 1)
    });
    let signs_in = |said: &str| said.matches("admin").count();
    let once = eventually("the first start to say how to sign in", SOON, || {
        Some(signs_in(&daemon.said())).filter(|said| *said > 0)
    });
    assert!(daemon.terminate(SOON).success());
    daemon.forget_register_files();
    daemon.restart();
    assert_eq!(samples(&reader, "northmoor", "NM-11", "oil_pressure"), stored);
    assert_eq!(signs_in(&daemon.said()), once, "and only the first start says it:\n{}", daemon.said());
}
