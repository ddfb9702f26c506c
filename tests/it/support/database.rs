//! A store for one test: an SQLite file in a folder of its own, or a PostgreSQL database made for it and dropped after.
//!
//! Owns creation and removal. Refuses to look into the tables: what matters is visible from outside.

use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use tempfile::TempDir;

use super::process::{Process, program};
use super::{eventually, now_ms, setting};

/// A server whose user may create databases.
const POSTGRES: &str = "postgres://postgres@127.0.0.1:5432/test";

/// How long taking the write lock may take.
const LOCK: Duration = Duration::from_secs(15);

/// The server that tests share.
pub(crate) fn shared_server() -> String {
    setting("NOTCHWATCH_TEST_POSTGRES").unwrap_or_else(|| POSTGRES.to_owned())
}

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
            Engine::Postgres => Self::on_server(&shared_server()),
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

    /// Makes an SQLite file in a folder below another.
    pub(crate) fn in_folder(folder: &Path) -> Self {
        Self::Sqlite(TempDir::new_in(folder).expect("a folder for the store"))
    }

    /// Changes what is stored behind the program's back.
    pub(crate) fn change(&self, statement: &str) {
        match self {
            Self::Sqlite(_) => drop(self.outside(&format!("store.execute(\"{statement}\")"))),
            Self::Postgres { .. } => psql(&self.url(), statement),
        }
    }

    /// Holds the write lock of an SQLite store from outside, as a backup that hangs would, until dropped.
    pub(crate) fn lock(&self) -> Process {
        self.outside("store.execute('begin immediate')")
    }

    /// Holds a state of an SQLite store from outside, as a forgotten shell would, and writes 80 MiB after it, until dropped.
    pub(crate) fn hold_log(&self) -> Process {
        self.outside(
            "store.execute('begin'); store.execute('select count(*) from journal').fetchall()\n\
             writer = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=30)\n\
             writer.execute('create table filler (bytes blob)')\n\
             writer.execute('insert into filler values (zeroblob(80 << 20))')",
        )
    }

    /// A program that has an SQLite store open as `store` and goes on holding what it does to it, until dropped.
    fn outside(&self, does: &str) -> Process {
        let url = self.url();
        let path = url.strip_prefix("sqlite:").expect("an SQLite store");
        let script = format!(
            "import sqlite3, sys, time\n\
             store = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=30)\n\
             {does}\nprint('held', flush=True)\ntime.sleep(300)\n"
        );
        let log = format!("{path}.lock-{}", now_ms());
        let mut command = Command::new(program("python3"));
        let process = Process::start(command.args(["-c", &script, path]), Path::new(&log));
        eventually("the lock", LOCK, || process.said().contains("held").then_some(()));
        process
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
    let (url, server) = (first.url(), shared_server());
    drop(first);
    let gone = Command::new(program("psql")).args(["--no-password", "--command", "select 1", &url]).output();
    assert!(!gone.expect("psql runs").status.success(), "{url} outlived its test on {server}");
}
