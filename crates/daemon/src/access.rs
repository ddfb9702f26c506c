//! Accounts and tokens from the command line, for the machine that the store is on.
//!
//! Owns nothing but the asking: rules and audit are the desk's, and it acts there as an administrator named `system`.

use std::io::BufRead;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context;
use clap::{Args, Subcommand};
use notchwatch_desk::{AccountChange, Desk};
use notchwatch_model::{AccountName, Principal, RailwayFilter, RailwayId, Role};

use crate::clock::WallClock;
use crate::{SharedArguments, app, say};

/// `notchwatch account …`
#[derive(Debug, Subcommand)]
pub(crate) enum AccountCommand {
    /// Create or change an account; the password is the first line of standard input.
    Add {
        /// Name.
        name: AccountName,
        #[command(flatten)]
        rights: Rights,
        #[command(flatten)]
        shared: SharedArguments,
    },
}

/// `notchwatch token …`
#[derive(Debug, Subcommand)]
pub(crate) enum TokenCommand {
    /// Create a token and print it, this once.
    Create {
        /// Name that stands on what the token does.
        #[arg(long)]
        name: AccountName,
        #[command(flatten)]
        rights: Rights,
        #[command(flatten)]
        shared: SharedArguments,
    },
}

/// What an account or token may do.
#[derive(Debug, Args)]
pub(crate) struct Rights {
    /// administrator, operator or viewer.
    #[arg(long)]
    role: Role,
    /// Railways it may see, separated by commas; without it, all.
    #[arg(long, value_delimiter = ',')]
    railways: Option<Vec<RailwayId>>,
}

impl Rights {
    fn filter(&self) -> RailwayFilter {
        match &self.railways {
            Some(railways) => RailwayFilter::Only(railways.iter().cloned().collect()),
            None => RailwayFilter::All,
        }
    }
}

/// Runs `notchwatch account …`.
pub(crate) async fn account(command: AccountCommand) -> anyhow::Result<ExitCode> {
    let AccountCommand::Add { name, rights, shared } = command;
    let mut password = String::new();
    std::io::stdin().lock().read_line(&mut password).context("reading the password from standard input")?;
    let password = password.trim_end_matches(['\r', '\n']).to_owned();
    let (desk, system, store) = desk(&shared).await?;
    let railways = rights.filter();
    let change = AccountChange {
        name: name.clone(),
        role: rights.role,
        railways,
        enabled: true,
        password: Some(password),
    };
    desk.put_account(&system, change).await?;
    store.close().await;
    say(&format!("account {name} is there"))?;
    Ok(ExitCode::SUCCESS)
}

/// Runs `notchwatch token …`.
pub(crate) async fn token(command: TokenCommand) -> anyhow::Result<ExitCode> {
    let TokenCommand::Create { name, rights, shared } = command;
    let (desk, system, store) = desk(&shared).await?;
    let principal = Principal { name: name.clone(), role: rights.role, railways: rights.filter() };
    let (_, secret) = desk.create_token(&system, name.as_str(), principal, None).await?;
    store.close().await;
    say(secret.expose())?;
    Ok(ExitCode::SUCCESS)
}

/// A desk over the store of a configuration, and who acts at it.
pub(crate) async fn desk(
    shared: &SharedArguments,
) -> anyhow::Result<(Desk, Principal, notchwatch_store::Store)> {
    let config = shared.config()?;
    let opened = app::open(&config, false).await?;
    let library = Arc::new(notchwatch_findings::Library::builtin()?);
    let settings = Arc::new(notchwatch_detect::Settings::default());
    let tracer = notchwatch_evaluate::Tracer::new(
        opened.store.clone(),
        library.clone(),
        settings,
        opened.register.subscribe(),
    );
    let evidence = Arc::new(crate::evidence::FoldedEvidence(tracer));
    let desk = Desk::new(opened.store.clone(), Arc::new(WallClock), evidence, library);
    let system = Principal {
        name: AccountName::new("system")?,
        role: Role::Administrator,
        railways: RailwayFilter::All,
    };
    Ok((desk, system, opened.store))
}
