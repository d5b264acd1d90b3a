//! The locks: one process has the ledger at a time, and one makes copies in a directory.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::path::Path;

use super::asking;
use super::error::StoreError;
use super::schema;

/// The right to write, or to make copies. The system takes it back when the process is killed.
#[derive(Debug)]
pub(super) struct WriterLock(File);

impl Drop for WriterLock {
    fn drop(&mut self) {
        // Closing the file alone is not enough: a child process that is just being started still holds a copy of the
        // handle, and with it the lock. Should this fail, the lock goes with the last copy.
        let _ = self.0.unlock();
    }
}

/// In the lock's file in place of a process number: it will soon be given up.
const IN_PASSING: &str = "in passing";

/// Takes the writer's lock, and leaves the process number in the file for whoever is refused, or [`IN_PASSING`].
pub(super) fn lock(dir: &Path, in_passing: bool) -> Result<WriterLock, StoreError> {
    let path = dir.join(schema::LOCK_NAME);
    let io = |error| StoreError::of_io(&path, error);
    let mut file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(io)?;
    for look in 0.. {
        match file.try_lock() {
            Ok(()) => break,
            Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(error)) => return Err(io(error)),
        }
        let mut holder = String::new();
        let is_read = file.rewind().and_then(|()| file.read_to_string(&mut holder)).is_ok();
        let soon = is_read && holder.trim() == IN_PASSING && !in_passing && look < asking::LOOKS;
        if !soon {
            let known = is_read && holder.trim().parse::<u32>().is_ok();
            let holder = if known { format!(" by process {}", holder.trim()) } else { String::new() };
            return Err(StoreError::Busy { dir: dir.to_owned(), holder });
        }
        asking::pause();
    }
    // The number is a courtesy: a full disk must not keep the daemon from starting.
    let holder = if in_passing { IN_PASSING.to_owned() } else { std::process::id().to_string() };
    let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{holder}"));
    Ok(WriterLock(file))
}

/// Takes the right to make copies in the directory `to`: two at once would go on with each other's unfinished file. It is
/// the directory itself that is locked, so nothing of it is left there. `None` on a share that knows no such locks.
pub(super) fn copying(to: &Path) -> Result<Option<WriterLock>, StoreError> {
    let directory = File::open(to).map_err(|error| StoreError::of_io(to, error))?;
    match directory.try_lock() {
        Ok(()) => Ok(Some(WriterLock(directory))),
        Err(TryLockError::WouldBlock) => Err(StoreError::Copying { dir: to.to_owned() }),
        Err(TryLockError::Error(_)) => Ok(None),
    }
}
