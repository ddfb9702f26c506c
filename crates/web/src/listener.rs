//! The listening socket: how many connections, how long one may refuse to take what we send, and how long it may take
//! to say what it wants.
//!
//! Owns the timer that cuts a client which stays connected but does not read. The timer stands under the HTTP
//! machinery, since a task that is stuck in a write never polls the body and so never sees a timer in it. Owns the loop
//! that serves connections too, for the bound on the time that the head of a request may take.

use std::io;
use std::net::SocketAddr;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::serve::Listener as _;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, TryAcquireError};
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::WebLimits;

/// Pause after a failed accept. File handles come back when connections end; a loop without a pause would only burn.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);

/// A listener for [`serve`] with a bound on connections and on stalled writes.
#[derive(Debug)]
pub struct Listener {
    inner: TcpListener,
    stall: Duration,
    head: Duration,
    room: Arc<Semaphore>,
    /// Whether the last look found every place taken: said once an episode.
    full: bool,
}

impl Listener {
    /// Wraps a bound socket.
    pub fn new(inner: TcpListener, limits: &WebLimits) -> Self {
        let room = Arc::new(Semaphore::new(limits.connections));
        Self { inner, stall: limits.stall, head: limits.head, room, full: false }
    }

    /// A place for one more connection. Overflow policy: with every place taken nothing is accepted, and callers wait
    /// in the kernel's queue; what holds a place without asking for anything is cut by its timers.
    async fn place(&mut self) -> Option<OwnedSemaphorePermit> {
        match self.room.clone().try_acquire_owned() {
            Ok(place) => {
                self.full = false;
                return Some(place);
            }
            Err(TryAcquireError::Closed) => return None,
            Err(TryAcquireError::NoPermits) => {}
        }
        if !std::mem::replace(&mut self.full, true) {
            tracing::warn!("every place for an HTTP connection is taken: callers wait");
        }
        self.room.clone().acquire_owned().await.ok()
    }
}

/// Serves a router until `stop`, then ends connections in order: what is being answered is answered.
///
/// A connection that does not say what it wants within [`WebLimits::head`] is cut, be it new or between two requests,
/// and however busily it sends one letter after the other: a place is for those who ask.
pub async fn serve(mut listener: Listener, router: Router, stop: CancellationToken) {
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(listener.head);
    let connections = TaskTracker::new();
    loop {
        let (connection, _) = tokio::select! {
            accepted = listener.accept() => accepted,
            () = stop.cancelled() => break,
        };
        let service = TowerToHyperService::new(router.clone());
        let connection = http.serve_connection(TokioIo::new(connection), service);
        let stop = stop.clone();
        connections.spawn(async move {
            let mut connection = pin!(connection);
            let ended = tokio::select! {
                ended = connection.as_mut() => ended,
                () = stop.cancelled() => {
                    connection.as_mut().graceful_shutdown();
                    connection.await
                }
            };
            if let Err(error) = ended {
                tracing::debug!(%error, "an HTTP connection ended early");
            }
        });
    }
    // Nobody may connect to a process that answers no more.
    drop(listener);
    connections.close();
    connections.wait().await;
}

impl axum::serve::Listener for Listener {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            let Some(place) = self.place().await else {
                std::future::pending::<()>().await;
                continue;
            };
            match self.inner.accept().await {
                Ok((socket, address)) => {
                    // Small frames of a stream must leave at once; failing to say so only costs latency.
                    drop(socket.set_nodelay(true));
                    return (Connection { socket, stall: self.stall, timer: None, _place: place }, address);
                }
                Err(error) => {
                    tracing::warn!(%error, "cannot accept a connection");
                    tokio::time::sleep(ACCEPT_PAUSE).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.inner.local_addr()
    }
}

/// One connection that is cut when it takes no byte for too long.
#[derive(Debug)]
pub struct Connection {
    socket: TcpStream,
    stall: Duration,
    timer: Option<Pin<Box<Sleep>>>,
    _place: OwnedSemaphorePermit,
}

impl Connection {
    /// Passes a finished write on and forgets the timer; a pending one starts it, and fails when it has run out.
    fn watch<T>(&mut self, outcome: Poll<io::Result<T>>, cx: &mut Context<'_>) -> Poll<io::Result<T>> {
        if outcome.is_ready() {
            self.timer = None;
            return outcome;
        }
        let stall = self.stall;
        let timer = self.timer.get_or_insert_with(|| Box::pin(tokio::time::sleep(stall)));
        ready!(timer.as_mut().poll(cx));
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the client takes nothing")))
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_read(cx, buf)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.socket).poll_write(cx, buf);
        self.watch(outcome, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.socket).poll_write_vectored(cx, bufs);
        self.watch(outcome, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.socket.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.socket).poll_flush(cx);
        self.watch(outcome, cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

    use super::*;

    #[tokio::test]
    async fn a_client_that_does_not_read_is_cut_and_gives_its_place_back() {
        let limits = WebLimits { stall: Duration::from_millis(50), connections: 1, ..WebLimits::default() };
        let socket = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = socket.local_addr().unwrap();
        let mut listener = Listener::new(socket, &limits);
        let silent = TcpStream::connect(address).await.unwrap();
        let (mut connection, _) = listener.accept().await;
        let chunk = vec![0_u8; 1 << 20];
        let error = loop {
            if let Err(error) = connection.write_all(&chunk).await {
                break error;
            }
        };
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        drop(connection);
        let second = TcpStream::connect(address).await.unwrap();
        let _accepted = listener.accept().await;
        drop((silent, second));
    }
    /// Reads to the end of a connection; what came.
    async fn all_of(socket: &mut TcpStream) -> String {
        let mut bytes = Vec::new();
        // A cut connection ends in an error or in an end.
        drop(socket.read_to_end(&mut bytes).await);
        String::from_utf8_lossy(&bytes).into_owned()
    }

    #[tokio::test]
    async fn who_never_says_what_it_wants_is_cut_and_those_who_ask_are_answered() {
        let limits = WebLimits { head: Duration::from_millis(200), connections: 3, ..WebLimits::default() };
        let socket = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = socket.local_addr().unwrap();
        let router = Router::new().route("/", get(|| async { "well" }));
        let stop = CancellationToken::new();
        let tasks = TaskTracker::new();
        let served = tasks.spawn(serve(Listener::new(socket, &limits), router, stop.clone()));
        // Every place is taken: by one that says nothing, one that says a letter at a time, one that asked once.
        let mut mute = TcpStream::connect(address).await.unwrap();
        let mut slow = TcpStream::connect(address).await.unwrap();
        let mut idle = TcpStream::connect(address).await.unwrap();
        idle.write_all(b"GET / HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
        let dribble = tasks.spawn(async move {
            let letters = b"GET / HTTP/1.1\r\nx: ".iter().chain([b'a'; 10_000].iter());
            for letter in letters {
                if slow.write_all(&[*letter]).await.is_err() {
                    break;
                }
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            all_of(&mut slow).await
        });
        let mut asking = TcpStream::connect(address).await.unwrap();
        asking.write_all(b"GET / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").await.unwrap();
        let answer = all_of(&mut asking).await;
        assert!(answer.starts_with("HTTP/1.1 200") && answer.ends_with("well"), "{answer}");
        assert!(all_of(&mut idle).await.starts_with("HTTP/1.1 200"), "it was answered before it was cut");
        assert!(!all_of(&mut mute).await.contains("200"));
        assert!(!dribble.await.unwrap().contains("200"));
        stop.cancel();
        served.await.unwrap();
    }
}
