//! Whom this device believes: a pinned certificate, a public authority, or (between two devices) nobody yet.

use std::sync::Arc;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, WebPkiSupportedAlgorithms, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer, ServerName, UnixTime};
use rustls::{
    CertificateError, ClientConfig, DigitallySignedStruct, Error, OtherError, RootCertStore, ServerConfig,
    SignatureScheme,
};
use sha2::{Digest, Sha256};

use crate::error::LinkError;
use crate::invitation::Trust;

/// Another certificate than the pinned one was shown.
#[derive(Debug, thiserror::Error)]
#[error("another certificate than the pinned one")]
pub(crate) struct OtherCertificate {
    pub(crate) found: [u8; 32],
}

/// Returns the hash by which a certificate (in DER) is pinned: SHA-256 over all of it.
#[must_use]
pub fn fingerprint(certificate: &[u8]) -> [u8; 32] {
    Sha256::digest(certificate).into()
}

/// Checks a server's certificate by its hash, or, with none, leaves that to a proof that comes after the handshake. In
/// both cases the other side must show that it has the certificate's key.
#[derive(Debug)]
struct Pinned {
    pin: Option<[u8; 32]>,
    algorithms: WebPkiSupportedAlgorithms,
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let found = fingerprint(end_entity);
        if self.pin.is_some_and(|pin| pin != found) {
            let other = OtherError(Arc::new(OtherCertificate { found }));
            return Err(CertificateError::Other(other).into());
        }
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls12_signature(message, cert, dss, &self.algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(message, cert, dss, &self.algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.algorithms.supported_schemes()
    }
}

fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

fn no_tls(error: impl std::fmt::Display) -> LinkError {
    LinkError::Device { what: format!("set up TLS: {error}") }
}

fn pinned(pin: Option<[u8; 32]>) -> Result<ClientConfig, LinkError> {
    let provider = provider();
    let algorithms = provider.signature_verification_algorithms;
    let config = ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&rustls::version::TLS13])
        .map_err(no_tls)?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Pinned { pin, algorithms }))
        .with_no_client_auth();
    Ok(config)
}

/// Returns how a server is called that is known so.
pub(crate) fn client(trust: &Trust) -> Result<ClientConfig, LinkError> {
    match trust {
        Trust::Pin(pin) => pinned(Some(*pin)),
        Trust::Web => {
            let roots = RootCertStore { roots: webpki_roots::TLS_SERVER_ROOTS.to_vec() };
            let config = ClientConfig::builder_with_provider(provider())
                .with_safe_default_protocol_versions()
                .map_err(no_tls)?
                .with_root_certificates(roots)
                .with_no_client_auth();
            Ok(config)
        }
    }
}

/// Returns how another device is called, which must prove itself after the handshake.
pub(crate) fn device_client() -> Result<ClientConfig, LinkError> {
    pinned(None)
}

/// Returns how other devices are answered: with a certificate made for this once.
pub(crate) fn device_server() -> Result<ServerConfig, LinkError> {
    let made = rcgen::generate_simple_self_signed(vec!["device.invalid".to_owned()]).map_err(no_tls)?;
    let key = PrivateKeyDer::from(PrivatePkcs8KeyDer::from(made.signing_key.serialize_der()));
    ServerConfig::builder_with_provider(provider())
        .with_protocol_versions(&[&rustls::version::TLS13])
        .map_err(no_tls)?
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .map_err(no_tls)
}
