//! `notchwatch check`: whether what the store keeps can be read.
//!
//! Owns what is printed; changes nothing. Exit code 1 when anything is damaged.

use std::process::ExitCode;

use notchwatch_store::{Depth, Options, Store};

use crate::{SharedArguments, complain, say};

/// `notchwatch check`
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Read every row, and on `SQLite` check the whole file; else only the newest rows of each table.
    #[arg(long)]
    deep: bool,
    #[command(flatten)]
    shared: SharedArguments,
}

/// Looks, beside a daemon that may run, and names what is damaged.
pub(crate) async fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let config = arguments.shared.config()?;
    config.check()?;
    let options = Options { url: config.store_url(), readers: config.store.readers };
    let store = Store::open_beside(&options).await?;
    let checked = store.check(if arguments.deep { Depth::Deep } else { Depth::Quick }).await;
    store.close().await;
    let checked = checked?;
    say(&format!(
        "read {} blocks, {} rollups, {} journal rows, newest values of {} units, {} findings, {} events, {} decisions, \
         {} steps of timelines, {} clock ticks, {} snapshots: {} damaged",
        checked.blocks,
        checked.rollups,
        checked.journal,
        checked.latest,
        checked.findings,
        checked.events,
        checked.decisions,
        checked.timelines,
        checked.ticks,
        checked.snapshots,
        checked.damage.len()
    ))?;
    for damage in &checked.damage {
        complain(&format!(
            "{}: {}; lost: {}; what helps: {}",
            damage.place, damage.what, damage.lost, damage.remedy
        ))?;
    }
    Ok(if checked.damage.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
