//! Whether anybody has written to the ledger: asked of the file system, so that a daemon at rest need not wake its
//! writer every second to find nothing.

use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::schema::{ledger_path, log_path};

/// Length and time of the last write; `None` where there is no such file.
type Mark = Option<(u64, Option<SystemTime>)>;

/// The ledger's files as they were at the last look.
#[derive(Debug)]
pub struct Touched {
    files: [PathBuf; 2],
    seen: Option<[Mark; 2]>,
    again: bool,
}

impl Touched {
    /// Of the store in `directory`, at which nobody has looked yet.
    pub fn new(directory: &Path) -> Self {
        let ledger = ledger_path(directory);
        let log = log_path(&ledger);
        Touched { files: [ledger, log], seen: None, again: false }
    }

    /// Whether it may have been written to since the last look. Files are dated by the kernel's tick, so that a write
    /// just after a look can have the same date: the look after a change says so once more.
    pub fn since_the_last_look(&mut self) -> bool {
        let mark = |file: &PathBuf| std::fs::metadata(file).ok().map(|found| (found.len(), found.modified().ok()));
        let now = self.files.each_ref().map(mark);
        let changed = self.seen != Some(now);
        self.seen = Some(now);
        std::mem::replace(&mut self.again, changed) || changed
    }

    /// What was there could not be read: the next look finds it changed.
    pub fn forget(&mut self) {
        self.seen = None;
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::units::Timestamp;

    use super::*;
    use crate::store::{MechanismCommit, Store};

    #[test]
    fn it_says_so_after_every_write_once_more_and_then_no_longer() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(dir.path()).unwrap();
        let mut touched = Touched::new(dir.path());
        let looks = |touched: &mut Touched| [(); 3].map(|()| touched.since_the_last_look());
        assert_eq!(looks(&mut touched), [true, true, false]);
        for n in 0..3 {
            let mut commit = || {
                let at = Timestamp::from_ms(1_790_000_000_000 + n);
                let mechanism = "main-hoist".to_owned();
                store.commit(&[MechanismCommit { mechanism, at, ..MechanismCommit::default() }]).unwrap()
            };
            commit();
            assert_eq!(looks(&mut touched), [true, true, false]);
            // What stands already is not written again.
            commit();
            assert_eq!(looks(&mut touched), [false, false, false]);
        }
    }
}
