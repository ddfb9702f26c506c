//! What goes into a statement and what comes out of it, alike on both engines.
//!
//! Owns the few types that the store's columns have. Refuses numbers with a fraction: measured values live in packed
//! columns only.

use notchwatch_model::Time;
use sqlx::Row as _;

use crate::{Error, Result};

/// One parameter. Absent values keep their type, which `PostgreSQL` asks for.
#[derive(Debug, Clone)]
pub(crate) enum Value {
    Int(Option<i64>),
    Text(Option<String>),
    Blob(Option<Vec<u8>>),
    Bool(bool),
    Ints(Vec<i64>),
    Texts(Vec<String>),
}

/// One column of many rows.
#[derive(Debug, Clone)]
pub(crate) enum Column {
    Ints(Vec<Option<i64>>),
    Texts(Vec<Option<String>>),
    Blobs(Vec<Option<Vec<u8>>>),
    Bools(Vec<bool>),
}

/// One row read.
pub(crate) enum Row {
    Sqlite(sqlx::sqlite::SqliteRow),
    Postgres(sqlx::postgres::PgRow),
}

/// Parameters of a statement, in order.
macro_rules! values {
    ($($value:expr),* $(,)?) => { vec![$($crate::db::Value::from($value)),*] };
}
pub(crate) use values;

macro_rules! from {
    ($($type:ty => |$value:ident| $into:expr),* $(,)?) => {
        $(impl From<$type> for Value {
            fn from($value: $type) -> Self {
                $into
            }
        })*
    };
}

from! {
    i64 => |v| Value::Int(Some(v)),
    Option<i64> => |v| Value::Int(v),
    Time => |v| Value::Int(Some(v.micros())),
    Option<Time> => |v| Value::Int(v.map(Time::micros)),
    &str => |v| Value::Text(Some(v.to_owned())),
    String => |v| Value::Text(Some(v)),
    Option<String> => |v| Value::Text(v),
    Option<&str> => |v| Value::Text(v.map(str::to_owned)),
    Vec<u8> => |v| Value::Blob(Some(v)),
    &[u8; 32] => |v| Value::Blob(Some(v.to_vec())),
    bool => |v| Value::Bool(v),
    Vec<i64> => |v| Value::Ints(v),
    Vec<String> => |v| Value::Texts(v),
}

impl Column {
    pub(crate) fn ints(values: impl IntoIterator<Item = i64>) -> Self {
        Column::Ints(values.into_iter().map(Some).collect())
    }

    pub(crate) fn texts(values: impl IntoIterator<Item = String>) -> Self {
        Column::Texts(values.into_iter().map(Some).collect())
    }

    pub(crate) fn blobs(values: impl IntoIterator<Item = Vec<u8>>) -> Self {
        Column::Blobs(values.into_iter().map(Some).collect())
    }

    pub(crate) fn len(&self) -> usize {
        match self {
            Column::Ints(v) => v.len(),
            Column::Texts(v) => v.len(),
            Column::Blobs(v) => v.len(),
            Column::Bools(v) => v.len(),
        }
    }

    /// Bytes of one row of it, roughly.
    pub(crate) fn weight(&self, row: usize) -> usize {
        match self {
            Column::Ints(_) | Column::Bools(_) => 8,
            Column::Texts(v) => v.get(row).and_then(Option::as_ref).map_or(0, String::len),
            Column::Blobs(v) => v.get(row).and_then(Option::as_ref).map_or(0, Vec::len),
        }
    }
}

macro_rules! column {
    ($($(#[$doc:meta])* $name:ident -> $type:ty),* $(,)?) => {
        $($(#[$doc])*
        pub(crate) fn $name(&self, column: &'static str) -> Result<$type> {
            match self {
                Row::Sqlite(row) => row.try_get(column),
                Row::Postgres(row) => row.try_get(column),
            }
            .map_err(|e| damaged(column, e))
        })*
    };
}

impl Row {
    column! {
        int -> i64,
        maybe_int -> Option<i64>,
        text -> String,
        maybe_text -> Option<String>,
        blob -> Vec<u8>,
        maybe_blob -> Option<Vec<u8>>,
        flag -> bool,
    }

    pub(crate) fn time(&self, column: &'static str) -> Result<Time> {
        Time::from_micros(self.int(column)?).map_err(|e| damaged(column, e))
    }

    pub(crate) fn maybe_time(&self, column: &'static str) -> Result<Option<Time>> {
        self.maybe_int(column)?.map(Time::from_micros).transpose().map_err(|e| damaged(column, e))
    }

    /// A count: never negative.
    pub(crate) fn count(&self, column: &'static str) -> Result<u64> {
        u64::try_from(self.int(column)?).map_err(|e| damaged(column, e))
    }

    /// A text of a type that checks it.
    pub(crate) fn parsed<T>(&self, column: &'static str) -> Result<T>
    where
        T: std::str::FromStr,
        T::Err: std::fmt::Display,
    {
        self.text(column)?.parse().map_err(|e| damaged(column, e))
    }

    /// A JSON document.
    pub(crate) fn json<T: serde::de::DeserializeOwned>(&self, column: &'static str) -> Result<T> {
        serde_json::from_str(&self.text(column)?).map_err(|e| damaged(column, e))
    }
}

fn damaged(column: &str, what: impl std::fmt::Display) -> Error {
    Error::Damaged { place: format!("column {column}"), what: what.to_string() }
}
