//! Accounts and tokens: made, changed and revoked by administrators of all railways.
//!
//! Owns that there is always one administrator left, and that a secret is shown once.

use notchwatch_findings::clean_text;
use notchwatch_model::{AccountName, Principal, RailwayFilter, Role, Time};
use notchwatch_store::{Account, NewToken, TokenInfo};

use crate::error::{DeskError, Result};
use crate::secret::{TokenSecret, hash};
use crate::{Desk, may_administer};

/// Longest label of a token, in characters.
const MAX_LABEL_CHARS: usize = 100;

/// An account without its password.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountView {
    /// Name.
    pub name: AccountName,
    /// Role.
    pub role: Role,
    /// Railways it may see.
    pub railways: RailwayFilter,
    /// May sign in.
    pub enabled: bool,
}

/// An account to create or change.
#[derive(Debug, Clone)]
pub struct AccountChange {
    /// Name.
    pub name: AccountName,
    /// Role.
    pub role: Role,
    /// Railways it may see.
    pub railways: RailwayFilter,
    /// May sign in.
    pub enabled: bool,
    /// New password; needed for a new account, else the present one stays.
    pub password: Option<String>,
}

impl Desk {
    /// Every account, for an administrator.
    pub async fn accounts(&self, who: &Principal) -> Result<Vec<AccountView>> {
        may_administer(who)?;
        let view =
            |a: Account| AccountView { name: a.name, role: a.role, railways: a.railways, enabled: a.enabled };
        Ok(self.store().accounts().await?.into_iter().map(view).collect())
    }

    /// Creates or changes an account. Refuses to take the last administrator's role or access away.
    pub async fn put_account(&self, who: &Principal, change: AccountChange) -> Result<()> {
        may_administer(who)?;
        let all = self.store().accounts().await?;
        let present = all.iter().find(|a| a.name == change.name);
        let stays = |a: &Account| a.name != change.name && administers_all(a.role, &a.railways, a.enabled);
        if !administers_all(change.role, &change.railways, change.enabled) && !all.iter().any(stays) {
            return Err(DeskError::Refused(
                "one enabled administrator of all railways must remain".to_owned(),
            ));
        }
        let password_hash = match (&change.password, present) {
            (Some(password), _) => self.hash_password(password).await?,
            (None, Some(account)) => account.password_hash.clone(),
            (None, None) => {
                return Err(DeskError::Refused("a new account needs a password".to_owned()));
            }
        };
        let AccountChange { name, role, railways, enabled, .. } = change;
        let account = Account { name, password_hash, role, railways, enabled };
        Ok(self.store().put_account(&account, &who.name, self.now()).await?)
    }

    /// Creates a token that acts as `principal` until `until`. Returns its number and its secret, this once.
    pub async fn create_token(
        &self,
        who: &Principal,
        label: &str,
        principal: Principal,
        until: Option<Time>,
    ) -> Result<(i64, TokenSecret)> {
        may_administer(who)?;
        clean_text(label, "the label", MAX_LABEL_CHARS).map_err(DeskError::Refused)?;
        let now = self.now();
        if let Some(end) = until.filter(|end| *end <= now) {
            return Err(DeskError::Refused(format!("the token would end at {end}, which is past")));
        }
        let secret = TokenSecret::random()?;
        let hash = hash(secret.expose())
            .ok_or_else(|| DeskError::Internal("a token secret has an impossible length".to_owned()))?;
        let token = NewToken { hash, label: label.to_owned(), principal, until };
        let id = self.store().create_token(&token, &who.name, now).await?;
        Ok((id, secret))
    }

    /// Every token without its secret, for an administrator.
    pub async fn tokens(&self, who: &Principal) -> Result<Vec<TokenInfo>> {
        may_administer(who)?;
        Ok(self.store().tokens().await?)
    }

    /// Revokes a token at once.
    pub async fn revoke_token(&self, who: &Principal, id: i64) -> Result<()> {
        may_administer(who)?;
        if self.store().revoke_token(id, &who.name, self.now()).await? {
            Ok(())
        } else {
            Err(DeskError::NotFound)
        }
    }
}

fn administers_all(role: Role, railways: &RailwayFilter, enabled: bool) -> bool {
    enabled && role.administers() && *railways == RailwayFilter::All
}
