//! `notchwatch timeline`: entries out of files onto the timelines of units.
//!
//! Owns nothing but the reading: what an entry must fit to is the desk's, and a running service takes them in on its own.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, bail};
use notchwatch_desk::{DeskError, MAX_ENTRIES};
use notchwatch_model::{AccountName, NewEntry, Origin, Principal};
use notchwatch_wire::timeline;

use crate::{SharedArguments, access, complain, say};

/// `notchwatch timeline FILE…`
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Files of entries: .csv with a header, or .toml with a list `entries`.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Name that stands on the entries.
    #[arg(long, default_value = "system")]
    by: AccountName,
    #[command(flatten)]
    shared: SharedArguments,
}

/// Records the entries of the files, up to 1,000 at a time: all of them, or none with every problem. An entry recorded
/// before changes nothing, so a file can be taken in again.
pub(crate) async fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let (desk, system, store) = access::desk(&arguments.shared).await?;
    let who = Principal { name: arguments.by.clone(), ..system };
    let mut code = ExitCode::SUCCESS;
    for path in &arguments.files {
        let entries = read(path)?;
        let (count, mut new) = (entries.len(), 0);
        for part in entries.chunks(MAX_ENTRIES) {
            match desk.record_entries(&who, part.to_vec(), Origin::File).await {
                Ok(recorded) => new += recorded.iter().filter(|(_, new)| *new).count(),
                Err(DeskError::Invalid(problems)) => {
                    for problem in problems {
                        complain(&format!("{}: entry {problem}", path.display()))?;
                    }
                    code = ExitCode::FAILURE;
                }
                Err(DeskError::NotFound) => bail!("{}: names a unit that is not registered", path.display()),
                Err(error) => return Err(error.into()),
            }
        }
        say(&format!("{}: {count} entries, {new} new", path.display()))?;
    }
    store.close().await;
    Ok(code)
}

fn read(path: &PathBuf) -> anyhow::Result<Vec<NewEntry>> {
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    let read = match path.extension().and_then(std::ffi::OsStr::to_str) {
        Some("csv") => timeline::read_csv(&text),
        Some("toml") => timeline::read_toml(&text),
        _ => bail!("{}: the name of a file of entries ends in .csv or .toml", path.display()),
    };
    read.with_context(|| path.display().to_string())
}
