//! Copies of the ledger, and the way back.
//!
//! A copy is one file, made while the daemon writes: a ledger in itself, with the configuration in it. It gets its name
//! only when it has been verified and is safe on the disk. Nothing that stands is ever overwritten: the copy that is one
//! too many loses its name, and what it holds is the start of the next one, of which only the pages that differ are written.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags, OptionalExtension as _, params};
use tallyhook_analysis::units::{Span, Timestamp};

use super::error::StoreError;
use super::lock;
use super::owner::Owner;
use super::pages;
use super::query::Reader;
use super::schema;
use super::verify::verify;

/// The copy of the configuration beside the ledger.
pub const CONFIGURATION_COPY: &str = "configuration.toml";

/// Before the instant in a copy's name.
const PREFIX: &str = "ledger-";
const SUFFIX: &str = ".sqlite3";
/// In the place of the suffix while a copy is not whole.
const UNFINISHED: &str = ".unfinished";
/// In the place of the suffix once it is no copy any more.
const SPARE: &str = ".spare";

/// A date further ahead than this is one of a clock that was wrong.
const AHEAD: Span = Span::from_ms(86_400_000);

/// What a backup did.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Made {
    /// The new copy.
    pub copy: PathBuf,
    /// Older ones that were removed for it.
    pub removed: Vec<PathBuf>,
    /// Bytes of the ledger that were written; the rest stood there already.
    pub written: u64,
    /// See [`Reader::is_behind`].
    pub is_behind: bool,
}

/// A copy in its directory.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Kept {
    /// The copy.
    pub path: PathBuf,
    /// When it was made, by its own account; `None` where this program cannot read it.
    pub made: Option<Timestamp>,
    /// The last sample that is in it, and the entries of its chains; `None` where this program cannot read it.
    holds: Option<(Timestamp, u64)>,
}

impl Kept {
    /// One of which nothing but its date is known.
    #[cfg(test)]
    pub fn made_at(made: Timestamp) -> Self {
        Kept { path: PathBuf::new(), made: Some(made), holds: None }
    }

    fn of(path: PathBuf) -> Self {
        let read = || -> Result<(Option<i64>, i64, Option<i64>), StoreError> {
            let reader = Reader::open_file(&path)?;
            let sql = "SELECT (SELECT max(at_ms) FROM book), (SELECT made_ms FROM copy),
                              (SELECT coalesce(sum(length), 0) FROM (
                                   SELECT (SELECT max(seq) FROM entry WHERE entry.mechanism = m.key) AS length
                                   FROM mechanism AS m))";
            let row = reader.connection().query_row(sql, [], |row| Ok((row.get(0)?, row.get(2)?, row.get(1)?)));
            row.map_err(|error| StoreError::of_sqlite(&path, error))
        };
        match read() {
            Ok((last, entries, made)) => Kept {
                made: made.map(Timestamp::from_ms),
                holds: last.map(|at| (Timestamp::from_ms(at), u64::try_from(entries).unwrap_or(0))),
                path,
            },
            Err(_) => Kept { path, made: None, holds: None },
        }
    }

    /// What makes one newer than another: what it holds, for the date in its name is that of a clock which may have been
    /// wrong. What is dated ahead of `now` is the oldest of all, and of the same content the one that is.
    fn rank(&self, now: Timestamp) -> impl Ord {
        let is_ahead = |at: Timestamp| at.since(now).as_ms() > AHEAD.as_ms();
        let can_be = self.holds.is_some_and(|(last, _)| !is_ahead(last));
        (can_be, self.holds, self.made.is_some_and(|made| !is_ahead(made)), self.made, &self.path)
    }
}

/// Copies the ledger of the store in `data` to the directory `to`, verifies the copy, and keeps it and the newest others,
/// `keep` in all. The daemon may be writing meanwhile.
///
/// # Errors
/// [`StoreError::Damaged`] when the copy does not add up: then it is not kept, and none of the older ones is removed.
/// [`StoreError::Copying`] while another is made there.
pub fn make(data: &Path, to: &Path, keep: usize, now: Timestamp) -> Result<Made, StoreError> {
    let io = |path: &Path| {
        let path = path.to_owned();
        move |error| StoreError::of_io(&path, error)
    };
    let reader = Reader::open(data)?;
    schema::read_in_passing(reader.connection()).map_err(|error| StoreError::of_sqlite(reader.path(), error))?;
    let (owner, made) = (Owner::near(to).map_err(io(to))?, not_there(to));
    std::fs::create_dir_all(to).map_err(io(to))?;
    for place in made {
        owner.give(place).map_err(io(place))?;
    }
    let _alone = lock::copying(to)?;
    let stem = format!("{PREFIX}{}", stamp(now));
    let name = free_name(to, &stem, SUFFIX);
    let new = to.join(format!("{stem}{UNFINISHED}"));
    start_from_what_is_left(to, &new)?;
    let whole = || -> Result<u64, StoreError> {
        let written = match pages::bring_up(reader.connection(), reader.path(), &new)? {
            Some(written) => written,
            None => write_whole(&reader, &new)?,
        };
        add_origin(&new, data, now)?;
        prove(&new)?;
        // The daemon starts its own copies from it one day.
        owner.give(&new).map_err(io(&new))?;
        File::open(&new).and_then(|file| file.sync_all()).map_err(io(&new))?;
        std::fs::rename(&new, &name).map_err(io(&name))?;
        sync_directory(to)?;
        Ok(written)
    };
    let written = whole().inspect_err(|_| {
        // What is left of it may be what was in the way, and its room is needed.
        let _ = std::fs::remove_file(&new);
    })?;
    let others = copies(to, now)?.into_iter().map(|copy| copy.path).filter(|path| *path != name);
    let removed: Vec<PathBuf> = others.skip(keep.saturating_sub(1)).collect();
    for (n, old) in removed.iter().enumerate() {
        let gone =
            if n == 0 { std::fs::rename(old, old.with_extension(&SPARE[1..])) } else { std::fs::remove_file(old) };
        gone.map_err(io(old))?;
    }
    Ok(Made { copy: name, removed, written, is_behind: reader.is_behind() })
}

/// The copies in a directory, the newest first by what they hold; none where there is no such directory.
///
/// # Errors
/// [`StoreError::Io`] when the directory cannot be read.
pub fn copies(directory: &Path, now: Timestamp) -> Result<Vec<Kept>, StoreError> {
    let mut found: Vec<Kept> = listed(directory, SUFFIX)?.into_iter().map(Kept::of).collect();
    found.sort_by(|a, b| b.rank(now).cmp(&a.rank(now)));
    Ok(found)
}

/// Whether there is no copy in a directory, whatever it holds.
///
/// # Errors
/// [`StoreError::Io`] when the directory cannot be read.
pub(super) fn has_none(directory: &Path) -> Result<bool, StoreError> {
    Ok(listed(directory, SUFFIX)?.is_empty())
}

/// Puts the copy `from` into the directory `data`, which must be empty or not be there; an older format is brought up
/// on the way, and what arrives is verified before it gets its name. What root makes belongs to the owner of the nearest
/// directory that was there: the daemon's user has to open it.
///
/// # Errors
/// [`StoreError::NoCopy`] when `from` is no ledger, or an empty one; [`StoreError::Occupied`] when there is something in
/// `data`; [`StoreError::DamagedCopy`] when the copy does not add up. No directory that it made is left then.
pub fn restore(from: &Path, data: &Path) -> Result<(), StoreError> {
    let made = not_there(data);
    restore_into(from, data, &made).map_err(|error| {
        // What is not empty stays.
        made.iter().for_each(|place| drop(std::fs::remove_dir(place)));
        match error {
            StoreError::Damaged { what, .. } => StoreError::DamagedCopy { path: from.to_owned(), what },
            other => other,
        }
    })
}

/// Of the directories of `place`, the deepest first, those that are still to be made.
fn not_there(place: &Path) -> Vec<&Path> {
    place.ancestors().take_while(|above| !above.as_os_str().is_empty() && !above.exists()).collect()
}

fn restore_into(from: &Path, data: &Path, made: &[&Path]) -> Result<(), StoreError> {
    let io = |error| StoreError::of_io(data, error);
    let owner = Owner::near(data).map_err(io)?;
    // Also refuses what is no ledger, before anything is made. An empty file would prove anything: nothing in it can fail
    // to add up.
    match schema::look_at(from, true) {
        Ok(0) | Err(StoreError::Missing { .. } | StoreError::NotOurs { .. }) => {
            return Err(StoreError::NoCopy { path: from.to_owned() });
        }
        looked => looked?,
    };
    std::fs::create_dir_all(data).map_err(io)?;
    if std::fs::read_dir(data).map_err(io)?.next().is_some() {
        return Err(StoreError::Occupied { dir: data.to_owned() });
    }
    put_in_place(from, &schema::ledger_path(data)).inspect_err(|_| {
        // The directory was empty: what is in it is ours and unfinished.
        for left in std::fs::read_dir(data).into_iter().flatten().flatten() {
            let _ = std::fs::remove_file(left.path());
        }
    })?;
    let reader = Reader::open(data)?;
    let text: Option<String> = reader
        .connection()
        .query_row("SELECT configuration FROM copy", [], |row| row.get(0))
        .optional()
        .map_err(|error| StoreError::of_sqlite(from, error))?
        .flatten();
    if let Some(text) = text {
        let path = data.join(CONFIGURATION_COPY);
        std::fs::write(&path, text).map_err(|error| StoreError::of_io(&path, error))?;
    }
    drop(reader);
    let files = std::fs::read_dir(data).map_err(io)?.flatten().map(|file| file.path());
    for place in files.chain(made.iter().map(|place| place.to_path_buf())) {
        owner.give(&place).map_err(|error| StoreError::of_io(&place, error))?;
    }
    sync_directory(data)
}

/// Copies `from` beside `ledger`, proves it there, and gives it that name; `ledger` must not be there.
pub(super) fn put_in_place(from: &Path, ledger: &Path) -> Result<(), StoreError> {
    let new = ledger.with_extension("restoring");
    let io = |error| StoreError::of_io(&new, error);
    if new.exists() {
        std::fs::remove_file(&new).map_err(io)?;
    }
    std::fs::copy(from, &new).map_err(io)?;
    // Brings an older format up; the log is written back and gone when it is closed.
    drop(schema::open_writer(&new)?);
    prove(&new)?;
    File::open(&new).and_then(|file| file.sync_all()).map_err(io)?;
    if ledger.exists() {
        return Err(StoreError::Occupied { dir: ledger.parent().unwrap_or(ledger).to_owned() });
    }
    std::fs::rename(&new, ledger).map_err(io)?;
    for log in ["restoring-wal", "restoring-shm"] {
        let _ = std::fs::remove_file(ledger.with_extension(log));
    }
    sync_directory(ledger.parent().unwrap_or(Path::new(".")))
}

/// A ledger that adds up, or the first thing that does not.
pub(super) fn prove(file: &Path) -> Result<(), StoreError> {
    let reader = Reader::open_file(file)?;
    schema::read_in_passing(reader.connection()).map_err(|error| StoreError::of_sqlite(file, error))?;
    let found = verify(&reader)?;
    match found.faults.first() {
        None => Ok(()),
        Some(fault) => Err(StoreError::damaged(file, fault.to_string())),
    }
}

/// Writes into the copy when it was made, and the configuration of that time.
fn add_origin(copy: &Path, data: &Path, now: Timestamp) -> Result<(), StoreError> {
    let configuration = std::fs::read_to_string(data.join(CONFIGURATION_COPY)).ok();
    let sqlite = |error| StoreError::of_sqlite(copy, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(copy, flags).map_err(sqlite)?;
    // One file, with nothing beside it, and no journal that a power cut could leave to be played back over a later copy.
    connection.pragma_update(None, "journal_mode", "DELETE").map_err(sqlite)?;
    connection.pragma_update(None, "journal_mode", "MEMORY").map_err(sqlite)?;
    connection.execute("DELETE FROM copy", []).map_err(sqlite)?;
    connection
        .execute(
            "INSERT INTO copy (made_ms, version, configuration) VALUES (?1, ?2, ?3)",
            params![now.as_ms(), env!("CARGO_PKG_VERSION"), configuration],
        )
        .map_err(sqlite)?;
    Ok(())
}

/// Copies the ledger whole, compacted.
fn write_whole(reader: &Reader, new: &Path) -> Result<u64, StoreError> {
    let io = |error| StoreError::of_io(new, error);
    if new.exists() {
        std::fs::remove_file(new).map_err(io)?;
    }
    reader
        .connection()
        .execute("VACUUM INTO ?1", [new.to_string_lossy()])
        .map_err(|error| StoreError::of_sqlite(new, error))?;
    std::fs::metadata(new).map(|file| file.len()).map_err(io)
}

/// Makes the copy that was one too many, or what a power cut left of one that was being made, the start of `new`; what
/// there is beyond that goes.
fn start_from_what_is_left(directory: &Path, new: &Path) -> Result<(), StoreError> {
    let io = |path: &Path| {
        let path = path.to_owned();
        move |error| StoreError::of_io(&path, error)
    };
    let mut left = listed(directory, SPARE)?;
    left.extend(listed(directory, UNFINISHED)?);
    let mut left = left.into_iter();
    if let Some(start) = left.next() {
        std::fs::rename(&start, new).map_err(io(&start))?;
    }
    for more in left {
        std::fs::remove_file(&more).map_err(io(&more))?;
    }
    Ok(())
}

fn listed(directory: &Path, suffix: &str) -> Result<Vec<PathBuf>, StoreError> {
    let entries = match std::fs::read_dir(directory) {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(StoreError::of_io(directory, error)),
    };
    let ours = |path: &Path| {
        path.file_name().and_then(|n| n.to_str()).is_some_and(|n| n.starts_with(PREFIX) && n.ends_with(suffix))
    };
    Ok(entries.flatten().map(|entry| entry.path()).filter(|path| ours(path)).collect())
}

/// `20310504T060000Z`: every file system takes it.
pub(super) fn stamp(at: Timestamp) -> String {
    crate::figures::rfc3339(at)
        .chars()
        .filter(|c| !matches!(c, '-' | ':'))
        .map(|c| if c == '.' { '_' } else { c })
        .collect()
}

/// A name in `directory` that nothing has yet.
pub(super) fn free_name(directory: &Path, stem: &str, suffix: &str) -> PathBuf {
    let first = directory.join(format!("{stem}{suffix}"));
    if !first.exists() {
        return first;
    }
    let more = (2..).map(|n| directory.join(format!("{stem}-{n}{suffix}"))).find(|path| !path.exists());
    more.unwrap_or(first)
}

/// Makes a new name in a directory durable.
pub(super) fn sync_directory(directory: &Path) -> Result<(), StoreError> {
    File::open(directory).and_then(|d| d.sync_all()).map_err(|error| StoreError::of_io(directory, error))
}
