//! Files that the configuration names for what a destination needs: a path, or a credential of the service manager.

use std::path::{Path, PathBuf};

use crate::raw::{Table, shorten};

/// What stands before a credential's name, in place of a path.
const MARK: &str = "credential:";

/// The name of the credential that stands in a path's place.
pub fn credential(path: &Path) -> Option<&str> {
    path.to_str()?.strip_prefix(MARK)
}

/// Reads a key that names a file.
pub(crate) fn file(table: &Table<'_>, key: &str) -> Option<PathBuf> {
    let given = table.text(key)?;
    let fits = named(table, key, &given.value, given.span.clone());
    fits.then(|| PathBuf::from(given.value))
}

/// Whether a value that names a file can be used, where it is a credential's name.
pub(crate) fn named(table: &Table<'_>, key: &str, value: &str, span: std::ops::Range<usize>) -> bool {
    let Some(name) = value.strip_prefix(MARK) else { return true };
    // What stands in the unit must be the name of a file in one directory, and no way out of it.
    let letters = |b: u8| b.is_ascii_alphanumeric() || b"._-".contains(&b);
    let fits = !name.is_empty() && !name.starts_with('.') && name.bytes().all(letters);
    if !fits {
        table.faults.wrong(
            span,
            format!("`{key}` in {} is the credential \"{}\", which is no name of one", table.header(), shorten(name)),
            "write the name that `LoadCredential=` in the unit gives it, of letters, digits, hyphens, dots and \
             underscores",
        );
    }
    fits
}
