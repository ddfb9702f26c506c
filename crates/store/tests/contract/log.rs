//! `SQLite`'s write-ahead log: what somebody outside holds is told, and cut back once it is let go.

use std::time::Duration;

use sqlx::Connection as _;

use crate::bed::{Bed, Engine, message, sample};

/// The bound that the storage page states.
const BOUND: u64 = 64 << 20;
/// Longer than anything here takes on a busy machine.
const LONG: Duration = Duration::from_mins(2);

pub(crate) async fn one_that_somebody_holds_is_told_and_cut_back_when_free(bed: &Bed) {
    let store = bed.open().await;
    if bed.engine == Engine::Postgres {
        assert_eq!((store.log_bytes(), store.log_held()), (None, false), "it keeps its own");
        store.close().await;
        return;
    }
    let path = bed.url.strip_prefix("sqlite:").unwrap();
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut outside = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN; SELECT COUNT(*) FROM journal").execute(&mut outside).await.unwrap();
    bed.sql("CREATE TABLE filler (bytes BLOB); INSERT INTO filler VALUES (zeroblob(80 << 20))").await;
    let size = || store.log_bytes().unwrap();
    until(|| store.log_held()).await;
    let held = size();
    assert!(held > BOUND, "{held}");
    for secs in 0..200 {
        store.append(&[message("northmoor/NM-1", secs, vec![sample(secs, 0, 1.0)])]).await.unwrap();
    }
    assert!(store.log_held() && size() > held, "messages go on, and so does the log: {}", size());

    sqlx::raw_sql("COMMIT").execute(&mut outside).await.unwrap();
    until(|| !store.log_held()).await;
    assert!(size() <= BOUND, "cut back beside the process that runs: {}", size());
    store.append(&[message("northmoor/NM-1", 200, vec![sample(200, 0, 1.0)])]).await.unwrap();
    store.close().await;
}

async fn until(told: impl Fn() -> bool) {
    let waited = async {
        while !told() {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(LONG, waited).await.expect("it was never told");
}
