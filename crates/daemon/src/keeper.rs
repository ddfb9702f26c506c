//! Housekeeping: the register followed as it changes, what is stored looked at once, days sealed as they end, old data dropped.

use std::sync::Arc;
use std::time::{Duration, Instant};

use notchwatch_desk::Desk;
use notchwatch_evaluate::Lag;
use notchwatch_model::Register;
use notchwatch_store::{Depth, Retained, Store};
use notchwatch_wire::RegisterIndex;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::clock::now;
use crate::keep::Keep;

/// How often another process's change of the register is looked for.
const REGISTER_EVERY: Duration = Duration::from_secs(30);
/// How often the operator load is read.
const LOAD_EVERY: Duration = Duration::from_mins(1);
/// How often ended days are looked for.
const SEAL_EVERY: Duration = Duration::from_mins(10);
/// How often old data are looked for.
const RETAIN_EVERY: Duration = Duration::from_hours(1);

/// How often the health of every unit is graded and recorded.
const GRADE_EVERY: Duration = Duration::from_mins(5);
/// The first grading waits, so that a start is not slowed by it.
const GRADE_FIRST: Duration = Duration::from_secs(20);

/// Grades every unit and records it, until `stop`. What evaluation has yet to catch up with is waited for, but not
/// longer than a grade may be old.
pub(crate) async fn grade_health(desk: Desk, lag: watch::Receiver<Lag>, stop: CancellationToken) {
    let mut wait = GRADE_FIRST;
    let mut waited = Duration::ZERO;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(wait) => waited += wait,
        }
        let now = *lag.borrow();
        let behind = !now.ready || now.messages > 0;
        if behind && waited < GRADE_EVERY {
            wait = GRADE_FIRST;
            continue;
        }
        (wait, waited) = (GRADE_EVERY, Duration::ZERO);
        match desk.record_health().await {
            Ok(rows) => tracing::debug!(rows, "health grades recorded"),
            Err(error) => tracing::warn!(%error, "health could not be graded, trying again later"),
        }
    }
}

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

/// What metrics tell out of the store.
#[derive(Debug, Clone, Default)]
pub(crate) struct LoadFigures {
    /// Operator load by position.
    pub(crate) positions: Vec<(String, [i64; 4])>,
    /// Rows that the bounds of quarantine have dropped, ever.
    pub(crate) quarantine_dropped: u64,
}

/// Reads the operator load and what quarantine dropped each minute, from the store, so that both are right after a
/// restart too.
pub(crate) async fn weigh_load(desk: Desk, figures: watch::Sender<LoadFigures>, stop: CancellationToken) {
    let whole = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
    loop {
        match desk.whole_load().await {
            Ok(loads) => {
                let figures_of = |load: &notchwatch_desk::Load| {
                    [whole(load.last_10_min), whole(load.last_hour), i64::from(load.flood), whole(load.stale)]
                };
                let now = loads.positions.iter().map(|(p, load)| (p.id.to_string(), figures_of(load)));
                let positions = now.collect();
                figures.send_modify(|told| told.positions = positions);
            }
            Err(error) => tracing::warn!(%error, "the operator load could not be read, trying again later"),
        }
        match desk.whole_quarantine_dropped().await {
            Ok(dropped) => figures.send_modify(|told| told.quarantine_dropped = dropped),
            Err(error) => {
                tracing::warn!(%error, "the counter of quarantine could not be read, trying again later");
            }
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(LOAD_EVERY) => {}
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

/// Messages that wait for judgement above which sealing gives way: the feed of a large fleet at ten times its rate is that
/// far behind within a second.
const BEHIND: i64 = 3_000;

/// Seals ended days into blocks and drops what its time is over for, until `stop`: what is under way then is given up, and
/// done again after the next start.
pub(crate) async fn seal_daily(store: Store, keep: Keep, lag: watch::Receiver<Lag>, stop: CancellationToken) {
    stop.run_until_cancelled(seal_and_retain(store, keep, lag)).await;
}

async fn seal_and_retain(store: Store, keep: Keep, lag: watch::Receiver<Lag>) {
    let mut retained: Option<Instant> = None;
    loop {
        let behind = || lag.borrow().messages > BEHIND;
        match store.seal_giving_way(now(), keep.raw(), &behind).await {
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
        if retained.is_none_or(|at| at.elapsed() >= RETAIN_EVERY) {
            retained = Some(Instant::now());
            retain(&store, &keep).await;
        }
        tokio::time::sleep(SEAL_EVERY).await;
    }
}

async fn retain(store: &Store, keep: &Keep) {
    match store.retain(&keep.retention(), now()).await {
        Ok(done) if done != Retained::default() => tracing::info!(
            blocks = done.blocks,
            rollups = done.rollups,
            findings = done.findings,
            quarantine_rows = done.refused,
            ticks = done.ticks,
            snapshots = done.snapshots,
            unjudged = done.unjudged,
            health_grades = done.health,
            audit_rows = done.audit,
            "dropped what its time is over for"
        ),
        Ok(_) => {}
        Err(error) => tracing::warn!(%error, "old data were not dropped, trying again later"),
    }
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{ChannelIx, Decoded, Envelope, Sample, Span, Time, UnitKey};
    use notchwatch_store::{NewMessage, Options};

    use super::*;

    const UNIT: &str = "
        railways = [{ id = \"r\", name = \"A railway\" }]
        [[classes]]
        id = \"pump\"
        name = \"A pump\"
        channels = [{ name = \"pressure\", system = \"machine\", uom = \"Pa\", resolution = 100.0 }]
        [[units]]
        railway = \"r\"
        id = \"1\"
        class = \"pump\"
    ";

    /// One sample, a week ago.
    fn message(at: Time) -> NewMessage {
        let unit = UnitKey { railway: "r".parse().unwrap(), unit: "1".parse().unwrap() };
        let samples = vec![Sample { time: at, channel: ChannelIx(0), value: 4e5 }];
        NewMessage {
            envelope: Envelope {
                received: at,
                topic: "units/r/1/senml".to_owned(),
                content_type: None,
                retained: false,
                payload: b"one".to_vec(),
            },
            decoded: Decoded { unit: Some(unit), samples, ..Decoded::default() },
        }
    }

    #[tokio::test]
    async fn sealing_gives_way_comes_to_its_end_and_stops_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("store.db").display());
        let store = Store::open(&Options { url, readers: 1 }).await.unwrap();
        let register: Register = toml::from_str(UNIT).unwrap();
        store.put_register(&register, &"test".parse().unwrap(), now()).await.unwrap();
        store.append(&[message(now() - Span::from_days(7))]).await.unwrap();

        let behind = Lag { messages: BEHIND + 1, ..Lag::default() };
        let (_keep, lag) = watch::channel(behind);
        let stop = CancellationToken::new();
        let sealing = seal_daily(store.clone(), Keep::default(), lag, stop.clone());
        let stopping = async {
            tokio::time::sleep(Duration::from_millis(300)).await;
            stop.cancel();
            Instant::now()
        };
        let ((), stopped) = tokio::join!(sealing, stopping);
        assert!(stopped.elapsed() < Duration::from_millis(500), "{:?}", stopped.elapsed());

        let began = Instant::now();
        let report = store.seal_giving_way(now(), Span::from_days(35), &|| true).await.unwrap();
        assert_eq!(
            report.blocks, 1,
            "nothing was sealed before, and now it is, however long others need the machine"
        );
        assert!(began.elapsed() > Duration::from_secs(1), "{:?}", began.elapsed());
        store.close().await;
    }
}
