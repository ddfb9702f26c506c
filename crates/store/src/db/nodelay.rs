//! Sends what is written at once, over the connections to the database.
//!
//! sqlx 0.9.0 leaves the socket as it is made, so that the end of a statement that fills more than a packet waits for the
//! acknowledgement of what went before, 40 ms (<https://github.com/launchbadge/sqlx/issues/4335>; mended there by pull
//! request 4336 and not released). It hands the socket to nobody, so it is found among the process's own. To be removed
//! with the release that has the change.

/// Sets `TCP_NODELAY` (RFC 9293, section 3.7.4) on the process's sockets that are connected to a port. Where the system
/// has no way to do that or forbids it, nothing changes but how long a commit takes.
#[cfg(target_os = "linux")]
pub(crate) fn send_at_once(port: u16) {
    if let Err(error) = linux::send_at_once(port) {
        tracing::debug!(%error, "sockets to the database keep small packets back");
    }
}

#[cfg(not(target_os = "linux"))]
pub(crate) fn send_at_once(_port: u16) {}

#[cfg(target_os = "linux")]
mod linux {
    use std::io;
    use std::net::SocketAddr;
    use std::os::fd::OwnedFd;

    use rustix::net::sockopt::{set_tcp_nodelay, tcp_nodelay};
    use rustix::process::{PidfdFlags, PidfdGetfdFlags, getpid, pidfd_getfd, pidfd_open};

    pub(super) fn send_at_once(port: u16) -> io::Result<()> {
        let own = pidfd_open(getpid(), PidfdFlags::empty())?;
        for entry in std::fs::read_dir("/proc/self/fd")?.flatten() {
            let to = std::fs::read_link(entry.path()).unwrap_or_default();
            let number = entry.file_name().to_str().and_then(|name| name.parse().ok());
            let Some(number) = number.filter(|_| to.to_string_lossy().starts_with("socket:")) else {
                continue;
            };
            // Another name for the same socket: what is set on one is set on both. A socket that closed meanwhile fails.
            let Ok(socket) = pidfd_getfd(&own, number, PidfdGetfdFlags::empty()) else { continue };
            if goes_to(&socket, port) && !tcp_nodelay(&socket).unwrap_or(true) {
                set_tcp_nodelay(&socket, true)?;
            }
        }
        Ok(())
    }

    fn goes_to(socket: &OwnedFd, port: u16) -> bool {
        let peer = rustix::net::getpeername(socket).ok().flatten();
        peer.and_then(|peer| SocketAddr::try_from(peer).ok()).is_some_and(|peer| peer.port() == port)
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::net::{Ipv4Addr, TcpListener, TcpStream};

    use super::*;

    #[test]
    fn sockets_to_the_port_send_at_once_and_others_do_not() {
        let listen = || TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let (wanted, other) = (listen(), listen());
        let connect = |to: &TcpListener| TcpStream::connect(to.local_addr().unwrap()).unwrap();
        let (near, far) = (connect(&wanted), connect(&other));
        send_at_once(wanted.local_addr().unwrap().port());
        assert!(near.nodelay().unwrap() && !far.nodelay().unwrap());
    }
}
