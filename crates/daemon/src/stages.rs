//! Readings of the stages for Feed health: totals, and rates over the last minute.
//!
//! Owns the minute of readings. The counters are those of the metrics; nothing is counted twice.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use notchwatch_evaluate::{Counters as Evaluation, Lag};
use notchwatch_ingest::Counters as Intake;
use notchwatch_model::{Reason, Span, Time};
use notchwatch_web::{Backlog, Stage, Stages};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::clock::now;

/// How often the counters are read.
const EVERY: Duration = Duration::from_secs(5);
/// Readings kept: those of a minute and the one before it.
const READINGS: usize = 13;

/// Judgement that is not further behind than this is in normal running (ours: a start of a large fleet, a region that
/// comes back).
const BEHIND: Span = Span::from_mins(2);

/// A history that is being read in: the receive times that it stands for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct History {
    /// Its first message.
    pub(crate) from: Time,
    /// Its end.
    pub(crate) until: Time,
}

/// What is told of work that is behind. `known` is how far it was known to have come before.
fn backlog(history: Option<History>, lag: &Lag, known: Option<Backlog>, now: Time) -> Option<Backlog> {
    let Some(History { from, until }) = history else {
        let reached = lag.judged_to.filter(|reached| lag.messages > 0 && now - *reached > BEHIND)?;
        return Some(Backlog { reached, share: None });
    };
    // Nothing waits while the next messages of the history are being made.
    let reached = lag.judged_to.max(known.map(|known| known.reached)).unwrap_or(from).clamp(from, until);
    let share = (reached - from).secs_f64() / (until - from).secs_f64().max(1.0);
    Some(Backlog { reached, share: Some(share) })
}

/// What is read, in the order in which a message passes it.
const NAMES: [&str; 9] = [
    "received",
    "decoded",
    "committed",
    "acknowledged",
    "quarantine rows written",
    "judged",
    "samples repeated",
    "samples contradicting",
    "samples too late to judge",
];

/// The counters at one instant.
#[derive(Debug, Clone)]
struct Reading {
    at: Instant,
    stages: [u64; NAMES.len()],
    refused: [u64; Reason::ALL.len()],
    commits: u64,
    commit_us: u64,
}

/// Reads the counters until `stop`.
pub(crate) async fn keep(
    intake: Arc<Intake>,
    evaluation: Arc<Evaluation>,
    lag: watch::Receiver<Lag>,
    mut history: watch::Receiver<Option<History>>,
    told: watch::Sender<Stages>,
    stop: CancellationToken,
) {
    let mut readings = VecDeque::with_capacity(READINGS);
    loop {
        if readings.len() == READINGS {
            readings.pop_front();
        }
        readings.push_back(read(&intake, &evaluation));
        let mut stages = told_of(&readings);
        let behind = *lag.borrow();
        stages.held = intake.held.load(Ordering::Relaxed);
        stages.undecoded = intake.undecoded.load(Ordering::Relaxed);
        stages.behind_messages = u64::try_from(behind.messages).unwrap_or(0);
        let since = behind.judged_to.map_or(0, |since| (now() - since).micros() / 1_000_000);
        stages.behind_s = u64::try_from(since).unwrap_or(0);
        stages.backlog = backlog(*history.borrow_and_update(), &behind, told.borrow().backlog, now());
        told.send_replace(stages);
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(EVERY) => {}
            told = history.changed() => if told.is_err() { return },
        }
    }
}

fn read(intake: &Intake, evaluation: &Evaluation) -> Reading {
    let of = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
    Reading {
        at: Instant::now(),
        stages: [
            of(&intake.received),
            of(&intake.decoded),
            of(&intake.committed),
            of(&intake.acknowledged),
            of(&intake.quarantined),
            of(&evaluation.messages),
            of(&evaluation.repeats),
            of(&evaluation.conflicts),
            of(&evaluation.beyond_horizon),
        ],
        refused: Reason::ALL.map(|reason| intake.refused(reason)),
        commits: of(&intake.commits),
        commit_us: of(&intake.commit_us),
    }
}

/// Totals of the newest reading, and rates since the oldest.
#[expect(clippy::cast_precision_loss, reason = "counts of a minute are far below 2^53")]
fn told_of(readings: &VecDeque<Reading>) -> Stages {
    let (Some(oldest), Some(newest)) = (readings.front(), readings.back()) else { return Stages::default() };
    let seconds = (newest.at - oldest.at).as_secs_f64();
    let stage = |(name, (total, before)): (&'static str, (u64, u64))| Stage {
        name,
        total,
        // Sums over units may fall when one is folded anew.
        per_second: (seconds > 0.0).then(|| total.saturating_sub(before) as f64 / seconds),
    };
    let commits = newest.commits - oldest.commits;
    let mean = || (newest.commit_us - oldest.commit_us) as f64 / commits as f64 / 1000.0;
    Stages {
        stages: NAMES.into_iter().zip(newest.stages.into_iter().zip(oldest.stages)).map(stage).collect(),
        refused: Reason::ALL
            .map(Reason::code)
            .into_iter()
            .zip(newest.refused.into_iter().zip(oldest.refused))
            .map(stage)
            .filter(|stage| stage.total > 0)
            .collect(),
        commit_ms: (commits > 0).then(mean),
        ..Stages::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_history_is_told_until_it_is_over_and_a_lag_when_it_is_more_than_a_moment() {
        let at = |minutes| Time::EPOCH + Span::from_days(1) + Span::from_mins(minutes);
        let lag = |messages, judged_to| Lag { messages, judged_to, ready: true };
        let history = Some(History { from: at(0), until: at(100) });
        let told = |history, lag, known| backlog(history, &lag, known, at(101));
        let begun = told(history, lag(0, None), None);
        assert_eq!(begun, Some(Backlog { reached: at(0), share: Some(0.0) }));
        let quarter = told(history, lag(9, Some(at(25))), begun);
        assert_eq!(quarter, Some(Backlog { reached: at(25), share: Some(0.25) }));
        assert_eq!(
            told(history, lag(0, None), quarter),
            quarter,
            "it does not fall back while nothing waits"
        );
        let of_before = Some(Backlog { reached: at(-50), share: None });
        assert_eq!(told(history, lag(0, None), of_before), begun);
        assert_eq!(told(None, lag(0, None), quarter), None);
        assert_eq!(told(None, lag(5, Some(at(100))), None), None, "a minute is normal");
        let behind = told(None, lag(5, Some(at(90))), None);
        assert_eq!(behind, Some(Backlog { reached: at(90), share: None }));
    }

    #[test]
    fn rates_are_those_of_the_readings_kept() {
        let begin = Instant::now();
        let reading = |seconds: u64, received: u64, commits: u64| {
            let mut stages = [0; NAMES.len()];
            stages[0] = received;
            let mut refused = [0; Reason::ALL.len()];
            refused[0] = received / 2;
            let at = begin + Duration::from_secs(seconds);
            Reading { at, stages, refused, commits, commit_us: commits * 4_000 }
        };
        let one = told_of(&[reading(0, 7, 0)].into());
        assert_eq!((one.stages[0].total, one.stages[0].per_second, one.commit_ms), (7, None, None));
        let two = told_of(&[reading(0, 100, 1), reading(30, 400, 11), reading(60, 700, 21)].into());
        assert_eq!(
            (two.stages[0].name, two.stages[0].total, two.stages[0].per_second),
            ("received", 700, Some(10.0))
        );
        assert_eq!(
            (two.refused.len(), two.refused[0].per_second),
            (1, Some(5.0)),
            "reasons without any are left out"
        );
        assert_eq!(two.commit_ms, Some(4.0));
        assert_eq!(two.stages[1].per_second, Some(0.0));
    }
}
