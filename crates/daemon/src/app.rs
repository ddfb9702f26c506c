//! The process: its parts, wired, started in order and stopped in the other order.
//!
//! Owns the life cycle. Stop: the streams end and ingest takes nothing more, what is held is committed and
//! acknowledged, evaluation takes its last snapshots, the store closes; a deadline ends the rest.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::Context;
use notchwatch_desk::{Desk, DeskError};
use notchwatch_evaluate::{EvaluateOptions, Evaluator, Lag, Pressure, Tracer};
use notchwatch_findings::Library;
use notchwatch_ingest::{Credentials, MqttOptions, TlsOptions};
use notchwatch_model::{AccountName, Register, Span};
use notchwatch_store::{Options, Store};
use notchwatch_web::{Listener, Stages, WebLimits, WebOptions};
use notchwatch_wire::{Decoder, RegisterIndex};
use prometheus::Registry;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::clock::{WallClock, now};
use crate::config::Config;
use crate::evidence::{FoldedEvidence, Redecoded};
use crate::supervise::Parts;
use crate::{handles, health, keeper, metrics, stages};

/// Time for answers under way to reach their callers after the signal.
const DRAIN: Duration = Duration::from_secs(2);
/// Time for everything to end after the signal.
const STOP_WITHIN: Duration = Duration::from_secs(9);

/// An opened store with its register.
pub(crate) struct Opened {
    pub(crate) store: Store,
    pub(crate) register: watch::Sender<Arc<Register>>,
    pub(crate) index: watch::Sender<Arc<RegisterIndex>>,
}

/// A started process.
pub(crate) struct App {
    pub(crate) address: SocketAddr,
    pub(crate) desk: Desk,
    pub(crate) lag: watch::Receiver<Lag>,
    /// Tells that a history is being read in.
    pub(crate) history: watch::Sender<Option<stages::History>>,
    pub(crate) tracker: TaskTracker,
    pub(crate) stop: CancellationToken,
    /// Somebody told it to stop; else a part did that ended by a defect.
    signalled: Arc<AtomicBool>,
    evaluation_stop: CancellationToken,
    evaluator: tokio::task::JoinHandle<()>,
    store: Store,
}

/// Opens the store and brings its register up to the configured files. `alone`: as the one process that runs on it.
pub(crate) async fn open(config: &Config, alone: bool) -> anyhow::Result<Opened> {
    let url = config.store_url();
    if let Some(folder) = url.strip_prefix("sqlite:").and_then(|path| Path::new(path).parent()) {
        std::fs::create_dir_all(folder).with_context(|| format!("creating {}", folder.display()))?;
    }
    let options = Options { url, readers: config.store.readers };
    let store = if alone { Store::open(&options).await } else { Store::open_beside(&options).await };
    let store = store.context("opening the store")?;
    store.bound_quarantine(config.keep.bounds());
    let files = read_register(config)?;
    if files != Register::default() {
        put_register(&store, files).await?;
    }
    let register = Arc::new(store.register().await.context("reading the register")?);
    let index = Arc::new(RegisterIndex::new(&register));
    Ok(Opened { store, register: watch::Sender::new(register), index: watch::Sender::new(index) })
}

/// The register's files, merged and checked by themselves.
pub(crate) fn read_register(config: &Config) -> anyhow::Result<Register> {
    let mut all = Register::default();
    for path in &config.register.files {
        let text =
            std::fs::read_to_string(path).with_context(|| format!("{}: cannot be read", path.display()))?;
        all.merge(toml::from_str(&text).with_context(|| path.display().to_string())?);
    }
    Ok(all)
}

/// Adds entries to the register of a store, if the whole then makes sense. What it holds already is not written: a start
/// with a full disk goes on to serve what is there.
pub(crate) async fn put_register(store: &Store, files: Register) -> anyhow::Result<()> {
    let held = store.register().await.context("reading the register")?;
    let mut whole = held.clone();
    whole.merge(files.clone());
    if whole == held {
        return Ok(());
    }
    let problems = whole.problems();
    if !problems.is_empty() {
        let list: Vec<String> = problems.iter().map(ToString::to_string).collect();
        anyhow::bail!("the register does not fit together:\n  {}", list.join("\n  "));
    }
    let by = AccountName::new("configuration")?;
    store.put_register(&files, &by, now()).await.context("writing the register")
}

/// How often a store that is away is asked for its administrator.
const ASK_AGAIN: Duration = Duration::from_secs(1);
/// Messages received and not committed above which evaluation gives way: what ten times a fleet of 20,000 units sends
/// in a seventh of a second. Below it both have time enough.
const BACKLOG: u64 = 500;

/// Starts every part over an opened store.
pub(crate) async fn start(config: &Config, opened: Opened) -> anyhow::Result<App> {
    let Opened { store, register, index } = opened;
    let stop = CancellationToken::new();
    let tracker = TaskTracker::new();
    let (terminate, interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    let signalled = Arc::new(AtomicBool::new(false));
    tracker.spawn(stop_on_signal(terminate, interrupt, stop.clone(), Arc::clone(&signalled)));
    let parts = Parts { tracker: tracker.clone(), stop: stop.clone() };
    let library = Arc::new(Library::builtin().context("the built-in fault library")?);
    let settings = Arc::new(notchwatch_detect::Settings::default());
    let decoder = Decoder::new(config.topic()?, config.limits());
    let ingest = notchwatch_ingest::start(
        mqtt_options(config)?,
        decoder,
        index.subscribe(),
        store.clone(),
        Arc::new(now),
        tracker.clone(),
        stop.clone(),
    )?;

    let waiting = ingest.counters.clone();
    let (deaf, trouble) = watch::channel([health::STARTING].into());
    let (options, seen) = (judging(config), register.subscribe());
    let evaluator = Evaluator::new(store.clone(), options, library.clone(), settings.clone(), seen, now)
        .giving_way(Pressure::new(move || waiting.held.load(Ordering::Relaxed) > BACKLOG))
        .with_trouble(trouble);
    let (counters, lag) = (evaluator.counters(), evaluator.lag());
    let evaluation_stop = CancellationToken::new();
    let evaluator = parts.start("evaluation", evaluator.run(evaluation_stop.clone()));

    let registry = Registry::new();
    let (told_stages, stages_told) = watch::channel(Stages::default());
    let (taken, judged) = (ingest.counters.clone(), counters.clone());
    let (history, reading) = watch::channel(None);
    parts.start("stages", stages::keep(taken, judged, lag.clone(), reading, told_stages, stop.clone()));
    let (load, loads) = watch::channel(keeper::LoadFigures::default());
    metrics::register(&registry, ingest.counters.clone(), counters, lag.clone(), store.clone(), loads)?;
    let (reasons, health) = watch::channel(["starting"].into());
    let told = health::Told { reasons, deaf };
    parts.start("readiness", health::keep(store.clone(), ingest.health, lag.clone(), told, stop.clone()));

    let traces = Tracer::new(store.clone(), library.clone(), settings, register.subscribe());
    let decoder = Decoder::new(config.topic()?, config.limits());
    let again = Redecoded { store: store.clone(), decoder, index: index.subscribe() };
    let desk = Desk::new(store.clone(), Arc::new(WallClock), Arc::new(FoldedEvidence(traces)), library)
        .replaying(Arc::new(again));
    parts.start("operator load", keeper::weigh_load(desk.clone(), load, stop.clone()));
    parts.start(
        "register",
        keeper::follow_register(store.for_work(), desk.clone(), register, index, stop.clone()),
    );
    keepers(&parts, &store, &desk, &lag, config);

    let limits = WebLimits::default();
    let limits = WebLimits { connections: handles::connections(limits.connections), ..limits };
    let options = WebOptions {
        stages: stages_told,
        metrics: registry,
        shutdown: stop.clone(),
        health,
        behind_tls: config.listen.behind_tls,
        limits,
    };
    let socket = TcpListener::bind(config.listen.address)
        .await
        .with_context(|| format!("listening on {}", config.listen.address))?;
    let address = socket.local_addr()?;
    let router = notchwatch_web::router(desk.clone(), options);
    parts.start("listener", serve(Listener::new(socket, &limits), router, stop.clone()));
    Ok(App { address, desk, lag, history, tracker, stop, signalled, evaluation_stop, evaluator, store })
}

/// Starts what is done from time to time.
fn keepers(parts: &Parts, store: &Store, desk: &Desk, lag: &watch::Receiver<Lag>, config: &Config) {
    let (desk, lag, stop) = (desk.clone(), lag.clone(), parts.stop.clone());
    let behind = lag.clone();
    parts.keep("grading", move || keeper::grade_health(desk.clone(), lag.clone(), stop.clone()));
    let (looked_at, stop) = (store.clone(), parts.stop.clone());
    parts.keep("look at the store", move || keeper::look_once(looked_at.clone(), stop.clone()));
    let (store, keep, stop) = (store.for_work(), config.keep.clone(), parts.stop.clone());
    parts.keep("sealing", move || {
        keeper::seal_daily(store.clone(), keep.clone(), behind.clone(), stop.clone())
    });
}

/// How the configuration wants evaluation to run.
fn judging(config: &Config) -> EvaluateOptions {
    EvaluateOptions {
        horizon: Span::from_hours(i64::from(config.judge.horizon_h)),
        lateness: Span::from_mins(i64::from(config.judge.lateness_min)),
        comms: config.comms(),
        ..EvaluateOptions::default()
    }
}

async fn serve(listener: Listener, router: axum::Router, stop: CancellationToken) {
    let serving = notchwatch_web::serve(listener, router, stop.clone());
    let drained = async {
        stop.cancelled().await;
        tokio::time::sleep(DRAIN).await;
    };
    // A client that does not read keeps its connection open for as long as it likes; it does not keep us.
    tokio::select! {
        () = serving => {}
        () = drained => tracing::info!("connections that did not end are cut"),
    }
}

impl App {
    /// Makes the first administrator of a fresh store. While the store is away it waits for it: everything else runs
    /// already and says so. `None` when there is one, or when a signal came first.
    pub(crate) async fn first_administrator(&self) -> anyhow::Result<Option<(AccountName, String)>> {
        while !self.stop.is_cancelled() {
            let why = match self.desk.first_administrator().await {
                Err(DeskError::Unavailable(why)) => why,
                done => return Ok(done?),
            };
            tracing::warn!(why, "waiting to look for an administrator");
            tokio::select! {
                () = self.stop.cancelled() => {}
                () = tokio::time::sleep(ASK_AGAIN) => {}
            }
        }
        Ok(None)
    }

    /// Runs until a signal, then stops in order. Errors when not everything ended within the deadline, and when it was a
    /// defect that stopped it.
    pub(crate) async fn until_signal(self) -> anyhow::Result<()> {
        self.stop.cancelled().await;
        let orderly = async {
            self.tracker.close();
            // What ingest still commits is in the journal before evaluation looks for the last time.
            while self.tracker.len() > 1 {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            self.evaluation_stop.cancel();
            self.tracker.wait().await;
            self.store.close().await;
        };
        if tokio::time::timeout(STOP_WITHIN, orderly).await.is_err() {
            self.evaluator.abort();
            anyhow::bail!(
                "not everything ended within {} s; nothing acknowledged is lost",
                STOP_WITHIN.as_secs()
            );
        }
        anyhow::ensure!(
            self.signalled.load(Ordering::Relaxed),
            "a part ended by a defect, the log says which; nothing acknowledged is lost"
        );
        Ok(())
    }
}

/// Turns a signal into the stop that every part watches.
async fn stop_on_signal(
    mut terminate: Signal,
    mut interrupt: Signal,
    stop: CancellationToken,
    signalled: Arc<AtomicBool>,
) {
    tokio::select! {
        () = stop.cancelled() => return,
        _ = terminate.recv() => tracing::info!(signal = "terminate", "stopping"),
        _ = interrupt.recv() => tracing::info!(signal = "interrupt", "stopping"),
    }
    signalled.store(true, Ordering::Relaxed);
    stop.cancel();
}

fn mqtt_options(config: &Config) -> anyhow::Result<MqttOptions> {
    let broker = config.broker()?;
    let password = config.mqtt_password()?;
    let credentials = config
        .mqtt
        .username
        .clone()
        .map(|username| Credentials { username, password: password.unwrap_or_default() });
    let tls = if broker.tls {
        let ca_pem = match &config.mqtt.ca_file {
            Some(path) => {
                Some(std::fs::read(path).with_context(|| format!("mqtt.ca_file: {}", path.display()))?)
            }
            None => None,
        };
        Some(TlsOptions { ca_pem, client_pem: None })
    } else {
        None
    };
    Ok(MqttOptions {
        host: broker.host,
        port: broker.port,
        client_id: config.mqtt.client_id.clone(),
        credentials,
        tls,
        filters: vec![config.topic()?.filter()],
        receive_maximum: config.mqtt.receive_maximum,
        message_bytes: config.limits.message_bytes,
        quiet_after: (config.mqtt.quiet_after_s > 0)
            .then(|| Duration::from_secs(u64::from(config.mqtt.quiet_after_s))),
        ..MqttOptions::default()
    })
}
