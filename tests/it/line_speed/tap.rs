//! A wire between the broker and the program that notes when each acknowledgement passes.
//!
//! Owns the reading of packet boundaries (MQTT 5.0, section 2.1). Changes nothing of what passes. One sender, one
//! connection and acknowledgements in the order of receipt make the n-th acknowledgement that of the n-th message.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

/// Packet type of PUBACK.
const PUBACK: u8 = 4;
/// Bytes forwarded at one time.
const PIECE: usize = 1 << 16;

/// The wire; it lasts as long as the process.
pub(crate) struct Tap {
    pub(crate) port: u16,
    passed: Arc<Mutex<Vec<Instant>>>,
}

impl Tap {
    /// Listens, and forwards to the broker.
    pub(crate) fn start(broker: u16) -> std::io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        let port = listener.local_addr()?.port();
        let passed = Arc::<Mutex<Vec<Instant>>>::default();
        let noted = Arc::clone(&passed);
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let Ok(server) = TcpStream::connect((Ipv4Addr::LOCALHOST, broker)) else { continue };
                join(client, server, &noted);
            }
        });
        Ok(Self { port, passed })
    }

    /// When each acknowledgement so far passed.
    pub(crate) fn passed(&self) -> Vec<Instant> {
        self.passed.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// How many passed so far.
    pub(crate) fn number(&self) -> usize {
        self.passed.lock().unwrap_or_else(PoisonError::into_inner).len()
    }
}

fn join(client: TcpStream, server: TcpStream, noted: &Arc<Mutex<Vec<Instant>>>) {
    let (Ok(from_client), Ok(to_server)) = (client.try_clone(), server.try_clone()) else { return };
    if client.set_nodelay(true).and(server.set_nodelay(true)).is_err() {
        return;
    }
    std::thread::spawn(move || forward(server, client, |_| {}));
    let noted = Arc::clone(noted);
    std::thread::spawn(move || {
        let mut boundaries = Boundaries::default();
        forward(from_client, to_server, |bytes| {
            let now = Instant::now();
            let number = boundaries.acknowledgements(bytes);
            let mut all = noted.lock().unwrap_or_else(PoisonError::into_inner);
            all.extend(std::iter::repeat_n(now, number));
        });
    });
}

/// Forwards until one side ends, then lets the other end too.
fn forward(mut from: TcpStream, mut to: TcpStream, mut note: impl FnMut(&[u8])) {
    let mut piece = vec![0; PIECE];
    while let Ok(length) = from.read(&mut piece) {
        let bytes = piece.get(..length).unwrap_or_default();
        if bytes.is_empty() || to.write_all(bytes).is_err() {
            break;
        }
        note(bytes);
    }
    drop(to.shutdown(std::net::Shutdown::Both));
}

/// Bytes of a packet that is not complete yet.
#[derive(Default)]
struct Boundaries {
    rest: Vec<u8>,
}

impl Boundaries {
    /// Packets of the kind that became complete with these bytes.
    fn acknowledgements(&mut self, bytes: &[u8]) -> usize {
        self.rest.extend_from_slice(bytes);
        let (mut at, mut number) = (0, 0);
        while let Some(length) = self.rest.get(at..).and_then(whole) {
            number += usize::from(self.rest.get(at).is_some_and(|first| first >> 4 == PUBACK));
            at += length;
        }
        self.rest.drain(..at);
        number
    }
}

/// Length of the first packet, when all of it is there.
fn whole(bytes: &[u8]) -> Option<usize> {
    let (mut length, mut header) = (0_usize, 1);
    loop {
        let byte = *bytes.get(header)?;
        length |= usize::from(byte & 0x7f) << (7 * (header - 1));
        header += 1;
        if byte & 0x80 == 0 {
            break;
        }
    }
    (bytes.len() >= header + length).then_some(header + length)
}
