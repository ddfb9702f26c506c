//! `notchwatch import`: recorded days into the journal, each message with the receive time it was recorded with.

use std::fs::File;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;
use notchwatch_model::Envelope;
use notchwatch_wire::{Decoder, recorded_day};

use crate::{SharedArguments, app, complain, say};

/// `notchwatch import FILE…`
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Recorded days: newline-delimited JSON, compressed with zstd.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    #[command(flatten)]
    shared: SharedArguments,
}

/// Imports the files one after the other. A line that is no message is told and left out.
pub(crate) async fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let config = arguments.shared.config()?;
    config.check()?;
    let opened = app::open(&config, false).await?;
    let decoder = Decoder::new(config.topic()?, config.limits());
    let index = opened.index.borrow().clone();
    for path in &arguments.files {
        let file = File::open(path).with_context(|| path.display().to_string())?;
        let reader = recorded_day::Reader::new(file).with_context(|| path.display().to_string())?;
        let envelopes = reader.filter_map(|line| match line {
            Ok(envelope) => Some::<Envelope>(envelope),
            Err(error) => {
                // A broken error output must not stop the import.
                drop(complain(&format!("{}: {error}", path.display())));
                None
            }
        });
        let done = notchwatch_ingest::import(&opened.store, &decoder, &index, envelopes, |_| {}).await?;
        say(&format!(
            "{}: {} messages, {} samples, {} refused",
            path.display(),
            done.messages,
            done.samples,
            done.quarantined
        ))?;
    }
    opened.store.close().await;
    Ok(ExitCode::SUCCESS)
}
