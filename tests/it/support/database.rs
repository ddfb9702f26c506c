//! A store for one test: an SQLite file in a folder of its own, or a PostgreSQL database made for it and dropped after.
//!
//! Owns creation and removal. Refuses to look into the tables: what matters is visible from outside.

use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

use tempfile::TempDir;

use super::process::program;
use super::{now_ms, setting};

/// A server whose user may create databases.
const POSTGRES: &str = "postgres://postgres@127.0.0.1:5432/test";

/// The two engines.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Engine {
    Sqlite,
    Postgres,
}

/// A store of its own.
#[derive(Debug)]
pub(crate) enum Database {
    Sqlite(TempDir),
    Postgres { server: String, name: String },
}

impl Database {
    /// Makes one, empty.
    pub(crate) fn new(engine: Engine) -> Self {
        match engine {
            Engine::Sqlite => Self::Sqlite(TempDir::new().expect("a folder for the store")),
            Engine::Postgres => {
                Self::on_server(&setting("NOTCHWATCH_TEST_POSTGRES").unwrap_or_else(|| POSTGRES.to_owned()))
            }
        }
    }

    /// Makes one on a PostgreSQL server.
    pub(crate) fn on_server(url: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("notchwatch_it_{}_{}_{number}", std::process::id(), now_ms());
        psql(url, &format!("create database {name}"));
        Self::Postgres { server: url.to_owned(), name }
    }

    /// As the configuration file names it.
    pub(crate) fn url(&self) -> String {
        match self {
            Self::Sqlite(folder) => format!("sqlite:{}/notchwatch.db", folder.path().display()),
            Self::Postgres { server, name } => {
                let (host, _) = server.rsplit_once('/').expect("a PostgreSQL URL ends with /database");
                format!("{host}/{name}")
            }
        }
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        if let Self::Postgres { server, name } = self
            && !std::thread::panicking()
        {
            psql(server, &format!("drop database if exists {name} with (force)"));
        }
    }
}

pub(crate) fn psql(server: &str, statement: &str) {
    let out = Command::new(program("psql"))
        .args(["--no-password", "--quiet", "--no-psqlrc", "--tuples-only", "--command", statement, server])
        .output()
        .expect("psql runs");
    assert!(
        out.status.success(),
        "PostgreSQL at {server} must answer and let its user create databases \
         (NOTCHWATCH_TEST_POSTGRES names another): {}",
        String::from_utf8_lossy(&out.stderr)
    );
}

#[test]
fn databases_are_apart_and_gone_afterwards() {
    let first = Database::new(Engine::Postgres);
    let second = Database::new(Engine::Postgres);
    assert_ne!(first.url(), second.url());
    psql(&first.url(), "create table only_here (x int)");
    psql(&second.url(), "create table only_here (x int)");
    let (url, server) =
        (first.url(), setting("NOTCHWATCH_TEST_POSTGRES").unwrap_or_else(|| POSTGRES.to_owned()));
    drop(first);
    let gone = Command::new(program("psql")).args(["--no-password", "--command", "select 1", &url]).output();
    assert!(!gone.expect("psql runs").status.success(), "{url} outlived its test on {server}");
}
