//! One row a sample with a primary key over unit, channel and time, as a table for samples is usually made.

use std::collections::BTreeMap;
use std::path::Path;

use sqlx::{AssertSqlSafe, Connection as _, Row as _};

use crate::Failure;
use crate::feed::Sent;

/// Rows a statement.
const ROWS: usize = 5_000;

/// A row: unit's number, channel, time in microseconds, value.
type Line = (i64, i64, i64, f64);

/// Rows in the order in which they come: by time.
fn lines(sent: &Sent) -> Vec<Line> {
    let mut numbers = BTreeMap::new();
    for (unit, ..) in sent.samples.keys() {
        let next = i64::try_from(numbers.len()).unwrap_or_default();
        numbers.entry(unit).or_insert(next);
    }
    let mut lines: Vec<Line> = sent
        .samples
        .iter()
        .map(|((unit, channel, time), value)| {
            (numbers.get(unit).copied().unwrap_or_default(), i64::from(channel.0), time.micros(), *value)
        })
        .collect();
    lines.sort_by_key(|line| (line.2, line.0, line.1));
    lines
}

/// Size of the file. The table is clustered by its key: without a rowid it is the smaller form.
pub(crate) async fn sqlite(folder: &Path, sent: &Sent) -> Result<u64, Failure> {
    let path = folder.join("keyed.db");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path).create_if_missing(true);
    let mut connection = sqlx::SqliteConnection::connect_with(&options).await?;
    let table = "CREATE TABLE sample (unit INTEGER NOT NULL, channel INTEGER NOT NULL, time INTEGER NOT NULL, \
                 value REAL NOT NULL, PRIMARY KEY (unit, channel, time)) STRICT, WITHOUT ROWID";
    sqlx::raw_sql(table).execute(&mut connection).await?;
    let mut tx = connection.begin().await?;
    for some in lines(sent).chunks(ROWS) {
        let mut query = sqlx::QueryBuilder::new("INSERT INTO sample (unit, channel, time, value) ");
        query.push_values(some, |mut row, line| {
            row.push_bind(line.0).push_bind(line.1).push_bind(line.2).push_bind(line.3);
        });
        query.build().execute(&mut *tx).await?;
    }
    tx.commit().await?;
    connection.close().await?;
    Ok(std::fs::metadata(path)?.len())
}

/// Table and index, after a vacuum.
pub(crate) async fn postgres(sent: &Sent) -> Result<u64, Failure> {
    let database = Database::create("keyed").await?;
    let mut connection = sqlx::PgConnection::connect(database.url()).await?;
    let table = "CREATE TABLE sample (unit INTEGER NOT NULL, channel SMALLINT NOT NULL, time TIMESTAMPTZ NOT NULL, \
                 value DOUBLE PRECISION NOT NULL, PRIMARY KEY (unit, channel, time))";
    sqlx::raw_sql(table).execute(&mut connection).await?;
    let sql = "INSERT INTO sample SELECT u, c, to_timestamp(t / 1e6), v \
               FROM UNNEST($1::int8[], $2::int8[], $3::int8[], $4::float8[]) AS s (u, c, t, v)";
    for some in lines(sent).chunks(ROWS * 4) {
        let (mut units, mut channels, mut times, mut values) = (vec![], vec![], vec![], vec![]);
        for line in some {
            units.push(line.0);
            channels.push(line.1);
            times.push(line.2);
            values.push(line.3);
        }
        sqlx::query(sql).bind(units).bind(channels).bind(times).bind(values).execute(&mut connection).await?;
    }
    sqlx::raw_sql("VACUUM sample").execute(&mut connection).await?;
    let size = "SELECT pg_total_relation_size('sample') AS bytes";
    let bytes: i64 = sqlx::query(size).fetch_one(&mut connection).await?.try_get("bytes")?;
    connection.close().await?;
    database.drop().await?;
    Ok(bytes.try_into()?)
}

/// A database of this run.
pub(crate) struct Database {
    server: String,
    name: String,
    url: String,
}

impl Database {
    pub(crate) async fn create(word: &str) -> Result<Self, Failure> {
        #[expect(clippy::disallowed_methods, reason = "the one setting of the run")]
        let server = std::env::var("NOTCHWATCH_TEST_POSTGRES")
            .unwrap_or_else(|_| "postgres://postgres@127.0.0.1:5432/test".to_owned());
        let name = format!("notchwatch_size_{word}_{}", std::process::id());
        let (base, _) = server.rsplit_once('/').ok_or("an address names a database")?;
        let url = format!("{base}/{name}");
        let mut connection = sqlx::PgConnection::connect(&server).await?;
        sqlx::raw_sql(AssertSqlSafe(format!("CREATE DATABASE {name}"))).execute(&mut connection).await?;
        Ok(Self { server, name, url })
    }

    pub(crate) fn url(&self) -> &str {
        &self.url
    }

    pub(crate) async fn drop(self) -> Result<(), Failure> {
        let mut connection = sqlx::PgConnection::connect(&self.server).await?;
        let sql = format!("DROP DATABASE IF EXISTS {} WITH (FORCE)", self.name);
        sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut connection).await?;
        Ok(())
    }
}
