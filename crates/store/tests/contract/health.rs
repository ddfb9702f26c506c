//! Health grades: the newest of each unit, history when they move, the engine's history through fits.

use std::collections::BTreeMap;

use notchwatch_model::{EngineSerial, Priority, Time};
use notchwatch_store::{HealthMark, HealthRecord};

use crate::bed::{Bed, at, only, unit};
use crate::findings::ALL;

const DAY: i64 = 86_400;

fn serial(name: &str) -> EngineSerial {
    name.parse().unwrap()
}

pub(crate) fn graded(unit_name: &str, secs: i64, engine: &str, grade: Option<u16>) -> HealthRecord {
    let mark = |grade, why: &str| HealthMark { grade, confidence: 900, at_most: false, why: why.to_owned() };
    HealthRecord {
        unit: unit(unit_name),
        at: at(secs),
        engine: (!engine.is_empty()).then(|| serial(engine)),
        parts: BTreeMap::from([
            ("unit".to_owned(), mark(grade, "oil \u{2014} low")),
            ("cooling".to_owned(), mark(Some(1000), "")),
        ]),
    }
}

pub(crate) async fn history_is_kept_when_grades_move(bed: &Bed) {
    let store = bed.open().await;
    let put = async |record: HealthRecord| store.put_health(&[record]).await.unwrap();
    let name = "northmoor/NM-1";
    let first = graded(name, 0, "E-1", Some(900));
    assert_eq!(put(first.clone()).await, 1, "the first is history");
    assert_eq!(put(first.clone()).await, 0, "the same again is not");
    assert_eq!(put(graded(name, 60, "E-1", Some(870))).await, 0, "a small move is not");
    let now = store.health_now(&ALL).await.unwrap();
    assert_eq!(now, [graded(name, 60, "E-1", Some(870))], "the newest is kept all the same");
    assert_eq!(
        put(graded(name, 120, "E-1", Some(849))).await,
        1,
        "small moves add up against the newest row"
    );
    assert_eq!(put(graded(name, 180, "E-1", None)).await, 1, "not known any more");
    assert_eq!(put(graded(name, 240, "E-2", None)).await, 1, "another engine");
    assert_eq!(put(graded(name, 240 + DAY, "E-2", None)).await, 1, "another day");
    let all = store.health_of_unit(&unit(name), at(0), at(2 * DAY)).await.unwrap();
    let when: Vec<Time> = all.iter().map(|r| r.at).collect();
    assert_eq!(when, [at(0), at(120), at(180), at(240), at(240 + DAY)]);
    assert_eq!(all[0], first, "bit for bit");
    assert_eq!(store.health_of_unit(&unit(name), at(1), at(180)).await.unwrap().len(), 1);
    store.close().await;
}

pub(crate) async fn an_engines_history_goes_with_it(bed: &Bed) {
    let store = bed.open().await;
    let records = [
        graded("northmoor/NM-1", 0, "E-7", Some(500)),
        graded("northmoor/NM-2", 0, "", Some(1000)),
        graded("sarel/SC-1", DAY, "E-7", Some(400)),
        graded("northmoor/X", 0, "E-7", Some(1)),
    ];
    assert_eq!(store.put_health(&records).await.unwrap(), 3, "a stranger is left out");
    let of =
        async |filter| store.health_of_engine(&serial("E-7"), &filter, at(0), at(9 * DAY)).await.unwrap();
    let units: Vec<_> = of(ALL).await.into_iter().map(|r| r.unit).collect();
    assert_eq!(units, [unit("northmoor/NM-1"), unit("sarel/SC-1")], "oldest first, through both units");
    assert_eq!(of(only("sarel")).await.len(), 1, "a railway sees its own");
    assert_eq!(store.health_now(&only("sarel")).await.unwrap().len(), 1);
    assert!(store.open_counts(&ALL).await.unwrap().is_empty());
    let machine = crate::findings::machine("f-1", "sarel/SC-1");
    store.commit_evaluation(crate::findings::commit(vec![machine]), at(1)).await.unwrap();
    let counts = store.open_counts(&ALL).await.unwrap();
    assert_eq!(counts, [(unit("sarel/SC-1"), Priority::High, 1)]);
    assert!(store.open_counts(&only("northmoor")).await.unwrap().is_empty());
    store.close().await;
}
