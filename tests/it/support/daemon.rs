//! The built program as a child process: configured, started, waited for, signalled, killed.
//!
//! Owns a `notchwatch run` with a folder and a port of its own, and the one-shot commands beside it.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use serde_json::{Value, json};
use tempfile::TempDir;

use super::broker::Broker;
use super::database::Database;
use super::http::Client;
use super::process::{Process, free_port, program};
use super::{eventually, root, setting};

/// How long a start may take: a debug build that migrates a fresh store on a busy machine.
const START: Duration = Duration::from_mins(1);

/// The program, built once for a run of the tests.
pub(crate) fn notchwatch() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| setting("NOTCHWATCH_TEST_BINARY").map_or_else(build, PathBuf::from))
}

fn build() -> PathBuf {
    let test = std::env::current_exe().expect("a test knows its own path");
    let folder = test.parent().and_then(Path::parent).expect("target/<profile>/deps/<test>");
    let release = folder.file_name().is_some_and(|name| name == "release");
    let status = Command::new(env!("CARGO"))
        .current_dir(root())
        .args(["build", "--quiet", "-p", "notchwatch-daemon", "--bin", "notchwatch"])
        .args(release.then_some("--release"))
        .env("CARGO_TARGET_DIR", folder.parent().expect("target/"))
        .status()
        .expect("cargo runs");
    assert!(status.success(), "the program does not build: {status}");
    folder.join("notchwatch")
}

/// A configured `notchwatch run`.
#[derive(Debug)]
pub(crate) struct Daemon {
    folder: TempDir,
    base: String,
    administrator: String,
    surroundings: Surroundings,
    process: Process,
}

/// What the program is started in.
#[derive(Clone, Debug, Default)]
struct Surroundings {
    zone: Option<&'static str>,
    /// The most files that it may have open.
    open_files: Option<u32>,
    /// Messages in flight at most; the default without it.
    receive_maximum: Option<u16>,
}

impl Daemon {
    /// Starts it on a broker, a store and registers given as TOML text, and waits until it is ready.
    pub(crate) fn start(broker: &Broker, database: &Database, registers: &[&str]) -> Self {
        Self::start_with(broker, database, registers, "")
    }

    /// As [`Daemon::start`], with more lines of configuration.
    pub(crate) fn start_with(broker: &Broker, database: &Database, registers: &[&str], more: &str) -> Self {
        Self::start_in(broker, database, registers, more, Surroundings::default())
    }

    /// As [`Daemon::start`], with no more than so many files open at one time.
    pub(crate) fn start_with_files(broker: &Broker, database: &Database, files: u32) -> Self {
        let surroundings = Surroundings { open_files: Some(files), ..Surroundings::default() };
        Self::start_in(broker, database, &[super::bench::REGISTER], "", surroundings)
    }

    /// As [`Daemon::start`], with no more than so many messages in flight.
    pub(crate) fn start_receiving(broker: &Broker, database: &Database, most: u16) -> Self {
        let surroundings = Surroundings { receive_maximum: Some(most), ..Surroundings::default() };
        Self::start_in(broker, database, &[super::bench::REGISTER], "", surroundings)
    }

    fn start_in(
        broker: &Broker,
        database: &Database,
        registers: &[&str],
        more: &str,
        surroundings: Surroundings,
    ) -> Self {
        let folder = TempDir::new().expect("a folder for the program");
        let port = free_port();
        let mut files = Vec::new();
        for (number, text) in registers.iter().enumerate() {
            let path = folder.path().join(format!("register-{number}.toml"));
            std::fs::write(&path, text).expect("a register file");
            files.push(path);
        }
        let mut config = format!(
            "data = \"data\"\n[listen]\naddress = \"127.0.0.1:{port}\"\n[store]\nurl = \"{}\"\n\
             [mqtt]\nurl = \"{}\"\nclient_id = \"notchwatch-{port}\"\n",
            database.url(),
            broker.url()
        );
        if let Some(most) = surroundings.receive_maximum {
            writeln!(config, "receive_maximum = {most}").expect("a string grows");
        }
        write!(config, "[register]\nfiles = {files:?}\n{more}\n").expect("a string grows");
        let path = folder.path().join("notchwatch.toml");
        std::fs::write(&path, config).expect("the configuration");
        let administrator = administrator(&path);
        let process = launch(folder.path(), &surroundings);
        let base = format!("http://127.0.0.1:{port}");
        let mut daemon = Self { folder, base, administrator, surroundings, process };
        daemon.wait_until_ready();
        daemon
    }

    /// Waits until `/readyz` says so; the test fails with the program's own words when it ends first.
    pub(crate) fn wait_until_ready(&mut self) {
        let anonymous = self.anonymous();
        eventually("the program to be ready", START, || {
            self.assert_running();
            anonymous.try_get("/readyz").ok().filter(|answer| answer.status == 200)
        });
    }

    /// Base of its URLs, such as `http://127.0.0.1:8470`.
    pub(crate) fn base(&self) -> &str {
        &self.base
    }

    /// A caller without a token.
    pub(crate) fn anonymous(&self) -> Client {
        Client::new(&self.base, None)
    }

    /// The caller with the token that the program's own command made before the first start.
    pub(crate) fn administrator(&self) -> Client {
        Client::new(&self.base, Some(&self.administrator))
    }

    /// A caller with a new token for all railways, or for one.
    pub(crate) fn client(&self, name: &str, role: &str, railway: Option<&str>) -> Client {
        Client::new(&self.base, Some(&self.token(name, role, railway)))
    }

    /// A new token.
    pub(crate) fn token(&self, name: &str, role: &str, railway: Option<&str>) -> String {
        let railways: Vec<&str> = railway.into_iter().collect();
        let body = json!({
            "label": "test", "name": name, "role": role, "all_railways": railway.is_none(),
            "railways": if railway.is_none() { Value::Null } else { json!(railways) },
        });
        let made = self.administrator().send("POST", "/api/v1/tokens", &body);
        assert_eq!(made.status, 201, "{}", made.text);
        made.json()["secret"].as_str().expect("a secret").to_owned()
    }

    /// An account for all railways that may sign in to the console.
    pub(crate) fn account(&self, name: &str, role: &str, password: &str) {
        eventually("the first administrator", START, || {
            self.said().contains("sign in as admin").then_some(())
        });
        let body = json!({ "role": role, "all_railways": true, "enabled": true, "password": password });
        let put = self.administrator().send("PUT", &format!("/api/v1/accounts/{name}"), &body);
        assert_eq!(put.status, 204, "{}", put.text);
    }

    /// Everything it has printed and logged since its first start.
    pub(crate) fn said(&self) -> String {
        self.process.said()
    }

    /// Its process.
    pub(crate) fn id(&self) -> u32 {
        self.process.id()
    }

    /// `kill -9`.
    pub(crate) fn kill(&mut self) {
        self.process.kill();
    }

    /// Asks it to stop, as a service manager does; its exit status.
    pub(crate) fn terminate(&mut self, within: Duration) -> ExitStatus {
        self.process.signal("TERM");
        self.process.wait(within)
    }

    /// Sends a signal by name and goes on.
    pub(crate) fn signal(&self, name: &str) {
        self.process.signal(name);
    }

    /// Waits for its end by itself; its exit status.
    pub(crate) fn wait(&mut self, within: Duration) -> ExitStatus {
        self.process.wait(within)
    }

    /// The configuration file that it runs on.
    pub(crate) fn config(&self) -> PathBuf {
        self.folder.path().join("notchwatch.toml")
    }

    /// Takes the register's files out of the configuration: what they said must lie in the store by now.
    pub(crate) fn forget_register_files(&self) {
        let path = self.folder.path().join("notchwatch.toml");
        let text = std::fs::read_to_string(&path).expect("the configuration");
        let kept: Vec<&str> = text.lines().filter(|line| !line.starts_with("files = ")).collect();
        assert_eq!(kept.len() + 1, text.lines().count(), "one line names the files");
        std::fs::write(&path, kept.join("\n")).expect("the configuration");
    }

    /// Starts it again after an end, and waits until it is ready.
    pub(crate) fn restart(&mut self) {
        self.start_again();
        self.wait_until_ready();
    }

    /// Starts it again after an end and goes on at once.
    pub(crate) fn start_again(&mut self) {
        self.process = launch(self.folder.path(), &self.surroundings);
    }

    /// The zone in the environment (`TZ`) of the starts to come.
    pub(crate) fn move_to(&mut self, zone: &'static str) {
        self.surroundings.zone = Some(zone);
    }

    /// The test fails with the program's own words when it has ended by itself.
    pub(crate) fn assert_running(&mut self) {
        if let Some(status) = self.process.ended() {
            panic!("the program ended with {status}:\n{}", self.process.said());
        }
    }
}

/// A token of an administrator, made while the store is not in use by another process.
fn administrator(config: &Path) -> String {
    let config = config.display().to_string();
    let out =
        run(&["token", "create", "--config", &config, "--name", "centre", "--role", "administrator"], "");
    let (said, warned) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    let token = said.split_whitespace().find(|word| word.starts_with("nwt_"));
    token.unwrap_or_else(|| panic!("no token: {} {said} {warned}", out.status)).to_owned()
}

fn launch(folder: &Path, surroundings: &Surroundings) -> Process {
    let mut command = match surroundings.open_files {
        Some(files) => {
            let mut limited = Command::new(program("prlimit"));
            limited.arg(format!("--nofile={files}")).arg(notchwatch());
            limited
        }
        None => Command::new(notchwatch()),
    };
    command.args(["run", "--config"]).arg(folder.join("notchwatch.toml")).current_dir(folder);
    command.envs(surroundings.zone.map(|zone| ("TZ", zone)));
    Process::start(&mut command, &folder.join("notchwatch.log"))
}

/// Runs a one-shot command of the program with text on its standard input.
pub(crate) fn run(args: &[&str], input: &str) -> Output {
    let mut child = Command::new(notchwatch())
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut pipe = child.stdin.take().expect("its input");
    // A command that reads nothing may be gone by now; that is no failure of the test.
    drop(pipe.write_all(input.as_bytes()));
    drop(pipe);
    child.wait_with_output().expect("the program ends")
}
