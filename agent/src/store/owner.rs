//! Whose the files are: what root makes for the daemon's user must be the daemon's.

use std::fs;
use std::io;
use std::os::unix::fs::{MetadataExt as _, lchown};
use std::path::Path;

/// A user and a group of the system.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Owner {
    user: u32,
    group: u32,
}

/// The number of the user who may give files away.
const ROOT: u32 = 0;

impl Owner {
    /// That of the nearest directory on the way to `place` that is there.
    pub(super) fn near(place: &Path) -> io::Result<Self> {
        let named = place.ancestors().filter(|above| !above.as_os_str().is_empty());
        let there = named.into_iter().find_map(|above| fs::metadata(above).ok());
        let found = there.map_or_else(|| fs::metadata("."), Ok)?;
        Ok(Owner { user: found.uid(), group: found.gid() })
    }

    /// Gives it a file or directory that was made just now. What somebody else than root makes stays his own.
    pub(super) fn give(self, made: &Path) -> io::Result<()> {
        let found = fs::symlink_metadata(made)?;
        if found.uid() != ROOT || (found.uid(), found.gid()) == (self.user, self.group) {
            return Ok(());
        }
        lchown(made, Some(self.user), Some(self.group))
    }
}
