//! What a round that failed leaves behind.

use notchwatch_model::{ChannelIx, Decoded, Envelope, Sample};
use notchwatch_store::{Error, NewMessage, Options};

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

fn now() -> Time {
    at(10)
}

fn at(minutes: i64) -> Time {
    Time::EPOCH + notchwatch_model::Span::from_days(20_000) + notchwatch_model::Span::from_mins(minutes)
}

fn message(minutes: i64) -> NewMessage {
    let unit = UnitKey { railway: "r".parse().unwrap(), unit: "1".parse().unwrap() };
    let samples = vec![Sample { time: at(minutes), channel: ChannelIx(0), value: 4e5 }];
    NewMessage {
        envelope: Envelope {
            received: at(minutes),
            topic: "units/r/1/senml".to_owned(),
            content_type: None,
            retained: false,
            payload: minutes.to_string().into_bytes(),
        },
        decoded: Decoded { unit: Some(unit), samples, ..Decoded::default() },
    }
}

/// Everything in memory that a round moves, in words.
fn stands(evaluator: &Evaluator) -> String {
    let lines = evaluator.lines.values();
    let lines: Vec<_> = lines.map(|line| (line.folded_to(), line.waits(), line.received)).collect();
    let logs = (evaluator.position, evaluator.decided, evaluator.timelined, evaluator.links.ticked);
    format!("{lines:?} {logs:?} {:?} {}", evaluator.dirty, evaluator.touched.len())
}

#[tokio::test]
async fn lines_are_kept_when_the_store_was_away_before_anything_had_changed() {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("store.db").display());
    let options = Options { url, readers: 1 };
    let store = Store::open(&options).await.unwrap();
    let register: Register = toml::from_str(UNIT).unwrap();
    store.put_register(&register, &"test".parse().unwrap(), at(0)).await.unwrap();
    let (_keep, register) = watch::channel(Arc::new(register));
    let (library, settings) = (Arc::new(Library::builtin().unwrap()), Arc::default());
    let quick = EvaluateOptions { settle: Duration::ZERO, ..EvaluateOptions::default() };
    let mut evaluator = Evaluator::new(store.clone(), quick, library, settings, register, now);
    evaluator.load().await.unwrap();
    store.append(&[message(1)]).await.unwrap();
    evaluator.round().await.unwrap();
    store.append(&[message(2)]).await.unwrap();

    let before = stands(&evaluator);
    store.close().await;
    let failed = evaluator.round().await.unwrap_err();
    assert!(failed.whole, "{}", failed.error);
    assert_eq!(stands(&evaluator), before, "nothing had changed in memory");

    let store = Store::open(&options).await.unwrap();
    evaluator.store = store.for_work();
    evaluator.round().await.unwrap();
    let progress = store.progress(&notchwatch_model::RailwayFilter::All).await.unwrap();
    assert_eq!(progress.iter().map(|unit| unit.samples).collect::<Vec<_>>(), [2], "each once");
    assert_eq!(store.evaluated().await.unwrap(), Seq(2));

    store.append(&[message(3)]).await.unwrap();
    let news = evaluator.read_news().await.unwrap();
    store.close().await;
    let midway = evaluator.fold_news(news).await.map_err(Failed::midway).unwrap_err();
    assert!(!midway.whole, "what was folded is not committed: it has to be read again");
}

#[test]
fn lines_are_kept_for_what_passes_alone() {
    let store = |error| EvaluateError::Store(error);
    for (error, whole) in [
        (store(Error::Unreachable(String::new())), true),
        (store(Error::Full(String::new())), true),
        (store(Error::InUse(String::new())), false),
        (store(Error::Damaged { place: String::new(), what: String::new() }), false),
        (EvaluateError::Worker(String::new()), false),
    ] {
        assert_eq!(Failed::outside(error).whole, whole);
    }
}
