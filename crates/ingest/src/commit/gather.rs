//! Gathering: decoded messages packed into batches while the batch before is committed.
//!
//! Owns when a batch ends. Refuses to hand over a batch that nobody waits for: while a commit is under way more may join
//! the next one, so that a slow store gets few large batches.

use std::sync::Arc;

use notchwatch_store::Batch;
use tokio::sync::{Notify, mpsc};
use tokio::time::{Instant, timeout_at};

use crate::intake::{Place, Ready};
use crate::options::Batching;

/// A batch on its way to the commit, and what its messages occupy.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    pub(crate) batch: Batch,
    pub(crate) places: Vec<Place>,
}

/// Gathers until decoding has ended or nobody commits any more.
pub(crate) async fn gather(
    mut ready: mpsc::Receiver<Vec<Ready>>,
    out: mpsc::Sender<Gathered>,
    idle: Arc<Notify>,
    batching: Batching,
) {
    while let Some(gathered) = next_batch(&mut ready, &out, &idle, batching).await {
        if out.send(gathered).await.is_err() {
            break;
        }
    }
}

/// The next batch: full, or as large as it is when its first message has waited for the linger time and the commit
/// before it is done. It may hold some messages more than a full one: groups of the decoder are not split.
async fn next_batch(
    ready: &mut mpsc::Receiver<Vec<Ready>>,
    out: &mpsc::Sender<Gathered>,
    idle: &Notify,
    batching: Batching,
) -> Option<Gathered> {
    let mut gathered = Gathered::default();
    gathered.add(ready.recv().await?);
    let until = Instant::now() + batching.linger;
    let mut more_comes = true;
    while more_comes && gathered.places.len() < batching.messages {
        match timeout_at(until, ready.recv()).await {
            Ok(Some(more)) => gathered.add(more),
            Ok(None) => more_comes = false,
            Err(_) => break,
        }
    }
    loop {
        tokio::select! {
            biased;
            () = idle.notified() => return Some(gathered),
            () = out.closed() => return None,
            more = ready.recv(), if more_comes && gathered.places.len() < batching.messages => match more {
                Some(more) => gathered.add(more),
                None => more_comes = false,
            },
        }
    }
}

impl Gathered {
    fn add(&mut self, group: Vec<Ready>) {
        for Ready { message, place } in group {
            if let Some(message) = message {
                self.batch.push(message);
            }
            self.places.push(place);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tokio::sync::Semaphore;
    use tokio::task::JoinSet;

    use super::*;
    use crate::ack::Ticket;

    const BATCHING: Batching = Batching { messages: 4, linger: Duration::from_millis(20) };

    fn group(packets: std::ops::Range<u16>) -> Vec<Ready> {
        let slots = Arc::new(Semaphore::new(16));
        let ready = |packet| {
            let permit = Arc::clone(&slots).try_acquire_owned().unwrap();
            let since = std::time::Instant::now();
            Ready { message: None, place: Place { ticket: Ticket { epoch: 0, packet }, since, permit } }
        };
        packets.map(ready).collect()
    }

    #[tokio::test(start_paused = true)]
    async fn a_batch_is_full_or_has_lingered() {
        let (sender, mut ready) = mpsc::channel(16);
        let (out, _wanted) = mpsc::channel(1);
        let idle = Notify::new();
        // Groups as decoding hands them on; none is split, so a batch may be a little more than full.
        for packets in [1..3, 3..6, 6..7, 7..8] {
            sender.try_send(group(packets)).unwrap();
        }
        let began = Instant::now();
        idle.notify_one();
        let first = next_batch(&mut ready, &out, &idle, BATCHING).await.unwrap();
        assert_eq!((began.elapsed(), first.places.len()), (Duration::ZERO, 5));
        idle.notify_one();
        let second = next_batch(&mut ready, &out, &idle, BATCHING).await.unwrap();
        assert!(began.elapsed() >= BATCHING.linger);
        assert_eq!(second.places.len(), 2);
        drop(sender);
        assert!(next_batch(&mut ready, &out, &idle, BATCHING).await.is_none());
    }

    #[tokio::test(start_paused = true)]
    async fn more_join_while_the_commit_before_is_under_way() {
        let (sender, ready) = mpsc::channel(16);
        let (out, mut wanted) = mpsc::channel(1);
        let idle = Arc::new(Notify::new());
        let mut gathering = JoinSet::new();
        gathering.spawn(gather(ready, out, Arc::clone(&idle), BATCHING));
        sender.send(group(1..2)).await.unwrap();
        tokio::time::sleep(10 * BATCHING.linger).await;
        assert!(wanted.try_recv().is_err(), "nobody is idle");
        sender.send(group(2..4)).await.unwrap();
        tokio::time::sleep(BATCHING.linger).await;
        idle.notify_one();
        assert_eq!(wanted.recv().await.unwrap().places.len(), 3);
        drop(wanted);
        sender.send(group(4..5)).await.unwrap();
        gathering.join_next().await.unwrap().unwrap();
    }
}
