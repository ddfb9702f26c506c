//! The one binary, `notchwatch`: commands, configuration, wiring and life cycle.
//!
//! Owns what is printed for people and the exit codes: 0 done, 1 failed, 2 the input is wrong. Nobody imports it.

mod access;
mod app;
mod broker;
mod check;
mod clock;
mod config;
mod demo;
mod evidence;
mod examine;
mod handles;
mod health;
mod import;
mod keep;
mod keeper;
mod metrics;
mod stages;
mod supervise;
mod timeline;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::config::{Config, Log, LogForm};

/// Memory that one thread takes and another gives back, as messages do, stays in pieces with the system's allocator:
/// what is measured with both stands in `doc/line-speed.md`.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Watches engines: unit messages in, findings out.
#[derive(Debug, Parser)]
#[command(version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the daemon.
    Run(RunArguments),
    /// Run the main job on an invented fleet, with a broker and a store of its own.
    Demo(demo::Arguments),
    /// Judge a history in a CSV file.
    Examine(examine::Arguments),
    /// Check a configuration and its register, and start nothing.
    CheckConfig {
        /// The configuration file.
        file: PathBuf,
    },
    /// Look whether what the store keeps can be read, and name what is damaged.
    Check(check::Arguments),
    /// Put recorded days into the journal.
    Import(import::Arguments),
    /// Put entries (fault codes, oil samples, maintenance, software) on the timelines of units.
    Timeline(timeline::Arguments),
    /// Accounts.
    #[command(subcommand)]
    Account(access::AccountCommand),
    /// Tokens.
    #[command(subcommand)]
    Token(access::TokenCommand),
}

#[derive(Debug, clap::Args)]
struct RunArguments {
    #[command(flatten)]
    shared: SharedArguments,
}

/// What commands that open the store have in common.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct SharedArguments {
    /// The configuration file; without it the defaults hold.
    #[arg(long)]
    pub(crate) config: Option<PathBuf>,
    /// Address and port to listen on.
    #[arg(long)]
    pub(crate) listen: Option<std::net::SocketAddr>,
    /// Folder for the embedded store.
    #[arg(long)]
    pub(crate) data: Option<PathBuf>,
}

impl SharedArguments {
    /// The configuration file with what the command line says over it.
    pub(crate) fn config(&self) -> anyhow::Result<Config> {
        let mut config = match &self.config {
            Some(path) => Config::load(path)?,
            None => Config::default(),
        };
        if let Some(address) = self.listen {
            config.listen.address = address;
        }
        if let Some(data) = &self.data {
            config.data = Some(data.clone());
        }
        Ok(config)
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match dispatch(arguments.command) {
        Ok(code) => code,
        Err(error) => {
            // Nothing is left to tell that the error output is gone.
            drop(writeln!(std::io::stderr(), "notchwatch: {error:#}"));
            ExitCode::FAILURE
        }
    }
}

fn dispatch(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Run(arguments) => run(&arguments.shared),
        Command::Demo(arguments) => runtime()?.block_on(demo::run(arguments)),
        Command::Examine(arguments) => examine::run(&arguments),
        Command::CheckConfig { file } => check_config(&file),
        Command::Check(arguments) => runtime()?.block_on(check::run(arguments)),
        Command::Import(arguments) => runtime()?.block_on(import::run(arguments)),
        Command::Timeline(arguments) => runtime()?.block_on(timeline::run(arguments)),
        Command::Account(command) => runtime()?.block_on(access::account(command)),
        Command::Token(command) => runtime()?.block_on(access::token(command)),
    }
}

fn run(arguments: &SharedArguments) -> anyhow::Result<ExitCode> {
    let config = arguments.config()?;
    config.check()?;
    log(&config.log)?;
    runtime()?.block_on(async {
        let opened = app::open(&config, true).await?;
        let app = app::start(&config, opened).await?;
        say(&format!("listening on http://{}", app.address))?;
        if let Some((name, password)) = app.first_administrator().await? {
            say(&format!("first start: sign in as {name} with password {password} (shown this once)"))?;
        }
        app.until_signal().await?;
        Ok(ExitCode::SUCCESS)
    })
}

fn check_config(file: &std::path::Path) -> anyhow::Result<ExitCode> {
    let outcome = Config::load(file).and_then(|config| app::read_register(&config));
    match outcome.map(|register| (register.problems(), register)) {
        Ok((problems, register)) if problems.is_empty() => {
            say(&format!(
                "{}: good; the register's files name {} railways, {} classes, {} units",
                file.display(),
                register.railways.len(),
                register.classes.len(),
                register.units.len()
            ))?;
            Ok(ExitCode::SUCCESS)
        }
        Ok((problems, _)) => {
            for problem in problems {
                complain(&problem.to_string())?;
            }
            Ok(ExitCode::from(2))
        }
        Err(error) => {
            complain(&format!("{error:#}"))?;
            Ok(ExitCode::from(2))
        }
    }
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().enable_all().build()?)
}

/// Starts the process's log, on standard error.
pub(crate) fn log(log: &Log) -> anyhow::Result<()> {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_new(&log.filter).map_err(|e| {
        anyhow::anyhow!("log.filter: {e}; right would be info, or info,notchwatch_ingest=debug")
    })?;
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let started = match log.form {
        LogForm::Text => builder.try_init(),
        LogForm::Json => builder.json().try_init(),
    };
    started.map_err(|e| anyhow::anyhow!("the log could not be started: {e}"))
}

/// Prints a line for people, at once.
pub(crate) fn say(line: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}")?;
    Ok(out.flush()?)
}

/// Prints a line about wrong input.
pub(crate) fn complain(line: &str) -> anyhow::Result<()> {
    Ok(writeln!(std::io::stderr(), "{line}")?)
}
