//! A proxy that reads along: every PUBLISH to us and every PUBACK from us, connection by connection, until it is cut.

use std::sync::{Arc, Mutex, MutexGuard};

use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;

use super::peer::{PUBACK, packet, read_packet};

/// Type and QoS 1 in the first byte of a PUBLISH, whatever its other flags (MQTT 5.0, section 3.3.1).
const PUBLISH_MASK: u8 = 0xf6;
const PUBLISH_QOS_1: u8 = 0x32;

/// What passed on one connection, by packet identifier, in order.
#[derive(Debug, Default)]
struct Passed {
    published: Vec<u16>,
    acknowledged: Vec<u16>,
    /// Acknowledgements that passed before any message did.
    too_early: usize,
}

pub(super) struct Tap {
    pub(super) port: u16,
    passed: Arc<Mutex<Vec<Passed>>>,
    cut: watch::Sender<u32>,
    _tasks: JoinSet<()>,
}

impl Tap {
    pub(super) async fn start(to: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (cut, cuts) = watch::channel(0);
        let passed = Arc::<Mutex<Vec<Passed>>>::default();
        let shared = Arc::clone(&passed);
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            let mut links = JoinSet::new();
            while let Ok((near, _)) = listener.accept().await {
                let (mut cuts, shared) = (cuts.clone(), Arc::clone(&shared));
                cuts.mark_unchanged();
                links.spawn(async move {
                    let Ok(far) = TcpStream::connect(("127.0.0.1", to)).await else { return };
                    tokio::select! {
                        () = link(near, far, &shared) => {}
                        _ = cuts.changed() => {}
                    }
                });
            }
        });
        Self { port, passed, cut, _tasks: tasks }
    }

    /// Cuts every connection that stands.
    pub(super) fn cut(&self) {
        self.cut.send_modify(|n| *n += 1);
    }

    /// Checks every connection so far: acknowledgements went out in order of receipt, none before a message came and
    /// none for a message of another connection. How many there were.
    pub(super) fn acknowledged_in_order(&self) -> usize {
        let all = lock(&self.passed);
        for (number, one) in all.iter().enumerate() {
            assert_eq!(one.too_early, 0, "connection {number}");
            assert!(one.published.starts_with(&one.acknowledged), "connection {number}: {one:?}");
        }
        all.iter().map(|one| one.acknowledged.len()).sum()
    }
}

fn lock(passed: &Mutex<Vec<Passed>>) -> MutexGuard<'_, Vec<Passed>> {
    passed.lock().unwrap()
}

async fn link(mut near: TcpStream, mut far: TcpStream, passed: &Mutex<Vec<Passed>>) {
    let number = {
        let mut all = lock(passed);
        all.push(Passed::default());
        all.len() - 1
    };
    let (near_in, near_out) = near.split();
    let (far_in, far_out) = far.split();
    // Noted before it is passed on: what answers it comes later.
    let inward = pass(far_in, near_out, |first, body| {
        if first & PUBLISH_MASK == PUBLISH_QOS_1 {
            let topic = usize::from(u16::from_be_bytes([body[0], body[1]]));
            lock(passed)[number].published.push(u16::from_be_bytes([body[2 + topic], body[3 + topic]]));
        }
    });
    let outward = pass(near_in, far_out, |first, body| {
        if first == PUBACK {
            let here = &mut lock(passed)[number];
            here.too_early += usize::from(here.published.is_empty());
            here.acknowledged.push(u16::from_be_bytes([body[0], body[1]]));
        }
    });
    tokio::select! {
        () = inward => {}
        () = outward => {}
    }
}

/// Passes packets on until one side ends.
async fn pass(from: impl AsyncRead + Unpin, mut to: impl AsyncWrite + Unpin, note: impl Fn(u8, &[u8])) {
    let mut from = BufReader::new(from);
    while let Ok((first, body)) = read_packet(&mut from).await {
        note(first, &body);
        if to.write_all(&packet(first, &body)).await.is_err() {
            break;
        }
    }
}
