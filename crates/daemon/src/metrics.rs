//! Metrics of the process: counters of ingest and evaluation, and what the store found damaged, read when somebody asks.
//!
//! Owns their names. Labels come from bounded sets (reasons of refusal, states of links, operator positions), so that no
//! sender can add a series.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use notchwatch_evaluate::{Counters as Evaluation, Lag};
use notchwatch_ingest::Counters as Intake;
use notchwatch_model::{CommsState, Reason};
use notchwatch_store::Store;
use prometheus::core::{Collector, Desc};
use prometheus::proto::MetricFamily;
use prometheus::{IntCounter, IntCounterVec, IntGauge, IntGaugeVec, Opts, Registry};
use tokio::sync::watch;

use crate::clock::now;
use crate::keeper::LoadFigures;

type Read = Box<dyn Fn() -> u64 + Send + Sync>;

/// Mirrors counters kept elsewhere: each scrape brings the exported ones up to what they now are.
struct Mirror {
    counters: Vec<(IntCounter, Read)>,
    gauges: Vec<(IntGauge, Read)>,
    refused: IntCounterVec,
    intake: Arc<Intake>,
    units: IntGaugeVec,
    evaluation: Arc<Evaluation>,
    loads: Vec<IntGaugeVec>,
    figures: watch::Receiver<LoadFigures>,
}

/// Operator load: the names and helps of its gauges, in the order of the figures.
const LOADS: [(&str, &str); 4] = [
    ("notchwatch_load_new_10_min", "new findings in the last ten minutes, by operator position"),
    ("notchwatch_load_new_hour", "new findings in the last hour, by operator position"),
    (
        "notchwatch_load_flood",
        "1 while more findings come than an operator can take in, by operator position",
    ),
    ("notchwatch_load_stale", "findings that have lasted for more than a day, by operator position"),
];

/// Registers everything the process counts.
pub(crate) fn register(
    registry: &Registry,
    intake: Arc<Intake>,
    evaluation: Arc<Evaluation>,
    lag: watch::Receiver<Lag>,
    store: Store,
    figures: watch::Receiver<LoadFigures>,
) -> prometheus::Result<()> {
    let refused = IntCounterVec::new(
        Opts::new("notchwatch_refused_total", "messages and records refused, by reason"),
        &["reason"],
    )?;
    let units = IntGaugeVec::new(
        Opts::new("notchwatch_comms_units", "registered units by state of their link"),
        &["state"],
    )?;
    let counted = evaluation.clone();
    let mut counters = Vec::new();
    let mut gauges = Vec::new();
    for (name, help, read) in intake_counters(&intake).into_iter().chain(evaluation_counters(&evaluation)) {
        counters.push((IntCounter::new(name, help)?, read));
    }
    let dropped = figures.clone();
    counters.push((
        IntCounter::new(
            "notchwatch_quarantine_dropped_total",
            "rows of quarantine dropped by its bounds of age, number and bytes, ever",
        )?,
        Box::new(move || dropped.borrow().quarantine_dropped),
    ));
    let held = intake.clone();
    let (undecoded, seconds) = (intake.clone(), lag.clone());
    let gauge_reads: [(&str, &str, Read); 5] = [
        (
            "notchwatch_ingest_undecoded",
            "messages received and not decoded yet",
            Box::new(move || undecoded.undecoded.load(Ordering::Relaxed)),
        ),
        (
            "notchwatch_evaluate_behind_seconds",
            "time since the message judged last was received, while some are not judged",
            Box::new(move || {
                let since = seconds.borrow().judged_to;
                since.map_or(0, |since| u64::try_from((now() - since).micros() / 1_000_000).unwrap_or(0))
            }),
        ),
        (
            "notchwatch_ingest_held",
            "messages received and not committed yet",
            Box::new(move || held.held.load(Ordering::Relaxed)),
        ),
        (
            "notchwatch_evaluate_behind_messages",
            "journal messages not judged yet",
            Box::new(move || u64::try_from(lag.borrow().messages).unwrap_or(0)),
        ),
        (
            "notchwatch_evaluate_position",
            "journal position judged",
            Box::new(move || u64::try_from(evaluation.position.load(Ordering::Relaxed)).unwrap_or(0)),
        ),
    ];
    for (name, help, read) in gauge_reads.into_iter().chain(store_gauges(store)) {
        gauges.push((IntGauge::new(name, help)?, read));
    }
    let gauge = |(name, help): (&str, &str)| IntGaugeVec::new(Opts::new(name, help), &["position"]);
    let loads = LOADS.into_iter().map(gauge).collect::<prometheus::Result<Vec<_>>>()?;
    let evaluation = counted;
    let mirror = Mirror { counters, gauges, refused, intake, units, evaluation, loads, figures };
    registry.register(Box::new(mirror))
}

/// What the store tells of itself. Only `SQLite` keeps its write-ahead log beside us.
fn store_gauges(store: Store) -> Vec<(&'static str, &'static str, Read)> {
    let damaged = store.clone();
    let mut gauges: Vec<(&str, &str, Read)> = vec![(
        "notchwatch_store_damaged",
        "rows of the store found damaged and left out of reads",
        Box::new(move || damaged.damage().len() as u64),
    )];
    if store.log_bytes().is_some() {
        gauges.push((
            "notchwatch_store_log_bytes",
            "bytes of SQLite's write-ahead log",
            Box::new(move || store.log_bytes().unwrap_or_default()),
        ));
    }
    gauges
}

fn intake_counters(intake: &Arc<Intake>) -> Vec<(&'static str, &'static str, Read)> {
    macro_rules! read {
        ($($field:ident, $name:literal, $help:literal;)*) => {
            vec![$(($name, $help, {
                let of = intake.clone();
                Box::new(move || of.$field.load(Ordering::Relaxed)) as Read
            })),*]
        };
    }
    read! {
        received, "notchwatch_ingest_received_total", "messages delivered by the broker, repeats included";
        bytes, "notchwatch_ingest_bytes_total", "bytes of their payloads";
        redelivered, "notchwatch_ingest_redelivered_total", "deliveries marked as a possible repeat";
        retained, "notchwatch_ingest_retained_total", "deliveries of messages that the broker had kept";
        lossy, "notchwatch_ingest_lossy_total", "messages at QoS 0";
        lossy_dropped, "notchwatch_ingest_lossy_dropped_total", "messages at QoS 0 dropped since the queue was full";
        oversize, "notchwatch_ingest_oversize_total", "messages over the message limit";
        decoded, "notchwatch_ingest_decoded_total", "messages decoded";
        decode_us, "notchwatch_ingest_decode_microseconds_total", "time spent decoding";
        wait_us, "notchwatch_ingest_wait_microseconds_total", "time from receipt to the begin of the commit, all messages together";
        stored_us, "notchwatch_ingest_stored_microseconds_total", "time from receipt to the end of the commit, all messages together";
        committed, "notchwatch_ingest_committed_total", "messages committed";
        journalled, "notchwatch_ingest_journalled_total", "journal rows written";
        samples, "notchwatch_ingest_samples_total", "samples in them";
        lenient, "notchwatch_ingest_lenient_total", "records accepted although a strict reader would not: base fields alone, text labels in CBOR";
        quarantined, "notchwatch_ingest_quarantined_total", "quarantine rows written";
        acknowledged, "notchwatch_ingest_acknowledged_total", "acknowledgements handed to the connection";
        acknowledgements_stale, "notchwatch_ingest_acknowledgements_stale_total", "acknowledgements dropped since their connection had ended";
        connects, "notchwatch_ingest_connects_total", "connections accepted by the broker";
        disconnects, "notchwatch_ingest_disconnects_total", "connections that failed or ended";
        commits, "notchwatch_ingest_commits_total", "commits";
        commit_us, "notchwatch_ingest_commit_microseconds_total", "time spent in commits";
        commit_retries, "notchwatch_ingest_commit_retries_total", "commits tried again since the store was away";
    }
}

fn evaluation_counters(evaluation: &Arc<Evaluation>) -> Vec<(&'static str, &'static str, Read)> {
    macro_rules! read {
        ($($field:ident, $name:literal, $help:literal;)*) => {
            vec![$(($name, $help, {
                let of = evaluation.clone();
                Box::new(move || of.$field.load(Ordering::Relaxed)) as Read
            })),*]
        };
    }
    read! {
        messages, "notchwatch_evaluate_messages_total", "messages folded since the start";
        repeats, "notchwatch_evaluate_repeats_total", "samples that were repeats of stored ones";
        conflicts, "notchwatch_evaluate_conflicts_total", "samples that contradicted a stored one";
        beyond_horizon, "notchwatch_evaluate_beyond_horizon_total", "samples too late to judge: kept, not judged";
        refolds, "notchwatch_evaluate_refolds_total", "units folded anew because of late data or decisions";
        findings, "notchwatch_evaluate_events_total", "events of findings committed";
        failures, "notchwatch_evaluate_failures_total", "rounds that failed and were tried again";
    }
}

impl Collector for Mirror {
    fn desc(&self) -> Vec<&Desc> {
        let counters = self.counters.iter().flat_map(|(counter, _)| counter.desc());
        let gauges = self.gauges.iter().flat_map(|(gauge, _)| gauge.desc());
        counters
            .chain(gauges)
            .chain(self.refused.desc())
            .chain(self.units.desc())
            .chain(self.loads.iter().flat_map(Collector::desc))
            .collect()
    }

    fn collect(&self) -> Vec<MetricFamily> {
        let mut families = Vec::new();
        for (counter, read) in &self.counters {
            counter.inc_by(read().saturating_sub(counter.get()));
            families.extend(counter.collect());
        }
        for (gauge, read) in &self.gauges {
            gauge.set(i64::try_from(read()).unwrap_or(i64::MAX));
            families.extend(gauge.collect());
        }
        for reason in Reason::ALL {
            let counter = self.refused.with_label_values(&[reason.code()]);
            counter.inc_by(self.intake.refused(reason).saturating_sub(counter.get()));
        }
        families.extend(self.refused.collect());
        for (state, count) in CommsState::ALL.into_iter().zip(&self.evaluation.comms) {
            let count = i64::try_from(count.load(Ordering::Relaxed)).unwrap_or(i64::MAX);
            self.units.with_label_values(&[state.word()]).set(count);
        }
        families.extend(self.units.collect());
        for (place, gauge) in self.loads.iter().enumerate() {
            // A position that was removed goes with its series.
            gauge.reset();
            for (position, figures) in &self.figures.borrow().positions {
                let figure = figures.get(place).copied().unwrap_or_default();
                gauge.with_label_values(&[position]).set(figure);
            }
            families.extend(gauge.collect());
        }
        families
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_size_of_the_log_is_told_where_there_is_one() {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite:{}", folder.path().join("store.db").display());
        let store = Store::open(&notchwatch_store::Options { url, readers: 1 }).await.unwrap();
        let gauges = store_gauges(store.clone());
        let (_, _, read) = gauges.iter().find(|(name, _, _)| *name == "notchwatch_store_log_bytes").unwrap();
        assert!(read() > 0, "migrations stand in it");
        store.close().await;
    }
}
