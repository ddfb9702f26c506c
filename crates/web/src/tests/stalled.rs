//! A burst of events and readers that do not read: what one holds is bounded, it is cut, nothing is lost to it, and
//! nobody else waits.

use std::collections::BTreeSet;
use std::time::Duration;

use axum::http::{Method, StatusCode};
use notchwatch_model::Role;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use super::stand::Stand;
use super::stream::{frames, stream};
use crate::{Listener, WebLimits, sample, serve as serve_on};

/// Findings that come at once: some megabytes of events, more than sockets hold for somebody who does not read.
const BURST: u32 = 5000;
/// Findings recorded with one commit.
const COMMIT: u32 = 500;
/// How long a connection may take nothing: short of the default, and long enough to see the places taken before.
const STALL: Duration = Duration::from_secs(5);
/// Longest wait for something that must come.
const PATIENCE: Duration = Duration::from_mins(1);

/// Serves the stand's router on a socket whose stalled connections are cut soon; its address.
async fn serve(stand: &Stand) -> std::net::SocketAddr {
    let socket = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = socket.local_addr().unwrap();
    let limits = WebLimits { stall: STALL, ..WebLimits::default() };
    let serving = serve_on(Listener::new(socket, &limits), stand.router.clone(), stand.shutdown.clone());
    #[expect(clippy::disallowed_methods, reason = "a test's server ends with its runtime")]
    tokio::spawn(serving);
    address
}

/// A reader that was given a stream, and from then on takes nothing.
async fn silent_reader(address: std::net::SocketAddr, token: &str) -> TcpStream {
    let mut socket = TcpStream::connect(address).await.unwrap();
    let request = format!(
        "GET /api/v1/events HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {token}\r\nlast-event-id: 0\r\n\r\n"
    );
    socket.write_all(request.as_bytes()).await.unwrap();
    let mut begin = [0; 15];
    socket.read_exact(&mut begin).await.unwrap();
    assert_eq!(&begin, b"HTTP/1.1 200 OK");
    socket
}

/// How many more streams a caller of two places gets at one time; they are given up at once.
async fn places_left(stand: &Stand, token: &str) -> usize {
    let open = || stand.open(super::stand::call(Method::GET, "/api/v1/events", token, &[], ""));
    let answers = [open().await, open().await];
    answers.iter().filter(|answer| answer.status() == StatusCode::OK).count()
}

/// Ids of whole frames in what a socket took, until it ends.
async fn ids_of(mut socket: TcpStream) -> Vec<i64> {
    let mut bytes = Vec::new();
    // A connection that was cut ends in an error or in an end; what came before counts.
    drop(socket.read_to_end(&mut bytes).await);
    let text = String::from_utf8_lossy(&bytes);
    let whole = text.rfind("\n\n").map_or("", |end| &text[..end]);
    whole.lines().filter_map(|line| line.strip_prefix("id:")).map(|id| id.trim().parse().unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn readers_that_stall_are_cut_resume_by_id_and_keep_nobody_waiting() {
    let stand = Stand::new().await;
    let deaf = stand.token("deaf", Role::Viewer, &["northmoor"]).await;
    let keen = stand.token("keen", Role::Viewer, &["northmoor"]).await;
    let address = serve(&stand).await;
    let live = stream(&stand, &keen, None).await;
    for first in (0..BURST).step_by(usize::try_from(COMMIT).unwrap()) {
        let burst = (first..first + COMMIT).map(|n| sample::machine("northmoor", "4021", 1000 + n));
        stand.record(burst.collect()).await;
    }
    // A caller's two places are taken by streams that nobody reads.
    let silent = [silent_reader(address, &deaf).await, silent_reader(address, &deaf).await];
    assert_eq!(places_left(&stand, &deaf).await, 0);

    let wanted = usize::try_from(BURST).unwrap();
    let seen: BTreeSet<String> = frames(live, wanted).await.into_iter().map(|frame| frame.0).collect();
    assert_eq!(seen.len(), wanted, "a reader that lagged behind a burst gets every event of it");

    // Cut by the listener's timer, which gives their places back.
    let places = tokio::time::timeout(PATIENCE, async {
        while places_left(&stand, &deaf).await < 2 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(places.await.is_ok(), "the places were not given back");
    for socket in silent {
        let mut ids = ids_of(socket).await;
        let last = *ids.last().expect("it took some before it was cut");
        assert!(ids.len() < wanted, "it was cut before the end");
        let after = last.to_string();
        let rest = stream(&stand, &deaf, Some(&after)).await;
        let missing = wanted + 1 - ids.len();
        ids.extend(frames(rest, missing).await.iter().map(|frame| frame.0.parse::<i64>().unwrap()));
        assert!(ids.windows(2).all(|pair| pair[0] < pair[1]), "in order, none twice");
        assert_eq!(ids.len(), wanted + 1, "every event: the burst and the one before it");
    }
}
