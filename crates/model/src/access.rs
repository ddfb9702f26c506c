//! Access: who acts, in which role, and which railways they may see.
//!
//! Owns the rule that a railway filter is part of every identity. Refuses passwords and tokens: those are the
//! desk's and the store's.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::{IdError, RailwayId, UnitId};

/// Name of an account or a token's owner, as it stands on decisions.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct AccountName(UnitId);

impl AccountName {
    /// Checks the text: the characters of an identity.
    pub fn new(text: &str) -> Result<Self, IdError> {
        UnitId::new(text).map(Self).map_err(|e| IdError { what: "account name", ..e })
    }

    /// The name as written.
    pub fn as_str(&self) -> &str {
        self.0.as_str()
    }
}

impl std::fmt::Display for AccountName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

impl std::str::FromStr for AccountName {
    type Err = IdError;
    fn from_str(text: &str) -> Result<Self, IdError> {
        Self::new(text)
    }
}

/// What an account or token may do.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Accounts, tokens, register, and all an operator may.
    Administrator,
    /// Sees and decides.
    Operator,
    /// Sees only.
    Viewer,
}

impl Role {
    /// Every role.
    pub const ALL: &'static [Role] = &[Role::Administrator, Role::Operator, Role::Viewer];

    /// The word as it is written in the API, stored and shown on screens.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Administrator => "administrator",
            Role::Operator => "operator",
            Role::Viewer => "viewer",
        }
    }

    /// Whether it may take decisions on findings.
    pub const fn decides(self) -> bool {
        matches!(self, Role::Administrator | Role::Operator)
    }

    /// Whether it may change accounts, tokens and the register.
    pub const fn administers(self) -> bool {
        matches!(self, Role::Administrator)
    }
}

impl std::str::FromStr for Role {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Role::ALL
            .iter()
            .copied()
            .find(|r| r.word() == text)
            .ok_or_else(|| format!("{text:?} is not a role: administrator, operator, viewer"))
    }
}

/// Which railways an identity may see.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RailwayFilter {
    /// Every railway, also those registered later: the centre's own people.
    All,
    /// These and no others.
    Only(BTreeSet<RailwayId>),
}

impl RailwayFilter {
    /// Whether it admits the railway.
    pub fn admits(&self, railway: &RailwayId) -> bool {
        match self {
            RailwayFilter::All => true,
            RailwayFilter::Only(set) => set.contains(railway),
        }
    }
}

/// Who asks: the identity proved by a session or a token.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Principal {
    /// Name that stands on decisions.
    pub name: AccountName,
    /// What it may do.
    pub role: Role,
    /// What it may see.
    pub railways: RailwayFilter,
}
