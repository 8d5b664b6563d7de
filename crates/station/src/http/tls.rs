//! TLS by rustls: with the keeper's own certificate, or with one that the station makes for itself and keeps.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sha2::{Digest, Sha256};
use tokio_rustls::TlsAcceptor;

/// What a listener needs for TLS.
pub struct Tls {
    /// Takes connections.
    pub acceptor: TlsAcceptor,
    /// SHA-256 of the certificate, as browsers show it: pairs of capitals with colons.
    pub fingerprint: String,
}

/// Why there is no TLS; says the file and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsError(pub String);

impl std::fmt::Display for TlsError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for TlsError {}

/// The certificate that the station made for itself; anew where there is none, it cannot be read, or a name is new.
///
/// # Errors
/// The folder cannot be written, or what stands in it is no certificate.
pub fn generated(folder: &Path, names: &[String]) -> Result<Tls, TlsError> {
    let (certificate, key, for_names) =
        (folder.join("station-cert.pem"), folder.join("station-key.pem"), folder.join("station-cert-names"));
    let wanted = names.join("\n");
    let stands = certificate.exists()
        && key.exists()
        && fs::read_to_string(&for_names).is_ok_and(|written| written == wanted);
    if !stands {
        let failed = |what: &str, error: &dyn std::fmt::Display| {
            TlsError(format!(
                "no certificate could be made ({what}: {error}); check that {} can be written",
                folder.display()
            ))
        };
        let made = rcgen::KeyPair::generate()
            .and_then(|pair| {
                let mut parameters = rcgen::CertificateParams::new(names.to_vec())?;
                parameters.distinguished_name = rcgen::DistinguishedName::new();
                parameters.distinguished_name.push(rcgen::DnType::CommonName, "Tidewright station");
                parameters.key_usages = vec![rcgen::KeyUsagePurpose::DigitalSignature];
                parameters.extended_key_usages = vec![rcgen::ExtendedKeyUsagePurpose::ServerAuth];
                Ok((parameters.self_signed(&pair)?.pem(), pair.serialize_pem()))
            })
            .map_err(|error| failed("making it", &error))?;
        write_private(&key, made.1.as_bytes()).map_err(|error| failed("its key", &error))?;
        fs::write(&certificate, made.0).map_err(|error| failed("writing it", &error))?;
        fs::write(&for_names, wanted).map_err(|error| failed("its names", &error))?;
    }
    own(&certificate, &key)
}

/// The keeper's own certificate and key, both PEM.
///
/// # Errors
/// A file cannot be read, or the two do not go together.
pub fn own(certificate: &Path, key: &Path) -> Result<Tls, TlsError> {
    let chain: Vec<CertificateDer<'static>> =
        CertificateDer::pem_file_iter(certificate).and_then(Iterator::collect).map_err(|error| {
            TlsError(format!("the certificate {} cannot be read: {error:?}", certificate.display()))
        })?;
    let Some(first) = chain.first() else {
        return Err(TlsError(format!("{} holds no certificate; name a PEM file", certificate.display())));
    };
    let fingerprint =
        Sha256::digest(first).iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":");
    let secret = PrivateKeyDer::from_pem_file(key)
        .map_err(|error| TlsError(format!("the key {} cannot be read: {error:?}", key.display())))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| TlsError(format!("TLS cannot be set up: {error}")))?
        .with_no_client_auth()
        .with_single_cert(chain, secret)
        .map_err(|error| {
            TlsError(format!("{} and {} do not go together: {error}", certificate.display(), key.display()))
        })?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Tls { acceptor: TlsAcceptor::from(Arc::new(config)), fingerprint })
}

/// Writes a file that only its owner may read, whole or not at all.
///
/// # Errors
/// Those of the file system.
pub fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    use std::io::Write as _;
    let half: PathBuf = path.with_extension("new");
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&half)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&half, path)
}
