//! Start and stop: the tasks of ingest and what joins them.
//!
//! Owns the four tasks (poll loop, decoding, gathering, commit), the queues between them and the deadline of a stop.

use std::sync::Arc;

use notchwatch_model::Time;
use notchwatch_store::Store;
use notchwatch_wire::{Decoder, RegisterIndex};
use rumqttc::v5::AsyncClient;
use tokio::sync::{Notify, mpsc, watch};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::ack::Acker;
use crate::commit::{Committer, Patience};
use crate::counters::Counters;
use crate::health::{Health, HealthCell};
use crate::intake::Decode;
use crate::options::{MqttOptions, OptionsError};
use crate::session::{LOSSY_HELD, Session, held_at_most};
use crate::sink::Sink;
use crate::{commit, intake};

/// Groups of decoded messages that wait to be packed.
const GROUPS: usize = 8;

/// Where receive times come from.
pub type Clock = Arc<dyn Fn() -> Time + Send + Sync>;

/// Ingest under way. It ends with the token it was started with; its tasks are on the tracker.
#[derive(Debug)]
pub struct Ingest {
    /// Counters, for metrics.
    pub counters: Arc<Counters>,
    /// What is wrong now, if anything.
    pub health: watch::Receiver<Health>,
}

/// Starts ingest into the store. The message limit is the decoder's. Errors only for options that cannot work;
/// everything later is health.
pub fn start(
    mut options: MqttOptions,
    decoder: Decoder,
    register: watch::Receiver<Arc<RegisterIndex>>,
    store: Store,
    clock: Clock,
    tracker: TaskTracker,
    stop: CancellationToken,
) -> Result<Ingest, OptionsError> {
    options.message_bytes = decoder.limits().message_bytes;
    let decode: Decode = Arc::new(move |envelope| {
        // The index is taken out first: a register being replaced never waits for a decoder.
        let index = Arc::clone(&register.borrow());
        decoder.decode(envelope, &index)
    });
    start_with(options, decode, Arc::new(store), clock, tracker, stop)
}

/// Starts ingest with any decoder and any sink.
pub fn start_with(
    options: MqttOptions,
    decode: Decode,
    sink: Arc<dyn Sink>,
    clock: Clock,
    tracker: TaskTracker,
    stop: CancellationToken,
) -> Result<Ingest, OptionsError> {
    let (client, eventloop) = AsyncClient::new(options.client()?, options.request_capacity());
    let counters = Arc::<Counters>::default();
    let (health, reader) = HealthCell::new();
    let abandon = CancellationToken::new();
    let acker = Acker::new(client.clone(), Arc::clone(&counters));

    // Poll loop to decoding. It has room for every message that may be held. Overflow: QoS 0 is dropped and counted;
    // for QoS 1 the poll loop stops reading, so that the rest waits in the broker.
    let (deliver, deliveries) = mpsc::channel(held_at_most(&options) + LOSSY_HELD);
    // Decoding to gathering: a few groups. Overflow: decoding waits.
    let (prepared, ready) = mpsc::channel(GROUPS);
    // Gathering to commit: one batch, handed over when the commit before it is done.
    let (full, gathered) = mpsc::channel(1);
    let idle = Arc::new(Notify::new());

    let committer = Committer {
        sink,
        counters: Arc::clone(&counters),
        health: health.clone(),
        tracker: tracker.clone(),
        patience: Patience::Until(abandon.clone()),
    };
    let committing =
        commit::run(gathered, Arc::clone(&idle), committer, acker.clone(), Arc::clone(&counters));
    tracker.spawn(commit::gather(ready, full, idle, options.batching));
    tracker.spawn(intake::run(deliveries, prepared, decode, options.message_bytes, Arc::clone(&counters)));
    let commits = tracker.spawn(committing);
    let deadline = options.stop_within;
    let session =
        Session::new(options, client, acker, deliver, Arc::clone(&counters), health, clock, stop.clone());
    let polls = tracker.spawn(session.run(eventloop, abandon.clone()));

    tracker.spawn(async move {
        let ended = async { tokio::join!(commits, polls) };
        tokio::pin!(ended);
        tokio::select! {
            _ = &mut ended => {
                // They end with the stop. Without it a part of the way ended by a defect, and nothing would come in any more.
                if !stop.is_cancelled() {
                    tracing::error!(part = "ingest", "it ended by a defect, the process stops");
                    stop.cancel();
                }
                return;
            }
            () = stop.cancelled() => {}
        }
        if tokio::time::timeout(deadline, ended).await.is_err() {
            abandon.cancel();
        }
    });
    Ok(Ingest { counters, health: reader })
}
