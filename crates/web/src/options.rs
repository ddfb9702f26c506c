//! What the web side needs from the process around it: metrics, shutdown, health and how it is reached.
//!
//! Owns the limits of requests and streams, each with its reason. Refuses to read files or the environment.

use std::collections::BTreeSet;
use std::time::Duration;

use prometheus::Registry;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::stages::Stages;

/// Why the process is not ready: words from a fixed set, empty when it is. The parts that notice a reason name it by
/// a constant, so the set is closed by the type.
pub type Reasons = BTreeSet<&'static str>;

/// How the router is wired into the process.
#[derive(Debug, Clone)]
pub struct WebOptions {
    /// Where metrics are gathered; served at `/metrics`.
    pub metrics: Registry,
    /// Ends every stream at once when the process stops.
    pub shutdown: CancellationToken,
    /// Reasons for not being ready, as the daemon keeps them.
    pub health: watch::Receiver<Reasons>,
    /// What the stages of the feed have done, as the daemon reads it every few seconds.
    pub stages: watch::Receiver<Stages>,
    /// A proxy in front ends TLS: cookies are marked `Secure` and browsers are told to stay with TLS.
    pub behind_tls: bool,
    /// Limits.
    pub limits: WebLimits,
}

/// Bounds on what callers may cost. Every one has a default that suits a centre of some dozen people.
#[derive(Debug, Clone, Copy)]
pub struct WebLimits {
    /// Longest time a handler may take before the caller is told to try again.
    pub answer: Duration,
    /// The same for what is heavy by nature: folding weeks of a unit again for a picture, putting a register.
    pub heavy_answer: Duration,
    /// Largest body of a request but for the register, in bytes.
    pub body_bytes: usize,
    /// Largest register that one request may put, in bytes.
    pub register_bytes: usize,
    /// Live streams of one caller at one time.
    pub streams_per_caller: usize,
    /// Live streams of everybody at one time.
    pub streams: usize,
    /// How often a quiet stream says that it is alive.
    pub keep_alive: Duration,
    /// A connection that takes no byte for this long while we have some is cut.
    pub stall: Duration,
    /// A connection that does not bring the whole head of a request within this long is cut.
    pub head: Duration,
    /// Open connections at one time; further ones wait in the kernel's queue.
    pub connections: usize,
}

impl Default for WebLimits {
    /// Values by common practice: an answer within the patience of a proxy (10 s), keep-alives well under the usual
    /// idle limit of proxies (60 s), a stall that outlasts a short radio gap, a head within half a minute, as web servers ask.
    fn default() -> Self {
        Self {
            answer: Duration::from_secs(10),
            heavy_answer: Duration::from_mins(1),
            body_bytes: 64 * 1024,
            register_bytes: 16 * 1024 * 1024,
            streams_per_caller: 12,
            streams: 400,
            keep_alive: Duration::from_secs(15),
            stall: Duration::from_secs(20),
            head: Duration::from_secs(30),
            connections: 1000,
        }
    }
}
