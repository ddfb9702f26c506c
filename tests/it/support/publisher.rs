//! A sender over MQTT 5 that says what stock clients do not let one say: the DUP flag, and which messages are confirmed.
//!
//! Owns one connection at QoS 1 and what is not yet acknowledged on it; a lost connection is made again and the rest
//! sent once more, marked as a repeat (MQTT 5.0, section 4.4). Single-threaded: nothing moves while nobody calls.

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, TcpStream};
use std::sync::Arc;
use std::time::Duration;

use super::eventually;

/// Unacknowledged messages at one time: what Mosquitto 2.0.11 announces.
const IN_FLIGHT: usize = 20;
/// How long a broker may take to answer or to come back.
const ANSWER: Duration = Duration::from_secs(30);

/// What is published.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Publish {
    pub(crate) topic: Arc<str>,
    pub(crate) payload: Arc<[u8]>,
    pub(crate) content_type: &'static str,
}

/// The sender.
#[derive(Debug)]
pub(crate) struct Publisher {
    port: u16,
    socket: TcpStream,
    last_id: u16,
    flying: VecDeque<(u16, Publish)>,
}

impl Publisher {
    /// Connects.
    pub(crate) fn connect(port: u16) -> Self {
        let socket = eventually("the broker to take a sender", ANSWER, || open(port).ok());
        Self { port, socket, last_id: 0, flying: VecDeque::new() }
    }

    /// Sends one message; waits for a place among those in flight.
    pub(crate) fn send(&mut self, publish: &Publish, dup: bool) {
        while self.flying.len() >= IN_FLIGHT {
            self.take_answer();
        }
        self.last_id = self.last_id.checked_add(1).unwrap_or(1);
        self.flying.push_back((self.last_id, publish.clone()));
        if write(&mut self.socket, self.last_id, publish, dup).is_err() {
            self.reconnect();
        }
    }

    /// Waits until the broker has acknowledged everything sent.
    pub(crate) fn settle(&mut self) {
        while !self.flying.is_empty() {
            self.take_answer();
        }
    }

    fn take_answer(&mut self) {
        match acknowledged(&mut self.socket) {
            Ok(id) => self.flying.retain(|(flying, _)| *flying != id),
            Err(_) => self.reconnect(),
        }
    }

    fn reconnect(&mut self) {
        let (port, flying) = (self.port, &self.flying);
        self.socket = eventually("the broker to take a sender again", ANSWER, || {
            let mut socket = open(port).ok()?;
            for (id, publish) in flying {
                write(&mut socket, *id, publish, true).ok()?;
            }
            Some(socket)
        });
    }
}

/// CONNECT with a clean start, no keep-alive and a name given by the broker; waits for CONNACK (sections 3.1, 3.2).
fn open(port: u16) -> io::Result<TcpStream> {
    let mut socket = TcpStream::connect((Ipv4Addr::LOCALHOST, port))?;
    socket.set_nodelay(true)?;
    socket.set_read_timeout(Some(ANSWER))?;
    socket.write_all(b"\x10\x0d\x00\x04MQTT\x05\x02\x00\x00\x00\x00\x00")?;
    let (kind, body) = packet(&mut socket)?;
    match (kind, body.get(1)) {
        (0x20, Some(0)) => Ok(socket),
        _ => Err(io::Error::other(format!("no CONNACK that accepts: {kind:#x} {body:?}"))),
    }
}

/// PUBLISH at QoS 1 with its content type (section 3.3).
fn write(socket: &mut TcpStream, id: u16, publish: &Publish, dup: bool) -> io::Result<()> {
    let mut body = text(&publish.topic);
    body.extend(id.to_be_bytes());
    let content_type = text(publish.content_type);
    body.push(u8::try_from(content_type.len() + 1).expect("a short name"));
    body.push(0x03);
    body.extend(content_type);
    body.extend(publish.payload.iter());
    socket.write_all(&framed(0x32 | (u8::from(dup) << 3), &body))
}

/// A packet: its first byte, the remaining length in sevens of bits, the rest (section 2.1).
pub(crate) fn framed(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(body.len() + 5);
    bytes.push(first);
    let mut length = body.len();
    loop {
        let digit = u8::try_from(length % 128).expect("below 128");
        length /= 128;
        bytes.push(digit | if length > 0 { 0x80 } else { 0 });
        if length == 0 {
            break;
        }
    }
    bytes.extend(body);
    bytes
}

/// Packet identifier of the next PUBACK (section 3.4); its reason must be a success.
fn acknowledged(socket: &mut TcpStream) -> io::Result<u16> {
    let (kind, body) = packet(socket)?;
    match (kind, body.as_slice()) {
        // 0x10: taken, and nobody has subscribed.
        (0x40, [high, low] | [high, low, 0 | 0x10, ..]) => Ok(u16::from_be_bytes([*high, *low])),
        _ => Err(io::Error::other(format!("no PUBACK: {kind:#x} {body:?}"))),
    }
}

fn packet(socket: &mut TcpStream) -> io::Result<(u8, Vec<u8>)> {
    let mut byte = [0];
    socket.read_exact(&mut byte)?;
    let [kind] = byte;
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        socket.read_exact(&mut byte)?;
        length |= usize::from(byte[0] & 0x7f) << shift;
        shift += 7;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    socket.read_exact(&mut body)?;
    Ok((kind, body))
}

/// A text with its length before it (section 1.5.4).
pub(crate) fn text(text: &str) -> Vec<u8> {
    let length = u16::try_from(text.len()).expect("a short text");
    let mut bytes = length.to_be_bytes().to_vec();
    bytes.extend(text.as_bytes());
    bytes
}

#[test]
fn what_is_sent_over_a_broker_that_dies_is_acknowledged_in_the_end() {
    let mut broker = super::broker::Broker::start();
    let mut publisher = Publisher::connect(broker.port());
    let publish = |n: u32| Publish {
        topic: "units/a/b/senml".into(),
        payload: n.to_string().into_bytes().into(),
        content_type: "application/senml+json",
    };
    for n in 0..15 {
        publisher.send(&publish(n), n % 2 == 0);
    }
    broker.kill();
    broker.restart();
    for n in 15..50 {
        publisher.send(&publish(n), false);
    }
    publisher.settle();
    assert!(publisher.flying.is_empty());
}
