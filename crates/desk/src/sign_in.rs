//! Signing in and out, and who a session or token is.
//!
//! Owns that every way in ends in one [`Principal`], and that failures tell nothing about which names exist.

use std::time::Instant;

use notchwatch_model::{AccountName, Principal, RailwayFilter, Role, Span};
use notchwatch_store::{Account, AuditEntry};

use crate::error::{DeskError, Result};
use crate::secret::{SessionSecret, TOKEN_PREFIX, hash, random_text};
use crate::{Desk, may_administer};

/// How long a session lasts: one shift and its overlap (common practice).
pub const SESSION_LASTS: Span = Span::from_hours(12);
/// Random bytes of the first administrator's password: 120 bits.
const FIRST_PASSWORD_BYTES: usize = 15;
/// Name of the first administrator.
const FIRST_NAME: &str = "admin";
/// Who stands on what the program does by itself.
const SYSTEM_NAME: &str = "notchwatch";
/// Key under which names that cannot be accounts are counted together.
const NO_NAME: &str = "-";
/// What every failed sign-in says.
const WRONG: &str = "name or password is wrong";

impl Desk {
    /// Signs a person in. The answer to a wrong name, a wrong password and a disabled account is the same, and takes
    /// the same work. Every attempt that was looked at stands in the audit log.
    pub async fn sign_in(&self, name: &str, password: &str) -> Result<(SessionSecret, Principal)> {
        let parsed = AccountName::new(name).ok();
        let key = parsed.as_ref().map_or(NO_NAME, AccountName::as_str).to_owned();
        self.attempt(&key)?;
        let account = match &parsed {
            Some(name) => self.store().account(name).await?,
            None => None,
        };
        let stored = account.as_ref().map(|a| a.password_hash.clone());
        let verified = self.verify_password(password, stored).await?;
        let Some(account) = account.filter(|a| verified && a.enabled) else {
            self.audit(&key, "sign-in-failed", "").await?;
            tracing::info!(name = %key, "sign-in failed");
            return Err(DeskError::Forbidden(WRONG.to_owned()));
        };
        self.inner.throttle.succeeded(&key);
        let secret = self.open_session(&account.name).await?;
        self.audit(&key, "signed-in", "").await?;
        let Account { name, role, railways, .. } = account;
        Ok((secret, Principal { name, role, railways }))
    }

    /// Who a session's secret belongs to; `None` when it has ended or never was.
    pub async fn session(&self, secret: &str) -> Result<Option<Principal>> {
        match hash(secret) {
            Some(hash) => Ok(self.store().session(&hash, self.now()).await?),
            None => Ok(None),
        }
    }

    /// Ends a session. Fine when it has ended before.
    pub async fn sign_out(&self, secret: &str) -> Result<()> {
        match hash(secret) {
            Some(hash) => Ok(self.store().end_session(&hash).await?),
            None => Ok(()),
        }
    }

    /// As whom a bearer token acts; `None` when it has ended, was revoked or never was.
    pub async fn bearer(&self, secret: &str) -> Result<Option<Principal>> {
        match hash(secret).filter(|_| secret.starts_with(TOKEN_PREFIX)) {
            Some(hash) => Ok(self.store().token(&hash, self.now()).await?),
            None => Ok(None),
        }
    }

    /// Creates the first administrator when there is no account at all. Returns name and password, this once.
    pub async fn first_administrator(&self) -> Result<Option<(AccountName, String)>> {
        if !self.store().accounts().await?.is_empty() {
            return Ok(None);
        }
        let password = random_text(FIRST_PASSWORD_BYTES)?;
        let account = Account {
            name: own_name(FIRST_NAME)?,
            password_hash: self.hash_password(&password).await?,
            role: Role::Administrator,
            railways: RailwayFilter::All,
            enabled: true,
        };
        self.store().put_account(&account, &own_name(SYSTEM_NAME)?, self.now()).await?;
        Ok(Some((account.name, password)))
    }

    /// Changes one's own password. The old one is asked for, and counted like a sign-in.
    pub async fn change_password(&self, who: &Principal, old: &str, new: &str) -> Result<()> {
        self.attempt(who.name.as_str())?;
        let account = self.store().account(&who.name).await?.ok_or(DeskError::NotFound)?;
        if !self.verify_password(old, Some(account.password_hash.clone())).await? {
            self.audit(who.name.as_str(), "password-change-failed", "").await?;
            return Err(DeskError::Forbidden("the present password is wrong".to_owned()));
        }
        self.inner.throttle.succeeded(who.name.as_str());
        let password_hash = self.hash_password(new).await?;
        self.store().put_account(&Account { password_hash, ..account }, &who.name, self.now()).await?;
        self.audit(who.name.as_str(), "password-changed", who.name.as_str()).await
    }

    /// Newest entries of the audit log, for an administrator.
    pub async fn audit_log(&self, who: &Principal, limit: usize) -> Result<Vec<AuditEntry>> {
        may_administer(who)?;
        Ok(self.store().audit_log(limit.clamp(1, crate::decide::MAX_PAGE)).await?)
    }

    fn attempt(&self, key: &str) -> Result<()> {
        self.inner.throttle.attempt(key, Instant::now()).map_err(|wait| DeskError::TooMany {
            seconds: u32::try_from(wait.as_secs()).unwrap_or(u32::MAX).saturating_add(1),
        })
    }

    async fn open_session(&self, name: &AccountName) -> Result<SessionSecret> {
        let secret = SessionSecret::random()?;
        let hash = hash(secret.expose())
            .ok_or_else(|| DeskError::Internal("a session secret has an impossible length".to_owned()))?;
        let now = self.now();
        self.store().open_session(&hash, name, now, now + SESSION_LASTS).await?;
        Ok(secret)
    }

    async fn audit(&self, by: &str, what: &str, on: &str) -> Result<()> {
        let entry =
            AuditEntry { at: self.now(), by: by.to_owned(), what: what.to_owned(), on: on.to_owned() };
        Ok(self.store().audit(&entry).await?)
    }
}

fn own_name(text: &str) -> Result<AccountName> {
    AccountName::new(text).map_err(|e| DeskError::Internal(e.to_string()))
}
