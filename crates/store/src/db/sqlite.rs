//! `SQLite`: one writing connection, readers for people and for work, and the file lock that keeps a second process out.
//!
//! Owns the settings of every connection. Refuses a database in memory: nothing would be durable.

use std::borrow::Cow;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::sqlite::{
    SqliteArguments, SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions,
    SqliteSynchronous,
};
use sqlx::{Arguments as _, AssertSqlSafe, Connection as _, Sqlite, Transaction};

use super::{Column, Row, Value};
use crate::{Error, Result};

/// How long a connection waits for a lock that somebody outside holds (ours never wait: there is one writer).
const BUSY: Duration = Duration::from_secs(20);
/// How long a writer waits for its turn. The queue is fair; its overflow policy is this timeout.
const TURN: Duration = Duration::from_mins(1);
/// Connections that read for what must go on whatever people read: one for a long look of housekeeping, one for the short
/// ones of evaluation, ingest and health.
const WORKERS: u32 = 2;
/// Parameters in one statement, below the engine's limit of 32,766 (`SQLITE_MAX_VARIABLE_NUMBER`).
const PARAMETERS: usize = 30_000;
/// Rows of the statements that are kept.
const SIZES: [usize; 5] = [1024, 256, 64, 16, 1];
/// Bytes in one statement, well below the engine's limit for a row and kind to memory.
const STATEMENT_BYTES: usize = 16 << 20;
/// Size above which the write-ahead log is cut back (ours: small beside any disk, large beside a busy minute).
pub(crate) const WAL_BYTES: u64 = 64 << 20;
/// Size from which the write-ahead log is written into the file beside the commits.
const BACKFILL_BYTES: u64 = 4 << 20;
/// Pages in the log at which a commit writes them into the file itself (32 MiB): what it finds left, since that has
/// been done beside it up to a second before, and only such a commit lets the log begin anew.
const CHECKPOINT_PAGES: u32 = 8_000;

/// Connections of one database file.
#[derive(Debug, Clone)]
pub(crate) struct Pools {
    writer: SqlitePool,
    readers: SqlitePool,
    workers: SqlitePool,
    /// One connection that writes the log into the file.
    keeper: SqlitePool,
    path: PathBuf,
}

/// Connects; `alone` locks the file against a second process that would be alone with it.
pub(crate) async fn open(url: &str, readers: u32, alone: bool) -> Result<(Pools, Option<File>)> {
    let path = path_of(url)?;
    if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder)
            .map_err(|e| Error::Unreachable(format!("{}: {e}", folder.display())))?;
    }
    let lock = if alone { Some(lock(&path)?) } else { None };
    let base = SqliteConnectOptions::new()
        .filename(&path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(BUSY)
        .pragma("journal_size_limit", WAL_BYTES.to_string())
        .pragma("mmap_size", (256 << 20).to_string())
        .pragma("wal_autocheckpoint", CHECKPOINT_PAGES.to_string())
        .pragma("temp_store", "memory");
    let keeper = SqlitePoolOptions::new().max_connections(1).connect_lazy_with(base.clone());
    let writer = SqlitePoolOptions::new()
        .max_connections(1)
        .acquire_timeout(TURN)
        .idle_timeout(None)
        .max_lifetime(None)
        .connect_with(base.clone().pragma("cache_size", "-65536"))
        .await?;
    let reading = base.pragma("cache_size", "-16384").pragma("query_only", "1");
    let pool = |most| SqlitePoolOptions::new().max_connections(most).acquire_timeout(TURN);
    let workers = pool(WORKERS).connect_lazy_with(reading.clone());
    let readers = pool(readers.max(1)).connect_lazy_with(reading);
    Ok((Pools { writer, readers, workers, keeper, path }, lock))
}

pub(crate) async fn read(pools: &Pools) -> Result<Transaction<'static, Sqlite>> {
    begin(&pools.readers, "BEGIN").await
}

/// As [`read`], on a connection that people's reads cannot take.
pub(crate) async fn look(pools: &Pools) -> Result<Transaction<'static, Sqlite>> {
    begin(&pools.workers, "BEGIN").await
}

pub(crate) async fn write(pools: &Pools) -> Result<Transaction<'static, Sqlite>> {
    begin(&pools.writer, "BEGIN IMMEDIATE").await
}

/// Begins a transaction. On a full disk and some other failures the engine rolls back by itself
/// (<https://sqlite.org/lang_transaction.html>, section 2.3), after which our own rollback fails and the connection
/// counts a transaction that is none: such a connection is closed, and another one made. Kept, it would fail every later
/// call for a reason that speaks of the caller.
async fn begin(pool: &SqlitePool, words: &'static str) -> Result<Transaction<'static, Sqlite>> {
    match pool.begin_with(words).await {
        Err(sqlx::Error::InvalidSavePointStatement) => {}
        begun => return Ok(begun?),
    }
    pool.acquire().await?.close().await?;
    match pool.begin_with(words).await {
        // One of several connections, and not the one that was closed: the caller tries again.
        Err(error @ sqlx::Error::InvalidSavePointStatement) => Err(Error::Unreachable(error.to_string())),
        begun => Ok(begun?),
    }
}

pub(crate) async fn close(pools: &Pools) {
    pools.readers.close().await;
    pools.workers.close().await;
    pools.keeper.close().await;
    pools.writer.close().await;
}

pub(crate) async fn fetch(
    tx: &mut Transaction<'static, Sqlite>,
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> Result<Vec<Row>> {
    let rows = bind(sql, values)?.fetch_all(&mut **tx).await?;
    Ok(rows.into_iter().map(Row::Sqlite).collect())
}

pub(crate) async fn execute(
    tx: &mut Transaction<'static, Sqlite>,
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> Result<u64> {
    Ok(bind(sql, values)?.execute(&mut **tx).await?.rows_affected())
}

pub(crate) async fn script(tx: &mut Transaction<'static, Sqlite>, sql: &'static str) -> Result<()> {
    sqlx::raw_sql(sql).execute(&mut **tx).await?;
    Ok(())
}

/// Many rows a statement: a row a statement is eighty times slower. Statements come in a few sizes, so that each is
/// parsed once and kept: parsing thousands of parameters costs more than writing the rows.
pub(crate) async fn insert(
    tx: &mut Transaction<'static, Sqlite>,
    table: &'static str,
    mut columns: Vec<(&'static str, Column)>,
    suffix: &'static str,
) -> Result<u64> {
    let rows = columns.first().map_or(0, |(_, c)| c.len());
    let names: Vec<&str> = columns.iter().map(|(name, _)| *name).collect();
    let row = format!("({})", vec!["?"; names.len()].join(","));
    let mut touched = 0;
    let mut from = 0;
    while from < rows {
        let to = chunk_end(&columns, from, rows);
        let places = vec![&row[..]; to - from].join(",");
        let sql = format!("INSERT INTO {table} ({}) VALUES {places} {suffix}", names.join(", "));
        let mut arguments = SqliteArguments::default();
        arguments.reserve(names.len() * (to - from), 0);
        for ix in from..to {
            for (_, column) in &mut columns {
                match column {
                    Column::Ints(v) => arguments.add(v.get(ix).copied().flatten()),
                    Column::Texts(v) => arguments.add(v.get_mut(ix).and_then(Option::take)),
                    Column::Blobs(v) => arguments.add(v.get_mut(ix).and_then(Option::take)),
                    Column::Bools(v) => arguments.add(v.get(ix).copied()),
                }
                .map_err(|error| Error::Refused(error.to_string()))?;
            }
        }
        let kept = SIZES.contains(&(to - from));
        let query = sqlx::query_with::<Sqlite, _>(AssertSqlSafe(sql), arguments).persistent(kept);
        touched += query.execute(&mut **tx).await?.rows_affected();
        from = to;
    }
    Ok(touched)
}

/// Writes the write-ahead log into the file, beside commits and reads: none waits for it, and none is waited for
/// (<https://sqlite.org/wal.html>, section 2.1).
pub(crate) async fn backfill(pools: &Pools) -> Result<()> {
    if log_bytes(pools) > BACKFILL_BYTES {
        sqlx::raw_sql("PRAGMA wal_checkpoint(PASSIVE)").execute(&pools.keeper).await?;
    }
    Ok(())
}

/// Cuts the write-ahead log back when it has grown beyond its limit. Returns its size afterwards, in bytes.
///
/// Runs on a connection of its own with a short wait, so that a reader outside, which makes it fail, does not hold
/// up the writer for long.
pub(crate) async fn checkpoint(pools: &Pools) -> Result<u64> {
    let size = log_bytes(pools);
    if size <= WAL_BYTES {
        return Ok(size);
    }
    let options = SqliteConnectOptions::new().filename(&pools.path).busy_timeout(Duration::from_millis(250));
    let mut connection = sqlx::SqliteConnection::connect_with(&options).await?;
    sqlx::raw_sql("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut connection).await?;
    connection.close().await?;
    Ok(log_bytes(pools))
}

/// Whether a `SQLite` result code (extended) is one that a caller can wait out, a broken rule, or damage.
pub(crate) fn sort(code: i32, message: String) -> Error {
    // Primary result codes, https://sqlite.org/rescode.html
    match code & 0xff {
        5 | 6 => Error::Unreachable(format!("locked from outside: {message}")),
        8 | 10 | 14 => Error::Unreachable(message),
        13 => Error::Full(message),
        11 | 26 => Error::Damaged { place: "database file".into(), what: message },
        18..=20 | 25 => Error::Refused(message),
        _ => Error::Database(message),
    }
}

fn bind(
    sql: Cow<'static, str>,
    values: Vec<Value>,
) -> Result<sqlx::query::Query<'static, Sqlite, SqliteArguments>> {
    let mut query = sqlx::query::<Sqlite>(AssertSqlSafe(sql));
    for value in values {
        query = match value {
            Value::Int(v) => query.bind(v),
            Value::Text(v) => query.bind(v),
            Value::Blob(v) => query.bind(v),
            Value::Bool(v) => query.bind(v),
            Value::Ints(v) => query.bind(set(&v)?),
            Value::Texts(v) => query.bind(set(&v)?),
        };
    }
    Ok(query)
}

fn set<T: serde::Serialize>(values: &[T]) -> Result<String> {
    serde_json::to_string(values).map_err(|e| Error::Refused(e.to_string()))
}

fn chunk_end(columns: &[(&'static str, Column)], from: usize, rows: usize) -> usize {
    let most = (from + PARAMETERS / columns.len().max(1)).min(rows);
    let mut bytes = 0;
    for row in from..most {
        bytes += columns.iter().map(|(_, c)| c.weight(row)).sum::<usize>();
        if bytes > STATEMENT_BYTES {
            return (row + 1).min(rows);
        }
    }
    let fits = SIZES.into_iter().find(|size| from + size <= most);
    fits.map_or(most, |size| from + size)
}

fn path_of(url: &str) -> Result<PathBuf> {
    let rest = url.strip_prefix("sqlite:").unwrap_or(url);
    let path = rest.strip_prefix("//").unwrap_or(rest);
    if path.is_empty() || path.starts_with(":memory:") {
        return Err(Error::Refused(format!("{url:?} names no file: sqlite:PATH")));
    }
    Ok(PathBuf::from(path))
}

/// The lock is the operating system's and ends with the process, however that ends.
fn lock(path: &Path) -> Result<File> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let place = PathBuf::from(name);
    let away = |e: std::io::Error| Error::Unreachable(format!("{}: {e}", place.display()));
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(&place).map_err(away)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => {
            Err(Error::InUse(format!("{} is locked by another process", place.display())))
        }
        Err(TryLockError::Error(e)) => Err(away(e)),
    }
}

/// Size of the write-ahead log, in bytes; 0 while there is none.
pub(crate) fn log_bytes(pools: &Pools) -> u64 {
    let mut name = pools.path.as_os_str().to_owned();
    name.push("-wal");
    std::fs::metadata(PathBuf::from(name)).map_or(0, |m| m.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_of_urls() {
        for (url, path) in [
            ("sqlite:a/b.db", "a/b.db"),
            ("sqlite:/x.db", "/x.db"),
            ("sqlite:///x.db", "/x.db"),
            ("x.db", "x.db"),
        ] {
            assert_eq!(path_of(url).unwrap(), PathBuf::from(path), "{url}");
        }
        assert!(path_of("sqlite::memory:").is_err());
        assert!(path_of("sqlite:").is_err());
    }

    #[test]
    fn codes_are_sorted_by_what_a_caller_can_do() {
        assert!(sort(517, String::new()).passes(), "SQLITE_BUSY_SNAPSHOT");
        assert!(sort(13, String::new()).passes(), "SQLITE_FULL");
        assert!(matches!(sort(1811, String::new()), Error::Refused(_)), "SQLITE_CONSTRAINT_TRIGGER");
        assert!(matches!(sort(11, String::new()), Error::Damaged { .. }), "SQLITE_CORRUPT");
    }

    #[test]
    fn statements_stay_below_the_limits() {
        let columns = vec![("a", Column::ints(0..70_000)), ("b", Column::ints(0..70_000))];
        assert_eq!(chunk_end(&columns, 0, 70_000), 1024);
        assert_eq!(chunk_end(&columns, 69_980, 70_000), 69_996);
        assert_eq!(chunk_end(&columns, 69_999, 70_000), 70_000);
        let heavy = vec![("a", Column::blobs((0..40).map(|_| vec![0_u8; 1 << 20])))];
        assert_eq!(chunk_end(&heavy, 0, 40), 17);
    }
}
