//! This store: messages committed day by day, each day sealed after its end, journal rows gone.

use notchwatch_model::{AccountName, Span, Time};
use notchwatch_store::{EvaluationCommit, Options, Store};
use sqlx::{AssertSqlSafe, Connection as _, Row as _};

use crate::Failure;
use crate::feed::Sent;

/// Messages a commit, as ingest does at most.
const BATCH: usize = 4_096;

/// Bytes on disk by table, indexes in.
pub(crate) async fn keep(url: &str, sent: &Sent) -> Result<Vec<(String, u64)>, Failure> {
    let store = Store::open(&Options { url: url.to_owned(), readers: 2 }).await?;
    store.put_register(&sent.register, &AccountName::new("setup")?, Time::EPOCH).await?;
    for messages in &sent.days {
        for batch in messages.chunks(BATCH) {
            store.append(batch).await?;
        }
        let position = store.journal_end().await?;
        store
            .commit_evaluation(EvaluationCommit { position, ..EvaluationCommit::default() }, Time::EPOCH)
            .await?;
        let newest = messages.last().map_or(Time::EPOCH, |m| m.envelope.received);
        store.seal(newest + Span::from_hours(3), Span::ZERO).await?;
    }
    store.close().await;
    let mut found =
        if url.starts_with("sqlite:") { sqlite_tables(url).await } else { postgres_tables(url).await }?;
    found.retain(|(_, bytes)| *bytes > 0);
    Ok(found)
}

/// Pages in use by table; free pages of dropped rows are used again by the next day.
async fn sqlite_tables(url: &str) -> Result<Vec<(String, u64)>, Failure> {
    let path = url.trim_start_matches("sqlite:");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut connection = sqlx::SqliteConnection::connect_with(&options).await?;
    let sql = "SELECT COALESCE(s.tbl_name, d.name) AS of, SUM(d.pgsize) AS bytes FROM dbstat d \
               LEFT JOIN sqlite_schema s ON s.name = d.name GROUP BY 1 ORDER BY 2 DESC";
    let rows = sqlx::query(sql).fetch_all(&mut connection).await?;
    rows.iter().map(|row| Ok((row.try_get("of")?, row.try_get::<i64, _>("bytes")?.try_into()?))).collect()
}

/// Relations with indexes and TOAST. What is free in the journal after its rows were dropped is given back first, since
/// a part of it is dropped whole in operation.
async fn postgres_tables(url: &str) -> Result<Vec<(String, u64)>, Failure> {
    let mut connection = sqlx::PgConnection::connect(url).await?;
    let names = sqlx::query(
        "SELECT relname::text AS name FROM pg_class WHERE relkind = 'r' AND relname ~ '^journal'",
    );
    for row in names.fetch_all(&mut connection).await? {
        let name: String = row.try_get("name")?;
        sqlx::raw_sql(AssertSqlSafe(format!("VACUUM FULL {name}"))).execute(&mut connection).await?;
    }
    let sql = "SELECT regexp_replace(relname::text, '_(base|from_.*)$', '') AS of, \
               SUM(pg_total_relation_size(oid))::bigint AS bytes FROM pg_class \
               WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace GROUP BY 1 ORDER BY 2 DESC";
    let rows = sqlx::query(sql).fetch_all(&mut connection).await?;
    rows.iter().map(|row| Ok((row.try_get("of")?, row.try_get::<i64, _>("bytes")?.try_into()?))).collect()
}
