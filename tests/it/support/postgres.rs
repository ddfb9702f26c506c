//! A private PostgreSQL server, to be stopped as a power cut would stop it.
//!
//! Owns one cluster per value. The server that other tests share is never touched by it.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

use super::database::{Database, psql};
use super::process::free_port;

/// A server of its own.
#[derive(Debug)]
pub(crate) struct Postgres {
    folder: TempDir,
    port: u16,
}

impl Postgres {
    /// Makes a cluster and starts it.
    pub(crate) fn start() -> Self {
        let folder = TempDir::new().expect("a folder for the server");
        if root() {
            // The server refuses to run as root.
            run(Command::new("chown").arg("postgres").arg(folder.path()));
        }
        let server = Self { folder, port: free_port() };
        let data = server.data();
        run(server
            .program("initdb")
            .args([
                "--username",
                "postgres",
                "--auth",
                "trust",
                "--encoding",
                "UTF8",
                "--no-sync",
                "--pgdata",
            ])
            .arg(data));
        server.start_again();
        psql(&server.url("postgres"), "create database test");
        server
    }

    /// URL of a database of it.
    pub(crate) fn url(&self, database: &str) -> String {
        format!("postgres://postgres@127.0.0.1:{}/{database}", self.port)
    }

    /// Stops it at once, without a checkpoint: what was committed must be in its log.
    pub(crate) fn stop(&self) {
        run(self.program("pg_ctl").args(["-m", "immediate", "-w", "stop", "-D"]).arg(self.data()));
    }

    /// Starts it after [`Postgres::stop`] and waits until it answers.
    pub(crate) fn start_again(&self) {
        let options = format!(
            "-c listen_addresses=127.0.0.1 -c port={} -c unix_socket_directories={}",
            self.port,
            self.folder.path().display()
        );
        run(self
            .program("pg_ctl")
            .args(["-w", "-o", &options, "-l"])
            .arg(self.folder.path().join("log"))
            .args(["start", "-D"])
            .arg(self.data()));
    }

    /// A database of which everything but the server's log of changes lies below a folder.
    pub(crate) fn database_below(&self, folder: &Path) -> Database {
        let (server, space) = (self.url("postgres"), Self::owned_folder(folder));
        psql(&server, &format!("create tablespace small location '{space}'"));
        let database = Database::on_server(&server);
        let Database::Postgres { name, .. } = &database else { unreachable!("made on a server") };
        psql(&server, &format!("alter database {name} set tablespace small"));
        database
    }

    /// A folder below another that a server may write to, as a text for its statements.
    fn owned_folder(below: &Path) -> String {
        let folder = below.join("space");
        std::fs::create_dir(&folder).expect("a folder");
        run(Command::new("chmod").arg("711").arg(below));
        if root() {
            run(Command::new("chown").arg("postgres").arg(&folder));
        }
        folder.display().to_string()
    }

    fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    fn program(&self, name: &str) -> Command {
        let path = installed().join(name);
        let mut command = if root() {
            let mut command = Command::new("runuser");
            command.args(["-u", "postgres", "--"]).arg(path);
            command
        } else {
            Command::new(path)
        };
        command.current_dir(self.folder.path());
        command
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        let mut stop = self.program("pg_ctl");
        stop.args(["-m", "immediate", "stop", "-D"]).arg(self.data());
        drop(stop.stdout(Stdio::null()).stderr(Stdio::null()).status());
    }
}

fn root() -> bool {
    let out = Command::new("id").arg("-u").output().expect("id runs");
    out.stdout == b"0\n"
}

/// Folder of the newest installed server's programs, where Debian puts them.
fn installed() -> PathBuf {
    let versions = std::fs::read_dir("/usr/lib/postgresql").expect("a PostgreSQL server is installed");
    let bins = versions.flatten().map(|version| version.path().join("bin"));
    bins.filter(|bin| bin.join("initdb").is_file()).max().expect("a PostgreSQL server with initdb")
}

/// Runs it with its output thrown away: a server it starts must not hold our pipes open.
fn run(command: &mut Command) {
    let status = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status();
    let status = status.unwrap_or_else(|e| panic!("{command:?}: {e}"));
    assert!(status.success(), "{command:?}: {status}");
}
