//! Errors of the store, sorted by what a caller can do about them.

use crate::db::{postgres, sqlite};

/// Why a store call failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The database does not answer: hold what was to be written and try again.
    #[error("database unreachable: {0}")]
    Unreachable(String),
    /// A table has no part for a row yet: the store makes it and tries again.
    #[error("no part of a table for a row: {0}")]
    NoPart(String),
    /// The disk or the database is full: hold and try again.
    #[error("no space left for the database: {0}")]
    Full(String),
    /// The database was made by a newer version of this program.
    #[error("database is at migration {found}, this program knows up to {known}: use the newer program")]
    Newer {
        /// Migration found.
        found: i64,
        /// Newest migration known.
        known: i64,
    },
    /// Another process holds the store.
    #[error("another process uses the store: {0}")]
    InUse(String),
    /// What was read is not what was written.
    #[error("damaged data in {place}: {what}")]
    Damaged {
        /// Table and key.
        place: String,
        /// What does not fit.
        what: String,
    },
    /// What was to be written breaks a rule of the store.
    #[error("refused by the store: {0}")]
    Refused(String),
    /// Anything else the database said.
    #[error("database error: {0}")]
    Database(String),
}

impl Error {
    /// Whether the same call can succeed later without a change.
    pub fn passes(&self) -> bool {
        matches!(self, Error::Unreachable(_) | Error::Full(_) | Error::NoPart(_))
    }
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        match error {
            sqlx::Error::Database(said) => of_database(&*said),
            sqlx::Error::PoolTimedOut => {
                Error::Unreachable("no connection became free or could be made in time".into())
            }
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::BeginFailed
            | sqlx::Error::Protocol(_) => Error::Unreachable(error.to_string()),
            sqlx::Error::Decode(_) | sqlx::Error::ColumnDecode { .. } => {
                Error::Damaged { place: "database".into(), what: error.to_string() }
            }
            sqlx::Error::Encode(_) => Error::Refused(error.to_string()),
            _ => Error::Database(error.to_string()),
        }
    }
}

fn of_database(said: &dyn sqlx::error::DatabaseError) -> Error {
    let message = said.message().to_owned();
    let code = said.code().unwrap_or_default();
    if said.try_downcast_ref::<sqlx::sqlite::SqliteError>().is_some() {
        sqlite::sort(code.parse().unwrap_or_default(), message)
    } else {
        postgres::sort(&code, said.constraint(), message)
    }
}
