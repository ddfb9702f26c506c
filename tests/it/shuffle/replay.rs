//! One replay of a set through the real program, a real broker and a store, with what befalls them.
//!
//! Owns the order of acts: publish and break, wait until all of it is judged, decide, publish and break again, wait,
//! read. Everything waited for is asked for; the only sleeps are the random instants of faults.

use std::time::Duration;

use serde_json::json;

use super::follower::Follower;
use super::history::{AHEAD_S, History};
use super::outcome::{Outcome, standing, untold};
use super::plan::{Fault, Plan, Step};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine, psql};
use crate::support::http::Client;
use crate::support::postgres::Postgres;
use crate::support::publisher::{Publish, Publisher};
use crate::support::small_disk::SmallDisk;
use crate::support::{eventually, now_ms};

/// How long a clean stop may take.
const STOP: Duration = Duration::from_secs(15);
/// How long everything sent may take to be judged, in an unoptimised build on a busy machine.
const JUDGED: Duration = Duration::from_mins(5);
/// How long the database is away.
const AWAY: Duration = Duration::from_millis(1500);
/// Size of the disk that is filled: far more than a set takes.
const DISK_MIB: u32 = 512;
/// A zone with an odd offset, for the program and for the database of a replay.
const ZONE: &str = "Asia/Kathmandu";

/// The parts of a replay. Dropped from the first to the last.
#[derive(Debug)]
pub(crate) struct Stand {
    daemon: Daemon,
    operator: Client,
    publisher: Publisher,
    /// What was published since the broker last wrote its state.
    unsaved: Vec<(Publish, bool)>,
    broker: Broker,
    database: Database,
    server: Option<Postgres>,
    /// What the store lies on, where one may be mounted.
    disk: Option<SmallDisk>,
    sentinels: u32,
}

/// Replays a plan on a store and tells what came of it.
pub(crate) fn replay(history: &History, plan: &Plan, engine: Engine, seed: u64, elsewhere: bool) -> Outcome {
    let mut stand = Stand::new(history, engine, elsewhere);
    let follower = Follower::begin(stand.operator.clone());
    stand.go(&plan.before);
    stand.wait_until_judged(History::keys(history.before.iter()).values().sum());
    stand.decide(history);
    stand.go(&plan.after);
    stand.wait_until_judged(History::keys(history.before.iter().chain(&history.after)).values().sum());
    let mut outcome = Outcome::read(&stand.operator, &stand.database, history, seed);
    let events = follower.end(&stand.operator);
    outcome.count_told(&events);
    let untold = untold(&stand.operator, &events);
    assert!(untold.is_empty(), "the last event of a finding tells its record: {untold:#?}");
    outcome
}

impl Stand {
    fn new(history: &History, engine: Engine, elsewhere: bool) -> Self {
        let broker = Broker::start();
        let server = (engine == Engine::Postgres).then(Postgres::start);
        let disk = elsewhere.then(|| SmallDisk::mount(DISK_MIB)).flatten();
        let database = match (&server, &disk) {
            (Some(server), Some(disk)) => server.database_below(disk.path()),
            (Some(server), None) => Database::on_server(&server.url("postgres")),
            (None, Some(disk)) => Database::in_folder(disk.path()),
            (None, None) => Database::new(Engine::Sqlite),
        };
        let [class, fleet] = &history.registers;
        let more = format!("[limits]\nahead_s = {AHEAD_S}\n");
        let mut daemon = Daemon::start_with(&broker, &database, &[class, fleet], &more);
        if elsewhere {
            daemon.move_to(ZONE);
            if let Database::Postgres { name, .. } = &database {
                psql(&database.url(), &format!("alter database {name} set timezone to '{ZONE}'"));
            }
            daemon.kill();
            daemon.restart();
        }
        broker.save();
        let operator = daemon.client("olsen", "administrator", None);
        let publisher = Publisher::connect(broker.port());
        let unsaved = Vec::new();
        Self { daemon, operator, publisher, unsaved, broker, database, server, disk, sentinels: 0 }
    }

    fn go(&mut self, steps: &[Step]) {
        for step in steps {
            match step {
                Step::Send(publish, dup) => self.send(publish.clone(), *dup),
                Step::Fault(fault, after_ms) => {
                    std::thread::sleep(Duration::from_millis(*after_ms));
                    self.strike(*fault);
                }
            }
        }
        self.publisher.settle();
    }

    fn send(&mut self, publish: Publish, dup: bool) {
        self.publisher.send(&publish, dup);
        self.unsaved.push((publish, dup));
    }

    fn strike(&mut self, fault: Fault) {
        match fault {
            Fault::Kill => self.kill(),
            Fault::Stop => {
                // A signal within a start ends the program as a kill does.
                self.daemon.wait_until_ready();
                let status = self.daemon.terminate(STOP);
                assert!(status.success(), "a clean stop: {status}\n{}", self.daemon.said());
                self.daemon.start_again();
            }
            Fault::Broker => self.kill_broker(),
            Fault::Database => self.without_database(|_| ()),
            Fault::DatabaseAndKill => {
                self.without_database(|stand| {
                    stand.daemon.assert_running();
                    stand.daemon.kill();
                });
                self.daemon.start_again();
            }
            Fault::Disk => self.with_a_full_disk(),
        }
    }

    fn with_a_full_disk(&mut self) {
        let Some(disk) = &self.disk else { return };
        self.daemon.wait_until_ready();
        disk.fill();
        std::thread::sleep(AWAY);
        self.daemon.assert_running();
        disk.free();
    }

    fn kill(&mut self) {
        self.daemon.assert_running();
        self.daemon.kill();
        self.daemon.start_again();
    }

    /// What the broker had not written is sent again by the units, as after any loss that they cannot tell from one.
    fn kill_broker(&mut self) {
        self.publisher.settle();
        self.broker.kill();
        self.broker.restart();
        for (publish, _) in std::mem::take(&mut self.unsaved) {
            self.send(publish, true);
        }
        self.publisher.settle();
        self.broker.save();
        self.unsaved.clear();
    }

    /// An outage for a program that has started: one that finds no database ends at once, for its service manager to try again.
    fn without_database(&mut self, meanwhile: impl FnOnce(&mut Self)) {
        self.daemon.wait_until_ready();
        let held = if let Some(server) = &self.server {
            server.stop();
            None
        } else {
            Some(self.database.lock())
        };
        meanwhile(self);
        std::thread::sleep(AWAY);
        drop(held);
        if let Some(server) = &self.server {
            server.start_again();
        }
    }

    /// Waits until everything published before is committed and judged, and every unit has its samples.
    fn wait_until_judged(&mut self, samples: usize) {
        self.daemon.wait_until_ready();
        self.sentinels += 1;
        let topic = format!("units/northmoor/sentinel-{}/senml", self.sentinels);
        self.publisher.send(
            &Publish {
                topic: topic.as_str().into(),
                payload: (*b"[]").into(),
                content_type: "application/json",
            },
            false,
        );
        self.publisher.settle();
        let operator = self.operator.clone();
        eventually("what was sent to be committed", JUDGED, || {
            let rows = operator.get("/api/v1/quarantine?limit=500").items();
            rows.iter().any(|row| row["topic"] == topic.as_str()).then_some(())
        });
        eventually(&format!("{samples} samples to be judged"), JUDGED, || {
            let units = operator.get("/api/v1/units").items();
            let count =
                |unit: &serde_json::Value| unit["samples"].as_str().and_then(|n| n.parse::<usize>().ok());
            let judged: usize = units.iter().filter_map(count).sum();
            assert!(judged <= samples, "{judged} samples judged of {samples}: some twice");
            (judged == samples && behind(&operator) == 0).then_some(())
        });
    }

    /// Decides on every open finding, in the order of ids, each in another way.
    fn decide(&self, history: &History) {
        let acts = [
            ("close", json!({ "outcome": "level-accepted" })),
            ("acknowledge", json!({})),
            ("close", json!({ "outcome": "no-fault-found", "note": "looked at" })),
            ("take", json!({})),
        ];
        let open = standing(&self.operator).into_iter().filter(|(_, finding)| finding["open"] == true);
        for ((id, _), (act, body)) in open.zip(acts.iter().cycle()) {
            let version = self.operator.get(&format!("/api/v1/findings/{id}")).json()["version"].to_string();
            let answer = self.operator.act(&id, act, version.trim_matches('"'), body);
            assert_eq!(answer.status, 200, "{act}: {}", answer.text);
        }
        assert!(now_ms() < history.tail_ms, "the replay took too long to decide before its tail");
    }
}

/// Messages in the journal that are not judged.
fn behind(client: &Client) -> u64 {
    let text = client.get("/metrics").text;
    let line = text.lines().find_map(|line| line.strip_prefix("notchwatch_evaluate_behind_messages "));
    line.and_then(|number| number.parse().ok()).unwrap_or(u64::MAX)
}
