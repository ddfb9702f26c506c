//! Secrets: made at random, shown once, kept only as hashes.
//!
//! Owns their form. A secret never shows in a log: its debug form is a row of stars.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use crate::error::{DeskError, Result};

/// Random bytes in a secret: 256 bits, beyond guessing, so that one plain hash of it is enough to keep.
const SECRET_BYTES: usize = 32;
/// Longest secret looked at; a longer one is none of ours and is not hashed.
const MAX_SECRET: usize = 128;
/// Begin of a token's secret, so that a leaked one can be recognised.
pub const TOKEN_PREFIX: &str = "nwt_";

/// The secret of a session, for a cookie.
#[derive(Clone, PartialEq, Eq)]
pub struct SessionSecret(String);

/// The secret of a token, shown once.
#[derive(Clone, PartialEq, Eq)]
pub struct TokenSecret(String);

macro_rules! secret {
    ($name:ident, $prefix:expr) => {
        impl $name {
            /// The secret itself.
            pub fn expose(&self) -> &str {
                &self.0
            }

            pub(crate) fn random() -> Result<Self> {
                Ok(Self(format!("{}{}", $prefix, random_text(SECRET_BYTES)?)))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(concat!(stringify!($name), "(***)"))
            }
        }
    };
}

secret!(SessionSecret, "");
secret!(TokenSecret, TOKEN_PREFIX);

/// Random text of `bytes` random bytes, in letters that need no escaping anywhere.
pub(crate) fn random_text(bytes: usize) -> Result<String> {
    let mut buffer = vec![0; bytes];
    getrandom::fill(&mut buffer)
        .map_err(|e| DeskError::Internal(format!("the system gives no randomness: {e}")))?;
    Ok(URL_SAFE_NO_PAD.encode(buffer))
}

/// Hash under which a secret is kept; `None` for a text that cannot be one.
pub(crate) fn hash(secret: &str) -> Option<[u8; 32]> {
    (1..=MAX_SECRET).contains(&secret.len()).then(|| Sha256::digest(secret.as_bytes()).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_long_differs_and_does_not_show() {
        let (one, two) = (TokenSecret::random().unwrap(), TokenSecret::random().unwrap());
        assert_ne!(one, two);
        assert!(one.expose().starts_with(TOKEN_PREFIX) && one.expose().len() == 47, "{}", one.expose());
        assert_eq!(format!("{one:?}"), "TokenSecret(***)");
    }

    #[test]
    fn texts_that_cannot_be_secrets_are_not_hashed() {
        assert_eq!(hash(""), None);
        assert_eq!(hash(&"x".repeat(MAX_SECRET + 1)), None);
        assert!(hash("x").is_some());
    }
}
