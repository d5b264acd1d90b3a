//! The ring of raw samples: files of blocks, the oldest deleted when days or megabytes run out.
//!
//! A file is `STORE/samples/<mechanism>/<first-ms>.thr`: magic `THkR`, format (u16 LE), length of the mechanism's
//! identifier (u16 LE), the identifier, CRC-32 of all that (u32 LE), then blocks (`block.rs`). A crash loses at
//! most the block that was being filled; what it left half-written is dropped on reading and cut off on writing.

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::sample::Sample;
use tallyhook_config::model::RecordingRing;

use super::block::{self, BLOCK_HEAD, BlockWriter, Found};
use super::error::SamplesError;

/// How the files' names end.
pub const EXTENSION: &str = "thr";

/// The folder of the rings in the store's directory.
pub const FOLDER: &str = "samples";

const MAGIC: &[u8; 4] = b"THkR";
const FORMAT: u16 = 1;
const BLOCK_SAMPLES: usize = 600;
const BLOCK_MS: i64 = 30_000;
const FILE_BYTES: u64 = 8_000_000;
const DAY_MS: i64 = 86_400_000;
/// Bytes of a file that are read together; more than a head can have.
const READ_AT_ONCE: u64 = 256 * 1024;

/// The folder of the ring of `mechanism` in the store `dir`.
pub fn ring_folder(dir: &Path, mechanism: &str) -> PathBuf {
    dir.join(FOLDER).join(mechanism)
}

/// Files of a recording in `folder` with the first instant in each, oldest first.
fn files_in(folder: &Path) -> io::Result<Vec<(i64, PathBuf)>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let first = path.file_stem().and_then(|stem| stem.to_str()).and_then(|stem| stem.parse().ok());
        if let (Some(first), true) = (first, path.extension().is_some_and(|e| e == EXTENSION)) {
            files.push((first, path));
        }
    }
    files.sort();
    Ok(files)
}

/// What the rings in the store `dir` take, bytes.
pub fn ring_bytes(dir: &Path) -> u64 {
    ring_files(dir).iter().map(|(.., bytes)| bytes).sum()
}

/// Deletes files of the rings in the store `dir`, the oldest first, until `bytes` are free or none but the newest of each
/// ring is left. Gives what was freed, bytes.
///
/// # Errors
/// When a file cannot be deleted.
pub fn give_up_oldest(dir: &Path, bytes: u64) -> Result<u64, SamplesError> {
    let mut freed = 0;
    for (_, path, size) in ring_files(dir).into_iter().filter(|(newest, ..)| !newest) {
        if freed >= bytes {
            break;
        }
        fs::remove_file(&path).map_err(SamplesError::io(&path))?;
        freed += size;
    }
    Ok(freed)
}

/// The files of all rings, oldest first: whether it is the newest of its ring, and its bytes.
fn ring_files(dir: &Path) -> Vec<(bool, PathBuf, u64)> {
    let mut found = Vec::new();
    for ring in fs::read_dir(dir.join(FOLDER)).into_iter().flatten().flatten() {
        let files = files_in(&ring.path()).unwrap_or_default();
        let count = files.len();
        for (index, (first, path)) in files.into_iter().enumerate() {
            let bytes = fs::metadata(&path).map_or(0, |m| m.len());
            found.push((first, index + 1 == count, path, bytes));
        }
    }
    found.sort();
    found.into_iter().map(|(_, newest, path, bytes)| (newest, path, bytes)).collect()
}

fn file_head(mechanism: &str) -> Vec<u8> {
    let id = &mechanism.as_bytes()[..mechanism.len().min(usize::from(u16::MAX))];
    let mut head = MAGIC.to_vec();
    head.extend(FORMAT.to_le_bytes());
    head.extend((id.len() as u16).to_le_bytes());
    head.extend(id);
    head.extend(crc32fast::hash(&head).to_le_bytes());
    head
}

/// Length of a file's head; `None` when it is not one that this program reads.
fn head_length(bytes: &[u8]) -> Option<usize> {
    let [m0, m1, m2, m3, f0, f1, l0, l1] = *bytes.first_chunk()?;
    let end = 8 + usize::from(u16::from_le_bytes([l0, l1]));
    let sum: [u8; 4] = bytes.get(end..end + 4)?.try_into().ok()?;
    let ours = [m0, m1, m2, m3] == *MAGIC && u16::from_le_bytes([f0, f1]) == FORMAT;
    (ours && crc32fast::hash(&bytes[..end]) == u32::from_le_bytes(sum)).then_some(end + 4)
}

/// Writes the ring of one mechanism.
#[derive(Debug)]
pub struct RingWriter {
    folder: PathBuf,
    mechanism: String,
    bounds: RecordingRing,
    block: BlockWriter,
    file: Option<OpenFile>,
    /// Blocks written since it was opened.
    written: u64,
}

#[derive(Debug)]
struct OpenFile {
    file: File,
    path: PathBuf,
    first: i64,
    /// What of it is whole.
    bytes: u64,
    /// The last write failed.
    is_doubtful: bool,
}

impl OpenFile {
    /// Writes a block behind what is whole.
    fn put(&mut self, block: &[u8]) -> io::Result<()> {
        self.is_doubtful = true;
        self.file.write_all(block)?;
        self.is_doubtful = false;
        self.bytes += block.len() as u64;
        Ok(())
    }

    /// After a failure: opens it anew, for a disk that was away is another one when it is back, and cuts off half a block,
    /// which in the middle would hide what follows. `false` when what was whole is not there any more.
    fn open_again(&mut self) -> io::Result<bool> {
        let file = match OpenOptions::new().append(true).open(&self.path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
            opened => opened?,
        };
        if file.metadata()?.len() < self.bytes {
            return Ok(false);
        }
        file.set_len(self.bytes)?;
        self.file = file;
        Ok(true)
    }
}

impl RingWriter {
    /// Opens the ring of `mechanism` in the store `store_dir`, and cuts off what a crash left half-written.
    ///
    /// # Errors
    /// [`SamplesError::Io`] when the folder cannot be made or its files not be read and written.
    pub fn open(store_dir: &Path, mechanism: &str, bounds: RecordingRing) -> Result<Self, SamplesError> {
        let folder = ring_folder(store_dir, mechanism);
        fs::create_dir_all(&folder).map_err(SamplesError::io(&folder))?;
        let newest = files_in(&folder).map_err(SamplesError::io(&folder))?.pop();
        let file = match newest {
            Some((first, path)) => reopen(first, &path).map_err(SamplesError::io(&path))?,
            None => None,
        };
        let (mechanism, block) = (mechanism.to_owned(), BlockWriter::default());
        Ok(RingWriter { folder, mechanism, bounds, block, file, written: 0 })
    }

    /// How many blocks have been written since it was opened.
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Takes a sample. It reaches the disk with its block: after 600 samples or 30 s.
    ///
    /// # Errors
    /// [`SamplesError::Io`] when a full block cannot be written. Then this sample is not taken, the block stays in memory,
    /// and the next call tries again.
    pub fn append(&mut self, sample: &Sample) -> Result<(), SamplesError> {
        if self.block.count() > 0 {
            let age = self.block.age_ms(sample.at);
            if self.block.count() >= BLOCK_SAMPLES || !(0..BLOCK_MS).contains(&age) {
                self.write_block()?;
            }
        }
        let at = sample.at.as_ms();
        let room = self.file_bytes();
        let full = |f: &OpenFile| f.bytes >= room || at.saturating_sub(f.first).saturating_abs() >= DAY_MS;
        if self.file.as_ref().is_some_and(full) {
            // The block that is being filled belongs to the file before.
            self.write_block()?;
            self.file = None;
        }
        if self.file.is_none() {
            self.start_file(self.block.first_ms().unwrap_or(at))?;
        }
        self.block.push(sample);
        Ok(())
    }

    /// Writes the block that is being filled, and waits until the disk has it.
    ///
    /// # Errors
    /// [`SamplesError::Io`] when it cannot be written.
    pub fn flush(&mut self) -> Result<(), SamplesError> {
        self.write_block()?;
        match &self.file {
            Some(open) => open.file.sync_data().map_err(SamplesError::io(&open.path)),
            None => Ok(()),
        }
    }

    fn write_block(&mut self) -> Result<(), SamplesError> {
        let Some(first) = self.block.first_ms() else { return Ok(()) };
        if let Some(open) = self.file.as_mut().filter(|open| open.is_doubtful)
            && !open.open_again().map_err(SamplesError::io(&open.path))?
        {
            self.file = None;
        }
        if self.file.is_none() {
            self.start_file(first)?;
        }
        let Some(open) = &mut self.file else { return Ok(()) };
        if let Err(error) = open.put(self.block.seal()) {
            // Half a block at the end is cut off by whoever opens it next; this block stays in memory.
            let _ = open.file.set_len(open.bytes);
            return Err(SamplesError::io(&open.path)(error));
        }
        self.written += 1;
        self.block.clear();
        Ok(())
    }

    /// A file's size at which the next is begun: small enough that deleting one keeps most of a small ring.
    fn file_bytes(&self) -> u64 {
        FILE_BYTES.min(u64::from(self.bounds.megabytes) * 1_000_000 / 4).max(1)
    }

    fn start_file(&mut self, at: i64) -> Result<(), SamplesError> {
        self.file = None;
        // Somebody may have cleared it away.
        fs::create_dir_all(&self.folder).map_err(SamplesError::io(&self.folder))?;
        self.prune(at)?;
        let head = file_head(&self.mechanism);
        let mut first = at;
        let (path, mut file) = loop {
            let path = self.folder.join(format!("{first}.{EXTENSION}"));
            match OpenOptions::new().append(true).create_new(true).open(&path) {
                Ok(file) => break (path, file),
                // A clock that was set back can come by the same millisecond again.
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists && first < i64::MAX => first += 1,
                Err(error) => return Err(SamplesError::io(&path)(error)),
            }
        };
        if let Err(error) = file.write_all(&head) {
            // On a full disk one more would be left by each trial.
            let _ = fs::remove_file(&path);
            return Err(SamplesError::io(&path)(error));
        }
        self.file = Some(OpenFile { file, path, first: at, bytes: head.len() as u64, is_doubtful: false });
        Ok(())
    }

    /// Deletes the oldest files: those that are all older than the days kept, and as many as the next file needs.
    fn prune(&self, now: i64) -> Result<(), SamplesError> {
        let files = files_in(&self.folder).map_err(SamplesError::io(&self.folder))?;
        let size = |path: &Path| fs::metadata(path).map_or(0, |m| m.len());
        let mut total: u64 = files.iter().map(|(_, path)| size(path)).sum();
        let room = (u64::from(self.bounds.megabytes) * 1_000_000).saturating_sub(self.file_bytes());
        let oldest = now.saturating_sub(i64::from(self.bounds.days).saturating_mul(DAY_MS));
        for (index, (_, path)) in files.iter().enumerate() {
            // A file ends where the next one begins.
            let ended = files.get(index + 1).map_or(now, |(first, _)| *first);
            if total <= room && ended >= oldest {
                break;
            }
            total -= size(path).min(total);
            match fs::remove_file(path) {
                // Given up meanwhile for the store's budget.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                removed => removed.map_err(SamplesError::io(path))?,
            }
        }
        Ok(())
    }
}

impl Drop for RingWriter {
    fn drop(&mut self) {
        // Nobody is left to be told; what is lost is one block of raw samples.
        let _ = self.write_block();
    }
}

/// Goes on with the newest file after its last whole block; `None` when its head is not one to go on from.
fn reopen(first: i64, path: &Path) -> io::Result<Option<OpenFile>> {
    let bytes = fs::read(path)?;
    let Some(mut end) = head_length(&bytes) else {
        if bytes.len() < file_head("").len() {
            // The crash came before the head was whole: there is nothing in it.
            fs::remove_file(path)?;
        }
        return Ok(None);
    };
    let mut whole = end;
    loop {
        match block::find(&bytes[end..]) {
            Found::Block(payload) => {
                end += BLOCK_HEAD + payload.len();
                whole = end;
            }
            // In the middle it stays, for the reader to tell of; at the end it is a write that was cut short.
            Found::Broken(length) => end += length,
            Found::Torn => break,
        }
    }
    let file = OpenOptions::new().append(true).open(path)?;
    if whole < bytes.len() {
        file.set_len(whole as u64)?;
    }
    Ok(Some(OpenFile { file, path: path.to_owned(), first, bytes: whole as u64, is_doubtful: false }))
}

/// The samples of a recording, in the order of its files. A damaged part gives one error, then it goes on after it.
#[derive(Debug)]
pub struct Recording {
    files: VecDeque<PathBuf>,
    file: PathBuf,
    /// Until its end has been read.
    open: Option<File>,
    /// A stretch of the file: small, so that it is still at hand in the processor's cache when it is looked at.
    bytes: Vec<u8>,
    /// Up to where of these they have been taken, and how many of the file came before them.
    offset: usize,
    dropped: u64,
    /// Of the block that the iterator is in, and how many of them it has given.
    samples: Vec<Sample>,
    given: usize,
    batch: Batch,
}

impl Recording {
    /// One file.
    ///
    /// # Errors
    /// [`SamplesError::Nothing`] when there is no such file.
    pub fn of_file(path: &Path) -> Result<Self, SamplesError> {
        if !path.is_file() {
            return Err(SamplesError::Nothing { path: path.to_owned(), what: "there is no such file".into() });
        }
        Ok(Self::of_files([path.to_owned()].into()))
    }

    /// All files in a folder.
    ///
    /// # Errors
    /// [`SamplesError::Nothing`] when there are none.
    pub fn of_directory(folder: &Path) -> Result<Self, SamplesError> {
        let nothing = |what: String| SamplesError::Nothing { path: folder.to_owned(), what };
        let files = files_in(folder).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound => nothing(format!("cannot be read: {error}")),
            _ => SamplesError::io(folder)(error),
        })?;
        if files.is_empty() {
            let mut within: Vec<String> = std::fs::read_dir(folder)
                .into_iter()
                .flatten()
                .filter_map(|entry| Some(entry.ok()?.path()))
                .filter(|path| path.is_dir() && files_in(path).is_ok_and(|files| !files.is_empty()))
                .map(|path| path.display().to_string())
                .collect();
            within.sort();
            return Err(nothing(match within.as_slice() {
                [] => "holds no recording (.thr files)".into(),
                some => format!("holds no recording itself, but directories in it do: give one of {}", some.join(", ")),
            }));
        }
        Ok(Self::of_files(files.into_iter().map(|(_, path)| path).collect()))
    }

    /// The ring of `mechanism` in the store `dir`.
    ///
    /// # Errors
    /// [`SamplesError::Nothing`] when nothing of it was recorded.
    pub fn of_mechanism(dir: &Path, mechanism: &str) -> Result<Self, SamplesError> {
        Self::of_directory(&ring_folder(dir, mechanism))
    }

    fn of_files(files: VecDeque<PathBuf>) -> Self {
        Recording {
            files,
            file: PathBuf::new(),
            open: None,
            bytes: Vec::new(),
            offset: 0,
            dropped: 0,
            samples: Vec::new(),
            given: 0,
            batch: Batch::default(),
        }
    }

    /// Reads the next file; `None` after the last.
    fn next_file(&mut self) -> Option<Result<(), SamplesError>> {
        self.file = self.files.pop_front()?;
        self.bytes.clear();
        (self.offset, self.dropped) = (0, 0);
        match File::open(&self.file) {
            Ok(file) => self.open = Some(file),
            // The ring went on while it was being read.
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Some(Ok(())),
            Err(error) => return Some(Err(SamplesError::io(&self.file)(error))),
        }
        if let Err(error) = self.read_on() {
            return Some(Err(error));
        }
        match head_length(&self.bytes) {
            Some(length) => self.offset = length,
            None => {
                let cut_short = self.bytes.len() < file_head("").len();
                self.bytes.clear();
                self.open = None;
                if !cut_short {
                    return Some(Err(self.damaged("its head is not that of a recording this program reads")));
                }
            }
        }
        Some(Ok(()))
    }

    /// Reads more of the file into the room of what has been taken; whether there was more.
    fn read_on(&mut self) -> Result<bool, SamplesError> {
        let Some(file) = &mut self.open else { return Ok(false) };
        self.bytes.drain(..self.offset);
        self.dropped += self.offset as u64;
        self.offset = 0;
        match file.take(READ_AT_ONCE).read_to_end(&mut self.bytes) {
            Ok(0) => {
                self.open = None;
                Ok(false)
            }
            Ok(_) => Ok(true),
            Err(error) => {
                self.open = None;
                self.bytes.clear();
                Err(SamplesError::io(&self.file)(error))
            }
        }
    }

    /// Puts the samples of the next block at the end of `out`; `false` at the end.
    pub(super) fn next_block(&mut self, out: &mut Batch) -> Result<bool, SamplesError> {
        self.samples.drain(..).skip(std::mem::take(&mut self.given)).for_each(|sample| out.push(sample));
        loop {
            match self.read_block(out) {
                Some(read) => return read.map(|()| true),
                None => match self.next_file() {
                    Some(opened) => opened?,
                    None => return Ok(false),
                },
            }
        }
    }

    /// Reads the next block of the file; `None` when there is none.
    fn read_block(&mut self, out: &mut Batch) -> Option<Result<(), SamplesError>> {
        loop {
            let rest = self.bytes.get(self.offset..).unwrap_or_default();
            let found = block::find(rest);
            if matches!(&found, Found::Torn) || matches!(&found, Found::Broken(length) if *length == rest.len()) {
                // That was all that has been read, not all that is in the file.
                match self.read_on() {
                    Ok(true) => continue,
                    Ok(false) => return None,
                    Err(error) => return Some(Err(error)),
                }
            }
            return match found {
                Found::Block(payload) => {
                    let length = BLOCK_HEAD + payload.len();
                    let before = out.mark();
                    let result = match block::decode(payload, out) {
                        Some(()) => Ok(()),
                        None => {
                            out.take_back(before);
                            Err(self.damaged("the block's checksum holds, its samples cannot be made out"))
                        }
                    };
                    self.offset += length;
                    Some(result)
                }
                // The last block of a file that is broken is a write that was cut short.
                Found::Broken(length) => {
                    let error = self.damaged("the block's checksum does not hold");
                    self.offset += length;
                    Some(Err(error))
                }
                Found::Torn => None,
            };
        }
    }

    fn damaged(&self, what: &'static str) -> SamplesError {
        SamplesError::Damaged { file: self.file.clone(), offset: self.dropped + self.offset as u64, what }
    }
}

impl Iterator for Recording {
    type Item = Result<Sample, SamplesError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(sample) = self.samples.get(self.given) {
                self.given += 1;
                return Some(Ok(*sample));
            }
            self.samples.clear();
            self.given = 0;
            let mut batch = std::mem::take(&mut self.batch);
            batch.clear();
            let read = self.next_block(&mut batch);
            self.samples.extend(batch.iter());
            self.batch = batch;
            match read {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => return Some(Err(error)),
            }
        }
    }
}

#[cfg(test)]
#[path = "recording_tests.rs"]
mod tests;
