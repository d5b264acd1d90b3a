//! The process's one provider of cryptography, and what mends a connection that it refuses.

/// Installs it. To be called before any client is built, also for plain `http`; calling it again does nothing.
pub fn install() {
    // An error says that one is installed already.
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// What mends a connection that failed for the reason in `why`, where that reason is one of security.
pub fn mend(why: &str) -> Option<&'static str> {
    const MENDS: &[(&str, &str)] = &[
        (
            "UnknownIssuer",
            "the authority that signed the server's certificate is not trusted: put its certificate into `ca_file`",
        ),
        ("CaUsedAsEndEntity", "the server shows an authority's certificate as its own: give it one of its own"),
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
