//! Tokens of programs.

use notchwatch_model::{AccountName, Principal, Time};

use super::accounts::principal;
use super::{NewToken, TokenInfo, audited};
use crate::clean::clean;
use crate::db::{Row, values};
use crate::register::json;
use crate::{Error, Result, Store};

impl Store {
    /// Creates a token (audited). Returns its number. Errors with [`Error::Refused`] when the secret is in use.
    pub async fn create_token(&self, token: &NewToken, by: &AccountName, now: Time) -> Result<i64> {
        let sql = "INSERT INTO token (hash, label, name, role, railways, created, until) \
                   VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING id";
        let values = values![
            &token.hash,
            clean(&token.label),
            token.principal.name.as_str(),
            token.principal.role.word(),
            json(&token.principal.railways)?,
            now,
            token.until,
        ];
        let mut tx = self.shared.db.write().await?;
        let row = tx.fetch_one(sql, values).await?;
        let id = row.ok_or_else(|| Error::Database("no number was given to the token".into()))?.int("id")?;
        audited(&mut tx, now, by.as_str(), "token-created", &id.to_string()).await?;
        tx.commit().await?;
        Ok(id)
    }

    /// Whose token it is, if it lasts and is not revoked.
    pub async fn token(&self, hash: &[u8; 32], now: Time) -> Result<Option<Principal>> {
        let sql = "SELECT name, role, railways FROM token \
                   WHERE hash = $1 AND (until IS NULL OR until > $2) AND revoked IS NULL";
        self.fetch(sql, values![hash, now]).await?.first().map(principal).transpose()
    }

    /// Every token, without its secret.
    pub async fn tokens(&self) -> Result<Vec<TokenInfo>> {
        let sql = "SELECT id, label, name, role, railways, created, until, revoked FROM token ORDER BY id";
        self.fetch(sql, values![]).await?.iter().map(info).collect()
    }

    /// Revokes a token (audited); `false` when there is none that is not revoked.
    pub async fn revoke_token(&self, id: i64, by: &AccountName, now: Time) -> Result<bool> {
        let mut tx = self.shared.db.write().await?;
        let sql = "UPDATE token SET revoked = $2 WHERE id = $1 AND revoked IS NULL";
        let revoked = tx.execute(sql, values![id, now]).await? == 1;
        if revoked {
            audited(&mut tx, now, by.as_str(), "token-revoked", &id.to_string()).await?;
        }
        tx.commit().await?;
        Ok(revoked)
    }
}

fn info(row: &Row) -> Result<TokenInfo> {
    Ok(TokenInfo {
        id: row.int("id")?,
        label: row.text("label")?,
        principal: principal(row)?,
        created: row.time("created")?,
        until: row.maybe_time("until")?,
        revoked: row.maybe_time("revoked")?,
    })
}
