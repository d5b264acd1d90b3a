//! The redo log: small commits that are safe on the disk before the ledger itself is written to. A commit of the ledger
//! costs a memory card a dozen blocks, one of the redo log one.
//!
//! The file is a row of records, each at the beginning of a block:
//!
//! | bytes | what |
//! | --- | --- |
//! | 8 | `THredo01` |
//! | 8 | round, little-endian: how often the file had been begun anew |
//! | 4 | length of the payload, little-endian |
//! | 32 | digest of what the ledger must say before it |
//! | 32 | digest of what the ledger says after it |
//! | 4 | CRC-32 of all of that |
//! | length | payload |
//! | 32 | SHA-256 of all before it |
//!
//! Each begins with what the one before it ends with. What that digest is of, and what a payload holds, `ahead.rs` says.
//! An empty one begins with zeros. The file has its whole room from the beginning and is written over round by round, for
//! one that grows costs two blocks more each time; what lies behind the records of a round is of earlier ones.

use std::fs::{File, OpenOptions};
use std::io::{self, Read as _};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use ring::digest::{SHA256, SHA256_OUTPUT_LEN, digest};

use super::backup::sync_directory;
use super::error::StoreError;

/// The redo log's file in the store's directory.
const FILE_NAME: &str = "ledger.redo";

const MAGIC: &[u8; 8] = b"THredo01";

/// Bytes of a block of the disk: a record is never in one with another, so that writing it can tear no other.
const BLOCK: usize = 4096;

/// Bytes before the payload. They lie in the first sector, which a disk writes whole or not at all: a record that was torn
/// still says which round it is of.
const HEAD: usize = MAGIC.len() + 8 + 4 + 2 * SHA256_OUTPUT_LEN + 4;

/// The longest payload; what is longer is written to the ledger itself.
pub(super) const LONGEST: usize = 64 * 1024;

/// Bytes of the file: two records a lift, of an hour and more on a busy crane. A start after a crash does all of it again.
const ROOM: usize = 512 * 1024;

/// What a ledger says, in short.
pub(super) type Mark = [u8; SHA256_OUTPUT_LEN];

/// A commit that is safe.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Record {
    /// Of the ledger that it goes into.
    pub(super) on: Mark,
    /// Of the ledger with it.
    pub(super) makes: Mark,
    pub(super) payload: Vec<u8>,
}

/// What a redo log holds.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Found {
    /// Its records, each on the one before it.
    pub(super) records: Vec<Record>,
    /// There are whole records behind a place that is none, so that they cannot be taken in.
    pub(super) is_broken: bool,
}

/// The redo log of the store in `dir`.
pub(super) fn path(dir: &Path) -> PathBuf {
    dir.join(FILE_NAME)
}

/// Whether the store in `dir` may have commits that are not in its ledger.
pub(super) fn holds_something(dir: &Path) -> Result<bool, StoreError> {
    let (path, mut begin) = (path(dir), [0; MAGIC.len()]);
    match File::open(&path).and_then(|mut file| file.read_exact(&mut begin)) {
        Ok(()) => Ok(!is_empty(&begin)),
        Err(error) if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::UnexpectedEof) => Ok(false),
        Err(error) => Err(StoreError::of_io(&path, error)),
    }
}

/// Removes the redo log of the store in `dir`, of which all is in the ledger.
pub(super) fn remove(dir: &Path) -> Result<(), StoreError> {
    let path = path(dir);
    std::fs::remove_file(&path).map_err(|error| StoreError::of_io(&path, error))?;
    sync_directory(dir)
}

fn is_empty(bytes: &[u8]) -> bool {
    bytes.iter().take(MAGIC.len()).all(|byte| *byte == 0)
}

/// What the redo log of the store in `dir` holds; nothing where there is none.
pub(super) fn read(dir: &Path) -> Result<Found, StoreError> {
    Ok(parse(&bytes_of(dir)?))
}

fn bytes_of(dir: &Path) -> Result<Vec<u8>, StoreError> {
    let path = path(dir);
    let mut bytes = Vec::new();
    match File::open(&path).and_then(|file| file.take(2 * ROOM as u64).read_to_end(&mut bytes)) {
        Ok(_) => Ok(bytes),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(StoreError::of_io(&path, error)),
    }
}

/// The records in the bytes of a redo log. A last one that was not written to its end was acknowledged to nobody.
fn parse(bytes: &[u8]) -> Found {
    let mut found = Found::default();
    if is_empty(bytes) {
        return found;
    }
    let round = round(bytes);
    let mut at = 0;
    while let Some((record, length)) = bytes.get(at..).and_then(record).filter(|_| round == self::round(&bytes[at..])) {
        if found.records.last().is_some_and(|last| last.makes != record.on) {
            break;
        }
        found.records.push(record);
        at += length.next_multiple_of(BLOCK);
    }
    let is_of_it = |rest: &[u8]| (round.is_none() || self::round(rest) == round) && record(rest).is_some();
    found.is_broken = (at..bytes.len()).step_by(BLOCK).any(|at| is_of_it(&bytes[at..]));
    found
}

/// The round of what may be a record.
fn round(bytes: &[u8]) -> Option<u64> {
    let (head, crc) = bytes.get(..HEAD)?.split_last_chunk()?;
    let (round, _) = head.strip_prefix(MAGIC)?.split_first_chunk()?;
    (crc32fast::hash(head) == u32::from_le_bytes(*crc)).then_some(u64::from_le_bytes(*round))
}

/// The record that `bytes` begin with, and its length.
fn record(bytes: &[u8]) -> Option<(Record, usize)> {
    let (head, rest) = bytes.split_at_checked(HEAD)?;
    let (_round, head) = head.strip_prefix(MAGIC)?.split_first_chunk::<8>()?;
    let (length, head) = head.split_first_chunk()?;
    let (on, head) = head.split_first_chunk()?;
    let (makes, _crc) = head.split_first_chunk()?;
    let length = usize::try_from(u32::from_le_bytes(*length)).ok().filter(|length| *length <= LONGEST)?;
    let (payload, rest) = rest.split_at_checked(length)?;
    let sum = rest.get(..SHA256_OUTPUT_LEN)?;
    if digest(&SHA256, bytes.get(..HEAD + length)?).as_ref() != sum {
        return None;
    }
    let record = Record { on: *on, makes: *makes, payload: payload.to_vec() };
    Some((record, HEAD + length + SHA256_OUTPUT_LEN))
}

/// A redo log, open for writing by who has the ledger's lock.
#[derive(Debug)]
pub(super) struct Redo {
    file: File,
    path: PathBuf,
    /// Which round it is in.
    round: u64,
    /// Where the next record goes.
    end: usize,
    /// Records that are safe in this round.
    count: usize,
    /// Something was written in this round, be it half a record.
    is_used: bool,
    /// It could not be emptied: it may look empty, and nothing may be added.
    is_stuck: bool,
    #[cfg(test)]
    pub(super) fails: bool,
}

impl Redo {
    /// Opens the redo log of the store in `dir`, makes it where there is none. What it holds is written over, so it must
    /// be in the ledger.
    pub(super) fn open(dir: &Path) -> Result<Self, StoreError> {
        let path = path(dir);
        let io = |error| StoreError::of_io(&path, error);
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(io)?;
        let bytes = bytes_of(dir)?;
        // Block by block: what is written in one piece the kernel keeps as one, and counts as written anew with each record.
        let lacking = (0..ROOM).step_by(BLOCK).filter(|at| at + BLOCK > bytes.len());
        let mut fill = lacking.map(|at| at.max(bytes.len())).peekable();
        if fill.peek().is_some() {
            fill.try_for_each(|at| file.write_all_at(&[0; BLOCK][at % BLOCK..], at as u64)).map_err(io)?;
            file.sync_all().map_err(io)?;
        }
        let round = bytes.chunks(BLOCK).filter_map(round).max().unwrap_or_default();
        let mut redo = Redo {
            file,
            path: path.clone(),
            round,
            end: 0,
            count: 0,
            is_used: !bytes.is_empty(),
            is_stuck: false,
            #[cfg(test)]
            fails: false,
        };
        redo.clear()?;
        sync_directory(dir)?;
        Ok(redo)
    }

    /// Whether it has no record.
    pub(super) fn is_empty(&self) -> bool {
        self.end == 0
    }

    /// How many records it has.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    /// Whether there may be no room for another record.
    pub(super) fn is_full(&self) -> bool {
        self.is_stuck || self.end + HEAD + LONGEST + SHA256_OUTPUT_LEN > ROOM
    }

    /// Adds a record; it is safe on the disk when this returns.
    pub(super) fn append(&mut self, record: &Record) -> Result<(), StoreError> {
        let io = |error| StoreError::of_io(&self.path, error);
        let length = u32::try_from(record.payload.len()).ok().filter(|_| record.payload.len() <= LONGEST);
        let too_long = || io(io::Error::new(io::ErrorKind::InvalidInput, "a record of the redo log is too long"));
        let length = length.ok_or_else(too_long)?;
        let mut bytes = Vec::with_capacity((HEAD + record.payload.len() + SHA256_OUTPUT_LEN).next_multiple_of(BLOCK));
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&self.round.to_le_bytes());
        bytes.extend_from_slice(&length.to_le_bytes());
        bytes.extend_from_slice(&record.on);
        bytes.extend_from_slice(&record.makes);
        bytes.extend_from_slice(&crc32fast::hash(&bytes).to_le_bytes());
        bytes.extend_from_slice(&record.payload);
        let sum = digest(&SHA256, &bytes);
        bytes.extend_from_slice(sum.as_ref());
        // What a failure leaves is written over by the next one; a whole record that is not counted is of a commit that will
        // be tried again, and only a crash before that makes it stand.
        self.is_used = true;
        self.file.write_all_at(&bytes, self.end as u64).and_then(|()| self.synced()).map_err(io)?;
        self.end += bytes.len().next_multiple_of(BLOCK);
        self.count += 1;
        Ok(())
    }

    /// Empties it: all of it is in the ledger.
    pub(super) fn clear(&mut self) -> Result<(), StoreError> {
        if !self.is_used {
            return Ok(());
        }
        let io = |error| StoreError::of_io(&self.path, error);
        self.is_stuck = true;
        self.file.write_all_at(&[0; MAGIC.len()], 0).and_then(|()| self.synced()).map_err(io)?;
        self.round = self.round.wrapping_add(1);
        (self.end, self.count, self.is_used, self.is_stuck) = (0, 0, false, false);
        Ok(())
    }

    fn synced(&self) -> io::Result<()> {
        #[cfg(test)]
        if self.fails {
            return Err(io::Error::other("a fault of the disk"));
        }
        self.file.sync_data()
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_tests::fuzz;

    use super::*;

    fn log_of(records: &[Record]) -> Vec<u8> {
        let dir = tempfile::tempdir().unwrap();
        let mut redo = Redo::open(dir.path()).unwrap();
        redo.clear().unwrap();
        records.iter().for_each(|record| redo.append(record).unwrap());
        std::fs::read(path(dir.path())).unwrap()
    }

    #[test]
    fn what_lies_there_from_earlier_rounds_is_not_of_this_one() {
        let (dir, records) = (tempfile::tempdir().unwrap(), chain(&[900, 20, 5000, 30]));
        let mut redo = Redo::open(dir.path()).unwrap();
        let mut log = Vec::new();
        for count in [4, 3, 1, 2] {
            records[..count].iter().for_each(|record| redo.append(record).unwrap());
            let found = read(dir.path()).unwrap();
            assert_eq!(found, Found { records: records[..count].to_vec(), is_broken: false });
            log = std::fs::read(path(dir.path())).unwrap();
            redo.clear().unwrap();
            assert!(!holds_something(dir.path()).unwrap());
            assert_eq!(read(dir.path()).unwrap(), Found::default());
            // The next run goes on with the rounds.
            redo = Redo::open(dir.path()).unwrap();
        }
        // The first record of the last round, torn after its first sector, and gone wrong altogether.
        log[600..4096].fill(0xee);
        assert_eq!(parse(&log), Found { records: Vec::new(), is_broken: true }, "the second was acknowledged");
        log[4096..8192].fill(0);
        assert_eq!(parse(&log), Found::default(), "of earlier rounds there is the most");
        log[0] ^= 1;
        assert_eq!(parse(&log), Found { records: Vec::new(), is_broken: true }, "nobody knows which round it was");
    }

    fn chain(lengths: &[usize]) -> Vec<Record> {
        let record = |(n, length): (usize, &usize)| Record {
            on: [n as u8; 32],
            makes: [n as u8 + 1; 32],
            payload: vec![n as u8; *length],
        };
        lengths.iter().enumerate().map(record).collect()
    }

    #[test]
    fn what_was_added_is_found_up_to_the_end_of_the_chain() {
        let records = chain(&[0, 1, BLOCK - HEAD - SHA256_OUTPUT_LEN, BLOCK, 3 * BLOCK, 17, LONGEST]);
        assert_eq!(parse(&log_of(&records)), Found { records: records.clone(), is_broken: false });
        let mut broken = records.clone();
        broken.remove(2);
        assert_eq!(parse(&log_of(&broken)), Found { records: records[..2].to_vec(), is_broken: true });
    }

    #[test]
    fn a_record_that_could_not_be_read_back_is_not_written() {
        let dir = tempfile::tempdir().unwrap();
        let mut redo = Redo::open(dir.path()).unwrap();
        assert!(redo.append(&chain(&[LONGEST + 1])[0]).is_err());
        assert!(!holds_something(dir.path()).unwrap());
    }

    #[test]
    fn whatever_lies_there_is_read_or_not() {
        let seeds = [log_of(&chain(&[9, 200, 3])), log_of(&chain(&[BLOCK]))];
        fuzz::fuzz("redo", &seeds, 4_000, 250, &["THredo01", "\0\0\0\0", "\u{1}\0\0\0"], |bytes| {
            !parse(bytes).records.is_empty()
        });
    }
}
