//! Connections that end: by the server, and in the middle of a commit.

use std::future::poll_fn;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Poll;

use notchwatch_model::{ChannelIx, DecisionId, RailwayFilter, Seq, Span, TimelineId};
use notchwatch_store::{Error, EvaluationCommit, FindingQuery, Options, Retention, Store};
use sqlx::Connection as _;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use crate::bed::{Bed, Engine, at, message, sample, unit};

pub(crate) async fn a_cut_connection_heals(bed: &Bed) {
    match bed.engine {
        Engine::Sqlite => a_lock_from_outside_is_waited_for(bed).await,
        Engine::Postgres => {
            ended_connections_are_made_anew(bed).await;
            a_lost_answer_to_a_commit_doubles_nothing(bed).await;
        }
    }
}

/// A writer outside holds the file for a while: callers wait, none sees a lock.
async fn a_lock_from_outside_is_waited_for(bed: &Bed) {
    let store = bed.open().await;
    let path = bed.url.strip_prefix("sqlite:").unwrap();
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut outside = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut outside).await.unwrap();
    let mut writer = tokio::task::JoinSet::new();
    writer.spawn({
        let store = store.clone();
        async move { store.append(&[message("northmoor/NM-1", 0, vec![sample(0, 0, 1.0)])]).await }
    });
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    assert_eq!(store.journal_end().await.unwrap(), Seq(0), "reading goes on");
    sqlx::raw_sql("COMMIT").execute(&mut outside).await.unwrap();
    let done = writer.join_next().await.unwrap().unwrap().unwrap();
    assert_eq!(done.messages, 1);
    store.close().await;
}

async fn ended_connections_are_made_anew(bed: &Bed) {
    let store = bed.open().await;
    for round in 0..5 {
        let batch = [message("northmoor/NM-1", round, vec![sample(round, 0, 1.0)])];
        // A pooler notices an ended connection when it is used next; whoever asked tries the same batch again.
        while let Err(error) = store.append(&batch).await {
            assert!(error.passes(), "{error}");
        }
        bed.sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity \
             WHERE datname = current_database() AND pid <> pg_backend_pid()",
        )
        .await;
    }
    let read = loop {
        match store.unit_samples(&unit("northmoor/NM-1"), at(0), at(100), None).await {
            Err(error) if error.passes() => {}
            read => break read.unwrap(),
        }
    };
    assert_eq!(read.len(), 5);
    store.close().await;
}

/// A relay cuts the connection once the server has the commit and before its answer comes back.
async fn a_lost_answer_to_a_commit_doubles_nothing(bed: &Bed) {
    let cut = Arc::new(AtomicBool::new(false));
    let (before, database) = bed.url.rsplit_once('/').unwrap();
    let (head, server) = before.rsplit_once('@').unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("{head}@{}/{database}?sslmode=disable", listener.local_addr().unwrap());
    let mut relays = tokio::task::JoinSet::new();
    relays.spawn(relay(listener, server.to_owned(), Arc::clone(&cut)));

    let store = Store::open_beside(&Options { url, readers: 2 }).await.unwrap();
    let warm = message("northmoor/NM-2", 9, vec![sample(9, 0, 1.0)]);
    let first = store.append(&[warm]).await.unwrap().last.unwrap();
    let batch = [
        message("northmoor/NM-2", 0, vec![sample(0, 0, 1.0)]),
        message("northmoor/NM-2", 1, vec![sample(1, 0, 1.0)]),
    ];
    cut.store(true, Ordering::SeqCst);
    let lost = store.append(&batch).await.unwrap_err();
    assert!(lost.passes(), "{lost}");
    assert!(!cut.load(Ordering::SeqCst), "the connection was cut at a commit");
    let again = store.append(&batch).await.unwrap();
    assert_eq!((again.messages, again.samples, again.last), (2, 2, Some(Seq(first.0 + 2))));
    assert_eq!(store.journal_after(first, 10).await.unwrap().items.len(), 2, "each once");
    let honest = store.append(&batch).await.unwrap();
    assert_eq!(honest.last, Some(Seq(first.0 + 4)), "a repeat that was no retry is a repeat");
    store.close().await;
}

/// Reads that are asked for at one time: so many times the connections that reads have that what waits behind them waits
/// far longer than work takes, however short each is.
const READS: usize = 400;
/// Connections that reads have, see [`Bed::try_open`].
const READERS: usize = 4;

/// Readers that hold every connection they may have hold up neither messages nor what evaluation, housekeeping and health
/// read, nor their own refusal.
pub(crate) async fn reads_never_starve_work(bed: &Bed) {
    let store = bed.open().await;
    let one = |secs| [message("northmoor/NM-1", secs, vec![sample(secs, 0, 1.0)])];
    store.append(&one(0)).await.unwrap();
    let block = make_reads_long(bed).await;
    let mut readers = tokio::task::JoinSet::new();
    for _ in 0..READS {
        let store = store.clone();
        readers.spawn(async move {
            let unit = unit("northmoor/NM-1");
            store.rollup(&unit, ChannelIx(0), at(-864_000), at(864_000), Span::from_hours(1)).await
        });
    }
    let first = readers.join_next().await.unwrap().unwrap();
    if let (Engine::Postgres, Err(refused)) = (bed.engine, &first) {
        assert!(matches!(refused, Error::Unreachable(_)), "those beyond the number are told: {refused}");
    }
    assert_eq!(first.is_err(), bed.engine == Engine::Postgres, "on SQLite they wait for a minute");
    for secs in 1..20 {
        store.append(&one(secs)).await.unwrap();
    }
    assert_eq!(store.journal_after(Seq(0), 100).await.unwrap().items.len(), 20);
    store.ping().await.unwrap();
    work_reads(&store.for_work()).await;
    if let Some(mut block) = block {
        sqlx::raw_sql("COMMIT").execute(&mut block).await.unwrap();
        let served = readers.join_all().await.into_iter().flatten().count();
        assert!((1..=READERS).contains(&served), "connections opened in time or not: {served}");
    } else {
        let mut ended = 1;
        while readers.try_join_next().is_some() {
            ended += 1;
        }
        assert!(ended <= READS - READERS, "work waited behind {ended} reads");
        readers.shutdown().await;
    }
    store.close().await;
}

/// Makes every read of rollups a long one: by a lock on `PostgreSQL`, until that is given up; by work on `SQLite`, which
/// has no such lock.
async fn make_reads_long(bed: &Bed) -> Option<sqlx::PgConnection> {
    if bed.engine == Engine::Sqlite {
        bed.sql(
            "ALTER TABLE rollup RENAME TO rollup_kept; CREATE VIEW rollup AS WITH RECURSIVE n (x) AS \
             (SELECT 1 UNION ALL SELECT x + 1 FROM n LIMIT 10000000) \
             SELECT x AS unit_no, x AS day, x'' AS packed FROM n WHERE x < 0",
        )
        .await;
        return None;
    }
    let mut block = sqlx::PgConnection::connect(&bed.direct).await.unwrap();
    sqlx::raw_sql("BEGIN; LOCK TABLE rollup IN ACCESS EXCLUSIVE MODE").execute(&mut block).await.unwrap();
    Some(block)
}

/// What a start and the rounds of evaluation read, what grading and housekeeping read, and what they write.
async fn work_reads(work: &Store) {
    let nm = unit("northmoor/NM-1");
    let (from, to, own) = (at(-100), at(100), std::slice::from_ref(&nm));
    work.put_tick(at(20), &[]).await.unwrap();
    assert_eq!(work.ticks_after(0, 10).await.unwrap().items.len(), 1);
    assert!(work.newest_tick().await.unwrap().is_some());
    assert_eq!(work.ticked().await.unwrap(), 0);
    assert_eq!(work.decisions_after(DecisionId(0), 10).await.unwrap().items, []);
    assert_eq!(work.timeline_after(TimelineId(0), 10).await.unwrap().items, []);
    assert_eq!(work.comms_snapshot().await.unwrap(), None);
    assert_eq!(work.snapshot(&nm, None).await.unwrap(), None);
    assert_eq!(work.unit_samples(&nm, from, to, None).await.unwrap().len(), 20);
    assert_eq!(work.unit_record(&nm, from, to, None).await.unwrap().0.len(), 20);
    assert_eq!(work.unit_texts(&nm, from, to, None).await.unwrap(), []);
    assert_eq!(work.unjudged(&nm, from, to).await.unwrap(), []);
    assert_eq!(work.with_history(own, Seq(20)).await.unwrap().len(), 1);
    let commit = EvaluationCommit { position: Seq(20), ticked: 1, ..EvaluationCommit::default() };
    work.commit_evaluation(commit, at(20)).await.unwrap();
    assert_eq!(work.progress(&RailwayFilter::All).await.unwrap(), []);
    assert_eq!(work.progress_of(own).await.unwrap(), []);
    assert_eq!(work.comms_of(own).await.unwrap(), []);
    let findings = work.findings(&FindingQuery::default(), &RailwayFilter::All, at(20)).await.unwrap();
    assert_eq!(findings.items, []);
    assert_eq!(work.unit_findings(&nm, from).await.unwrap(), []);
    assert_eq!(work.register().await.unwrap().units.len(), 3);
    assert_eq!(work.arrivals(from, from, to, &RailwayFilter::All).await.unwrap(), []);
    assert_eq!(work.positions().await.unwrap(), []);
    assert_eq!(work.event_range().await.unwrap(), None);
    assert_eq!(work.quarantine_dropped().await.unwrap(), 0);
    let days = Some(Span::from_days(30));
    let keep = Retention { ticks: days, refused: days, snapshots: days, ..Retention::default() };
    work.retain(&keep, at(20)).await.unwrap();
}

async fn relay(listener: TcpListener, server: String, cut: Arc<AtomicBool>) {
    let mut open = tokio::task::JoinSet::new();
    while let Ok((client, _)) = listener.accept().await {
        let (server, cut) = (server.clone(), Arc::clone(&cut));
        open.spawn(async move {
            let upstream = TcpStream::connect(server).await.unwrap();
            let (mut from_client, mut to_client) = client.into_split();
            let (mut from_server, mut to_server) = upstream.into_split();
            let mut back = tokio::task::JoinSet::new();
            back.spawn(async move { tokio::io::copy(&mut from_server, &mut to_client).await });
            let mut bytes = vec![0; 1 << 16];
            while let Ok(read @ 1..) = from_client.read(&mut bytes).await {
                let commits = bytes[..read].windows(6).any(|w| w == b"COMMIT");
                if commits && cut.swap(false, Ordering::SeqCst) {
                    // The way back is gone before the server has the commit.
                    back.shutdown().await;
                    to_server.write_all(&bytes[..read]).await.unwrap();
                    tokio::time::sleep(std::time::Duration::from_millis(200)).await;
                    return;
                }
                if to_server.write_all(&bytes[..read]).await.is_err() {
                    return;
                }
            }
        });
    }
}

/// Tasks are ended and browsers go away in the middle of a call: whoever uses its connection next must not notice.
pub(crate) async fn callers_that_go_away_leave_nothing_behind(bed: &Bed) {
    let store = bed.open().await;
    for round in 0..240 {
        given_up_after(round % 8, store.ping()).await;
        let batch = [message("northmoor/NM-1", i64::from(round), vec![sample(i64::from(round), 0, 1.0)])];
        store.append(&batch).await.unwrap();
    }
    assert_eq!(store.journal_end().await.unwrap(), Seq(240));
    store.close().await;
}

/// Polls a call so often and drops it.
async fn given_up_after(polls: u32, call: impl Future) {
    let (mut call, mut polled) = (pin!(call), 0);
    poll_fn(|context| {
        polled += 1;
        if polled > polls || call.as_mut().poll(context).is_ready() { Poll::Ready(()) } else { Poll::Pending }
    })
    .await;
}
