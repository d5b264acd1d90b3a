//! The disk under the store: power cuts that leave a part of what was being written, and a disk that is full.
//!
//! What a cut can leave follows from the order in which SQLite's log is written and synced: a commit appends to the log
//! and syncs it; a log that begins anew has its head synced before anything else of it is written; pages go into the
//! main file only from a synced log. Between two syncs any part of the sectors may be there, whole or torn.

use std::fs;
use std::path::{Path, PathBuf};

use tallyhook::store::{FILE_NAME, Store};

const SECTOR: usize = 512;
/// Bytes of the log's head (SQLite's file format, section 4.1).
const HEAD: usize = 32;

/// The two files that hold everything.
#[derive(Clone, PartialEq, Eq)]
pub struct Image {
    main: Vec<u8>,
    log: Vec<u8>,
}

impl Image {
    fn take(dir: &Path) -> Self {
        let (main, log) = files(dir);
        Image { main: fs::read(main).unwrap_or_default(), log: fs::read(log).unwrap_or_default() }
    }

    fn put(&self, dir: &Path) {
        let (main, log) = files(dir);
        fs::write(main, &self.main).unwrap();
        fs::write(&log, &self.log).unwrap();
        // Shared memory does not outlive a cut.
        let _ = fs::remove_file(dir.join(format!("{FILE_NAME}-shm")));
    }

    /// What may be left when the power goes while `self` turns into `after`.
    fn torn(self, after: Image, rng: &mut fastrand::Rng) -> Image {
        if self.main != after.main {
            // From a log that is synced.
            return Image { main: mixed(&self.main, &after.main, rng), log: after.log };
        }
        let new_head = self.log.len() >= HEAD && self.log.get(..HEAD) != after.log.get(..HEAD);
        if new_head && rng.bool() {
            let mut log = self.log;
            let there = rng.usize(0..=HEAD);
            log[..there].copy_from_slice(&after.log[..there]);
            return Image { main: self.main, log };
        }
        let mut log = mixed(&self.log, &after.log, rng);
        if new_head {
            log[..HEAD].copy_from_slice(&after.log[..HEAD]);
        }
        Image { main: self.main, log }
    }
}

/// Some of the sectors as they are after, the others as they were before; one of them torn.
fn mixed(before: &[u8], after: &[u8], rng: &mut fastrand::Rng) -> Vec<u8> {
    let sector = |of: &[u8], i: usize| of.get(i * SECTOR..).map_or(Vec::new(), |s| s[..s.len().min(SECTOR)].to_vec());
    let sectors = before.len().max(after.len()).div_ceil(SECTOR);
    let changed: Vec<usize> = (0..sectors).filter(|i| sector(before, *i) != sector(after, *i)).collect();
    if rng.u8(0..3) == 0 {
        // All of it is there; only nobody has heard so.
        return after.to_vec();
    }
    let in_order = rng.bool();
    let there = rng.usize(0..=changed.len());
    let mut left = before.to_vec();
    for (n, i) in changed.iter().enumerate() {
        if if in_order { n > there } else { rng.bool() } {
            continue;
        }
        let mut new = sector(after, *i);
        if n == there {
            new.truncate(rng.usize(0..=new.len()));
        }
        let begin = i * SECTOR;
        if left.len() < begin + new.len() {
            left.resize(begin + new.len(), 0);
        }
        left[begin..begin + new.len()].copy_from_slice(&new);
    }
    left
}

fn files(dir: &Path) -> (PathBuf, PathBuf) {
    (dir.join(FILE_NAME), dir.join(format!("{FILE_NAME}-wal")))
}

/// The store on its disk.
pub struct Disk {
    dir: PathBuf,
    store: Option<Store>,
    rng: fastrand::Rng,
    /// The power goes within this many writes from now.
    pub cut_in: Option<u32>,
    left: Option<Image>,
}

impl Disk {
    pub fn new(dir: &Path, seed: u64) -> Self {
        Disk {
            dir: dir.to_owned(),
            store: None,
            rng: fastrand::Rng::with_seed(seed ^ 0xd15c),
            cut_in: None,
            left: None,
        }
    }

    pub fn insert(&mut self, store: Store) {
        self.store = Some(store);
    }

    /// The power is gone.
    pub fn is_dead(&self) -> bool {
        self.left.is_some()
    }

    pub fn store(&self) -> &Store {
        self.store.as_ref().unwrap()
    }

    /// Writes, and loses power while it does where that is due.
    pub fn write<R>(&mut self, write: impl FnOnce(&mut Store) -> R) -> R {
        let store = self.store.as_mut().unwrap();
        let cut = match &mut self.cut_in {
            Some(0) => true,
            Some(n) => {
                *n -= 1;
                false
            }
            None => false,
        };
        if !cut {
            return write(store);
        }
        let before = Image::take(&self.dir);
        let done = write(store);
        self.left = Some(before.torn(Image::take(&self.dir), &mut self.rng));
        self.cut_in = None;
        done
    }

    /// The process ends this instant: by a signal, or with the power.
    pub fn fall(&mut self) {
        let left = self.left.take().unwrap_or_else(|| Image::take(&self.dir));
        self.cut_in = None;
        // Closing tidies up, which whoever falls does not.
        self.store = None;
        left.put(&self.dir);
    }

    pub fn close(&mut self) {
        self.cut_in = None;
        self.store = None;
    }
}
