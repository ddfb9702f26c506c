//! A store on either engine with an evaluator over it, and what the cases have in common.
//!
//! `PostgreSQL` is looked for at `NOTCHWATCH_TEST_POSTGRES` (default `postgres://postgres@127.0.0.1:5432/test`); each
//! bench makes a database of its own there and drops it.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::{EvaluateOptions, Evaluator};
use notchwatch_findings::Library;
use notchwatch_model::{Decoded, Envelope, Finding, RailwayFilter, Register, Sample, Time, UnitKey};
use notchwatch_store::{FindingQuery, NewMessage, Options, Store};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Which engine.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Engine {
    Sqlite,
    Postgres,
}

/// How an evaluator ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum End {
    Stop,
    Kill,
}

/// A store of its own and the register that evaluation reads.
pub(crate) struct Bench {
    pub(crate) store: Store,
    pub(crate) register: watch::Sender<Arc<Register>>,
    place: Place,
}

enum Place {
    Folder(tempfile::TempDir),
    Server { server: String, name: String },
}

/// Runs a case on an engine.
pub(crate) fn run(engine: Engine, case: impl AsyncFnOnce(Engine)) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(case(engine));
}

impl Bench {
    pub(crate) async fn new(engine: Engine, register: &Register, at: Time) -> Self {
        let place = Place::new(engine);
        let store = Store::open(&Options { url: place.url(), readers: 2 }).await.unwrap();
        assert_eq!(register.problems(), []);
        store.put_register(register, &"test".parse().unwrap(), at).await.unwrap();
        let register = watch::Sender::new(Arc::new(store.register().await.unwrap()));
        Self { store, register, place }
    }

    /// Starts an evaluator.
    pub(crate) fn start(
        &self,
        options: EvaluateOptions,
        settings: Settings,
        clock: fn() -> Time,
    ) -> (CancellationToken, JoinHandle<()>) {
        let (library, settings) = (Arc::new(Library::builtin().unwrap()), Arc::new(settings));
        let (store, register) = (self.store.clone(), self.register.subscribe());
        let stop = CancellationToken::new();
        let running = Evaluator::new(store, options, library, settings, register, clock).run(stop.clone());
        (stop, spawn(running))
    }

    /// Starts one that does not wait long, lets it run until `done`, and ends it.
    pub(crate) async fn evaluate(&self, clock: fn() -> Time, end: End, done: impl AsyncFn(&Store) -> bool) {
        self.evaluate_with(Settings::default(), clock, end, done).await;
    }

    /// Appends messages and judges them.
    pub(crate) async fn judge(&self, messages: &[NewMessage], clock: fn() -> Time, end: End) {
        self.judge_with(Settings::default(), messages, clock, end).await;
    }

    /// The same with settings of one's own.
    pub(crate) async fn judge_with(
        &self,
        settings: Settings,
        messages: &[NewMessage],
        clock: fn() -> Time,
        end: End,
    ) {
        self.store.append(messages).await.unwrap();
        let last = self.store.journal_end().await.unwrap();
        let judged = async |store: &Store| store.evaluated().await.unwrap() >= last;
        self.evaluate_with(settings, clock, end, judged).await;
    }

    async fn evaluate_with(
        &self,
        settings: Settings,
        clock: fn() -> Time,
        end: End,
        done: impl AsyncFn(&Store) -> bool,
    ) {
        let (stop, running) = self.start(quick(), settings, clock);
        while !done(&self.store).await {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        finish(stop, running, end).await;
    }

    /// Runs a statement beside the store.
    pub(crate) fn sql(&self, statement: &str) {
        match &self.place {
            Place::Folder(folder) => sqlite(&folder.path().join("store.db"), statement),
            Place::Server { .. } => psql(&self.place.url(), statement),
        }
    }

    /// Findings by id.
    pub(crate) async fn findings(&self, now: Time) -> Vec<Finding> {
        let query = FindingQuery { limit: 1000, ..FindingQuery::default() };
        let mut found = self.store.findings(&query, &RailwayFilter::All, now).await.unwrap().items;
        found.sort_by(|a, b| a.machine.id.cmp(&b.machine.id));
        found
    }
}

/// Options of an evaluator that does not wait long and reads little at a time.
pub(crate) fn quick() -> EvaluateOptions {
    EvaluateOptions {
        settle: Duration::from_millis(10),
        poll: Duration::from_millis(5),
        round: 50,
        ..EvaluateOptions::default()
    }
}

/// Ends an evaluator.
pub(crate) async fn finish(stop: CancellationToken, running: JoinHandle<()>, end: End) {
    match end {
        End::Kill => {
            running.abort();
            drop(running.await);
        }
        End::Stop => {
            stop.cancel();
            running.await.unwrap();
        }
    }
}

/// A register of one railway with units of one class; channels by name, system and value.
pub(crate) fn register(channels: &[(&str, &str, &str)], units: i64) -> Register {
    let mut text = String::from(
        "railways = [{ id = \"r\", name = \"A railway\" }]\n[[classes]]\nid = \"pump\"\nname = \"A pump\"\n",
    );
    for (name, system, value) in channels {
        let (uom, resolution) = if *value == "number" { ("Pa", 100.0) } else { ("", 0.0) };
        writeln!(
            text,
            "[[classes.channels]]\nname = \"{name}\"\nsystem = \"{system}\"\nvalue = \"{value}\"\n\
             uom = \"{uom}\"\nresolution = {resolution:.1}"
        )
        .unwrap();
    }
    for number in 0..units {
        writeln!(text, "[[units]]\nrailway = \"r\"\nid = \"{number}\"\nclass = \"pump\"").unwrap();
    }
    toml::from_str(&text).unwrap()
}

/// The same with pumps alone, of which the first are in the east and the others in the west.
pub(crate) fn two_regions(east: i64, west: i64) -> Register {
    let mut register = register(&[("pressure", "machine", "number")], east + west);
    for (unit, number) in register.units.iter_mut().zip(0..) {
        unit.region = String::from(if number < east { "east" } else { "west" });
    }
    register
}

/// A unit of the one railway.
pub(crate) fn unit(number: i64) -> UnitKey {
    UnitKey { railway: "r".parse().unwrap(), unit: number.to_string().parse().unwrap() }
}

/// A message of a unit, whose payload tells it from others.
pub(crate) fn message(number: i64, received: Time, payload: i64, samples: Vec<Sample>) -> NewMessage {
    NewMessage {
        envelope: Envelope {
            received,
            topic: format!("units/r/{number}/senml"),
            content_type: None,
            retained: false,
            payload: format!("{number} {payload}").into_bytes(),
        },
        decoded: Decoded { unit: Some(unit(number)), samples, ..Decoded::default() },
    }
}

/// A small generator, so that a test needs no seed from outside (constants of Knuth's MMIX, from memory).
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next()).unwrap() % n
    }

    /// Roughly normal: the sum of twelve uniform numbers, less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| f64::from(u32::try_from(self.next() % 1_000_000).unwrap()) / 1e6).sum::<f64>() - 6.0
    }

    /// A pressure about a level, in pascals, rounded as its sensor does.
    pub(crate) fn about(&mut self, level: f64) -> f64 {
        ((level + 5_000.0 * self.normal()) / 100.0).round() * 100.0
    }
}

#[expect(clippy::disallowed_methods, reason = "the handle is awaited or aborted by the one caller")]
fn spawn(work: impl Future<Output = ()> + Send + 'static) -> JoinHandle<()> {
    tokio::spawn(work)
}

impl Place {
    #[expect(clippy::disallowed_methods, reason = "a test's server is named by the environment")]
    fn new(engine: Engine) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        if engine == Engine::Sqlite {
            return Self::Folder(tempfile::tempdir().unwrap());
        }
        let server = std::env::var("NOTCHWATCH_TEST_POSTGRES")
            .unwrap_or_else(|_| "postgres://postgres@127.0.0.1:5432/test".to_owned());
        let name =
            format!("notchwatch_evaluate_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        psql(&server, &format!("create database {name}"));
        Self::Server { server, name }
    }

    fn url(&self) -> String {
        match self {
            Self::Folder(folder) => format!("sqlite:{}", folder.path().join("store.db").display()),
            Self::Server { server, name } => {
                let (base, _) = server.rsplit_once('/').unwrap();
                format!("{base}/{name}")
            }
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

fn sqlite(file: &Path, statement: &str) {
    let script = "import sqlite3, sys; base = sqlite3.connect(sys.argv[1]); base.executescript(sys.argv[2]); base.close()";
    let done = Command::new("python3").args(["-c", script]).arg(file).arg(statement).output().unwrap();
    assert!(done.status.success(), "{}: {}", file.display(), String::from_utf8_lossy(&done.stderr));
}

fn psql(server: &str, statement: &str) {
    let done = Command::new("psql")
        .args(["--no-password", "--quiet", "--no-psqlrc", "--command", statement, server])
        .output()
        .unwrap();
    assert!(done.status.success(), "{server}: {}", String::from_utf8_lossy(&done.stderr));
}
