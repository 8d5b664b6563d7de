//! What all ways share of TLS: certificates of one's own, the public roots otherwise.

use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};

/// The text of a certificate file.
pub(crate) fn read(folder: &Path, path: &Path) -> Result<Vec<u8>, String> {
    let path = folder.join(path);
    std::fs::read(&path).map_err(|error| format!("the certificate {} can't be read: {error}", path.display()))
}

/// A client that trusts the certificates in that file, or the public roots when there is none.
pub(crate) fn client(folder: &Path, ca: Option<&Path>) -> Result<Arc<ClientConfig>, String> {
    let mut roots = RootCertStore::empty();
    match ca {
        Some(path) => {
            let pem = read(folder, path)?;
            for certificate in CertificateDer::pem_slice_iter(&pem) {
                let wrong = |error: &dyn std::fmt::Display| {
                    format!("{} is not a certificate in PEM: {error}", path.display())
                };
                roots.add(certificate.map_err(|error| wrong(&error))?).map_err(|error| wrong(&error))?;
            }
            if roots.is_empty() {
                return Err(format!("{} holds no certificate in PEM", path.display()));
            }
        }
        None => roots.extend(webpki_roots::TLS_SERVER_ROOTS.iter().cloned()),
    }
    let config = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS can't be set up: {error}"))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}
