//! A sender that costs as little as it can: whole PUBLISH packets made beforehand, a window of them unacknowledged.
//!
//! Owns the bytes of MQTT 3.1.1 (OASIS standard, sections 3.1 to 3.4) that a sender at QoS 1 needs. Runs as a process of
//! its own, so that its time is not the receiver's.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpStream};
use std::time::{Duration, Instant};

use crate::support::publisher::{framed, text};

/// Messages sent and not yet acknowledged by the broker.
const WINDOW: usize = 400;
/// Packets written at one time when nothing paces them.
const BURST: usize = 50;

/// A message to send.
pub(crate) struct Message {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
}

/// One connection of a sender.
pub(crate) struct Sender {
    stream: TcpStream,
    next: u16,
    unacknowledged: usize,
}

impl Sender {
    /// Connects, with a clean session and without keep-alive.
    pub(crate) fn connect(port: u16, client: &str) -> std::io::Result<Self> {
        let mut stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port))?;
        stream.set_nodelay(true)?;
        let mut body = vec![0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 0];
        body.extend(text(client));
        stream.write_all(&framed(0x10, &body))?;
        let mut answer = [0; 4];
        stream.read_exact(&mut answer)?;
        if answer != [0x20, 2, 0, 0] {
            return Err(std::io::Error::other(format!("the broker answered {answer:?} to CONNECT")));
        }
        Ok(Self { stream, next: 1, unacknowledged: 0 })
    }

    /// Sends everything, `rate` messages a second or as fast as the broker takes them, and waits for the last
    /// acknowledgement. `note` hears how many are about to be written, each time.
    pub(crate) fn send_all(
        &mut self,
        messages: &[Message],
        rate: Option<f64>,
        mut note: impl FnMut(usize),
    ) -> std::io::Result<Duration> {
        let packets: Vec<Vec<u8>> = messages.iter().map(|m| self.publish(m)).collect();
        let began = Instant::now();
        let mut sent = 0;
        while sent < packets.len() {
            let due = rate.map_or(packets.len(), |rate| whole(began.elapsed().as_secs_f64() * rate) + 1);
            let upto = due.min(packets.len()).min(sent + BURST).min(sent + WINDOW - self.unacknowledged);
            if let Some(burst) = packets.get(sent..upto).filter(|burst| !burst.is_empty()) {
                note(burst.len());
                self.stream.write_all(&burst.concat())?;
                self.unacknowledged += burst.len();
                sent = upto;
            } else if rate.is_some() && self.unacknowledged < WINDOW {
                std::thread::sleep(Duration::from_micros(300));
            }
            self.collect(WINDOW - BURST)?;
        }
        self.collect(0)?;
        Ok(began.elapsed())
    }

    /// Reads acknowledgements until at most so many are missing.
    fn collect(&mut self, missing: usize) -> std::io::Result<()> {
        let mut answers = [0; 4 * WINDOW];
        while self.unacknowledged > missing {
            let wanted = 4 * (self.unacknowledged - missing);
            let Some(room) = answers.get_mut(..wanted) else { break };
            self.stream.read_exact(room)?;
            self.unacknowledged = missing;
        }
        Ok(())
    }

    fn publish(&mut self, message: &Message) -> Vec<u8> {
        let mut body = text(&message.topic);
        body.extend(self.next.to_be_bytes());
        self.next = self.next.checked_add(1).unwrap_or(1);
        body.extend(&message.payload);
        framed(0x32, &body)
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of messages")]
fn whole(x: f64) -> usize {
    x as usize
}
