//! Accounts, sessions, tokens and the audit log: shapes here, the work in the files below.

mod accounts;
mod audit;
mod tokens;

pub(crate) use accounts::seen;
pub(crate) use audit::audited;

use notchwatch_model::{AccountName, Principal, RailwayFilter, Role, Time};

/// An account.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// Name.
    pub name: AccountName,
    /// Password hash in PHC string form.
    pub password_hash: String,
    /// Role.
    pub role: Role,
    /// Railways it may see.
    pub railways: RailwayFilter,
    /// May sign in.
    pub enabled: bool,
}

/// A token to create.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewToken {
    /// SHA-256 of the secret.
    pub hash: [u8; 32],
    /// What it is for.
    pub label: String,
    /// As whom it acts.
    pub principal: Principal,
    /// Ends at.
    pub until: Option<Time>,
}

/// A token without its secret.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TokenInfo {
    /// Number of the token.
    pub id: i64,
    /// What it is for.
    pub label: String,
    /// As whom it acts.
    pub principal: Principal,
    /// Created.
    pub created: Time,
    /// Ends at.
    pub until: Option<Time>,
    /// Revoked at.
    pub revoked: Option<Time>,
}

/// One entry of the audit log. Append only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditEntry {
    /// When.
    pub at: Time,
    /// Who; a name as tried, for a failed sign-in.
    pub by: String,
    /// What, from a fixed list of words.
    pub what: String,
    /// On what.
    pub on: String,
}
