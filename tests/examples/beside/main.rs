//! What reads and sealing cost beside ingest: how long commits take while days are sealed, and reads while a feed runs.
//!
//! Usage: `cargo run --release -p notchwatch-tests --example beside -- [--units N] [--seconds N]`. Needs a PostgreSQL, see
//! `tests/README.md`. Commits carry 67 messages each, 50 times a second: ten times a fleet of 20,000 units.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]

#[expect(dead_code, reason = "the example of size uses more of it")]
#[path = "../size/feed.rs"]
mod feed;
#[expect(dead_code, reason = "the example of size uses more of it")]
#[path = "../size/keyed.rs"]
mod keyed;
mod part;

type Failure = Box<dyn std::error::Error + Send + Sync>;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |flag: &str, otherwise: u32| match arguments.iter().position(|a| a == flag) {
        Some(at) => arguments.get(at + 1).ok_or("a number is missing")?.parse().map_err(Failure::from),
        None => Ok(otherwise),
    };
    let (units, seconds) = (number("--units", 40)?, number("--seconds", 15)?);
    let runtime = tokio::runtime::Runtime::new()?;
    runtime.block_on(run(units, u64::from(seconds)))
}

async fn run(units: u32, seconds: u64) -> Result<(), Failure> {
    let history = feed::send(1, 28)?;
    let fleet = feed::send(units, 1)?;
    println!("| store | what | times | p50 ms | p99 ms | most ms |\n| --- | --- | --- | --- | --- | --- |");
    let folder = tempfile::tempdir()?;
    let sqlite = format!("sqlite:{}", folder.path().join("store.db").display());
    part::run("SQLite", &sqlite, &history, &fleet, seconds).await?;
    let postgres = keyed::Database::create("beside").await?;
    let done = part::run("PostgreSQL", postgres.url(), &history, &fleet, seconds).await;
    postgres.drop().await?;
    done
}
