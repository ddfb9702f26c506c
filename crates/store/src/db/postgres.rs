//! `PostgreSQL`: a pool, array inserts, and nothing that outlives a transaction.
//!
//! Owns the settings of every transaction. Refuses session state (prepared statements by name, session locks,
//! session settings): a pooler in front may hand out another connection for each transaction.

use std::borrow::Cow;
use std::str::FromStr as _;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use sqlx::postgres::{PgConnectOptions, PgPool, PgPoolOptions};
use sqlx::{AssertSqlSafe, Postgres, Transaction};
use tokio_util::task::TaskTracker;

use super::{Column, Row, Value};
use crate::{Error, Result};

/// How long a caller waits for a connection: short, so that a page says "unreachable" instead of hanging.
const CONNECT: Duration = Duration::from_secs(3);
/// Connections for what must go on whatever people read: messages, housekeeping, looking for events or health, two for
/// decisions, and four for evaluation, which loads so many lines at a time and else needs one. Commits of one kind follow
/// one another, so more would only wait.
const WORKERS: u32 = 9;
/// How long an answer to a statement is waited for: longer than the server's own limits below, which come first unless
/// the link died without a word. Then the connection is given up.
const ANSWER: Duration = Duration::from_secs(130);
/// The same for statements that only read.
const READ_ANSWER: Duration = Duration::from_secs(35);
/// Bytes in one statement, well below the engine's limit of 1 GiB for a message and kind to memory.
const STATEMENT_BYTES: usize = 32 << 20;
/// Rows in one statement.
const STATEMENT_ROWS: usize = 20_000;

/// Reads see one state and end after a stated time; the server stops them, so that none runs on unseen.
const BEGIN_READ: &str =
    "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL statement_timeout = '30s'";
/// A commit is on disk when it returns, whatever the server's default; a lock is waited for a stated time.
const BEGIN_WRITE: &str = "BEGIN; SET LOCAL statement_timeout = '120s'; SET LOCAL lock_timeout = '60s'; \
                           SET LOCAL synchronous_commit = 'on'";

/// Connections of one database: those that people's reads may fill up, and those that work needs. Neither can take
/// the other's.
#[derive(Debug, Clone)]
pub(crate) struct Pools {
    readers: PgPool,
    workers: PgPool,
    /// Beginnings of transactions.
    begins: TaskTracker,
    /// The number that the counters ask for; unset for a process beside the one that runs.
    pub(crate) fence: Arc<OnceLock<i64>>,
}

/// Connects.
pub(crate) async fn open(url: &str, readers: u32) -> Result<Pools> {
    let options = PgConnectOptions::from_str(url)
        .map_err(|e| Error::Refused(format!("not a database address: {e}")))?
        .application_name("notchwatch")
        .statement_cache_capacity(0)
        .extra_float_digits(None);
    let port = options.get_port();
    let pool = |most| {
        PgPoolOptions::new().max_connections(most).acquire_timeout(CONNECT).after_connect(move |_, _| {
            super::nodelay::send_at_once(port);
            Box::pin(std::future::ready(Ok(())))
        })
    };
    let workers = pool(WORKERS).connect_with(options.clone()).await?;
    let readers = pool(readers.max(1)).connect_lazy_with(options);
    Ok(Pools { readers, workers, begins: TaskTracker::new(), fence: Arc::default() })
}

pub(crate) async fn read(pools: &Pools) -> Result<Transaction<'static, Postgres>> {
    begin(pools, &pools.readers, BEGIN_READ, READ_ANSWER).await
}

/// As [`read`], on a connection that people's reads cannot take.
pub(crate) async fn look(pools: &Pools) -> Result<Transaction<'static, Postgres>> {
    begin(pools, &pools.workers, BEGIN_READ, READ_ANSWER).await
}

pub(crate) async fn write(pools: &Pools) -> Result<Transaction<'static, Postgres>> {
    begin(pools, &pools.workers, BEGIN_WRITE, ANSWER).await
}

/// Begins in a task of its own, which goes on when the caller goes away (a task that is ended, a browser that closes):
/// given up half-way, the words would be on the connection and nobody would know, and the next one to use it would find
/// itself in the transaction of the one before, a reading one at worst. What nobody takes is rolled back.
async fn begin(
    pools: &Pools,
    pool: &PgPool,
    words: &'static str,
    limit: Duration,
) -> Result<Transaction<'static, Postgres>> {
    let pool = pool.clone();
    let begun = pools.begins.spawn(async move { answered(limit, pool.begin_with(words)).await }).await;
    begun.map_err(|error| Error::Database(format!("a transaction was not begun: {error}")))?
}

pub(crate) async fn commit(tx: Transaction<'static, Postgres>) -> Result<()> {
    answered(ANSWER, tx.commit()).await
}

pub(crate) async fn end(tx: Transaction<'static, Postgres>) -> Result<()> {
    answered(READ_ANSWER, tx.rollback()).await
}

pub(crate) async fn close(pools: &Pools) {
    pools.readers.close().await;
    pools.workers.close().await;
}

/// Runs one statement outside of any transaction, for the few that the engine wants so.
pub(crate) async fn alone(pools: &Pools, sql: String) -> Result<()> {
    answered(ANSWER, sqlx::raw_sql(AssertSqlSafe(sql)).execute(&pools.workers)).await.map(drop)
}

/// Runs a statement whose text is made of names and numbers of our own.
pub(crate) async fn run(tx: &mut Transaction<'static, Postgres>, sql: String) -> Result<()> {
    answered(ANSWER, sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut **tx)).await.map(drop)
}

/// A link can die without a word: nobody waits longer than stated.
fn answered<'a, T>(
    limit: Duration,
    call: impl Future<Output = sqlx::Result<T>> + Send + 'a,
) -> impl Future<Output = Result<T>> + Send + 'a
where
    T: 'a,
{
    let call = Box::pin(call);
    async move {
        match tokio::time::timeout(limit, call).await {
            Ok(done) => Ok(done?),
            Err(_) => Err(Error::Unreachable(format!("no answer within {} s", limit.as_secs()))),
        }
    }
}

pub(crate) async fn fetch(
    tx: &mut Transaction<'static, Postgres>,
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> Result<Vec<Row>> {
    let rows = answered(ANSWER, bind(sql, values).fetch_all(&mut **tx)).await?;
    Ok(rows.into_iter().map(Row::Postgres).collect())
}

pub(crate) async fn execute(
    tx: &mut Transaction<'static, Postgres>,
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> Result<u64> {
    Ok(answered(ANSWER, bind(sql, values).execute(&mut **tx)).await?.rows_affected())
}

pub(crate) async fn script(tx: &mut Transaction<'static, Postgres>, sql: &'static str) -> Result<()> {
    sqlx::raw_sql(sql).execute(&mut **tx).await?;
    Ok(())
}

/// One array a column: `COPY` stalls 44 ms a statement over TCP, and a bind value a cell ends at 65,535.
pub(crate) async fn insert(
    tx: &mut Transaction<'static, Postgres>,
    table: &'static str,
    columns: Vec<(&'static str, Column)>,
    suffix: &'static str,
) -> Result<u64> {
    let rows = columns.first().map_or(0, |(_, c)| c.len());
    let sql = insert_sql(table, &columns, suffix);
    let mut touched = 0;
    let mut from = 0;
    while from < rows {
        let to = chunk_end(&columns, from, rows);
        let mut query = sqlx::query::<Postgres>(AssertSqlSafe(sql.as_str())).persistent(false);
        for (_, column) in &columns {
            query = match column {
                Column::Ints(v) => query.bind(part(v, from, to)),
                Column::Texts(v) => query.bind(part(v, from, to)),
                Column::Blobs(v) => query.bind(part(v, from, to)),
                Column::Bools(v) => query.bind(part(v, from, to)),
            };
        }
        touched += answered(ANSWER, query.execute(&mut **tx)).await?.rows_affected();
        from = to;
    }
    Ok(touched)
}

/// Whether a SQLSTATE is one that a caller can wait out, a broken rule, or neither. A row for which a table has no part
/// breaks a check that has no name.
pub(crate) fn sort(code: &str, constraint: Option<&str>, message: String) -> Error {
    // https://www.postgresql.org/docs/current/errcodes-appendix.html
    match (code.get(..2).unwrap_or_default(), code) {
        (_, "53100") => Error::Full(message),
        (_, "23514") if constraint.is_none() => Error::NoPart(message),
        ("08" | "53" | "57" | "40", _) | (_, "55P03" | "25006") => Error::Unreachable(message),
        ("22" | "23" | "54", _) => Error::Refused(message),
        ("XX", _) => Error::Damaged { place: "database".into(), what: message },
        _ => Error::Database(message),
    }
}

fn bind(
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> sqlx::query::Query<'static, Postgres, sqlx::postgres::PgArguments> {
    let mut query = sqlx::query::<Postgres>(AssertSqlSafe(sql)).persistent(false);
    for value in values {
        query = match value {
            Value::Int(v) => query.bind(v),
            Value::Text(v) => query.bind(v),
            Value::Blob(v) => query.bind(v),
            Value::Bool(v) => query.bind(v),
            Value::Ints(v) => query.bind(v),
            Value::Texts(v) => query.bind(v),
        };
    }
    query
}

fn insert_sql(table: &str, columns: &[(&'static str, Column)], suffix: &str) -> String {
    let names: Vec<&str> = columns.iter().map(|(name, _)| *name).collect();
    let arrays: Vec<String> = columns
        .iter()
        .enumerate()
        .map(|(ix, (_, column))| format!("${}::{}", ix + 1, array_type(column)))
        .collect();
    format!("INSERT INTO {table} ({}) SELECT * FROM UNNEST({}) {suffix}", names.join(", "), arrays.join(", "))
}

fn array_type(column: &Column) -> &'static str {
    match column {
        Column::Ints(_) => "bigint[]",
        Column::Texts(_) => "text[]",
        Column::Blobs(_) => "bytea[]",
        Column::Bools(_) => "boolean[]",
    }
}

fn part<T: Clone>(values: &[T], from: usize, to: usize) -> Vec<T> {
    values.get(from..to).map(<[T]>::to_vec).unwrap_or_default()
}

fn chunk_end(columns: &[(&'static str, Column)], from: usize, rows: usize) -> usize {
    let most = (from + STATEMENT_ROWS).min(rows);
    let mut bytes = 0;
    for row in from..most {
        bytes += columns.iter().map(|(_, c)| c.weight(row)).sum::<usize>();
        if bytes > STATEMENT_BYTES {
            return (row + 1).min(rows);
        }
    }
    most
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_sorted_by_what_a_caller_can_do() {
        for code in ["08006", "57P01", "53300", "40001", "40P01", "55P03", "57014"] {
            assert!(matches!(sort(code, None, String::new()), Error::Unreachable(_)), "{code}");
        }
        assert!(matches!(sort("53100", None, String::new()), Error::Full(_)));
        assert!(matches!(sort("23514", Some("c"), String::new()), Error::Refused(_)), "check violation");
        assert!(matches!(sort("23514", None, String::new()), Error::NoPart(_)), "no partition for a row");
        assert!(matches!(sort("22021", None, String::new()), Error::Refused(_)), "a NUL in a text");
        assert!(matches!(sort("42601", None, String::new()), Error::Database(_)), "syntax");
    }

    #[test]
    fn an_insert_takes_one_array_a_column() {
        let columns = vec![("a", Column::ints([1])), ("b", Column::texts(["x".to_owned()]))];
        assert_eq!(
            insert_sql("t", &columns, "ON CONFLICT DO NOTHING"),
            "INSERT INTO t (a, b) SELECT * FROM UNNEST($1::bigint[], $2::text[]) ON CONFLICT DO NOTHING"
        );
    }
}
