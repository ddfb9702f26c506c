//! Who asks: the bearer token or the session cookie of a request, turned into a principal by the desk.
//!
//! Owns the cookie's name and form. Refuses to remember anybody: every request is proved anew, so that a revoked
//! token or a disabled account ends at once.

use axum::http::{HeaderMap, HeaderValue, header};
use notchwatch_desk::{Desk, DeskError, SESSION_LASTS};
use notchwatch_model::Principal;
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// Cookie behind TLS; the prefix makes browsers refuse it from anywhere but this host and over TLS alone.
const SECURE_COOKIE: &str = "__Host-notchwatch";
/// Cookie without TLS, for a console on the same machine.
const PLAIN_COOKIE: &str = "notchwatch";

/// Proof that came with a request.
#[derive(Clone)]
pub(crate) enum Credential {
    /// `Authorization: Bearer`.
    Bearer(String),
    /// The session cookie.
    Session(String),
}

/// A proved caller.
#[derive(Clone)]
pub(crate) struct Caller {
    pub(crate) who: Principal,
    pub(crate) credential: Credential,
}

impl Credential {
    /// Reads it; a bearer token comes before a cookie.
    pub(crate) fn of(headers: &HeaderMap, behind_tls: bool) -> Option<Self> {
        if let Some(value) = headers.get(header::AUTHORIZATION) {
            let (scheme, secret) = value.to_str().ok()?.split_once(' ')?;
            return scheme
                .eq_ignore_ascii_case("bearer")
                .then(|| Credential::Bearer(secret.trim().to_owned()));
        }
        session_secret(headers, behind_tls).map(Credential::Session)
    }

    /// Whose it is, now.
    pub(crate) async fn prove(&self, desk: &Desk) -> Result<Option<Principal>, DeskError> {
        match self {
            Credential::Bearer(secret) => desk.bearer(secret).await,
            Credential::Session(secret) => desk.session(secret).await,
        }
    }
}

/// Reads and proves; `None` when nothing came or it proves nobody.
pub(crate) async fn caller(
    desk: &Desk,
    headers: &HeaderMap,
    behind_tls: bool,
) -> Result<Option<Caller>, DeskError> {
    let Some(credential) = Credential::of(headers, behind_tls) else { return Ok(None) };
    Ok(credential.prove(desk).await?.map(|who| Caller { who, credential }))
}

/// The session's secret out of the cookies.
pub(crate) fn session_secret(headers: &HeaderMap, behind_tls: bool) -> Option<String> {
    let wanted = name(behind_tls);
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(key, _)| *key == wanted)
        .map(|(_, value)| value.to_owned())
}

/// The header that gives a browser its session; with no secret, the one that takes it away.
pub(crate) fn set_cookie(secret: Option<&str>, behind_tls: bool) -> Option<HeaderValue> {
    let secure = if behind_tls { "; Secure" } else { "" };
    let age = secret.map_or(0, |_| SESSION_LASTS.micros() / 1_000_000);
    let value = secret.unwrap_or_default();
    let text =
        format!("{}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={age}{secure}", name(behind_tls));
    HeaderValue::from_str(&text).ok()
}

/// Token that forms of a session carry: a hash of its secret, which another site can neither read nor guess. It holds
/// for as long as the session does, in every process that serves it.
pub(crate) fn form_token(secret: &str) -> String {
    let digest =
        Sha256::new().chain_update(b"notchwatch form token\0").chain_update(secret.as_bytes()).finalize();
    crate::words::hex(&digest)
}

/// Whether a form's token is the session's; takes the same time whatever differs.
pub(crate) fn form_token_fits(secret: &str, token: &str) -> bool {
    form_token(secret).as_bytes().ct_eq(token.as_bytes()).into()
}

const fn name(behind_tls: bool) -> &'static str {
    if behind_tls { SECURE_COOKIE } else { PLAIN_COOKIE }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(header::HeaderName, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.clone(), HeaderValue::from_static(value))).collect()
    }

    #[test]
    fn the_session_is_found_among_other_cookies_and_only_under_its_name() {
        let sent = headers(&[(header::COOKIE, "a=1; notchwatch=secret; b=2")]);
        assert_eq!(session_secret(&sent, false).as_deref(), Some("secret"));
        assert_eq!(session_secret(&sent, true), None);
    }

    #[test]
    fn a_bearer_token_comes_before_a_cookie_and_other_schemes_prove_nothing() {
        let both = headers(&[(header::AUTHORIZATION, "bearer nwt_x"), (header::COOKIE, "notchwatch=s")]);
        assert!(matches!(Credential::of(&both, false), Some(Credential::Bearer(s)) if s == "nwt_x"));
        let basic = headers(&[(header::AUTHORIZATION, "Basic eA=="), (header::COOKIE, "notchwatch=s")]);
        assert!(Credential::of(&basic, false).is_none());
    }

    #[test]
    fn cookies_are_closed_to_scripts_and_other_sites() {
        let text = set_cookie(Some("s"), true).unwrap();
        let text = text.to_str().unwrap();
        for part in ["__Host-notchwatch=s", "HttpOnly", "SameSite=Strict", "Path=/", "Secure"] {
            assert!(text.contains(part), "{part} in {text}");
        }
        assert!(set_cookie(None, false).unwrap().to_str().unwrap().contains("Max-Age=0"));
    }

    #[test]
    fn a_form_token_fits_its_session_alone() {
        assert!(form_token_fits("one", &form_token("one")));
        assert!(!form_token_fits("two", &form_token("one")));
        assert!(!form_token_fits("one", ""));
    }
}
