//! The listening socket: how many connections, and how long one may refuse to take what we send.
//!
//! Owns the timer that cuts a client which stays connected but does not read. The timer stands under the HTTP
//! machinery, since a task that is stuck in a write never polls the body and so never sees a timer in it.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::Sleep;

use crate::WebLimits;

/// Pause after a failed accept. File handles come back when connections end; a loop without a pause would only burn.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);

/// A listener for `axum::serve` with a bound on connections and on stalled writes.
#[derive(Debug)]
pub struct Listener {
    inner: TcpListener,
    stall: Duration,
    room: Arc<Semaphore>,
}

impl Listener {
    /// Wraps a bound socket.
    pub fn new(inner: TcpListener, limits: &WebLimits) -> Self {
        Self { inner, stall: limits.stall, room: Arc::new(Semaphore::new(limits.connections)) }
    }
}

impl axum::serve::Listener for Listener {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            // Overflow policy: with every place taken nothing is accepted, and callers wait in the kernel's queue.
            let Ok(place) = self.room.clone().acquire_owned().await else {
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
    use axum::serve::Listener as _;
    use tokio::io::AsyncWriteExt;

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
}
