//! `notchwatch demo`: the main job on an invented fleet, with a broker, a store and a feed of its own.
//!
//! Owns the order: register, history through the same decoding and journal as live messages, then the live feed
//! through the broker. Everything after the feed is the daemon as it is.

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::Context;
use demo_feed::{Fleet, Scenario};
use notchwatch_model::{Envelope, RailwayFilter, Register, Time};
use notchwatch_store::{FindingQuery, Store};
use notchwatch_wire::{Decoder, RegisterIndex};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use rumqttc::v5::{AsyncClient, MqttOptions};
use tokio_util::sync::CancellationToken;

use crate::app::{self, App};
use crate::broker::{self, DemoBroker};
use crate::clock::now;
use crate::config::Config;
use crate::say;

/// The class of the demo fleet, as it would stand beside a real installation's.
const CLASS: &str = include_str!("../../../deploy/register/demo-12.toml");
/// File in the data folder that keeps when the scenario began, so that a second start goes on with it.
const BEGUN: &str = "demo-begun";
/// How often the live feed looks whether units have something to send.
const FEED_EVERY: Duration = Duration::from_millis(250);
/// Publications waiting for the connection; the feed waits when it is full.
const FEED_QUEUE: usize = 1000;

/// `notchwatch demo`
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Address and port of the console; without it, the usual one or a free port.
    #[arg(long)]
    listen: Option<SocketAddr>,
    /// Folder to keep the demo in; without it, a temporary one.
    #[arg(long)]
    data: Option<PathBuf>,
    /// Scenario file; without it, the built-in one.
    #[arg(long)]
    scenario: Option<PathBuf>,
    /// Filter of the log on standard error.
    #[arg(long, default_value = "warn")]
    log: String,
}

/// Runs the demo until a signal.
pub(crate) async fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let begun = Instant::now();
    let temporary = tempfile::Builder::new().prefix("notchwatch-demo-").tempdir()?;
    let folder = arguments.data.clone().unwrap_or_else(|| temporary.path().to_owned());
    std::fs::create_dir_all(&folder).with_context(|| format!("creating {}", folder.display()))?;
    let ports = broker::start()?;
    let config = config(&arguments, &folder, ports)?;
    crate::log(&config.log)?;

    let mut fleet = Fleet::new(&scenario(&arguments, &folder)?)?;
    let opened = app::open(&config, true).await?;
    load_register(&opened, &fleet).await?;
    let store = opened.store.clone();
    let index = opened.index.borrow().clone();
    let app = app::start(&config, opened).await?;
    welcome(&app, ports, &folder).await?;

    let decoder = Decoder::new(config.topic()?, config.limits());
    let mut history = History { store: &store, decoder: &decoder, index: &index, begun };
    history.load(&mut fleet, &app).await?;
    let feed = publish(fleet, ports.v5, app.stop.clone());
    app.tracker.spawn(feed);
    app.until_signal().await?;
    Ok(ExitCode::SUCCESS)
}

fn config(arguments: &Arguments, folder: &Path, ports: DemoBroker) -> anyhow::Result<Config> {
    let mut config = Config { data: Some(folder.to_owned()), ..Config::default() };
    config.listen.address = match arguments.listen {
        Some(address) => address,
        None => free_or(config.listen.address)?,
    };
    config.mqtt.url = format!("mqtt://127.0.0.1:{}", ports.v5);
    config.log.filter = format!("{},rumqttd=off", arguments.log);
    Ok(config)
}

/// The usual address when it is free, else a free port.
fn free_or(usual: SocketAddr) -> anyhow::Result<SocketAddr> {
    match TcpListener::bind(usual) {
        Ok(_) => Ok(usual),
        Err(_) => Ok(SocketAddr::from((Ipv4Addr::LOCALHOST, broker::free_port()?))),
    }
}

/// The scenario: a file's, or the built-in one counted from when this folder's demo began.
fn scenario(arguments: &Arguments, folder: &Path) -> anyhow::Result<Scenario> {
    if let Some(path) = &arguments.scenario {
        let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
        return Scenario::parse(&text).with_context(|| path.display().to_string());
    }
    let path = folder.join(BEGUN);
    let begun = if path.is_file() {
        let text = std::fs::read_to_string(&path).with_context(|| path.display().to_string())?;
        text.trim().parse::<Time>().with_context(|| path.display().to_string())?
    } else {
        let begun = now();
        std::fs::write(&path, begun.to_string()).with_context(|| path.display().to_string())?;
        begun
    };
    Ok(Scenario::demo(jiff::Timestamp::from_microsecond(begun.micros())?))
}

async fn load_register(opened: &app::Opened, fleet: &Fleet) -> anyhow::Result<()> {
    let mut register: Register = toml::from_str(CLASS).context("the demo's class")?;
    register.merge(toml::from_str(&fleet.register_toml()).context("the demo fleet's register")?);
    app::put_register(&opened.store, register).await?;
    let register = opened.store.register().await?;
    opened.index.send_replace(std::sync::Arc::new(RegisterIndex::new(&register)));
    opened.register.send_replace(std::sync::Arc::new(register));
    Ok(())
}

async fn welcome(app: &App, ports: DemoBroker, folder: &Path) -> anyhow::Result<()> {
    say("Notchwatch demo: an invented fleet. Nothing here is a real unit, railway or limit.")?;
    say(&format!("  console   http://{}", app.address))?;
    if let Some((name, password)) = app.first_administrator().await? {
        say(&format!("  sign in   {name} / {password}   (shown this once)"))?;
    }
    say(&format!(
        "  broker    mqtt://127.0.0.1:{} (MQTT 5), mqtt://127.0.0.1:{} (MQTT 3.1.1)",
        ports.v5, ports.v4
    ))?;
    say(&format!("  data      {}", folder.display()))
}

/// Loading what the fleet sent before now.
struct History<'a> {
    store: &'a Store,
    decoder: &'a Decoder,
    index: &'a std::sync::Arc<RegisterIndex>,
    begun: Instant,
}

impl History<'_> {
    /// Imports what was sent since the newest message of the journal, and waits until it is judged.
    async fn load(&mut self, fleet: &mut Fleet, app: &App) -> anyhow::Result<()> {
        let end = self.store.journal_end().await?;
        let newest = self.store.journal_after(notchwatch_model::Seq(end.0 - 1), 1).await?.items;
        let after = newest.first().map_or(i64::MIN, |m| m.received.micros() / 1000);
        let until = now().micros() / 1000;
        let from = fleet.next_at_unix_ms().unwrap_or(until).max(after);
        let time = |ms: i64| Time::from_millis(ms).unwrap_or(Time::EPOCH);
        app.history.send_replace(Some(crate::stages::History { from: time(from), until: time(until) }));
        let stop = app.stop.clone();
        let wanted =
            fleet.advance_to(until).take_while(|_| !stop.is_cancelled()).filter(|m| m.at_unix_ms > after);
        let messages = Progress::over(wanted, from, until);
        let done = notchwatch_ingest::import(self.store, self.decoder, self.index, messages, |_| {}).await?;
        say(&format!(
            "history stored: {} messages, {} samples, {:.0} s after the start",
            done.messages,
            done.samples,
            self.begun.elapsed().as_secs_f64()
        ))?;
        self.until_judged(app).await
    }

    async fn until_judged(&self, app: &App) -> anyhow::Result<()> {
        let mut lag = app.lag.clone();
        let mut told = Instant::now();
        while !app.stop.is_cancelled() {
            let behind = lag.borrow_and_update().messages;
            if behind == 0 {
                break;
            }
            if told.elapsed() > Duration::from_secs(2) {
                told = Instant::now();
                say(&format!("judging the history: {behind} messages to go"))?;
            }
            tokio::select! {
                _ = lag.changed() => {}
                () = tokio::time::sleep(Duration::from_millis(500)) => {}
            }
        }
        app.history.send_replace(None);
        let query = FindingQuery { open: Some(true), limit: 1000, ..FindingQuery::default() };
        let open = self.store.findings(&query, &RailwayFilter::All, now()).await?.items.len();
        say(&format!(
            "history judged: {open} open findings, {:.0} s after the start; now live (stop with Ctrl-C)",
            self.begun.elapsed().as_secs_f64()
        ))
    }
}

/// Messages as envelopes, with progress told at each tenth of the time they cover.
struct Progress<I> {
    messages: I,
    from: i64,
    until: i64,
    tenths: i64,
}

impl<I> Progress<I> {
    fn over(messages: I, from: i64, until: i64) -> Self {
        Self { messages, from, until, tenths: 0 }
    }

    fn tell(&mut self, at: i64) {
        let tenths = (at - self.from) * 10 / (self.until - self.from).max(1);
        if tenths > self.tenths {
            self.tenths = tenths;
            // A closed standard output must not stop the history.
            drop(say(&format!("loading history: {} %", tenths * 10)));
        }
    }
}

impl<I: Iterator<Item = demo_feed::Message>> Iterator for Progress<I> {
    type Item = Envelope;

    fn next(&mut self) -> Option<Envelope> {
        let message = self.messages.next()?;
        self.tell(message.at_unix_ms);
        Some(Envelope {
            received: Time::from_millis(message.at_unix_ms).unwrap_or(Time::EPOCH),
            topic: message.topic.to_string(),
            content_type: Some(message.content_type.to_owned()),
            retained: false,
            payload: message.payload,
        })
    }
}

/// Publishes what units send, when they send it, until `stop`.
async fn publish(mut fleet: Fleet, port: u16, stop: CancellationToken) {
    let mut options = MqttOptions::new("demo-feed", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10));
    let (client, mut connection) = AsyncClient::new(options, FEED_QUEUE);
    let feed = async {
        loop {
            let due: Vec<_> = fleet.advance_to(now().micros() / 1000).collect();
            for message in due {
                let properties = PublishProperties {
                    content_type: Some(message.content_type.to_owned()),
                    ..PublishProperties::default()
                };
                let topic = message.topic.to_string();
                let sent = client.publish_with_properties(
                    topic,
                    QoS::AtLeastOnce,
                    false,
                    message.payload,
                    properties,
                );
                if let Err(error) = sent.await {
                    tracing::warn!(%error, "the demo feed lost a message");
                }
            }
            tokio::time::sleep(FEED_EVERY).await;
        }
    };
    let connection = async {
        loop {
            if let Err(error) = connection.poll().await {
                tracing::warn!(%error, "the demo feed reconnects");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = feed => {}
        () = connection => {}
    }
}
