//! Credentials that the service manager hands over (systemd.exec(5)): files in a directory that only the daemon sees.

use std::path::{Path, PathBuf};

/// Where they are when nobody says so: what the unit's own commands are not told, a shell is not either.
const OF_THE_UNIT: &str = "/run/credentials/tallyhook.service";

/// The directory of the credentials.
pub fn directory() -> PathBuf {
    std::env::var_os("CREDENTIALS_DIRECTORY").map_or_else(|| OF_THE_UNIT.into(), PathBuf::from)
}

/// The name of the credential that a file is.
pub fn name(file: &Path) -> Option<&str> {
    file.strip_prefix(directory()).ok()?.to_str()
}
