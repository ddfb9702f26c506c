//! Comms findings come from the journal and the recorded ticks: stops and kills anywhere give the same.
#![expect(clippy::unwrap_used, reason = "a test that cannot set itself up fails")]

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use notchwatch_detect::Settings;
use notchwatch_evaluate::{EvaluateOptions, Evaluator};
use notchwatch_findings::Library;
use notchwatch_model::{
    ChannelIx, CommsState, Decoded, Envelope, FindingKind, MachinePart, RailwayFilter, Register, Sample,
    Scope, Span, Time, UnitKey,
};
use notchwatch_store::{FindingQuery, NewMessage, Options, Store};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// The clock of the one test here, in microseconds.
static NOW: AtomicI64 = AtomicI64::new(0);
const UNITS: i64 = 12;

fn now() -> Time {
    Time::from_micros(NOW.load(Ordering::SeqCst)).unwrap()
}

fn begin() -> Time {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn register() -> Register {
    let mut text =
        "[[railways]]\nid = \"r\"\nname = \"A railway\"\n[[classes]]\nid = \"pump\"\nname = \"A pump\"\n\
        [[classes.channels]]\nname = \"pressure\"\nsystem = \"machine\"\nuom = \"Pa\"\nresolution = 100.0\n"
            .to_owned();
    for n in 0..UNITS {
        let region = if n < UNITS / 2 { "east" } else { "west" };
        let unit =
            format!("[[units]]\nrailway = \"r\"\nid = \"{n}\"\nclass = \"pump\"\nregion = \"{region}\"\n");
        text.push_str(&unit);
    }
    toml::from_str(&text).unwrap()
}

fn message(unit: i64) -> NewMessage {
    let sample = Sample { time: now(), channel: ChannelIx(0), value: 400_000.0 };
    let key = UnitKey { railway: "r".parse().unwrap(), unit: unit.to_string().parse().unwrap() };
    NewMessage {
        envelope: Envelope {
            received: now(),
            topic: format!("units/r/{unit}/senml"),
            content_type: None,
            retained: false,
            payload: vec![],
        },
        decoded: Decoded { unit: Some(key), samples: vec![sample], ..Decoded::default() },
    }
}

#[expect(clippy::disallowed_methods, reason = "the handle is awaited or aborted by the one caller")]
fn start(
    store: &Store,
    register: &watch::Sender<Arc<Register>>,
) -> (CancellationToken, tokio::task::JoinHandle<()>) {
    let options = EvaluateOptions {
        settle: Duration::ZERO,
        poll: Duration::from_millis(1),
        ..EvaluateOptions::default()
    };
    let library = Arc::new(Library::builtin().unwrap());
    let evaluator = Evaluator::new(
        store.clone(),
        options,
        library,
        Arc::new(Settings::default()),
        register.subscribe(),
        now,
    );
    let stop = CancellationToken::new();
    (stop.clone(), tokio::spawn(evaluator.run(stop)))
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
async fn live(interrupted: bool) -> (Vec<MachinePart>, Vec<CommsState>) {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("links.db").display());
    let store = Store::open(&Options { url, readers: 2 }).await.unwrap();
    store.put_register(&register(), &"test".parse().unwrap(), begin()).await.unwrap();
    let known = watch::Sender::new(Arc::new(store.register().await.unwrap()));
    NOW.store(begin().micros(), Ordering::SeqCst);
    let (mut stop, mut running) = start(&store, &known);
    for step in 0..240 {
        NOW.store((begin() + Span::from_mins(2 * step)).micros(), Ordering::SeqCst);
        let away = (120..210).contains(&step);
        let talks: Vec<NewMessage> =
            (0..UNITS).filter(|n| !(away && (*n < UNITS / 2 || *n == 11))).map(message).collect();
        store.append(&talks).await.unwrap();
        if interrupted && step % 37 == 5 {
            if step % 2 == 0 {
                running.abort();
                drop(running.await);
            } else {
                stop.cancel();
                running.await.unwrap();
            }
            (stop, running) = start(&store, &known);
        }
        judged(&store).await;
    }
    stop.cancel();
    running.await.unwrap();
    let query = FindingQuery { kind: Some(FindingKind::Comms), limit: 100, ..FindingQuery::default() };
    let page = store.findings(&query, &RailwayFilter::All, now()).await.unwrap();
    let mut found: Vec<MachinePart> = page.items.into_iter().map(|f| f.machine).collect();
    found.sort_by(|a, b| a.id.cmp(&b.id));
    (found, store.comms(&RailwayFilter::All).await.unwrap().into_iter().map(|c| c.state).collect())
}

#[tokio::test(flavor = "multi_thread")]
async fn stops_and_kills_change_no_comms_finding() {
    let (expected, states) = live(false).await;
    let scopes: Vec<&Scope> = expected.iter().map(|part| &part.scope).collect();
    assert_eq!(expected.len(), 2, "{expected:#?}");
    assert!(scopes.contains(&&Scope::Region("east".into())) && scopes.contains(&&Scope::Unit), "{scopes:?}");
    assert!(expected.iter().all(|part| part.ended.is_some()), "{expected:#?}");
    assert!(states.iter().all(|state| *state == CommsState::Reporting), "{states:?}");
    assert_eq!(live(true).await, (expected, states));
}
