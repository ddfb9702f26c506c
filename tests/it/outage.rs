//! A broker that goes away and comes back: noticed, said, cured without a person.

use std::time::Duration;

use crate::support::bench::{REGISTER, pack, samples};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms};

/// How soon a loss is noticed and a return used.
const SOON: Duration = Duration::from_secs(20);

/// Longer than a connection must last not to count as thrown out at once: three of those in a row look like a second
/// client with our identifier, which is answered with much slower attempts.
const SETTLED: Duration = Duration::from_secs(6);

#[test]
fn a_broker_killed_again_and_again_is_subscribed_to_again() {
    let (mut broker, database) = (Broker::start(), Database::new(Engine::Sqlite));
    let daemon = Daemon::start(&broker, &database, &[REGISTER]);
    let reader = daemon.client("reader", "viewer", None);
    let anonymous = daemon.anonymous();
    for round in 1..=3 {
        broker.kill();
        let answer = eventually("readiness to be withdrawn", SOON, || {
            Some(anonymous.get("/readyz")).filter(|answer| answer.status == 503)
        });
        assert!(!answer.json()["reasons"].as_array().expect("reasons").is_empty(), "{}", answer.text);
        assert_eq!(anonymous.get("/livez").status, 200, "alive all the same");
        broker.restart();
        eventually("readiness", SOON, || {
            Some(anonymous.get("/readyz")).filter(|answer| answer.status == 200)
        });
        broker.publish(&topic("northmoor", "NM-11"), pack(now_ms(), 400_000.0).as_bytes());
        eventually("data after the broker's return", SOON, || {
            (samples(&reader, "northmoor", "NM-11", "oil_pressure").len() == round).then_some(())
        });
        std::thread::sleep(SETTLED);
    }
}
