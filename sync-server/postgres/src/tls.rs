//! TLS to the database, by rustls: the certificate chain and the host's name are always checked.

use std::path::Path;
use std::sync::Arc;

use embertally_core::store::StoreError;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use tokio_postgres_rustls::MakeRustlsConnect;

use crate::error::refused;

/// Makes the connector that trusts the certificates in a PEM file and no others.
pub(crate) fn connector(roots: &Path) -> Result<MakeRustlsConnect, StoreError> {
    let bad = |what: String| refused(format!("the certificates for TLS to the database cannot be used: {what}"));
    let mut store = RootCertStore::empty();
    for certificate in CertificateDer::pem_file_iter(roots).map_err(|error| bad(error.to_string()))? {
        let certificate = certificate.map_err(|error| bad(error.to_string()))?;
        store.add(certificate).map_err(|error| bad(error.to_string()))?;
    }
    if store.is_empty() {
        return Err(bad("the file holds none".to_owned()));
    }
    let config = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| bad(error.to_string()))?
        .with_root_certificates(store)
        .with_no_client_auth();
    Ok(MakeRustlsConnect::new(config))
}
