//! Size: the same samples in this store, in a table with one keyed row a sample in the same engine, and in Parquet.
//!
//! Usage: `cargo run --release -p notchwatch-tests --example size -- [--units N] [--days N] [--python PATH]`. Needs a
//! PostgreSQL (see `tests/README.md`) and, for Parquet, a Python with `pyarrow`; without it that part says so.
//! Everything is counted: indexes, rollups, registers, counters. Journal rows are gone, as after their retention.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::cast_precision_loss, reason = "figures for people, far below 2^53")]

mod feed;
mod keyed;
mod ours;
mod parquet;

use std::path::PathBuf;

type Failure = Box<dyn std::error::Error>;

/// What the run was asked for.
struct Wanted {
    /// Units that send.
    units: u32,
    /// UTC days that they send for.
    days: i64,
    /// Interpreter for Parquet.
    python: PathBuf,
}

/// A way of keeping the samples, and what it takes on disk.
struct Kept {
    name: String,
    bytes: u64,
}

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let value = |flag: &str| {
        arguments.iter().position(|a| a == flag).map(|at| arguments.get(at + 1).ok_or("a value is missing"))
    };
    let wanted = Wanted {
        units: value("--units").transpose()?.map_or(Ok(12), |v| v.parse())?,
        days: value("--days").transpose()?.map_or(Ok(4), |v| v.parse())?,
        python: value("--python").transpose()?.map_or_else(|| "python3".into(), PathBuf::from),
    };
    let runtime = tokio::runtime::Runtime::new()?;
    runtime.block_on(run(&wanted))
}

async fn run(wanted: &Wanted) -> Result<(), Failure> {
    let sent = feed::send(wanted.units, wanted.days)?;
    let folder = tempfile::tempdir()?;
    println!(
        "{} units, {} days: {} messages, {} samples of which each (unit, channel, time) once",
        wanted.units,
        wanted.days,
        sent.messages(),
        sent.samples.len()
    );
    let sqlite = format!("sqlite:{}", folder.path().join("store.db").display());
    let postgres = keyed::Database::create("store").await?;
    let mut kept = Vec::new();
    let mut parts = Vec::new();
    for (engine, url) in [("SQLite", sqlite.as_str()), ("PostgreSQL", postgres.url())] {
        let found = ours::keep(url, &sent).await?;
        kept.push(Kept { name: format!("this store, {engine}"), bytes: found.iter().map(|(_, b)| b).sum() });
        parts.push((engine, found));
    }
    postgres.drop().await?;
    let bytes = keyed::sqlite(folder.path(), &sent).await?;
    kept.push(Kept { name: "keyed row, SQLite".into(), bytes });
    kept.push(Kept { name: "keyed row, PostgreSQL".into(), bytes: keyed::postgres(&sent).await? });
    kept.extend(parquet::write(folder.path(), &wanted.python, &sent)?);
    report(&kept, &parts, sent.samples.len() as f64);
    Ok(())
}

/// The table of all ways, then the tables of this store.
fn report(kept: &[Kept], parts: &[(&str, Vec<(String, u64)>)], samples: f64) {
    let of = |name: &str| kept.iter().find(|k| k.name == name).map_or(f64::NAN, |k| k.bytes as f64);
    println!("| kept as | bytes | bytes a sample | SQLite's share of it | PostgreSQL's share of it |");
    println!("| --- | --- | --- | --- | --- |");
    for Kept { name, bytes } in kept {
        println!(
            "| {name} | {bytes} | {:.3} | {:.3} | {:.3} |",
            *bytes as f64 / samples,
            of("this store, SQLite") / *bytes as f64,
            of("this store, PostgreSQL") / *bytes as f64
        );
    }
    println!("\n| table, with its indexes | engine | bytes | bytes a sample |\n| --- | --- | --- | --- |");
    for (engine, found) in parts {
        for (table, bytes) in found {
            println!("| {table} | {engine} | {bytes} | {:.3} |", *bytes as f64 / samples);
        }
    }
}
