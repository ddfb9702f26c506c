//! Child processes: started with their output in a file, ended with their value, free ports.
//!
//! Refuses to leave a process behind when a test fails.

use std::fs::File;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use super::eventually;

/// A port of the loopback address that was free a moment ago.
pub(crate) fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    listener.local_addr().expect("its address").port()
}

/// Waits until something accepts connections at the port.
pub(crate) fn wait_for_port(port: u16, within: Duration) {
    eventually(&format!("port {port} to open"), within, || {
        TcpStream::connect((Ipv4Addr::LOCALHOST, port)).ok()
    });
}

/// Path of a program, looked for where Debian puts servers too.
pub(crate) fn program(name: &str) -> PathBuf {
    let path = super::setting("PATH").unwrap_or_default();
    path.split(':')
        .chain(["/usr/sbin", "/usr/local/sbin"])
        .map(|folder| Path::new(folder).join(name))
        .find(|candidate| candidate.is_file())
        .unwrap_or_else(|| panic!("{name} is not installed; tests/run.sh installs what the tests need"))
}

/// A running process whose output goes to a file.
#[derive(Debug)]
pub(crate) struct Process {
    child: Child,
    log: PathBuf,
}

impl Process {
    /// Starts it; standard output and error are appended to `log`.
    pub(crate) fn start(command: &mut Command, log: &Path) -> Self {
        let file = File::options().create(true).append(true).open(log).expect("a log file");
        let again = file.try_clone().expect("the log file twice");
        let child = command
            .stdin(Stdio::null())
            .stdout(file)
            .stderr(again)
            .process_group(0)
            .spawn()
            .unwrap_or_else(|e| panic!("{command:?}: {e}"));
        Self { child, log: log.to_owned() }
    }

    /// Its number.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// What it has said so far.
    pub(crate) fn said(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Its exit status, once it has ended.
    pub(crate) fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().expect("a child can be asked")
    }

    /// Sends a signal by name, such as `TERM`.
    pub(crate) fn signal(&self, name: &str) {
        let status = Command::new("kill")
            .arg(format!("-{name}"))
            .arg(self.child.id().to_string())
            .status()
            .expect("kill runs");
        assert!(status.success(), "kill -{name}: {status}");
    }

    /// Waits for its end.
    pub(crate) fn wait(&mut self, within: Duration) -> ExitStatus {
        eventually("the process to end", within, || self.child.try_wait().expect("a child can be asked"))
    }

    /// `kill -9`, for what it has started too, and the end.
    pub(crate) fn kill(&mut self) {
        if self.ended().is_none() {
            let group = format!("-{}", self.child.id());
            let status = Command::new("kill").args(["-KILL", "--", &group]).status().expect("kill runs");
            assert!(status.success(), "kill -KILL {group}: {status}");
            self.child.wait().expect("a killed child ends");
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}
