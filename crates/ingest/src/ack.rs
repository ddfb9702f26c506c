//! Acknowledgements: sent after commit, in the order of receipt, never on another connection than the message's own.
//!
//! Owns the number of the present connection (its epoch). Packet identifiers mean something within one connection
//! only: an acknowledgement of an earlier one could confirm a message that was never committed.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use rumqttc::v5::AsyncClient;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Publish;

use crate::counters::{Counters, add};

/// What it takes to acknowledge one message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ticket {
    /// Connection that delivered it.
    pub(crate) epoch: u64,
    /// Packet identifier on that connection; 0 for a message that wants no acknowledgement.
    pub(crate) packet: u16,
}

/// Sends acknowledgements. Clones share the epoch.
#[derive(Debug, Clone)]
pub(crate) struct Acker {
    client: AsyncClient,
    epoch: Arc<Mutex<u64>>,
    counters: Arc<Counters>,
}

impl Acker {
    pub(crate) fn new(client: AsyncClient, counters: Arc<Counters>) -> Self {
        Self { client, epoch: Arc::default(), counters }
    }

    /// Number of the present connection.
    pub(crate) fn epoch(&self) -> u64 {
        *self.lock()
    }

    /// Begins a new epoch: from here on no acknowledgement of an earlier one enters the client's channel.
    pub(crate) fn next_epoch(&self) {
        *self.lock() += 1;
    }

    /// Acknowledges a committed message, or drops the acknowledgement when its connection has ended.
    /// It never waits: the channel holds more than can be in flight.
    pub(crate) fn acknowledge(&self, ticket: Ticket) {
        if ticket.packet == 0 {
            return;
        }
        // The lock is held while sending, so that a new epoch cannot begin in between.
        let epoch = self.lock();
        if *epoch != ticket.epoch {
            add(&self.counters.acknowledgements_stale, 1);
            return;
        }
        let mut publish = Publish::new("", QoS::AtLeastOnce, Bytes::new(), None);
        publish.pkid = ticket.packet;
        if self.client.try_ack(&publish).is_err() {
            // The poll loop has ended, or the broker sent more than was agreed: it will send the message again.
            add(&self.counters.acknowledgements_stale, 1);
        }
    }

    /// Asks for an orderly end of the connection, behind every acknowledgement sent before.
    pub(crate) fn disconnect(&self) {
        if self.client.try_disconnect().is_err() {
            tracing::debug!("no connection is left to end");
        }
    }

    fn lock(&self) -> MutexGuard<'_, u64> {
        self.epoch.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::v5::{AsyncClient, EventLoop, MqttOptions};

    use super::*;

    /// `from_senders` needs the library's own channel type, so the loop that holds the other end is kept beside.
    fn acker(capacity: usize) -> (Acker, EventLoop) {
        let (client, eventloop) = AsyncClient::new(MqttOptions::new("t", "127.0.0.1", 1), capacity);
        (Acker::new(client, Arc::default()), eventloop)
    }

    #[test]
    fn acknowledgements_of_an_earlier_connection_are_dropped_and_counted() {
        let (acker, mut eventloop) = acker(4);
        acker.acknowledge(Ticket { epoch: 0, packet: 7 });
        acker.next_epoch();
        acker.acknowledge(Ticket { epoch: 0, packet: 8 });
        acker.acknowledge(Ticket { epoch: 1, packet: 0 });
        assert_eq!(acker.counters.snapshot().acknowledgements_stale, 1);
        // What did enter before the epoch changed is taken out again by the clean-up that follows.
        eventloop.clean();
        assert!(eventloop.pending.is_empty());
    }

    #[test]
    fn a_full_channel_never_makes_it_wait() {
        let (acker, _eventloop) = acker(1);
        acker.acknowledge(Ticket { epoch: 0, packet: 1 });
        acker.acknowledge(Ticket { epoch: 0, packet: 2 });
        assert_eq!(acker.counters.snapshot().acknowledgements_stale, 1);
    }
}
