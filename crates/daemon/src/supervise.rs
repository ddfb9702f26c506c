//! What becomes of a part that ends by a defect, a panic: a keeper begins again, any other part ends the process.
//!
//! Owns that no part ends unnoticed. A process that goes on without its evaluation looks well and watches nothing; one
//! that ends with a failure is started anew by what keeps services running.

use std::time::Duration;

use tokio::task::{JoinHandle, JoinSet};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// Wait before a keeper begins again: what made it panic is likely still there, and the log is to stay readable.
const AGAIN_AFTER: Duration = Duration::from_mins(1);

/// Starts parts and watches over them.
#[derive(Debug, Clone)]
pub(crate) struct Parts {
    pub(crate) tracker: TaskTracker,
    /// Cancelled when a part that cannot be missed ended by a defect.
    pub(crate) stop: CancellationToken,
}

impl Parts {
    /// Starts a part that cannot be missed.
    pub(crate) fn start(
        &self,
        part: &'static str,
        run: impl Future<Output = ()> + Send + 'static,
    ) -> JoinHandle<()> {
        let stop = self.stop.clone();
        self.tracker.spawn(async move {
            if panics(run).await {
                tracing::error!(part, "it ended by a defect, the process stops");
                stop.cancel();
            }
        })
    }

    /// Starts a keeper: what it does can wait, and is done again from the beginning after a defect.
    pub(crate) fn keep<R>(&self, part: &'static str, run: impl Fn() -> R + Send + 'static)
    where
        R: Future<Output = ()> + Send + 'static,
    {
        let stop = self.stop.clone();
        self.tracker.spawn(async move {
            while panics(run()).await {
                tracing::error!(
                    part,
                    wait_s = AGAIN_AFTER.as_secs(),
                    "it ended by a defect, it begins again"
                );
                tokio::select! {
                    () = stop.cancelled() => return,
                    () = tokio::time::sleep(AGAIN_AFTER) => {}
                }
            }
        });
    }
}

/// Runs to the end; whether that was a panic. Ends with its caller.
async fn panics(run: impl Future<Output = ()> + Send + 'static) -> bool {
    let mut one = JoinSet::new();
    one.spawn(run);
    one.join_next().await.is_some_and(|ended| ended.is_err_and(|error| error.is_panic()))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;

    fn parts() -> Parts {
        Parts { tracker: TaskTracker::new(), stop: CancellationToken::new() }
    }

    #[tokio::test(start_paused = true)]
    async fn a_keeper_begins_again_and_stops_nothing() {
        let (parts, runs) = (parts(), Arc::new(AtomicU32::new(0)));
        let counted = Arc::clone(&runs);
        parts.keep("sealing", move || {
            let run = counted.fetch_add(1, Ordering::Relaxed);
            async move { assert!(run >= 2, "a defect") }
        });
        parts.tracker.close();
        parts.tracker.wait().await;
        assert_eq!((runs.load(Ordering::Relaxed), parts.stop.is_cancelled()), (3, false));
    }

    #[tokio::test(start_paused = true)]
    async fn any_other_part_ends_the_process_by_its_defect_alone() {
        let parts = parts();
        parts.start("grading", async {});
        parts.tracker.close();
        parts.tracker.wait().await;
        assert!(!parts.stop.is_cancelled(), "it came to its end");
        parts.start("evaluation", async { panic!("a defect") });
        parts.tracker.wait().await;
        assert!(parts.stop.is_cancelled());
    }

    #[tokio::test]
    async fn a_part_that_is_aborted_ends_what_it_runs() {
        let (parts, held) = (parts(), Arc::new(()));
        let inside = Arc::clone(&held);
        let part = parts.start("evaluation", async move {
            std::future::pending::<()>().await;
            drop(inside);
        });
        tokio::task::yield_now().await;
        part.abort();
        parts.tracker.close();
        parts.tracker.wait().await;
        tokio::task::yield_now().await;
        assert_eq!(Arc::strong_count(&held), 1);
        assert!(!parts.stop.is_cancelled());
    }
}
