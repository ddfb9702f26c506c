//! Passwords: hashed with Argon2id, compared without telling whether the name exists.
//!
//! Owns the parameters and where hashing runs (on a blocking thread, few at a time). Refuses to store anything.

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};

use crate::Desk;
use crate::error::{DeskError, Result};

/// Hashes at one time. With the parameters below each takes 19 MiB.
pub(crate) const AT_ONE_TIME: usize = 2;
/// Shortest new password, in characters (NIST SP 800-63B asks for 8 at least and advises more; 12 is common
/// practice).
pub const MIN_PASSWORD_CHARS: usize = 12;
/// Longest password looked at, in bytes: long enough for any phrase, short enough to cost nothing.
const MAX_PASSWORD_BYTES: usize = 1024;
/// Length of the salt: 128 bits (RFC 9106, section 3.1).
const SALT_BYTES: usize = 16;

/// Argon2id with 19 MiB, 2 passes, 1 lane: the parameters that the crate defaults to and OWASP's cheat sheet on
/// password storage names first.
fn hasher() -> Argon2<'static> {
    Argon2::default()
}

impl Desk {
    /// Hash of a new password in PHC string form. Errors when the password is too short or too long.
    pub(crate) async fn hash_password(&self, password: &str) -> Result<String> {
        if password.chars().count() < MIN_PASSWORD_CHARS {
            return Err(DeskError::Refused(format!(
                "a password has {MIN_PASSWORD_CHARS} characters or more"
            )));
        }
        if password.len() > MAX_PASSWORD_BYTES {
            return Err(DeskError::Refused(format!("a password has {MAX_PASSWORD_BYTES} bytes or fewer")));
        }
        let password = password.to_owned();
        self.on_a_blocking_thread(move || hash(&password)).await?
    }

    /// Whether the password is that of the hash. Without a hash the same work is done for nothing, so that the time
    /// taken does not tell whether there is one.
    pub(crate) async fn verify_password(&self, password: &str, hash: Option<String>) -> Result<bool> {
        if password.len() > MAX_PASSWORD_BYTES {
            return Ok(false);
        }
        let password = password.to_owned();
        self.on_a_blocking_thread(move || verify(&password, hash.as_deref())).await?
    }

    async fn on_a_blocking_thread<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T> {
        let _place = self.inner.hashing.acquire().await.map_err(|e| DeskError::Internal(e.to_string()))?;
        tokio::task::spawn_blocking(work).await.map_err(|e| DeskError::Internal(e.to_string()))
    }
}

fn hash(password: &str) -> Result<String> {
    let mut salt = [0; SALT_BYTES];
    getrandom::fill(&mut salt)
        .map_err(|e| DeskError::Internal(format!("the system gives no randomness: {e}")))?;
    hash_with(password, &salt)
}

fn hash_with(password: &str, salt: &[u8]) -> Result<String> {
    let hash: PasswordHash = hasher()
        .hash_password_with_salt(password.as_bytes(), salt)
        .map_err(|e| DeskError::Internal(format!("password not hashed: {e}")))?;
    Ok(hash.to_string())
}

fn verify(password: &str, stored: Option<&str>) -> Result<bool> {
    let Some(stored) = stored else {
        hash_with(password, &[0; SALT_BYTES])?;
        return Ok(false);
    };
    let parsed = PasswordHash::new(stored)
        .map_err(|e| DeskError::Internal(format!("stored password hash does not parse: {e}")))?;
    Ok(hasher().verify_password(password.as_bytes(), &parsed).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_argon2id_salted_and_verifies_only_its_password() {
        let (one, two) = (hash("correct horse battery").unwrap(), hash("correct horse battery").unwrap());
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert_ne!(one, two);
        assert!(verify("correct horse battery", Some(&one)).unwrap());
        assert!(!verify("correct horse batterx", Some(&one)).unwrap());
        assert!(!verify("correct horse battery", None).unwrap());
        assert!(verify("x", Some("no hash")).is_err());
    }
}
