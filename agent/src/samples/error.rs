//! What can go wrong with samples on disk, by what the caller does next.

use std::io;
use std::path::{Path, PathBuf};

/// Why samples were not read or written. Each sentence begins with the place and ends with its mend.
#[derive(Debug, thiserror::Error)]
pub enum SamplesError {
    /// Have the file mended: a line of it is not what the samples format says.
    #[error("{}:{line}: {what}", file.display())]
    Line {
        /// The file, as it was named.
        file: PathBuf,
        /// The line, from 1; the header is line 1.
        line: u64,
        /// What is wrong there, and the mend.
        what: String,
    },
    /// Leave the file out: a part of a recording is not what was written.
    #[error("{}: damaged at byte {offset}: {what}; move the file away to go on without it", file.display())]
    Damaged {
        /// The recording's file.
        file: PathBuf,
        /// Where the damaged part begins.
        offset: u64,
        /// What was found.
        what: &'static str,
    },
    /// Give another path: nothing to read there.
    #[error("{}: {what}; give a samples file (CSV), a .thr file or a directory of .thr files", path.display())]
    Nothing {
        /// The path, as it was given.
        path: PathBuf,
        /// What is missing.
        what: String,
    },
    /// Look after the disk: it did not do what was asked.
    #[error("{}: {source}; check the disk and the rights to it", path.display())]
    Io {
        /// The file or directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl SamplesError {
    pub(super) fn io(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| SamplesError::Io { path, source }
    }
}
