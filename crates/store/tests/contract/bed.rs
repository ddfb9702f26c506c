//! A database for one case, and what the cases have in common.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicU32, Ordering};

use crate::pooler::Pooler;
use notchwatch_model::{
    AccountName, ChannelDef, ChannelIx, ChannelName, ChannelValue, Class, ClassId, Decoded, Envelope,
    OperationRule, Railway, RailwayFilter, RailwayId, Register, Sample, ServiceStatus, Span, System, Time,
    Unit, UnitId, UnitKey, Uom,
};
use notchwatch_store::{NewMessage, Options, Store};
use sqlx::{AssertSqlSafe, Connection as _};

/// Which engine.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Engine {
    Sqlite,
    Postgres,
}

/// A database of its own.
pub(crate) struct Bed {
    pub(crate) engine: Engine,
    /// Where the store finds it.
    pub(crate) url: String,
    /// The same without a pooler.
    pub(crate) direct: String,
    folder: tempfile::TempDir,
}

/// Runs a case on a fresh database and drops that afterwards, whatever the case did.
pub(crate) fn run(engine: Engine, case: impl AsyncFnOnce(&Bed)) {
    run_on(engine, None, case);
}

/// The same behind a pooler in transaction mode; where none is installed, says so.
#[expect(clippy::print_stderr, reason = "a case that did not run has to say so")]
pub(crate) fn run_pooled(case: impl AsyncFnOnce(&Bed)) {
    let Some(pooler) = Pooler::start(&server()) else {
        eprintln!("skipped: pgbouncer is not installed (tests/run.sh installs it)");
        return;
    };
    run_on(Engine::Postgres, Some(&pooler), case);
}

fn run_on(engine: Engine, pooler: Option<&Pooler>, case: impl AsyncFnOnce(&Bed)) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let direct = match engine {
        Engine::Sqlite => format!("sqlite:{}", folder.path().join("store.db").display()),
        Engine::Postgres => runtime.block_on(create_database()),
    };
    let url = pooler.map_or_else(|| direct.clone(), |pooler| pooler.url(&direct));
    let bed = Bed { engine, url, direct, folder };
    let outcome = catch_unwind(AssertUnwindSafe(|| runtime.block_on(case(&bed))));
    if engine == Engine::Postgres {
        runtime.block_on(drop_database(&bed.direct));
    }
    if let Err(panic) = outcome {
        resume_unwind(panic);
    }
}

impl Bed {
    /// Opens the store without putting anything into it.
    pub(crate) async fn reopen(&self) -> Store {
        self.try_open().await.unwrap()
    }

    pub(crate) async fn try_open(&self) -> notchwatch_store::Result<Store> {
        Store::open(&Options { url: self.url.clone(), readers: 4 }).await
    }

    /// Opens the store beside the one that runs on it.
    pub(crate) async fn open_beside(&self) -> Store {
        Store::open_beside(&Options { url: self.url.clone(), readers: 4 }).await.unwrap()
    }

    /// Opens the store and registers the fleet.
    pub(crate) async fn open(&self) -> Store {
        let store = self.reopen().await;
        store.put_register(&fleet(), &account("setup"), at(0)).await.unwrap();
        store
    }

    /// The file of the database, with `SQLite`.
    pub(crate) fn file(&self) -> std::path::PathBuf {
        self.folder.path().join("store.db")
    }

    /// A number that `SQLite` tells beside the store.
    pub(crate) async fn number(&self, sql: &str) -> i64 {
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(self.file());
        let mut connection = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(&mut connection).await.unwrap()
    }

    /// Runs SQL beside the store.
    pub(crate) async fn sql(&self, sql: &str) {
        let result = match self.engine {
            Engine::Sqlite => {
                let options = sqlx::sqlite::SqliteConnectOptions::new().filename(self.file());
                let mut connection = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
                sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut connection).await.map(drop)
            }
            Engine::Postgres => {
                let mut connection = sqlx::PgConnection::connect(&self.direct).await.unwrap();
                sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut connection).await.map(drop)
            }
        };
        result.unwrap();
    }
}

#[expect(clippy::disallowed_methods, reason = "the one setting of the suite")]
fn server() -> String {
    std::env::var("NOTCHWATCH_TEST_POSTGRES")
        .unwrap_or_else(|_| "postgres://postgres@127.0.0.1:5432/test".to_owned())
}

async fn connect(url: &str) -> sqlx::PgConnection {
    sqlx::PgConnection::connect(url)
        .await
        .unwrap_or_else(|e| panic!("PostgreSQL is needed at {url} (NOTCHWATCH_TEST_POSTGRES): {e}"))
}

async fn create_database() -> String {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let name = format!("notchwatch_store_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
    let server = server();
    let mut connection = connect(&server).await;
    sqlx::raw_sql(AssertSqlSafe(format!("CREATE DATABASE {name}"))).execute(&mut connection).await.unwrap();
    let (base, _) = server.rsplit_once('/').expect("an address that names a database");
    format!("{base}/{name}")
}

async fn drop_database(url: &str) {
    let (_, name) = url.rsplit_once('/').expect("an address that names a database");
    let mut connection = connect(&server()).await;
    let sql = format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)");
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut connection).await.unwrap();
}

/// Noon of a day in the past, and seconds from it.
pub(crate) fn at(secs: i64) -> Time {
    let noon: Time = "2026-03-01T12:00:00Z".parse().unwrap();
    noon + Span::from_secs(secs)
}

pub(crate) fn account(name: &str) -> AccountName {
    AccountName::new(name).unwrap()
}

pub(crate) fn railway(name: &str) -> RailwayId {
    RailwayId::new(name).unwrap()
}

pub(crate) fn only(name: &str) -> RailwayFilter {
    RailwayFilter::Only([railway(name)].into())
}

/// `northmoor/NM-1` and so on.
pub(crate) fn unit(name: &str) -> UnitKey {
    let (railway, unit) = name.split_once('/').unwrap();
    UnitKey { railway: RailwayId::new(railway).unwrap(), unit: UnitId::new(unit).unwrap() }
}

pub(crate) fn sample(secs: i64, channel: u16, value: f64) -> Sample {
    Sample { time: at(secs), channel: ChannelIx(channel), value }
}

/// A message received at a time with samples in it.
pub(crate) fn message(unit_name: &str, received: i64, samples: Vec<Sample>) -> NewMessage {
    NewMessage {
        envelope: Envelope {
            received: at(received),
            topic: format!("units/{unit_name}/senml"),
            content_type: Some("application/senml+json".into()),
            retained: false,
            payload: format!("{received} {samples:?}").into_bytes(),
        },
        decoded: Decoded { unit: Some(unit(unit_name)), samples, records: 1, ..Decoded::default() },
    }
}

pub(crate) fn channel(name: &str, uom: &str, value: ChannelValue) -> ChannelDef {
    ChannelDef {
        uom: Uom::parse(uom).unwrap(),
        value,
        resolution: 0.1,
        judged_in: notchwatch_model::StateFilter::default(),
        ..ChannelDef::new(ChannelName::new(name).unwrap(), System::Lubrication)
    }
}

pub(crate) fn class() -> Class {
    Class {
        id: ClassId::new("demo-4").unwrap(),
        name: "Demonstration".into(),
        operation: OperationRule::default(),
        channels: vec![
            channel("oil_pressure", "Pa", ChannelValue::Number),
            channel("oil_temp", "Cel", ChannelValue::Number),
            channel("coolant_temp", "Cel", ChannelValue::Number),
            channel("software_version", "", ChannelValue::Text),
        ],
    }
}

/// Two railways with three units of one class.
pub(crate) fn fleet() -> Register {
    let line = |id: &str, zone: &str| Railway { id: railway(id), name: id.to_owned(), zone: zone.to_owned() };
    let one = |name: &str| {
        let key = unit(name);
        Unit {
            railway: key.railway,
            id: key.unit,
            class: class().id,
            region: "north".into(),
            zone: None,
            status: ServiceStatus::InService,
            engines: Vec::new(),
            fitted: Vec::new(),
        }
    };
    Register {
        railways: vec![line("northmoor", "Europe/London"), line("sarel", "UTC")],
        classes: vec![class()],
        units: vec![one("northmoor/NM-1"), one("northmoor/NM-2"), one("sarel/SC-1")],
    }
}
