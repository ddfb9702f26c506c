//! Where batches are committed.
//!
//! Owns the one call ingest makes on the store, as a trait, so that ingest is tested against stores that are slow,
//! full, away or broken.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

use notchwatch_store::{Appended, Batch, Error, Store};

/// A commit under way.
pub type Committing = Pin<Box<dyn Future<Output = Result<Appended, Error>> + Send>>;

/// Something that commits batches of messages: all of a batch or nothing.
pub trait Sink: Send + Sync + 'static {
    /// Commits a batch. When it returns `Ok`, every message of the batch is durable.
    fn append(&self, batch: Arc<Batch>) -> Committing;
}

impl Sink for Store {
    fn append(&self, batch: Arc<Batch>) -> Committing {
        let store = self.clone();
        Box::pin(async move { store.commit(&batch).await })
    }
}
