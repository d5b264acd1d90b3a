//! The process's one provider of cryptography.

/// Installs it. To be called before any client is built, also for plain `http`; calling it again does nothing.
pub fn install() {
    // An error says that one is installed already.
    let _ = rustls::crypto::ring::default_provider().install_default();
}
