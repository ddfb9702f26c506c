//! Why the desk did not do what was asked, sorted by what the asker can do about it.

use notchwatch_model::{Finding, Problem};
use notchwatch_store as store;

/// Result of a desk call.
pub type Result<T> = std::result::Result<T, DeskError>;

/// Why the desk did not do it.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DeskError {
    /// The asker may not do this. Never says whether the thing exists.
    #[error("{0}")]
    Forbidden(String),
    /// There is no such thing among those the asker may see.
    #[error("not found")]
    NotFound,
    /// Somebody else was first, or the machine changed what matters: the finding as it now stands.
    #[error("the finding changed since it was read")]
    Conflict(Box<Finding>),
    /// The request makes no sense as it stands; says why.
    #[error("{0}")]
    Refused(String),
    /// What was sent breaks rules, each named with its place.
    #[error("{} problems, the first: {}", .0.len(), .0.first().map(ToString::to_string).unwrap_or_default())]
    Invalid(Vec<Problem>),
    /// Too many tries; the same request may succeed after the stated seconds.
    #[error("too many attempts, try again in {seconds} s")]
    TooMany {
        /// Seconds to wait.
        seconds: u32,
    },
    /// A dependency does not answer; the same request may succeed later.
    #[error("{0}")]
    Unavailable(String),
    /// Our own fault. The text is for the log, not for the asker.
    #[error("internal error: {0}")]
    Internal(String),
}

impl From<store::Error> for DeskError {
    fn from(error: store::Error) -> Self {
        if error.passes() {
            return DeskError::Unavailable(error.to_string());
        }
        match error {
            store::Error::Refused(what) => DeskError::Refused(what),
            other => DeskError::Internal(other.to_string()),
        }
    }
}
