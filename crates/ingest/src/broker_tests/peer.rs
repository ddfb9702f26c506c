//! A scripted peer: answers CONNECT and SUBSCRIBE as told and sends whatever bytes the test wants, rules or not.

use std::sync::{Arc, Mutex};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

/// First byte of the packets a client sends (MQTT 5.0, table 2-1).
pub(super) const PUBACK: u8 = 0x40;
const SUBSCRIBE: u8 = 0x82;

/// What the peer does on one connection.
#[derive(Clone, Default)]
pub(super) struct Script {
    /// Answer to SUBSCRIBE: a reason code (MQTT 5.0, section 3.9.3).
    pub(super) suback: u8,
    /// Packets sent after the first SUBACK.
    pub(super) packets: Vec<Vec<u8>>,
    /// Closes the connection behind them.
    pub(super) close: bool,
}

/// What the peer saw.
#[derive(Debug, Default)]
pub(super) struct Seen {
    pub(super) connects: usize,
    /// Connection number and packet identifier of each PUBACK, in order.
    pub(super) acks: Vec<(usize, u16)>,
    pub(super) subscribes: usize,
}

pub(super) struct Peer {
    pub(super) port: u16,
    seen: Arc<Mutex<Seen>>,
    _tasks: JoinSet<()>,
}

impl Peer {
    /// Serves connections one after the other; `script` is asked with the number of each, from 0, and of each
    /// SUBSCRIBE on it.
    pub(super) async fn start(script: impl Fn(usize) -> Script + Send + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let seen = Arc::<Mutex<Seen>>::default();
        let shared = Arc::clone(&seen);
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let number = {
                    let mut seen = shared.lock().unwrap();
                    seen.connects += 1;
                    seen.connects - 1
                };
                // A connection that ends in an error is over; the next one is served.
                drop(serve(stream, number, &script(number), &shared).await);
            }
        });
        Self { port, seen, _tasks: tasks }
    }

    pub(super) fn connects(&self) -> usize {
        self.seen.lock().unwrap().connects
    }

    pub(super) fn acks(&self) -> Vec<(usize, u16)> {
        self.seen.lock().unwrap().acks.clone()
    }

    pub(super) fn subscribes(&self) -> usize {
        self.seen.lock().unwrap().subscribes
    }
}

async fn serve(
    mut stream: TcpStream,
    number: usize,
    script: &Script,
    seen: &Mutex<Seen>,
) -> std::io::Result<()> {
    read_packet(&mut stream).await?;
    stream.write_all(&[0x20, 3, 0, 0, 0]).await?;
    let mut sent = false;
    loop {
        let (first, body) = read_packet(&mut stream).await?;
        let id = body.get(..2).map_or(0, |b| u16::from_be_bytes([b[0], b[1]]));
        if first == PUBACK {
            seen.lock().unwrap().acks.push((number, id));
        }
        if first == SUBSCRIBE {
            let asked = {
                let mut seen = seen.lock().unwrap();
                seen.subscribes += 1;
                seen.subscribes
            };
            // A refusal holds for the first time only, so that the retry can be seen to succeed.
            let code = if asked == 1 { script.suback } else { 1 };
            let [high, low] = id.to_be_bytes();
            stream.write_all(&[0x90, 4, high, low, 0, code]).await?;
            if !sent {
                for packet in &script.packets {
                    stream.write_all(packet).await?;
                }
                sent = true;
                if script.close {
                    stream.shutdown().await?;
                    return Ok(());
                }
            }
        }
    }
}

/// One packet: its first byte, and what stands behind its length (MQTT 5.0, section 2.1).
pub(super) async fn read_packet(stream: &mut (impl AsyncRead + Unpin)) -> std::io::Result<(u8, Vec<u8>)> {
    let first = stream.read_u8().await?;
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        let byte = stream.read_u8().await?;
        length |= usize::from(byte & 0x7f) << shift;
        shift += 7;
        if byte & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await?;
    Ok((first, body))
}

/// A PUBLISH at QoS 1 (MQTT 5.0, section 3.3), with any bytes as its topic.
pub(super) fn publish(id: u16, topic: &[u8], payload: &[u8]) -> Vec<u8> {
    let mut body = u16::try_from(topic.len()).unwrap().to_be_bytes().to_vec();
    body.extend(topic);
    body.extend(id.to_be_bytes());
    body.push(0);
    body.extend(payload);
    packet(0x32, &body)
}

/// The bytes of a packet.
pub(super) fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut packet = vec![first];
    let mut left = body.len();
    loop {
        let low = u8::try_from(left % 128).unwrap();
        left /= 128;
        packet.push(if left > 0 { low | 0x80 } else { low });
        if left == 0 {
            break;
        }
    }
    packet.extend(body);
    packet
}
