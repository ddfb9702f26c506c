//! Opening, migrating, stopping, and the register.

use notchwatch_model::{ChannelValue, EngineFit, EngineSerial, EventId, RailwayFilter, Seq, Span, Unit};
use notchwatch_store::Error;

use crate::bed::{Bed, Engine, account, at, channel, class, fleet, message, sample, unit};
use crate::findings::{commit, machine};

pub(crate) async fn migrating_again_changes_nothing(bed: &Bed) {
    let store = bed.reopen().await;
    store.ping().await.unwrap();
    assert_eq!(store.register().await.unwrap(), notchwatch_model::Register::default());
    assert_eq!(store.event_range().await.unwrap(), None);
    store.close().await;
    let store = bed.open().await;
    store.close().await;
    let store = bed.reopen().await;
    assert_eq!(store.register().await.unwrap().units.len(), 3);
    let error = bed.try_open().await.unwrap_err();
    assert!(matches!(error, Error::InUse(_)), "a second one at once: {error}");
    let beside = bed.open_beside().await;
    beside.ping().await.unwrap();
    beside.close().await;
    store.close().await;
    assert!(store.ping().await.unwrap_err().passes(), "a closed store says that it does not answer");
    let store = bed.reopen().await;
    store.close().await;
}

pub(crate) async fn a_newer_database_is_refused(bed: &Bed) {
    bed.reopen().await.close().await;
    bed.sql("INSERT INTO migration (version, name, checksum) VALUES (999, 'from the future', '')").await;
    let error = bed.try_open().await.unwrap_err();
    assert!(matches!(error, Error::Newer { found: 999, .. }), "{error}");
    assert!(error.to_string().contains("999"), "{error}");
}

pub(crate) async fn a_changed_migration_is_refused(bed: &Bed) {
    bed.reopen().await.close().await;
    bed.sql("UPDATE migration SET checksum = 'abc' WHERE version = 1").await;
    let error = bed.try_open().await.unwrap_err();
    assert!(matches!(&error, Error::Damaged { place, .. } if place == "migration 1"), "{error}");
}

pub(crate) async fn nothing_is_lost_when_stopped_or_killed(bed: &Bed) {
    for (round, killed) in [(0, false), (1, true)] {
        let store = if round == 0 { bed.open().await } else { bed.reopen().await };
        let secs = round * 100;
        store.append(&[message("northmoor/NM-1", secs, vec![sample(secs, 0, 1.5)])]).await.unwrap();
        let one = machine(&format!("f-{round}"), "northmoor/NM-1");
        store.commit_evaluation(commit(vec![one]), at(secs)).await.unwrap();
        if killed {
            drop(store);
        } else {
            store.close().await;
        }
        let store = reopen_soon(bed).await;
        let rounds = usize::try_from(round).unwrap() + 1;
        assert_eq!(store.journal_after(Seq(0), 10).await.unwrap().items.len(), rounds);
        let samples = store.unit_samples(&unit("northmoor/NM-1"), at(0), at(1000), None).await.unwrap();
        assert_eq!(samples.len(), rounds);
        assert_eq!(
            store.events_after(EventId(0), &RailwayFilter::All, 10).await.unwrap().items.len(),
            rounds
        );
        assert_eq!(*store.watch_events().borrow(), EventId(i64::try_from(rounds).unwrap()));
        store.close().await;
    }
}

/// The lock of a dropped store ends when its last task has seen the drop.
async fn reopen_soon(bed: &Bed) -> notchwatch_store::Store {
    for _ in 0..200 {
        match bed.try_open().await {
            Err(Error::InUse(_)) => tokio::time::sleep(std::time::Duration::from_millis(10)).await,
            other => return other.unwrap(),
        }
    }
    panic!("the lock of a dropped store stays");
}

pub(crate) async fn the_register_keeps_numbers(bed: &Bed) {
    let store = bed.open().await;
    let mut expected = fleet();
    expected.units[0].engines = vec![
        EngineFit { serial: EngineSerial::new("E-1").unwrap(), from: at(-1000), to: Some(at(-10)) },
        EngineFit { serial: EngineSerial::new("E-2").unwrap(), from: at(-10), to: None },
    ];
    expected.units[1].fitted = vec![class().channels[3].name.clone()];
    expected.units[2].zone = Some("Africa/Cairo".into());
    store.put_register(&expected, &account("ada"), at(1)).await.unwrap();
    assert_eq!(store.register().await.unwrap(), expected);
    let log = store.audit_log(1).await.unwrap();
    assert_eq!((log[0].by.as_str(), log[0].what.as_str(), log[0].at), ("ada", "register", at(1)));

    let mut turned = fleet();
    turned.classes[0].channels.reverse();
    turned.classes[0].channels.remove(3);
    turned.classes[0].channels.insert(0, channel("fuel_pressure", "Pa", ChannelValue::Number));
    turned.classes[0].channels[2].label = "Coolant at the outlet".into();
    store.put_register(&turned, &account("ada"), at(2)).await.unwrap();
    let names: Vec<String> =
        store.register().await.unwrap().classes[0].channels.iter().map(|c| c.name.to_string()).collect();
    assert_eq!(names, ["oil_pressure", "oil_temp", "coolant_temp", "software_version", "fuel_pressure"]);

    let mut other_uom = fleet();
    other_uom.classes[0].channels[0].uom = notchwatch_model::Uom::parse("psi").unwrap();
    let error = store.put_register(&other_uom, &account("ada"), at(3)).await.unwrap_err();
    assert!(error.to_string().contains("oil_pressure"), "{error}");

    store.append(&[message("northmoor/NM-1", 0, vec![sample(0, 0, 1.0)])]).await.unwrap();
    let mut other_class = fleet();
    other_class
        .classes
        .push(notchwatch_model::Class { id: notchwatch_model::ClassId::new("demo-5").unwrap(), ..class() });
    for unit in &mut other_class.units {
        unit.class = other_class.classes[1].id.clone();
    }
    let error = store.put_register(&other_class, &account("ada"), at(4)).await.unwrap_err();
    assert!(matches!(&error, Error::Refused(what) if what.contains("northmoor/NM-1")), "{error}");

    let stray = Unit { railway: crate::bed::railway("nowhere"), ..fleet().units[0].clone() };
    let register = notchwatch_model::Register { units: vec![stray], ..notchwatch_model::Register::default() };
    let error = store.put_register(&register, &account("ada"), at(5)).await.unwrap_err();
    assert!(matches!(error, Error::Refused(_)), "a railway that is not registered: {error}");
    store.close().await;
}

pub(crate) async fn watchers_are_told(bed: &Bed) {
    let store = bed.open().await;
    let mut watch = store.watch_events();
    assert_eq!(*watch.borrow_and_update(), EventId(0));
    store.commit_evaluation(commit(vec![machine("f-1", "northmoor/NM-1")]), at(0)).await.unwrap();
    assert_eq!(*watch.borrow_and_update(), EventId(1), "at once, for a commit of this process");
    if bed.engine == Engine::Postgres {
        let other = bed.open_beside().await;
        other.commit_evaluation(commit(vec![machine("f-2", "northmoor/NM-1")]), at(0)).await.unwrap();
        let soon = std::time::Duration::from_secs(20);
        tokio::time::timeout(soon, watch.changed()).await.expect("told of another process").unwrap();
        assert_eq!(*watch.borrow_and_update(), EventId(2));
        other.close().await;
    }
    store.seal(at(0), Span::ZERO).await.unwrap();
    store.close().await;
}

pub(crate) async fn of_two_processes_one_runs(bed: &Bed) {
    let mut starting = tokio::task::JoinSet::new();
    for _ in 0..4 {
        let options = notchwatch_store::Options { url: bed.url.clone(), readers: 2 };
        starting.spawn(async move { notchwatch_store::Store::open(&options).await });
    }
    let mut running = Vec::new();
    while let Some(opened) = starting.join_next().await {
        match opened.unwrap() {
            Ok(store) => running.push(store),
            Err(error) => assert!(matches!(error, Error::InUse(_)), "{error}"),
        }
    }
    assert_eq!(running.len(), 1, "one of four that start at once");
    let error = bed.try_open().await.unwrap_err();
    assert!(error.to_string().contains("process"), "says who: {error}");
    running.remove(0).close().await;
    bed.reopen().await.close().await;
}

/// A process that stood still for so long that another one took the database.
pub(crate) async fn a_former_holder_can_write_no_more(bed: &Bed) {
    let former = bed.open().await;
    let one = |secs| [message("northmoor/NM-1", secs, vec![sample(secs, 0, 1.0)])];
    former.append(&one(0)).await.unwrap();
    // As if its host had died: no beat will be seen, and where it ran cannot be looked at.
    bed.sql("UPDATE owner SET holder = 'process 1 started 1 on another machine'").await;
    bed.sql("CREATE FUNCTION still() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'").await;
    bed.sql("CREATE TRIGGER still BEFORE UPDATE ON owner FOR EACH ROW WHEN (NEW.holder = OLD.holder) EXECUTE FUNCTION still()")
        .await;
    let present = bed.reopen().await;
    let error = former.append(&one(1)).await.unwrap_err();
    assert!(matches!(error, Error::InUse(_)), "{error}");
    let error =
        former.commit_evaluation(commit(vec![machine("f-1", "northmoor/NM-1")]), at(0)).await.unwrap_err();
    assert!(matches!(error, Error::InUse(_)), "{error}");
    present.append(&one(2)).await.unwrap();
    former.close().await;
    present.append(&one(3)).await.unwrap();
    let received: Vec<_> =
        present.journal_after(Seq(0), 10).await.unwrap().items.iter().map(|m| m.received).collect();
    assert_eq!(received, [at(0), at(2), at(3)]);
    present.close().await;
}
