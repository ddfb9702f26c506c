//! TLS towards the broker.
//!
//! Owns which certificates are trusted and the one cryptography provider: it is named here, so that no connect
//! depends on a process-wide default that another library may have set differently.

use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

/// How to trust the broker, and how to prove ourselves.
#[derive(Clone, Default)]
pub struct TlsOptions {
    /// PEM of the certificates that sign the broker's; absent: the system's.
    pub ca_pem: Option<Vec<u8>>,
    /// PEM of our certificate chain and of its private key, where the broker asks for one.
    pub client_pem: Option<(Vec<u8>, Vec<u8>)>,
}

/// The private key is not shown.
impl std::fmt::Debug for TlsOptions {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TlsOptions")
            .field("own_ca", &self.ca_pem.is_some())
            .field("client_certificate", &self.client_pem.is_some())
            .finish()
    }
}

/// Why TLS cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A PEM text cannot be read.
    #[error("{what} is not readable PEM: {source}")]
    Pem {
        /// Which text.
        what: &'static str,
        /// What is wrong with it.
        source: rustls::pki_types::pem::Error,
    },
    /// There is nothing to trust.
    #[error("no usable certificate in {0}")]
    NoRoots(&'static str),
    /// The TLS library refuses.
    #[error("tls set-up: {0}")]
    Setup(#[from] rustls::Error),
}

impl TlsOptions {
    /// Configuration for the client library.
    pub(crate) fn client(&self) -> Result<ClientConfig, TlsError> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_root_certificates(self.roots()?);
        match &self.client_pem {
            None => Ok(builder.with_no_client_auth()),
            Some((chain, key)) => {
                let chain = certificates("the client certificate", chain)?;
                let key = PrivateKeyDer::from_pem_slice(key)
                    .map_err(|source| TlsError::Pem { what: "the client key", source })?;
                Ok(builder.with_client_auth_cert(chain, key)?)
            }
        }
    }

    fn roots(&self) -> Result<RootCertStore, TlsError> {
        let (what, found) = match &self.ca_pem {
            Some(pem) => ("the ca file", certificates("the ca file", pem)?),
            None => ("the system's store", rustls_native_certs::load_native_certs().certs),
        };
        let mut roots = RootCertStore::empty();
        let (added, _) = roots.add_parsable_certificates(found);
        if added == 0 { Err(TlsError::NoRoots(what)) } else { Ok(roots) }
    }
}

fn certificates(what: &'static str, pem: &[u8]) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    CertificateDer::pem_slice_iter(pem)
        .collect::<Result<_, _>>()
        .map_err(|source| TlsError::Pem { what, source })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ca_file_without_certificates_is_told() {
        for (pem, word) in [
            (&b""[..], "no usable certificate"),
            (b"-----BEGIN CERTIFICATE-----\n!!!\n-----END CERTIFICATE-----\n", "not readable"),
            (b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", "no usable certificate"),
        ] {
            let options = TlsOptions { ca_pem: Some(pem.to_vec()), ..TlsOptions::default() };
            let error = options.client().unwrap_err().to_string();
            assert!(error.contains(word), "{error}");
        }
    }
}
