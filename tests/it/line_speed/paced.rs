//! Ten times the fleet: latency from publishing to the acknowledgement after the commit and to the finding on the
//! event stream, memory meanwhile, and what junk senders do to it.
//!
//! Owns the load of 20,000 units at 3,333 snapshots a second, or of as many as are asked for at the same rate for each.
//! Among them probes cross a limit, each of them on a unit of its own that sends nothing else.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant};

use crate::ingest::metric;
use crate::learned::{self, Learned};
use crate::load::{self, Snapshots};
use crate::publisher::{Message, Sender};
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::now_ms;
use crate::support::senml::{snapshot, topic};
use crate::tap::Tap;
use crate::{Failure, Wanted};

/// Units of the fleet.
pub(crate) const UNITS: u32 = 20_000;
/// Messages a second of all of them: each sends every six seconds, ten times as often as once a minute.
pub(crate) const RATE_A_SECOND: usize = 3333;
/// Fewest messages between two probes: ten probes a second.
const PROBE_EVERY: usize = 333;
/// Most probes of a run. Their findings stay open, as nobody works them off: in a long run as many as ten times a
/// fleet's normal number, not a flood whose memory would hide what the load itself costs.
const MOST_PROBES: usize = 3600;
/// Seconds at the begin that count in no figure.
const WARM_UP_S: usize = 10;
/// Messages handed over at one time: one of each unit of the large fleet.
const CHUNK: usize = UNITS as usize;
/// Chunks made before the sender starts; beyond them the load is made while it is sent.
const AHEAD: usize = 32;
/// Interval between two looks at the program.
const LOOK: Duration = Duration::from_secs(2);
/// How long everything may take to arrive after the last message is sent.
const ARRIVE: Duration = Duration::from_mins(1);
/// How long a start may take until models are loaded.
const LOADED: Duration = Duration::from_mins(5);
/// Units that are not registered, and how fast they send.
const JUNK: usize = 100_000;
const JUNK_RATE: f64 = 8000.0;
/// The class of the fleet.
pub(crate) const CLASS: &str = "demo-12";
pub(crate) const CLASS_TOML: &str = include_str!("../../../deploy/register/demo-12.toml");
/// Railway of the probes.
const PROBES: &str = "probes";

/// Messages a second of the units that are asked for.
fn rate(wanted: &Wanted) -> usize {
    (RATE_A_SECOND * wanted.units as usize / UNITS as usize).max(1)
}

/// The fleet of a load: new, or with models that have learned.
enum Of {
    New(Snapshots),
    Learned(Box<Learned>),
}

impl Of {
    fn new(wanted: &Wanted, number: usize) -> Result<Self, Failure> {
        Ok(if wanted.learned {
            Self::Learned(Box::new(learned::fleet(wanted.units, number)?))
        } else {
            Self::New(load::fleet(wanted.units, number)?)
        })
    }

    fn register_toml(&self) -> String {
        match self {
            Self::New(fleet) => fleet.register_toml(),
            Self::Learned(fleet) => fleet.register_toml(),
        }
    }
}

impl Iterator for Of {
    type Item = Message;

    fn next(&mut self) -> Option<Message> {
        match self {
            Self::New(fleet) => fleet.next(),
            Self::Learned(fleet) => fleet.next(),
        }
    }
}

/// What was seen of the program during the load.
#[derive(Clone, Copy)]
struct Look {
    at_s: f64,
    own_mb: f64,
    behind: u64,
}

/// Runs on each store and prints.
pub(crate) fn run(wanted: &Wanted) {
    let rate = rate(wanted);
    let units = wanted.units;
    println!("\nTen times the load of {units} units: {rate} snapshots/s for {} s", wanted.seconds);
    if wanted.learned {
        println!("(models have learned for four weeks)");
    }
    println!("(the first {WARM_UP_S} s count in no figure; latencies in ms)\n");
    println!(
        "| | sent/s | committed p50 | p99 | max | finding visible p50 | p99 | max | probes | most messages behind | \
         memory, MB | MB an hour | after {JUNK} junk senders | metric lines before, after |"
    );
    println!("|{}", " --- |".repeat(14));
    let mut loads = Vec::new();
    for engine in wanted.engines() {
        // One store that does not keep up does not cost the other its row.
        let row = one(engine, wanted, &mut loads);
        println!("{}", row.unwrap_or_else(|failure| format!("| {engine:?} | no figures: {failure} |")));
    }
    for load in loads {
        println!("{load}");
    }
}

fn one(engine: Engine, wanted: &Wanted, loads: &mut Vec<String>) -> Result<String, Failure> {
    let number = wanted.seconds * rate(wanted);
    let every = PROBE_EVERY.max(number / MOST_PROBES);
    let probes = number / every;
    let fleet = Of::new(wanted, number)?;
    let register = fleet.register_toml();
    let (mut broker, database) = (Broker::start(), Database::new(engine));
    let tap = Tap::start(broker.port())?;
    broker.behind(tap.port);
    let mut daemon = Daemon::start(&broker, &database, &[CLASS_TOML, &register, &probe_register(probes + 1)]);
    // Messages before the load.
    let mut first = 0;
    if let Of::Learned(fleet) = &fleet {
        daemon.terminate(ARRIVE);
        fleet.put(&database)?;
        let began = Instant::now();
        daemon.start_again();
        daemon.wait_until_ready();
        // A message of a unit beside the probes is judged once everything is loaded.
        broker.publish(&topic(PROBES, &probe_unit(probes)), healthy().as_bytes());
        first = 1;
        while metric(&daemon, "notchwatch_evaluate_messages_total") == 0 {
            if began.elapsed() > LOADED {
                return Err("the models were not loaded".into());
            }
            std::thread::sleep(LOOK / 10);
        }
        loads.push(format!("{engine:?}: models loaded {:.0} s after a start", began.elapsed().as_secs_f64()));
    }
    let chunks = made(fleet, number, every);
    let seen = findings(&daemon, probes, wanted.seconds);
    let mut sender = Sender::connect(broker.port(), "fleet")?;
    let began = Instant::now();
    let pace = rate(wanted) as f64;
    let sending = std::thread::spawn(move || send(&mut sender, &chunks, pace));
    let mut looks = Vec::new();
    while !sending.is_finished() {
        looks.push(look(&daemon, began));
        std::thread::sleep(LOOK);
    }
    let sent = sending.join().map_err(|_| "the sender failed")??;
    let until = Instant::now() + ARRIVE;
    while tap.number() < first + sent.len() {
        if Instant::now() > until {
            return Err(format!("{} of {} messages acknowledged", tap.number(), sent.len()).into());
        }
        std::thread::sleep(LOOK / 100);
    }
    let reached =
        sent.len() as f64 / sent.last().ok_or("nothing was sent")?.duration_since(began).as_secs_f64();
    let warm = WARM_UP_S * rate(wanted);
    let passed = tap.passed().split_off(first);
    let committed = sorted(sent.iter().zip(&passed).skip(warm).map(|(s, p)| ms(*s, *p)));
    let seen = seen.join().map_err(|_| "not every probe's finding came on the event stream")?;
    let visible = sorted((0..probes).filter_map(|probe| {
        let sent_at = sent.get(probe * every).filter(|_| probe * every >= warm)?;
        Some(ms(*sent_at, *seen.get(&probe_unit(probe))?))
    }));
    let behind = looks.iter().map(|l| l.behind).max().unwrap_or(0);
    let before = (look(&daemon, began).own_mb, metric_lines(&daemon));
    junk(&broker, &daemon)?;
    let after = (look(&daemon, began).own_mb, metric_lines(&daemon));
    Ok(format!(
        "| {engine:?} | {reached:.0} | {} | {} | {} | {behind} | {:.0} | {:.0} | {:+.0} MB | {}, {} |",
        three(&committed),
        three(&visible),
        visible.len(),
        before.0,
        slope_an_hour(&looks),
        after.0 - before.0,
        before.1,
        after.1
    ))
}

/// The load in chunks, made ahead as far as there is room; one message in `every` is a probe.
fn made(mut fleet: Of, number: usize, every: usize) -> Receiver<Vec<Message>> {
    let (give, take) = sync_channel(AHEAD);
    let (ready, wait) = sync_channel(1);
    std::thread::spawn(move || {
        let (mut position, mut chunks) = (0, 0);
        while position < number {
            let chunk: Vec<Message> = (position..number.min(position + CHUNK))
                .map_while(|at| if at % every == 0 { Some(probe(at / every)) } else { fleet.next() })
                .collect();
            position += chunk.len();
            if chunks == AHEAD {
                ready.try_send(()).unwrap_or_default();
            }
            chunks += 1;
            if chunk.is_empty() || give.send(chunk).is_err() {
                break;
            }
        }
        ready.try_send(()).unwrap_or_default();
    });
    wait.recv().unwrap_or_default();
    take
}

fn send(sender: &mut Sender, chunks: &Receiver<Vec<Message>>, rate: f64) -> std::io::Result<Vec<Instant>> {
    let mut sent = Vec::new();
    for chunk in chunks {
        sender.send_all(&chunk, Some(rate), |number| {
            sent.extend(std::iter::repeat_n(Instant::now(), number));
        })?;
    }
    Ok(sent)
}

/// When the first event about each probe's unit came.
fn findings(
    daemon: &Daemon,
    probes: usize,
    seconds: usize,
) -> std::thread::JoinHandle<HashMap<String, Instant>> {
    let stream = daemon.administrator().events(None);
    let within = ARRIVE + Duration::from_secs(2 * seconds as u64);
    std::thread::spawn(move || {
        let mut seen = HashMap::new();
        while seen.len() < probes {
            stream.next("a probe's finding", within, |event| {
                let unit = event.json()["finding"]["unit"].as_str().unwrap_or_default().to_owned();
                if unit.starts_with("P-") {
                    seen.entry(unit).or_insert_with(Instant::now);
                }
                true
            });
        }
        seen
    })
}

/// Resident memory of its own: the mapped part of the database's file belongs to the system, which takes it back.
fn look(daemon: &Daemon, began: Instant) -> Look {
    let text = std::fs::read_to_string(format!("/proc/{}/status", daemon.id())).unwrap_or_default();
    let line = text.lines().find_map(|l| l.strip_prefix("RssAnon:"));
    let kb: f64 = line.and_then(|l| l.split_whitespace().next()?.parse().ok()).unwrap_or(f64::NAN);
    Look {
        at_s: began.elapsed().as_secs_f64(),
        own_mb: kb / 1024.0,
        behind: metric(daemon, "notchwatch_evaluate_behind_messages"),
    }
}

fn metric_lines(daemon: &Daemon) -> usize {
    daemon.administrator().get("/metrics").text.lines().filter(|l| !l.starts_with('#')).count()
}

/// Senders that nobody registered, each once.
fn junk(broker: &Broker, daemon: &Daemon) -> Result<(), Failure> {
    let before = metric(daemon, "notchwatch_ingest_acknowledged_total");
    let mut sender = Sender::connect(broker.port(), "junk")?;
    let now = now_ms();
    let messages: Vec<Message> = (0..JUNK)
        .map(|n| Message {
            topic: topic(&format!("junk-{}", n % 1000), &format!("J-{n}")),
            payload: snapshot(now, &[("oil_pressure", "Pa", 400_000.0)]).into_bytes(),
        })
        .collect();
    sender.send_all(&messages, Some(JUNK_RATE), |_| {})?;
    let until = Instant::now() + ARRIVE;
    while metric(daemon, "notchwatch_ingest_acknowledged_total") < before + JUNK as u64 {
        if Instant::now() > until {
            return Err("the junk was not worked off".into());
        }
        std::thread::sleep(LOOK / 10);
    }
    Ok(())
}

fn probe_unit(probe: usize) -> String {
    format!("P-{probe}")
}

fn healthy() -> String {
    snapshot(now_ms(), &[("oil_pressure", "Pa", 400_000.0)])
}

fn probe(number: usize) -> Message {
    let payload = snapshot(now_ms(), &[("oil_pressure", "Pa", 90_000.0)]).into_bytes();
    Message { topic: topic(PROBES, &probe_unit(number)), payload }
}

/// A railway whose units have one channel with one limit.
fn probe_register(probes: usize) -> String {
    let mut text = format!(
        "[[railways]]\nid = \"{PROBES}\"\nname = \"Probes\"\n[[classes]]\nid = \"probe\"\nname = \"Probe\"\n\
         [[classes.channels]]\nname = \"oil_pressure\"\nlabel = \"Oil pressure\"\nsystem = \"lubrication\"\n\
         uom = \"Pa\"\nresolution = 1000.0\nrange = [0.0, 1200000.0]\n[[classes.channels.limits]]\nname = \"low\"\n\
         high = false\nat = 150000.0\ndeadband = 10000.0\npriority = \"high\"\n"
    );
    for probe in 0..=probes {
        let unit = probe_unit(probe);
        let line = writeln!(text, "[[units]]\nrailway = \"{PROBES}\"\nid = \"{unit}\"\nclass = \"probe\"");
        line.unwrap_or_default();
    }
    text
}

fn ms(from: Instant, to: Instant) -> f64 {
    1000.0 * to.saturating_duration_since(from).as_secs_f64()
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    all
}

/// Median, 99th percentile and largest of sorted values.
fn three(values: &[f64]) -> String {
    let at = |hundredths: usize| values.get(values.len() * hundredths / 100).copied().unwrap_or(f64::NAN);
    let most = values.last().copied().unwrap_or(f64::NAN);
    format!("{:.0} | {:.0} | {most:.0}", at(50), at(99))
}

/// Slope of memory over time by least squares, over the second half of the load: the first fills what stays.
fn slope_an_hour(looks: &[Look]) -> f64 {
    let half = looks.get(looks.len() / 2..).unwrap_or_default();
    let number = half.len() as f64;
    let (time, size) = (half.iter().map(|l| l.at_s).sum::<f64>(), half.iter().map(|l| l.own_mb).sum::<f64>());
    let (time, size) = (time / number, size / number);
    let both: f64 = half.iter().map(|l| (l.at_s - time) * (l.own_mb - size)).sum();
    let square: f64 = half.iter().map(|l| (l.at_s - time).powi(2)).sum();
    3600.0 * both / square
}
