//! What can go wrong with the store, by what the caller does next.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// Why the store did not do what was asked. Each sentence ends with its mend.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Do not start: another daemon writes to it.
    #[error(
        "the store {} is in use{holder}; stop that one first, or give this one its own directory",
        dir.display()
    )]
    Busy {
        /// The store's directory.
        dir: PathBuf,
        /// ` by process 123`, where it is known.
        holder: String,
    },
    /// Make the copy later: somebody makes one there.
    #[error(
        "another copy is being made in {}; try again when it is done, or give another directory",
        dir.display()
    )]
    Copying {
        /// The directory of the copies.
        dir: PathBuf,
    },
    /// Ask again: a statement had to wait too long for another connection.
    #[error("the store {} was locked for longer than {} s; try again", path.display(), super::schema::BUSY_SECONDS)]
    Locked {
        /// The ledger's file.
        path: PathBuf,
    },
    /// Do not go on: this program is older than the store.
    #[error(
        "the store {} has format {found}, this program knows formats up to {known}; update the program",
        path.display()
    )]
    TooNew {
        /// The ledger's file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest format this program knows.
        known: i64,
    },
    /// Do not go on: the file belongs to another program.
    #[error("{} is not a Tallyhook ledger; give another directory, it is left as it is", path.display())]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// Nothing to read there.
    #[error(
        "there is no store in {}; check the directory, or let `tallyhook run` or `tallyhook demo` make one",
        dir.display()
    )]
    Missing {
        /// The directory that was given.
        dir: PathBuf,
    },
    /// Nothing to restore there.
    #[error("{} is no copy of a ledger; give a file that `tallyhook backup` made", path.display())]
    NoCopy {
        /// The file that was given.
        path: PathBuf,
    },
    /// Take another copy: what this one holds contradicts itself.
    #[error("the copy {} is damaged: {what}; restore another copy", path.display())]
    DamagedCopy {
        /// The copy.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// Bring it up first: an older version made it, and a reader changes nothing.
    #[error(
        "the store {} has format {found}, this program reads {known}; start `tallyhook run` on it once, which brings it \
         up and keeps a copy of what was",
        path.display()
    )]
    TooOld {
        /// The ledger's file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The format this program reads.
        known: i64,
    },
    /// Let the daemon put it right first: a change of the whole file was cut off, and a reader changes nothing.
    #[error(
        "the store {} was cut off while it was being made or changed; start `tallyhook run` on it once, which puts it \
         right",
        path.display()
    )]
    CutOff {
        /// The ledger's file.
        path: PathBuf,
    },
    /// Ask a copy: what the daemon left to be taken in cannot be taken in there.
    #[error(
        "the store {} cannot be written from here, and the daemon that wrote it was not stopped in order; copy its directory \
         to a place that can be written, and ask that copy",
        path.display()
    )]
    NotClosed {
        /// The ledger's file.
        path: PathBuf,
    },
    /// Let the daemon look first: what a crash left beside the ledger does not fit it, or not to its end.
    #[error(
        "the redo log {} is damaged or of another ledger, so the ledger beside it may lack the last hour; start \
         `tallyhook run` on it, which puts the redo log aside and says so, or move it away",
        path.display()
    )]
    Redo {
        /// The redo log's file.
        path: PathBuf,
    },
    /// Do not restore there: something is in that place, and nothing is overwritten.
    #[error("{} is not empty; restore into a new directory, then name that one in the configuration", dir.display())]
    Occupied {
        /// The directory that was given.
        dir: PathBuf,
    },
    /// Stop writing and keep the file for repair: what it holds contradicts itself.
    #[error(
        "the store {} is damaged: {what}; stop the daemon, keep a copy of the directory, then restore a backup",
        path.display()
    )]
    Damaged {
        /// The ledger's file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// Keep the data and commit again later: the disk is full.
    #[error("no room on the disk of the store {}; free some space, nothing is lost so far", path.display())]
    Full {
        /// The ledger's file.
        path: PathBuf,
    },
    /// Keep the data and commit again later: the disk or the rights to it fail.
    #[error("the store {} cannot be read or written: {what}; check the disk and the rights to it", path.display())]
    Io {
        /// The file or directory.
        path: PathBuf,
        /// What the system said.
        what: String,
    },
    /// End the run: the writer's thread has ended.
    #[error("the store has been closed; start the program again")]
    Closed,
}

impl StoreError {
    /// Whether the same request may succeed later without a person's doing.
    pub fn may_pass(&self) -> bool {
        matches!(self, StoreError::Locked { .. } | StoreError::Full { .. } | StoreError::Io { .. })
    }

    /// A value in the file that cannot be what was written.
    pub(super) fn damaged(path: &Path, what: impl Into<String>) -> Self {
        StoreError::Damaged { path: path.to_owned(), what: what.into() }
    }

    pub(super) fn of_sqlite(path: &Path, error: rusqlite::Error) -> Self {
        let path = path.to_owned();
        let what = error.to_string();
        let Some(code) = error.sqlite_error_code() else {
            // A column of another type, a row where none may be missing: the file is not what we wrote.
            return StoreError::Damaged { path, what };
        };
        if error.sqlite_error().is_some_and(|e| e.extended_code == rusqlite::ffi::SQLITE_READONLY_ROLLBACK) {
            return StoreError::CutOff { path };
        }
        match code {
            ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => StoreError::Locked { path },
            ErrorCode::DiskFull => StoreError::Full { path },
            ErrorCode::NotADatabase => StoreError::NotOurs { path },
            ErrorCode::CannotOpen
            | ErrorCode::SystemIoFailure
            | ErrorCode::ReadOnly
            | ErrorCode::PermissionDenied
            | ErrorCode::FileLockingProtocolFailed
            | ErrorCode::OutOfMemory
            | ErrorCode::TooBig => StoreError::Io { path, what },
            _ => StoreError::Damaged { path, what },
        }
    }

    pub(super) fn of_io(path: &Path, error: io::Error) -> Self {
        let path = path.to_owned();
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::Full { path },
            _ => StoreError::Io { path, what: error.to_string() },
        }
    }
}
