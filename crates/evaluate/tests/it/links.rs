//! Comms findings come from the journal and the recorded ticks: stops and kills anywhere give the same.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::EvaluateOptions;
use notchwatch_model::{
    ChannelIx, CommsState, FindingKind, MachinePart, RailwayFilter, Sample, Scope, Span, Time,
};
use notchwatch_store::{NewMessage, Store};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::bench::{self, Bench, End, Engine};

/// One case at a time has the clock.
static CLOCK: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());
/// The clock, in microseconds.
static NOW: AtomicI64 = AtomicI64::new(0);
const UNITS: i64 = 12;

fn now() -> Time {
    Time::from_micros(NOW.load(Ordering::SeqCst)).unwrap()
}

fn begin() -> Time {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn message(unit: i64, at: Time) -> NewMessage {
    let sample = Sample { time: at, channel: ChannelIx(0), value: 400_000.0 };
    bench::message(unit, at, at.micros(), vec![sample])
}

fn start(bench: &Bench) -> (CancellationToken, JoinHandle<()>) {
    let options = EvaluateOptions {
        settle: Duration::ZERO,
        poll: Duration::from_millis(1),
        ..EvaluateOptions::default()
    };
    bench.start(options, Settings::default(), now)
}

/// Waits until the tick of the present minute is judged.
async fn judged(store: &Store) {
    loop {
        let newest = store.newest_tick().await.unwrap();
        if newest.is_some_and(|tick| tick.at == now()) {
            let id = store.newest_tick().await.unwrap().unwrap().id;
            if store.ticked().await.unwrap() >= id {
                return;
            }
        }
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// Eight hours, two minutes a step: the east and unit 11 fall silent after four and come back after seven.
async fn live(engine: Engine, interrupted: bool) -> (Vec<MachinePart>, Vec<CommsState>) {
    let bench = Bench::new(engine, &bench::two_regions(UNITS / 2, UNITS - UNITS / 2), begin()).await;
    let store = &bench.store;
    NOW.store(begin().micros(), Ordering::SeqCst);
    let (mut stop, mut running) = start(&bench);
    for step in 0..240 {
        let at = begin() + Span::from_mins(2 * step);
        let away = (120..210).contains(&step);
        let talks = (0..UNITS).filter(|n| !(away && (*n < UNITS / 2 || *n == 11)));
        let talks: Vec<NewMessage> = talks.map(|unit| message(unit, at)).collect();
        store.append(&talks).await.unwrap();
        // The clock moves after them: a tick between the two would be another, equally true, course of events.
        NOW.store(at.micros(), Ordering::SeqCst);
        if interrupted && step % 37 == 5 {
            bench::finish(stop, running, if step % 2 == 0 { End::Kill } else { End::Stop }).await;
            (stop, running) = start(&bench);
        }
        judged(store).await;
    }
    bench::finish(stop, running, End::Stop).await;
    let mut found: Vec<MachinePart> = bench.findings(now()).await.into_iter().map(|f| f.machine).collect();
    found.retain(|part| part.kind == FindingKind::Comms);
    (found, store.comms(&RailwayFilter::All).await.unwrap().into_iter().map(|c| c.state).collect())
}

pub(crate) async fn stops_and_kills_change_no_comms_finding(engine: Engine) {
    let _clock = CLOCK.lock().await;
    let (expected, states) = live(engine, false).await;
    let scopes: Vec<&Scope> = expected.iter().map(|part| &part.scope).collect();
    assert_eq!(expected.len(), 2, "{expected:#?}");
    assert!(scopes.contains(&&Scope::Region("east".into())) && scopes.contains(&&Scope::Unit), "{scopes:?}");
    assert!(expected.iter().all(|part| part.ended.is_some()), "{expected:#?}");
    assert!(states.iter().all(|state| *state == CommsState::Reporting), "{states:?}");
    assert_eq!(live(engine, true).await, (expected, states));
}
