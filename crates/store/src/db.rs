//! One way to run SQL on either engine: values in, rows out, inside a transaction.
//!
//! Owns the choice of engine and the few words of SQL in which the two differ. Refuses to know any table: statements
//! stand in the methods that run them. Everything runs in a transaction, so that one read sees one state, and so that
//! a pooler in front of `PostgreSQL` may hand out another connection for each.

mod nodelay;
pub(crate) mod postgres;
pub(crate) mod sqlite;
mod value;

use std::borrow::Cow;

pub(crate) use value::{Column, Row, Value, values};

use crate::Result;

/// An open database.
#[derive(Debug, Clone)]
pub(crate) enum Db {
    Sqlite(sqlite::Pools),
    Postgres(postgres::Pools),
}

/// A running transaction. Dropped without [`Tx::commit`], it changes nothing.
pub(crate) enum Tx {
    Sqlite(sqlx::Transaction<'static, sqlx::Sqlite>),
    /// With the number that counters ask for, see [`Tx::fence`].
    Postgres(sqlx::Transaction<'static, sqlx::Postgres>, Option<i64>),
}

impl Db {
    /// Begins a transaction that only reads and sees one state of the database.
    pub(crate) async fn read(&self) -> Result<Tx> {
        match self {
            Db::Sqlite(pools) => sqlite::read(pools).await.map(Tx::Sqlite),
            Db::Postgres(pools) => postgres::read(pools).await.map(|tx| Tx::Postgres(tx, None)),
        }
    }

    /// Begins a transaction that only reads, for what must go on however many people read at the time.
    pub(crate) async fn look(&self) -> Result<Tx> {
        match self {
            Db::Sqlite(pools) => sqlite::look(pools).await.map(Tx::Sqlite),
            Db::Postgres(pools) => postgres::look(pools).await.map(|tx| Tx::Postgres(tx, None)),
        }
    }

    /// Begins a transaction that may write. On `SQLite` it holds the write lock from the start: a transaction that
    /// reads first and asks for the lock later fails at once, whatever the busy timeout.
    pub(crate) async fn write(&self) -> Result<Tx> {
        match self {
            Db::Sqlite(pools) => sqlite::write(pools).await.map(Tx::Sqlite),
            Db::Postgres(pools) => {
                postgres::write(pools).await.map(|tx| Tx::Postgres(tx, pools.fence.get().copied()))
            }
        }
    }

    /// Waits for what runs and closes every connection.
    pub(crate) async fn close(&self) {
        match self {
            Db::Sqlite(pools) => sqlite::close(pools).await,
            Db::Postgres(pools) => postgres::close(pools).await,
        }
    }

    /// Runs one read-only statement in a transaction of its own.
    pub(crate) async fn fetch(&self, sql: &'static str, values: Vec<Value>) -> Result<Vec<Row>> {
        let mut tx = self.read().await?;
        let rows = tx.fetch(sql, values).await?;
        tx.end().await?;
        Ok(rows)
    }

    /// As [`Db::fetch`], for what must go on however many people read at the time.
    pub(crate) async fn fetch_for_work(&self, sql: &'static str, values: Vec<Value>) -> Result<Vec<Row>> {
        let mut tx = self.look().await?;
        let rows = tx.fetch(sql, values).await?;
        tx.end().await?;
        Ok(rows)
    }
}

impl Tx {
    /// The number that counters ask for: a process whose database was taken over by another has an old one. `None`
    /// where nobody asks.
    pub(crate) fn fence(&self) -> Option<i64> {
        match self {
            Tx::Sqlite(_) => None,
            Tx::Postgres(_, fence) => *fence,
        }
    }

    /// Runs a statement and reads its rows.
    ///
    /// Parameters are `$1`, `$2`, … on both engines. `INTS($1)` and `TEXTS($1)` stand for the set bound there, after
    /// `IN`. `LOCKED` stands for the row lock that only `PostgreSQL` needs, since `SQLite` has one writer.
    pub(crate) async fn fetch(&mut self, sql: &'static str, values: Vec<Value>) -> Result<Vec<Row>> {
        match self {
            Tx::Sqlite(tx) => sqlite::fetch(tx, render(sql, &SQLITE), values).await,
            Tx::Postgres(tx, _) => postgres::fetch(tx, render(sql, &POSTGRES), values).await,
        }
    }

    /// Runs a statement that gives at most one row.
    pub(crate) async fn fetch_one(&mut self, sql: &'static str, values: Vec<Value>) -> Result<Option<Row>> {
        Ok(self.fetch(sql, values).await?.into_iter().next())
    }

    /// Runs a statement. Returns how many rows it touched.
    pub(crate) async fn execute(&mut self, sql: &'static str, values: Vec<Value>) -> Result<u64> {
        match self {
            Tx::Sqlite(tx) => sqlite::execute(tx, render(sql, &SQLITE), values).await,
            Tx::Postgres(tx, _) => postgres::execute(tx, render(sql, &POSTGRES), values).await,
        }
    }

    /// Runs a script of several statements without parameters.
    pub(crate) async fn script(&mut self, sql: &'static str) -> Result<()> {
        match self {
            Tx::Sqlite(tx) => sqlite::script(tx, sql).await,
            Tx::Postgres(tx, _) => postgres::script(tx, sql).await,
        }
    }

    /// Inserts many rows, column by column, in few statements. `suffix` is an `ON CONFLICT` clause or empty.
    /// Returns how many rows were touched.
    pub(crate) async fn insert(
        &mut self,
        table: &'static str,
        columns: Vec<(&'static str, Column)>,
        suffix: &'static str,
    ) -> Result<u64> {
        match self {
            Tx::Sqlite(tx) => sqlite::insert(tx, table, columns, suffix).await,
            Tx::Postgres(tx, _) => postgres::insert(tx, table, columns, suffix).await,
        }
    }

    /// Ends a transaction that only read.
    pub(crate) async fn end(self) -> Result<()> {
        match self {
            Tx::Sqlite(tx) => Ok(tx.rollback().await?),
            Tx::Postgres(tx, _) => postgres::end(tx).await,
        }
    }

    /// Makes it durable. An error means that the result is not known.
    pub(crate) async fn commit(self) -> Result<()> {
        match self {
            Tx::Sqlite(tx) => Ok(tx.commit().await?),
            Tx::Postgres(tx, _) => postgres::commit(tx).await,
        }
    }
}

/// Words of one engine for what the two say differently: before and after the parameter of a set, and the row lock.
struct Words {
    ints: (&'static str, &'static str),
    texts: (&'static str, &'static str),
    locked: &'static str,
}

const SQLITE: Words = Words {
    ints: ("(SELECT value FROM json_each(", "))"),
    texts: ("(SELECT value FROM json_each(", "))"),
    locked: "",
};
const POSTGRES: Words = Words {
    ints: ("(SELECT unnest(", "::bigint[]))"),
    texts: ("(SELECT unnest(", "::text[]))"),
    locked: "FOR UPDATE",
};

fn render(sql: &'static str, words: &Words) -> Cow<'static, str> {
    let mut text = Cow::Borrowed(sql);
    if text.contains("INTS(") {
        text = Cow::Owned(replace_call(&text, "INTS(", words.ints));
    }
    if text.contains("TEXTS(") {
        text = Cow::Owned(replace_call(&text, "TEXTS(", words.texts));
    }
    if text.contains("LOCKED") {
        text = Cow::Owned(text.replace("LOCKED", words.locked));
    }
    text
}

fn replace_call(text: &str, call: &str, (before, after): (&str, &str)) -> String {
    let mut pieces = text.split(call);
    let mut out = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        let (parameter, rest) = piece.split_once(')').unwrap_or((piece, ""));
        out.push_str(before);
        out.push_str(parameter);
        out.push_str(after);
        out.push_str(rest);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_each_engine() {
        let sql = "SELECT 1 FROM t WHERE a IN INTS($1) AND b IN TEXTS($2) LOCKED";
        assert_eq!(
            render(sql, &POSTGRES),
            "SELECT 1 FROM t WHERE a IN (SELECT unnest($1::bigint[])) AND b IN (SELECT unnest($2::text[])) FOR UPDATE"
        );
        assert_eq!(
            render(sql, &SQLITE),
            "SELECT 1 FROM t WHERE a IN (SELECT value FROM json_each($1)) AND b IN (SELECT value FROM json_each($2)) "
        );
        assert!(matches!(render("SELECT 1", &SQLITE), Cow::Borrowed(_)));
    }
}
