//! Links of units through the whole program: one silent unit, a region that falls silent at once, and a broker that is
//! away are one finding each, and each ends by itself.
//!
//! Owns a fleet that talks until it is told to be quiet. Its clock is the real one: links are judged by receipt.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;

use crate::support::bench::{REGISTER, pack};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::http::Client;
use crate::support::publisher::{Publish, Publisher};
use crate::support::senml::topic;
use crate::support::{eventually, now_ms, on_both_stores};

on_both_stores!(one_silence_one_region_and_one_outage_are_one_finding_each);

/// Units of the region that falls silent, and of the one that goes on.
const NORTH: usize = 200;
const SOUTH: usize = 60;
/// Links are judged each second; nobody is silent sooner than after so many.
const COMMS: &str = "[comms]\ntick_s = 1\nsilent_after_s = 15\ngrace_s = 3\nown_after_s = 12\n";
/// Pause between two rounds of messages.
const ROUND: Duration = Duration::from_millis(2_500);
/// How long a judgement may take on a busy machine: the limit of quiet follows the gaps that were seen.
const JUDGED: Duration = Duration::from_mins(3);

/// Units that say something each round, until they are told to be quiet.
#[derive(Debug)]
struct Fleet {
    quiet: Arc<Mutex<BTreeSet<String>>>,
    over: Arc<AtomicBool>,
    talking: Option<std::thread::JoinHandle<()>>,
}

impl Fleet {
    fn talk(port: u16) -> Self {
        let (quiet, over) = (Arc::<Mutex<BTreeSet<String>>>::default(), Arc::new(AtomicBool::new(false)));
        let (hushed, told) = (quiet.clone(), over.clone());
        let talking = std::thread::spawn(move || {
            let mut publisher = Publisher::connect(port);
            while !told.load(Ordering::Relaxed) {
                let silent = hushed.lock().expect("no panic in a list").clone();
                for unit in north().chain(south()).filter(|unit| !silent.contains(unit)) {
                    let publish = Publish {
                        topic: topic("northmoor", &unit).into(),
                        payload: pack(now_ms(), 420_000.0).into_bytes().into(),
                        content_type: "application/senml+json",
                    };
                    publisher.send(&publish, false);
                }
                publisher.settle();
                std::thread::sleep(ROUND);
            }
        });
        Self { quiet, over, talking: Some(talking) }
    }

    /// From the next round on exactly these are silent.
    fn hush(&self, units: impl Iterator<Item = String>) {
        *self.quiet.lock().expect("no panic in a list") = units.collect();
    }
}

impl Drop for Fleet {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        // A sender that failed has said why.
        drop(self.talking.take().map(std::thread::JoinHandle::join));
    }
}

fn north() -> impl Iterator<Item = String> {
    (0..NORTH).map(|n| format!("N-{n:03}"))
}

fn south() -> impl Iterator<Item = String> {
    (0..SOUTH).map(|n| format!("S-{n:03}"))
}

fn register() -> String {
    let units = north().map(|unit| (unit, "north")).chain(south().map(|unit| (unit, "south")));
    units.fold(String::new(), |mut text, (unit, region)| {
        writeln!(
            text,
            "[[units]]\nrailway = \"northmoor\"\nid = \"{unit}\"\nclass = \"bench-4\"\nregion = \"{region}\""
        )
        .expect("a string grows");
        text
    })
}

fn one_silence_one_region_and_one_outage_are_one_finding_each(engine: Engine) {
    let (mut broker, database) = (Broker::start(), Database::new(engine));
    let daemon = Daemon::start_with(&broker, &database, &[REGISTER, &register()], COMMS);
    let client = daemon.client("reader", "viewer", None);
    let fleet = Fleet::talk(broker.port());
    eventually("every unit to be heard", JUDGED, || (reporting(&client) == NORTH + SOUTH).then_some(()));

    let alone = "S-007".to_owned();
    fleet.hush(std::iter::once(alone.clone()));
    let one = eventually("a finding on one silent unit", JUDGED, || {
        about_links(&client).into_iter().find(|f| f["unit"] == alone.as_str())
    });
    assert_eq!((&one["kind"], &one["active"]), (&"comms".into(), &true.into()), "{one:#}");
    fleet.hush(std::iter::empty());
    ended(&client, &one);
    assert_eq!(about_links(&client).len(), 1, "one silence, one finding: {:#?}", about_links(&client));

    fleet.hush(north());
    let region = eventually("a finding on a region", JUDGED, || {
        let found = about_links(&client).into_iter().find(|f| f["scope"] == "region");
        found.filter(|f| f["members"].as_array().is_some_and(|members| members.len() == NORTH))
    });
    assert_eq!(region["region"], "north", "{region:#}");
    assert_eq!(about_links(&client).len(), 2, "200 silences, one finding: {:#?}", about_links(&client));
    fleet.hush(std::iter::empty());
    ended(&client, &region);

    broker.save();
    broker.kill();
    let ours = eventually("a finding on our own outage", JUDGED, || {
        about_links(&client).into_iter().find(|f| f["scope"] == "service")
    });
    assert_eq!(ours["railway"], "this-service", "{ours:#}");
    broker.restart();
    ended(&client, &ours);
    eventually("everybody to be heard again", JUDGED, || (reporting(&client) == NORTH + SOUTH).then_some(()));
    assert_eq!(about_links(&client).len(), 3, "nobody is blamed for it: {:#?}", about_links(&client));
}

/// Waits until a finding is no longer active.
fn ended(client: &Client, finding: &Value) {
    let id = finding["id"].as_str().expect("an id");
    eventually(&format!("{id} to end"), JUDGED, || {
        let now = client.get(&format!("/api/v1/findings/{id}")).json();
        (now["active"] == false).then_some(())
    });
}

/// Findings about links: those that a receipt made.
fn about_links(client: &Client) -> Vec<Value> {
    let all = client.get("/api/v1/findings?limit=500").items();
    all.into_iter().filter(|finding| finding["id"].as_str().is_some_and(|id| id.starts_with("c-"))).collect()
}

fn reporting(client: &Client) -> usize {
    client.get("/api/v1/units?comms=reporting&limit=500").items().len()
}
