//! Ingest: messages a second from the broker to committed and acknowledged, live and from a backlog.
//!
//! Rounds of the bare receiver, SQLite and PostgreSQL take turns; the medians are compared. A round counts only when
//! every message sent is in the store.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use crate::load;
use crate::support::broker::Broker;
use crate::support::daemon::Daemon;
use crate::support::database::{Database, Engine};
use crate::support::eventually;
use crate::{Failure, Wanted};

/// Units that the load is spread over.
const UNITS: u32 = 400;
/// A round that takes longer is given up.
const ROUND: Duration = Duration::from_mins(2);
/// Pause between two looks at a counter.
const LOOK: Duration = Duration::from_millis(20);

/// One round's figures.
#[derive(Clone, Copy, Default)]
struct Round {
    /// Messages a second while the sender runs.
    live: f64,
    /// Messages a second from a backlog in the broker.
    drain: f64,
    /// Processor time a message, in microseconds, while the sender runs.
    cpu_us: f64,
    /// Samples a second judged by one core, from the last acknowledgement until evaluation has caught up.
    judged: f64,
}

/// What every round gets.
struct Given {
    /// File of what is sent while the receiver is there.
    live: String,
    /// File of what is sent while it is away.
    backlog: String,
    /// Messages in each.
    number: usize,
    register: String,
}

/// Runs and prints the table.
pub(crate) fn run(wanted: &Wanted) -> Result<(), Failure> {
    let load = load::snapshots(UNITS, 2 * wanted.messages)?;
    let bytes = load.messages.iter().map(|m| m.payload.len()).sum::<usize>() / load.messages.len().max(1);
    println!("twice {} snapshots of 45 records, {bytes} bytes each, {UNITS} units", wanted.messages);
    let folder = tempfile::TempDir::new()?;
    let mut files = Vec::new();
    for (name, half) in ["live", "backlog"].into_iter().zip(load.messages.chunks(wanted.messages)) {
        let file = folder.path().join(name);
        load::write(&file, half)?;
        files.push(file.display().to_string());
    }
    let [live, backlog] = files.try_into().map_err(|_| "two halves")?;
    let given = Given { live, backlog, number: wanted.messages, register: load.register };
    let mut rounds: [Vec<Round>; 3] = Default::default();
    for number in 0..wanted.rounds {
        for (store, all) in [None, Some(Engine::Sqlite), Some(Engine::Postgres)].into_iter().zip(&mut rounds)
        {
            let round = match store {
                None => bare(&given)?,
                Some(engine) => stored(engine, &given)?,
            };
            println!(
                "  round {number}, {store:?}: live {:.0}/s, backlog {:.0}/s, {:.1} us of processor a message, judged by one core {:.0} samples/s",
                round.live, round.drain, round.cpu_us, round.judged
            );
            all.push(round);
        }
    }
    report(&rounds);
    Ok(())
}

fn report(rounds: &[Vec<Round>; 3]) {
    let figure = |store: usize, of: fn(&Round) -> f64| {
        let mut values: Vec<f64> = rounds.get(store).into_iter().flatten().map(of).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    println!(
        "\n| | live, msg/s | ratio | from a backlog, msg/s | ratio | processor, us a message | judged by one core, samples/s |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for (store, name) in ["receive and acknowledge only", "SQLite", "PostgreSQL"].into_iter().enumerate() {
        let (live, drain) = (figure(store, |r| r.live), figure(store, |r| r.drain));
        println!(
            "| {name} | {live:.0} | {:.2} | {drain:.0} | {:.2} | {:.1} | {:.0} |",
            live / figure(0, |r| r.live),
            drain / figure(0, |r| r.drain),
            figure(store, |r| r.cpu_us),
            figure(store, |r| r.judged),
        );
    }
}

fn bare(given: &Given) -> Result<Round, Failure> {
    let (broker, number) = (Broker::start(), given.number);
    let (live, cpu) = {
        let (mut receiver, mut said) = receiver(&broker, number)?;
        expect(&mut said, "subscribed")?;
        let began = send(&broker, &given.live)?;
        expect(&mut said, "took")?;
        let took = began.elapsed().as_secs_f64();
        let cpu = processor_s(receiver.id());
        receiver.wait()?;
        (took, cpu)
    };
    // The session is known to the broker now: what comes is kept for it.
    let mut sender = sender(&broker, &given.backlog)?;
    finish(&mut sender)?;
    let (mut receiver, mut said) = receiver(&broker, number)?;
    let drain: f64 = expect(&mut said, "took")?.parse()?;
    receiver.wait()?;
    let number = number as f64;
    Ok(Round { live: number / live, drain: number / drain, cpu_us: 1e6 * cpu / number, judged: f64::NAN })
}

fn stored(engine: Engine, given: &Given) -> Result<Round, Failure> {
    let (broker, database) = (Broker::start(), Database::new(engine));
    let class = include_str!("../../../deploy/register/demo-12.toml");
    let mut daemon = Daemon::start(&broker, &database, &[class, &given.register]);
    let number = given.number as u64;
    let cpu = processor_s(daemon.id());
    let began = send(&broker, &given.live)?;
    wait_for(&daemon, "notchwatch_ingest_acknowledged_total", number);
    let live = began.elapsed().as_secs_f64();
    let cpu = processor_s(daemon.id()) - cpu;
    on_one_core(daemon.id())?;
    let judged = judged(&daemon);
    check_stored(&daemon, number)?;
    let status = daemon.terminate(ROUND);
    if !status.success() {
        return Err(format!("the program ended with {status}").into());
    }
    let mut sender = sender(&broker, &given.backlog)?;
    finish(&mut sender)?;
    daemon.restart();
    let (since, seen) = first_seen(&daemon);
    wait_for(&daemon, "notchwatch_ingest_acknowledged_total", number);
    let drain = (number - seen) as f64 / since.elapsed().as_secs_f64();
    check_stored(&daemon, number)?;
    Ok(Round { live: number as f64 / live, drain, cpu_us: 1e6 * cpu / number as f64, judged })
}

/// When the first messages were seen committed, and how many they were.
fn first_seen(daemon: &Daemon) -> (Instant, u64) {
    let seen = eventually("the first message", ROUND, || {
        Some(metric(daemon, "notchwatch_ingest_acknowledged_total")).filter(|n| *n > 0)
    });
    (Instant::now(), seen)
}

/// Holds all threads of a process, and those that they begin, on the first core.
fn on_one_core(process: u32) -> Result<(), Failure> {
    let done = Command::new("taskset")
        .args(["--all-tasks", "--cpu-list", "--pid", "0", &process.to_string()])
        .output()
        .map_err(|error| format!("taskset (of util-linux) holds the program on one core: {error}"))?;
    if done.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&done.stderr).into_owned().into())
}

/// Samples a second from the time at which everything is acknowledged until everything is judged.
fn judged(daemon: &Daemon) -> f64 {
    let behind = metric(daemon, "notchwatch_evaluate_behind_messages");
    let began = Instant::now();
    eventually("evaluation to catch up", ROUND, || {
        (metric(daemon, "notchwatch_evaluate_behind_messages") == 0).then_some(())
    });
    (behind * load::RECORDS) as f64 / began.elapsed().as_secs_f64()
}

/// What the program wrote since its start must be what was sent.
fn check_stored(daemon: &Daemon, number: u64) -> Result<(), Failure> {
    let messages = metric(daemon, "notchwatch_ingest_journalled_total");
    let samples = metric(daemon, "notchwatch_ingest_samples_total");
    if messages == number && samples == number * load::RECORDS {
        return Ok(());
    }
    Err(format!("{messages} messages and {samples} samples are stored of {number} messages").into())
}

fn wait_for(daemon: &Daemon, name: &str, number: u64) {
    let began = Instant::now();
    while metric(daemon, name) < number {
        assert!(began.elapsed() < ROUND, "waited {ROUND:?} for {name} to reach {number}: {}", daemon.said());
        std::thread::sleep(LOOK);
    }
}

/// A metric without labels, now.
pub(crate) fn metric(daemon: &Daemon, name: &str) -> u64 {
    let text = daemon.administrator().get("/metrics").text;
    let line = text.lines().find(|l| l.strip_prefix(name).is_some_and(|rest| rest.starts_with(' ')));
    line.and_then(|l| l.rsplit(' ').next()).and_then(|n| n.parse::<f64>().ok()).map_or(0, |n| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a counter")]
        {
            n as u64
        }
    })
}

/// Processor time of a process so far, in seconds (proc(5): fields 14 and 15, in ticks of 10 ms).
fn processor_s(id: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap_or_default();
    let after = text.rsplit(')').next().unwrap_or("");
    after.split_whitespace().skip(11).take(2).filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / 100.0
}

type Said = BufReader<ChildStdout>;

fn myself(words: &[&str]) -> Result<(Child, Said), Failure> {
    let mut child = Command::new(std::env::current_exe()?)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let out = child.stdout.take().ok_or("no output")?;
    Ok((child, BufReader::new(out)))
}

fn receiver(broker: &Broker, number: usize) -> Result<(Child, Said), Failure> {
    myself(&["receive", &broker.port().to_string(), "bare", &number.to_string()])
}

/// A sender that has read its load and waits for the word.
fn sender(broker: &Broker, file: &str) -> Result<(Child, Said), Failure> {
    let (child, mut said) = myself(&["send", &broker.port().to_string(), "sender", file, "flat-out"])?;
    expect(&mut said, "ready")?;
    Ok((child, said))
}

/// Lets a sender begin; when it did.
fn send(broker: &Broker, file: &str) -> Result<Instant, Failure> {
    let (mut child, said) = sender(broker, file)?;
    let began = Instant::now();
    child.stdin.take().ok_or("no input")?.write_all(b"go\n")?;
    std::thread::spawn(move || (child.wait(), said));
    Ok(began)
}

fn finish(sender: &mut (Child, Said)) -> Result<(), Failure> {
    sender.0.stdin.take().ok_or("no input")?.write_all(b"go\n")?;
    expect(&mut sender.1, "took")?;
    sender.0.wait()?;
    Ok(())
}

/// The rest of the next line that begins with a word.
fn expect(said: &mut Said, word: &str) -> Result<String, Failure> {
    for line in said.lines() {
        if let Some(rest) = line?.strip_prefix(word) {
            return Ok(rest.trim().to_owned());
        }
    }
    Err(format!("a helper process ended before it said {word:?}").into())
}
