//! Housekeeping: the register followed as it changes, what is stored looked at once, days sealed as they end.

use std::sync::Arc;
use std::time::Duration;

use notchwatch_desk::Desk;
use notchwatch_model::{Register, Span};
use notchwatch_store::{Depth, Store};
use notchwatch_wire::RegisterIndex;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::clock::now;

/// How often another process's change of the register is looked for.
const REGISTER_EVERY: Duration = Duration::from_secs(30);
/// How often ended days are looked for.
const SEAL_EVERY: Duration = Duration::from_mins(10);

/// Hands a changed register to decoding and evaluation: at once when it was changed here, else within half a minute.
pub(crate) async fn follow_register(
    store: Store,
    desk: Desk,
    register: watch::Sender<Arc<Register>>,
    index: watch::Sender<Arc<RegisterIndex>>,
    stop: CancellationToken,
) {
    let mut changes = desk.register_changes();
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            moved = changes.changed() => if moved.is_err() { return },
            () = tokio::time::sleep(REGISTER_EVERY) => {}
        }
        match store.register().await {
            Ok(read) if read != **register.borrow() => {
                index.send_replace(Arc::new(RegisterIndex::new(&read)));
                register.send_replace(Arc::new(read));
            }
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "the register could not be read; the old one stays in use"),
        }
    }
}

/// Looks once, beside everything else, whether the newest rows can be read. The store logs what is damaged.
pub(crate) async fn look_once(store: Store, stop: CancellationToken) {
    let looked = stop.run_until_cancelled(store.check(Depth::Quick)).await;
    match looked {
        Some(Ok(checked)) => tracing::info!(
            blocks = checked.blocks,
            rollups = checked.rollups,
            journal_rows = checked.journal,
            damaged = checked.damage.len(),
            "newest rows of the store looked at"
        ),
        Some(Err(error)) => tracing::warn!(%error, "the store could not be looked at"),
        None => {}
    }
}

/// Seals ended days into blocks, until `stop`.
pub(crate) async fn seal_daily(store: Store, keep_raw: Span, stop: CancellationToken) {
    loop {
        match store.seal(now(), keep_raw).await {
            Ok(report) if report.blocks > 0 => tracing::info!(
                blocks = report.blocks,
                samples = report.samples,
                bytes = report.bytes,
                dropped_rows = report.dropped,
                "days sealed"
            ),
            Ok(_) => {}
            Err(error) => tracing::warn!(%error, "sealing failed, trying again later"),
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(SEAL_EVERY) => {}
        }
    }
}
