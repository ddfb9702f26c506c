//! Accounts and sessions.

use notchwatch_model::{AccountName, Principal, RailwayFilter, Role, Time};

use super::{Account, audited};
use crate::clean::clean;
use crate::db::{Row, values};
use crate::register::json;
use crate::{Error, Result, Store};

impl Store {
    /// Every account.
    pub async fn accounts(&self) -> Result<Vec<Account>> {
        let sql = "SELECT name, password_hash, role, railways, enabled FROM account ORDER BY name";
        self.fetch(sql, values![]).await?.iter().map(account).collect()
    }

    /// One account.
    pub async fn account(&self, name: &AccountName) -> Result<Option<Account>> {
        let sql = "SELECT name, password_hash, role, railways, enabled FROM account WHERE name = $1";
        self.fetch(sql, values![name.as_str()]).await?.first().map(account).transpose()
    }

    /// Creates or replaces an account (audited). Its sessions end when its password changes.
    pub async fn put_account(&self, account: &Account, by: &AccountName, now: Time) -> Result<()> {
        let sql = "INSERT INTO account (name, password_hash, role, railways, enabled) VALUES ($1, $2, $3, $4, $5) \
                   ON CONFLICT (name) DO UPDATE SET password_hash = excluded.password_hash, role = excluded.role, \
                   railways = excluded.railways, enabled = excluded.enabled";
        let values = values![
            account.name.as_str(),
            clean(&account.password_hash),
            account.role.word(),
            json(&account.railways)?,
            account.enabled,
        ];
        let mut tx = self.shared.db.write().await?;
        let changes = "SELECT name FROM account WHERE name = $1 AND password_hash <> $2";
        let hash = clean(&account.password_hash);
        if !tx.fetch(changes, values![account.name.as_str(), hash]).await?.is_empty() {
            tx.execute("DELETE FROM session WHERE account = $1", values![account.name.as_str()]).await?;
        }
        tx.execute(sql, values).await?;
        audited(&mut tx, now, by.as_str(), "account", account.name.as_str()).await?;
        tx.commit().await
    }

    /// Opens a session; `hash` is of the cookie's secret. Sessions that are over are forgotten with it.
    pub async fn open_session(
        &self,
        hash: &[u8; 32],
        account: &AccountName,
        now: Time,
        until: Time,
    ) -> Result<()> {
        let mut tx = self.shared.db.write().await?;
        tx.execute("DELETE FROM session WHERE until <= $1", values![now]).await?;
        let sql = "INSERT INTO session (hash, account, created, until) VALUES ($1, $2, $3, $4)";
        tx.execute(sql, values![hash, account.as_str(), now, until]).await?;
        tx.commit().await
    }

    /// Whose session it is, if it lasts and the account is enabled.
    pub async fn session(&self, hash: &[u8; 32], now: Time) -> Result<Option<Principal>> {
        let sql = "SELECT a.name, a.role, a.railways FROM session s JOIN account a ON a.name = s.account \
                   WHERE s.hash = $1 AND s.until > $2 AND a.enabled";
        self.fetch(sql, values![hash, now]).await?.first().map(principal).transpose()
    }

    /// Ends a session.
    pub async fn end_session(&self, hash: &[u8; 32]) -> Result<()> {
        let mut tx = self.shared.db.write().await?;
        tx.execute("DELETE FROM session WHERE hash = $1", values![hash]).await?;
        tx.commit().await
    }
}

/// A railway filter as parameters: whether it admits all, and which else.
pub(crate) fn seen(filter: &RailwayFilter) -> (bool, Vec<String>) {
    match filter {
        RailwayFilter::All => (true, Vec::new()),
        RailwayFilter::Only(railways) => (false, railways.iter().map(ToString::to_string).collect()),
    }
}

/// The identity of a row with `name`, `role` and `railways`.
pub(super) fn principal(row: &Row) -> Result<Principal> {
    Ok(Principal { name: name(row)?, role: row.parsed::<Role>("role")?, railways: row.json("railways")? })
}

fn account(row: &Row) -> Result<Account> {
    let Principal { name, role, railways } = principal(row)?;
    Ok(Account {
        name,
        password_hash: row.text("password_hash")?,
        role,
        railways,
        enabled: row.flag("enabled")?,
    })
}

fn name(row: &Row) -> Result<AccountName> {
    AccountName::new(&row.text("name")?)
        .map_err(|e| Error::Damaged { place: "column name".into(), what: e.to_string() })
}
