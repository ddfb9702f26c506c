//! A pooler in transaction mode in front of the test server: every transaction may get another connection.

use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Connections to the server. Fewer than the store opens, so that they are shared.
const SERVER_CONNECTIONS: u32 = 3;

/// A running pgbouncer, ended on drop.
pub(crate) struct Pooler {
    child: Child,
    port: u16,
    _folder: tempfile::TempDir,
}

impl Pooler {
    /// `None` where it is not installed.
    pub(crate) fn start(server: &str) -> Option<Self> {
        let program = ["/usr/sbin/pgbouncer", "/usr/bin/pgbouncer", "/usr/local/bin/pgbouncer"]
            .into_iter()
            .find(|path| std::path::Path::new(path).is_file())?;
        let (user, place) = server.strip_prefix("postgres://")?.rsplit_once('@')?;
        let (user, password) = user.split_once(':').unwrap_or((user, ""));
        let (host, port) = place.split_once('/')?.0.rsplit_once(':')?;
        let secret = if password.is_empty() { String::new() } else { format!(" password={password}") };
        let own = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pgbouncer.ini");
        let text = format!(
            "[databases]\n* = host={host} port={port} user={user}{secret}\n\n[pgbouncer]\nlisten_addr = 127.0.0.1\n\
             listen_port = {own}\nunix_socket_dir =\nauth_type = any\npool_mode = transaction\n\
             default_pool_size = {SERVER_CONNECTIONS}\n"
        );
        std::fs::write(&file, text).unwrap();
        let mut command = Command::new(program);
        // It refuses to run as root.
        if std::fs::metadata("/proc/self").is_ok_and(|me| std::os::unix::fs::MetadataExt::uid(&me) == 0) {
            command.args(["-u", "postgres"]);
        }
        let child = command.arg(&file).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let pooler = Self { child, port: own, _folder: folder };
        for _ in 0..500 {
            if TcpStream::connect(("127.0.0.1", own)).is_ok() {
                return Some(pooler);
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("pgbouncer does not open its port");
    }

    /// The address of a database behind it.
    pub(crate) fn url(&self, direct: &str) -> String {
        let (head, database) = direct.rsplit_once('/').unwrap();
        let (user, _) = head.rsplit_once('@').unwrap();
        format!("{user}@127.0.0.1:{}/{database}", self.port)
    }
}

impl Drop for Pooler {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}
