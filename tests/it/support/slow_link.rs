//! A TCP proxy whose link can be made slow: every piece of data waits before it is passed on.
//!
//! Owns one listening port and a thread for each direction of a connection; they end with their connections.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// The proxy.
#[derive(Debug)]
pub(crate) struct SlowLink {
    port: u16,
    delay_ms: Arc<AtomicU64>,
}

impl SlowLink {
    /// Forwards to `host:port`, at first without delay.
    pub(crate) fn to(target: &str) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let port = listener.local_addr().expect("its address").port();
        let delay_ms = Arc::new(AtomicU64::new(0));
        let (delay, target) = (delay_ms.clone(), target.to_owned());
        std::thread::spawn(move || {
            for near in listener.incoming().flatten() {
                let Ok(far) = TcpStream::connect(&target) else { continue };
                pass(&near, &far, &delay);
                pass(&far, &near, &delay);
            }
        });
        Self { port, delay_ms }
    }

    /// Its port.
    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// From now on each piece waits this long before it goes on.
    pub(crate) fn delay(&self, delay: Duration) {
        let millis = u64::try_from(delay.as_millis()).expect("a short delay");
        self.delay_ms.store(millis, Ordering::Relaxed);
    }
}

fn pass(from: &TcpStream, to: &TcpStream, delay_ms: &Arc<AtomicU64>) {
    let (Ok(mut from), Ok(mut to)) = (from.try_clone(), to.try_clone()) else { return };
    let delay_ms = delay_ms.clone();
    // Latency is the delay's alone; failing to say so adds a little.
    drop(to.set_nodelay(true));
    std::thread::spawn(move || {
        let mut piece = vec![0; 65_536];
        while let Ok(length) = from.read(&mut piece) {
            std::thread::sleep(Duration::from_millis(delay_ms.load(Ordering::Relaxed)));
            if length == 0 || piece.get(..length).is_none_or(|piece| to.write_all(piece).is_err()) {
                break;
            }
        }
        drop((from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both)));
    });
}
