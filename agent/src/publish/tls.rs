//! How every connection that we make is secured: one provider of cryptography, whom we believe, what we show of
//! ourselves, and what mends a connection that is refused.

use std::path::Path;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use tallyhook_config::model::Tls;

use super::http::Why;
use super::secret;

/// Installs it. To be called before any client is built, also for plain `http`; calling it again does nothing.
pub fn install() {
    // An error says that one is installed already.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// For a connection that is not secured: nobody is believed.
pub fn none() -> ClientConfig {
    ClientConfig::builder().with_root_certificates(RootCertStore::empty()).with_no_client_auth()
}

/// The security of a connection as `tls` asks for it; its files are read each time, so that a new certificate needs no
/// restart. It trusts the machine's authorities or, given a file, only those in it. `header` is the table of the
/// configuration that it stands in.
///
/// # Errors
/// When a file cannot be used, or when the machine has no authorities to trust.
pub async fn config(tls: &Tls, header: &str) -> Result<ClientConfig, Why> {
    let mut roots = RootCertStore::empty();
    match &tls.ca_file {
        Some(path) => {
            for certificate in certificates(path, "ca_file", header).await? {
                let added = roots.add(certificate);
                added.map_err(|error| secret::unusable(path, &error.to_string(), "ca_file", header))?;
            }
        }
        None => {
            let found = tokio::task::spawn_blocking(rustls_native_certs::load_native_certs).await;
            let found = found.map(|found| found.certs).unwrap_or_default();
            if roots.add_parsable_certificates(found).0 == 0 {
                return Err(Why::new(
                    "this machine has no authority that could vouch for the server",
                    format!("install the package ca-certificates, or give `ca_file` in {header}"),
                ));
            }
        }
    }
    let builder = ClientConfig::builder().with_root_certificates(roots);
    let Some((certificate, key)) = &tls.client else { return Ok(builder.with_no_client_auth()) };
    let chain = certificates(certificate, "certificate_file", header).await?;
    // What the reader of PEM says may quote a line, and this file is a secret.
    let own = PrivateKeyDer::from_pem_slice(&secret::bytes(key, "key_file", header).await?)
        .map_err(|_| secret::unusable(key, "there is no private key in PEM form in it", "key_file", header))?;
    builder.with_client_auth_cert(chain, own).map_err(|error| {
        Why::new(
            format!("the certificate in {} cannot be shown: {error}", certificate.display()),
            format!("give `key_file` in {header} the key of the certificate in `certificate_file`"),
        )
    })
}

async fn certificates(path: &Path, key: &str, header: &str) -> Result<Vec<CertificateDer<'static>>, Why> {
    let pem = secret::bytes(path, key, header).await?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&pem).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        Ok(_) => Err(secret::unusable(path, "there is no certificate in it", key, header)),
        Err(error) => Err(secret::unusable(path, &error.to_string(), key, header)),
    }
}

/// What mends a connection that failed for the reason in `why`, where that reason is one of security.
pub fn mend(why: &str) -> Option<&'static str> {
    const MENDS: &[(&str, &str)] = &[
        (
            "UnknownIssuer",
            "the authority that signed the server's certificate is not trusted: put its certificate into `ca_file`",
        ),
        ("CaUsedAsEndEntity", "the server shows an authority's certificate as its own: give it one of its own"),
        (
            "alert: CertificateExpired",
            "our own certificate has run out: put a new one into `certificate_file`; or the server's clock is wrong",
        ),
        ("Expired", "the server's certificate has run out: renew it; or this box's clock is wrong: set it"),
        ("certificate expired", "the server's certificate has run out: renew it; or this box's clock is wrong: set it"),
        ("NotValidYet", "the server's certificate is not valid yet: check this box's clock"),
        ("not valid yet", "the server's certificate is not valid yet: check this box's clock"),
        ("NotValidForName", "the server's certificate is for another name: write the name that stands in it"),
        ("not valid for name", "the server's certificate is for another name: write the name that stands in it"),
        ("CertificateRequired", "the server asks for a certificate of ours: give `certificate_file` and `key_file`"),
        ("UnknownCA", "the server does not trust the authority of our own certificate: check `certificate_file`"),
        ("BadCertificate", "the server refuses our own certificate: check `certificate_file` and `key_file`"),
        ("InvalidContentType", "the server does not speak TLS at this port: check the port, or leave TLS out"),
        ("corrupt message", "the server does not speak TLS at this port: check the port, or leave TLS out"),
    ];
    MENDS.iter().find(|(sign, _)| why.contains(sign)).map(|(_, mend)| *mend)
}
