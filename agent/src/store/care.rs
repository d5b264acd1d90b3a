//! The look at the ledger before it is written to: a damaged one is put aside under another name, and the newest copy
//! that adds up takes its place.

use std::path::{Path, PathBuf};

use tallyhook_analysis::units::Timestamp;

use super::backup::{self, Kept};
use super::error::StoreError;
use super::schema;

/// A ledger that was put aside.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Recovered {
    /// Where the damaged one is now; `None` where there was none at all.
    pub aside: Option<PathBuf>,
    /// What was wrong with it.
    pub what: String,
    /// The copy that took its place.
    pub copy: PathBuf,
    /// When that copy was made: what was stored since is only in the damaged one.
    pub made: Option<Timestamp>,
}

impl std::fmt::Display for Recovered {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let since = self.made.map_or("an unknown time".to_owned(), crate::figures::rfc3339);
        write!(f, "the ledger was damaged ({}); the copy of {since}, {}, ", self.what, self.copy.display())?;
        write!(f, "took its place: what was stored after that is missing and counts as a gap")?;
        match &self.aside {
            Some(aside) => write!(f, ". The damaged one is kept as {}", aside.display()),
            None => Ok(()),
        }
    }
}

/// Looks at the ledger of `data`. `None`: it is sound, or the store is new.
///
/// # Errors
/// [`StoreError::Damaged`] or [`StoreError::NotOurs`] when it is not sound and there is no copy that is; it is left as
/// it is then. [`StoreError::TooNew`] and others as they are.
pub(super) fn look(data: &Path, copies: Option<&Path>, now: Timestamp) -> Result<Option<Recovered>, StoreError> {
    let ledger = schema::ledger_path(data);
    let no_copy = copies.map_or(Ok(true), backup::has_none)?;
    let fault = match schema::look_at(&ledger, true) {
        Ok(0) if no_copy => return Ok(None),
        // Copies of an empty ledger are not made.
        Ok(0) => StoreError::damaged(&ledger, "the file is empty"),
        Ok(_) => return Ok(None),
        Err(StoreError::Missing { .. }) if no_copy => return Ok(None),
        Err(StoreError::Missing { .. }) => StoreError::damaged(&ledger, "the file is gone"),
        Err(fault @ (StoreError::Damaged { .. } | StoreError::NotOurs { .. })) => fault,
        Err(other) => return Err(other),
    };
    let mut copies = copies.map_or(Ok(Vec::new()), |directory| backup::copies(directory, now))?.into_iter();
    let Some(newest) = copies.find(|copy| backup::prove(&copy.path).is_ok()) else { return Err(fault) };
    let Kept { path: copy, made, .. } = newest;
    let aside = put_aside(&ledger, now)?;
    backup::put_in_place(&copy, &ledger)?;
    let what = match fault {
        StoreError::Damaged { what, .. } => what,
        other => other.to_string(),
    };
    Ok(Some(Recovered { aside, what, copy, made }))
}

/// Gives the damaged ledger and its log another name: bit for bit, for whoever can mend it.
fn put_aside(ledger: &Path, now: Timestamp) -> Result<Option<PathBuf>, StoreError> {
    if !ledger.exists() {
        return Ok(None);
    }
    let directory = ledger.parent().unwrap_or(Path::new("."));
    let stem = format!("damaged-{}", backup::stamp(now));
    let aside = backup::free_name(directory, &stem, ".sqlite3");
    for log in ["-wal", "-shm", ""] {
        let name = |path: &Path| PathBuf::from(format!("{}{log}", path.display()));
        let from = name(ledger);
        if from.exists() {
            std::fs::rename(&from, name(&aside)).map_err(|error| StoreError::of_io(&from, error))?;
        }
    }
    backup::sync_directory(directory)?;
    Ok(Some(aside))
}
