//! The tables, and the way from any earlier format to this one. What they mean is in `README.md` beside this file.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, TransactionBehavior};

use super::asking::{self, Hold};
use super::error::StoreError;
use super::open_seal;

/// The ledger's file in the store's directory.
pub const FILE_NAME: &str = "ledger.sqlite3";

/// The file whose lock says that somebody writes.
pub(super) const LOCK_NAME: &str = "ledger.lock";

/// Bytes of a page of a new ledger. A commit writes each page that it touches whole, and a lift touches a dozen of them
/// for a few hundred bytes each. A ledger that has other pages keeps them.
const PAGE_BYTES: u32 = 1024;

/// Pages that a connection keeps in memory, KiB. The system has the file in its own memory anyway; the daemon has half a
/// dozen connections, and what each may keep comes back to nobody.
const CACHE_KIB: i64 = 128;
/// As [`CACHE_KIB`], where all pages are read once and one after the other.
const PASSING_KIB: i64 = 64;

/// Lets a connection keep hardly any page: it is to read the whole file once, in its order.
pub(super) fn read_in_passing(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update(None, "cache_size", -PASSING_KIB)
}

/// How long a statement waits for another connection, seconds.
pub(super) const BUSY_SECONDS: u64 = 5;

/// `THkL`: marks the file as ours in SQLite's own header.
const APPLICATION_ID: i64 = 0x5448_6b4c;

/// The steps from an empty file to the present format. Step `n` leads from format `n` to `n + 1`; a step that has
/// once been in the field is never changed, a new one is added.
const STEPS: &[&str] = &[STEP_1, STEP_2, STEP_3, STEP_4, STEP_5, STEP_6, STEP_7];

const STEP_1: &str = "
CREATE TABLE mechanism (
    key          INTEGER PRIMARY KEY,
    id           TEXT    NOT NULL UNIQUE
) STRICT;

CREATE TABLE lift (
    mechanism    INTEGER NOT NULL,
    begin_ms     INTEGER NOT NULL,
    length_ms    INTEGER NOT NULL,
    load_g       INTEGER NOT NULL,
    peak_over_g  INTEGER NOT NULL,
    running_ms   INTEGER NOT NULL,
    starts       INTEGER NOT NULL,
    marks        INTEGER NOT NULL,
    PRIMARY KEY (mechanism, begin_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE day (
    mechanism       INTEGER NOT NULL,
    day             INTEGER NOT NULL,
    observed_ms     INTEGER NOT NULL,
    gap_ms          INTEGER NOT NULL,
    running_ms      INTEGER NOT NULL,
    load_unknown_ms INTEGER NOT NULL,
    band_ms         TEXT    NOT NULL,
    cube_ms         TEXT    NOT NULL,
    starts          INTEGER NOT NULL,
    lifts           INTEGER NOT NULL,
    overload_lifts  INTEGER NOT NULL,
    band_lifts      TEXT    NOT NULL,
    lift_cubes      TEXT    NOT NULL,
    PRIMARY KEY (mechanism, day)
) STRICT, WITHOUT ROWID;

CREATE TABLE gap (
    mechanism    INTEGER NOT NULL,
    begin_ms     INTEGER NOT NULL,
    length_ms    INTEGER NOT NULL,
    PRIMARY KEY (mechanism, begin_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE flag_rise (
    mechanism    INTEGER NOT NULL,
    at_ms        INTEGER NOT NULL,
    flag         INTEGER NOT NULL,
    PRIMARY KEY (mechanism, at_ms, flag)
) STRICT, WITHOUT ROWID;

CREATE TABLE snapshot (
    mechanism    INTEGER PRIMARY KEY,
    at_ms        INTEGER NOT NULL,
    state        TEXT    NOT NULL,
    warn_crossed TEXT    NOT NULL
) STRICT;

CREATE TABLE message (
    seq          INTEGER PRIMARY KEY AUTOINCREMENT,
    id           TEXT    NOT NULL UNIQUE,
    at_ms        INTEGER NOT NULL,
    kind         TEXT    NOT NULL,
    crane        TEXT    NOT NULL,
    mechanism    TEXT    NOT NULL,
    body         TEXT    NOT NULL
) STRICT;
CREATE INDEX message_by_kind ON message (kind, at_ms);

CREATE TABLE destination (
    name         TEXT    PRIMARY KEY,
    seq          INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
";

/// The whole account in place of the recorder's state; what a day has beside its sums; hours; services.
const STEP_2: &str = "
CREATE TABLE book (
    mechanism    INTEGER PRIMARY KEY,
    at_ms        INTEGER NOT NULL,
    state        BLOB    NOT NULL,
    warn_crossed TEXT    NOT NULL
) STRICT;
INSERT INTO book SELECT mechanism, at_ms, CAST('{\"recorder\":' || state || '}' AS BLOB), warn_crossed FROM snapshot;
DROP TABLE snapshot;

ALTER TABLE day ADD COLUMN duty TEXT;
ALTER TABLE day ADD COLUMN running_by_load BLOB;
ALTER TABLE day ADD COLUMN lifts_by_load BLOB;
ALTER TABLE day ADD COLUMN used_full_load_hours REAL;

CREATE TABLE hour (
    mechanism    INTEGER NOT NULL,
    begin_ms     INTEGER NOT NULL,
    length_ms    INTEGER NOT NULL,
    running_ms   INTEGER NOT NULL,
    gap_ms       INTEGER NOT NULL,
    cube_ms      TEXT    NOT NULL,
    starts       INTEGER NOT NULL,
    lifts        INTEGER NOT NULL,
    PRIMARY KEY (mechanism, begin_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE service (
    seq          INTEGER PRIMARY KEY AUTOINCREMENT,
    mechanism    TEXT    NOT NULL,
    at_ms        INTEGER NOT NULL,
    body         TEXT    NOT NULL,
    taken_ms     INTEGER
) STRICT;
";

/// The chain; the day that lifts and hours are booked to; what a copy was made of.
const STEP_3: &str = "
ALTER TABLE lift ADD COLUMN day INTEGER;
CREATE INDEX lift_by_day ON lift (mechanism, day) WHERE day IS NOT NULL;
ALTER TABLE hour ADD COLUMN day INTEGER;
CREATE INDEX hour_by_day ON hour (mechanism, day) WHERE day IS NOT NULL;

CREATE TABLE entry (
    mechanism    INTEGER NOT NULL,
    seq          INTEGER NOT NULL,
    kind         TEXT    NOT NULL,
    day          INTEGER,
    at_ms        INTEGER NOT NULL,
    body         TEXT    NOT NULL,
    previous     TEXT    NOT NULL,
    hash         TEXT    NOT NULL,
    PRIMARY KEY (mechanism, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX entry_by_kind ON entry (mechanism, kind, day);

CREATE TABLE copy (
    made_ms       INTEGER NOT NULL,
    version       TEXT    NOT NULL,
    configuration TEXT
) STRICT;
";

/// The life of warnings.
const STEP_4: &str = "
CREATE TABLE alarm (
    seq              INTEGER PRIMARY KEY AUTOINCREMENT,
    crane            TEXT    NOT NULL,
    mechanism        TEXT    NOT NULL,
    what             TEXT    NOT NULL,
    body             TEXT    NOT NULL,
    raised_ms        INTEGER NOT NULL,
    times            INTEGER NOT NULL,
    last_ms          INTEGER NOT NULL,
    cleared_ms       INTEGER,
    acked_ms         INTEGER,
    acked_by         TEXT,
    shelved_until_ms INTEGER,
    shelved_by       TEXT,
    reminded_ms      INTEGER
) STRICT;
CREATE INDEX alarm_open ON alarm (mechanism, what) WHERE cleared_ms IS NULL OR acked_ms IS NULL;

CREATE TABLE drive (
    name         TEXT    PRIMARY KEY,
    at_ms        INTEGER NOT NULL,
    body         TEXT    NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE alarm_act (
    seq          INTEGER PRIMARY KEY AUTOINCREMENT,
    alarm        INTEGER NOT NULL,
    at_ms        INTEGER NOT NULL,
    act          TEXT    NOT NULL,
    by           TEXT    NOT NULL,
    note         TEXT    NOT NULL
) STRICT;
";

/// What holds the part of the record that no entry holds yet; filled in by [`open_seal::write_all`], once the later steps
/// are taken too.
const STEP_5: &str = "
ALTER TABLE book ADD COLUMN seal TEXT;
";

/// How sure the load of a lift is; NULL for lifts of before. Overloads are few among many, and are asked for by themselves.
const STEP_6: &str = "
ALTER TABLE lift ADD COLUMN uncertainty_g INTEGER;
CREATE INDEX lift_overload ON lift (mechanism, begin_ms) WHERE marks & 16;
";

/// From here on part of the record may be in the redo log beside the ledger: an earlier version, which does not know it, must
/// not write.
const STEP_7: &str = "";

/// The format from which on every book has its seal.
const SEALED_FROM: i64 = 5;

/// The newest format this program knows.
pub const FORMAT: i64 = STEPS.len() as i64;

/// The ledger's file of the store in `dir`.
pub fn ledger_path(dir: &Path) -> PathBuf {
    dir.join(FILE_NAME)
}

/// A connection that may write, brought to the present format.
pub(super) fn open_writer(path: &Path) -> Result<Connection, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(sqlite)?;
    connection.busy_timeout(Duration::from_secs(BUSY_SECONDS)).map_err(sqlite)?;
    let found = check_format(&connection, path)?;
    if found == 0 {
        // Before anything else, which would fix the size.
        connection.pragma_update(None, "page_size", PAGE_BYTES).map_err(sqlite)?;
        // Only possible before the first table; lets thinned-out years give their pages back one day.
        connection.pragma_update(None, "auto_vacuum", "INCREMENTAL").map_err(sqlite)?;
    }
    connection.pragma_update(None, "journal_mode", "WAL").map_err(sqlite)?;
    // FULL: a commit that was acknowledged outlives a power cut.
    connection.pragma_update(None, "synchronous", "FULL").map_err(sqlite)?;
    // Give the log's room back after a long reader let it grow.
    connection.pragma_update(None, "cache_size", -CACHE_KIB).map_err(sqlite)?;
    connection.pragma_update(None, "journal_size_limit", 16 * 1024 * 1024).map_err(sqlite)?;
    if 0 < found && found < FORMAT {
        keep_copy(&connection, path, found)?;
    }
    migrate(&mut connection, path, found)?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(connection)
}

/// Before an older format is brought up, the ledger as it was is kept beside it: `ledger.format-N.sqlite3`.
fn keep_copy(connection: &Connection, path: &Path, found: i64) -> Result<(), StoreError> {
    let copy = path.with_file_name(format!("ledger.format-{found}.sqlite3"));
    if copy.exists() {
        // Kept by an attempt that was cut off; nothing is ever overwritten.
        return Ok(());
    }
    let new = path.with_file_name(format!("ledger.format-{found}.new"));
    if new.exists() {
        std::fs::remove_file(&new).map_err(|error| StoreError::of_io(&new, error))?;
    }
    connection
        .execute("VACUUM INTO ?1", [new.to_string_lossy()])
        .map_err(|error| StoreError::of_sqlite(path, error))?;
    std::fs::rename(&new, &copy).map_err(|error| StoreError::of_io(&copy, error))
}

/// Looks whether a ledger can be written on: its format, 0 for an empty file. With `prove` it lets SQLite prove the
/// structure, which reads the whole file. Reads the state of every book. A log that a crash left is taken in first.
pub(super) fn look_at(path: &Path, prove: bool) -> Result<i64, StoreError> {
    if !path.is_file() {
        return Err(StoreError::Missing { dir: path.parent().unwrap_or(path).to_owned() });
    }
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(sqlite)?;
    connection.busy_timeout(Duration::from_secs(BUSY_SECONDS)).map_err(sqlite)?;
    let found = check_format(&connection, path)?;
    if found == 0 {
        return Ok(0);
    }
    if prove {
        prove_structure(&connection, path)?;
    }
    if found == FORMAT {
        let read = || -> rusqlite::Result<Vec<String>> {
            connection.prepare("SELECT id FROM mechanism")?.query_map([], |row| row.get(0))?.collect()
        };
        for mechanism in read().map_err(sqlite)? {
            super::query::snapshot(&connection, path, &mechanism)?;
        }
    }
    Ok(found)
}

/// Lets SQLite prove the structure, but for whether its indexes say the same as its tables.
pub(super) fn prove_structure(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let first: String = connection
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(|error| StoreError::of_sqlite(path, error))?;
    if first == "ok" { Ok(()) } else { Err(StoreError::damaged(path, first)) }
}

/// A connection that appends beside the daemon's: for entries of people, which are rare and small.
/// While the other part of the answer lives, the daemon leaves the ledger open to it.
pub(super) fn open_beside(dir: &Path) -> Result<(Connection, Hold), StoreError> {
    let (reader, path) = open_reader(dir)?;
    drop(reader);
    let hold = asking::hold(dir)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let sqlite = |error| StoreError::of_sqlite(&path, error);
    let connection = Connection::open_with_flags(&path, flags).map_err(sqlite)?;
    connection.busy_timeout(Duration::from_secs(BUSY_SECONDS)).map_err(sqlite)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(sqlite)?;
    Ok((connection, hold))
}

/// A connection that reads only; any number of them, from any process, beside one writer.
pub(super) fn open_reader(dir: &Path) -> Result<(Connection, PathBuf), StoreError> {
    let path = ledger_path(dir);
    let connection = open_file(&path)?;
    Ok((connection, path))
}

/// As [`open_reader`], by the file.
pub(super) fn open_file(path: &Path) -> Result<Connection, StoreError> {
    let missing = || StoreError::Missing { dir: path.parent().unwrap_or(path).to_owned() };
    if !path.is_file() {
        return Err(missing());
    }
    let (connection, found) = match connect(path, path, OpenFlags::empty()) {
        Err(StoreError::Io { .. }) if is_on_a_read_only_medium(path) => {
            // Readers and writers meet in a file that cannot be made there. Without a log nobody has anything to say in it.
            if std::fs::metadata(log_path(path)).is_ok_and(|log| log.len() > 0) {
                return Err(StoreError::NotClosed { path: path.to_owned() });
            }
            connect(path, &immutable(path), OpenFlags::SQLITE_OPEN_URI)?
        }
        connected => connected?,
    };
    if found == 0 {
        // The daemon has just made the file and not filled it yet.
        return Err(missing());
    }
    if found < FORMAT {
        return Err(StoreError::TooOld { path: path.to_owned(), found, known: FORMAT });
    }
    connection.set_prepared_statement_cache_capacity(32);
    #[cfg(test)]
    let connection = super::steps::watch(connection).map_err(|error| StoreError::of_sqlite(path, error))?;
    Ok(connection)
}

/// A connection that only reads, by a name that SQLite knows the file at `path` by, and the file's format.
fn connect(path: &Path, name: &Path, more: OpenFlags) -> Result<(Connection, i64), StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | more;
    let connection = Connection::open_with_flags(name, flags).map_err(sqlite)?;
    connection.busy_timeout(Duration::from_secs(BUSY_SECONDS)).map_err(sqlite)?;
    connection.pragma_update(None, "cache_size", -CACHE_KIB).map_err(sqlite)?;
    let found = check_format(&connection, path)?;
    Ok((connection, found))
}

fn is_on_a_read_only_medium(path: &Path) -> bool {
    rustix::fs::statvfs(path).is_ok_and(|system| system.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY))
}

/// The name of a file that SQLite may take to stay as it is (<https://sqlite.org/uri.html>).
fn immutable(path: &Path) -> PathBuf {
    let escaped = path.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    format!("file:{escaped}?immutable=1").into()
}

/// SQLite's log beside a ledger.
pub(super) fn log_path(ledger: &Path) -> PathBuf {
    let mut name = ledger.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// The file's format, 0 for an empty file; refuses what is newer or not ours.
fn check_format(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    let number = |pragma: &str| connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let read = || -> rusqlite::Result<(i64, i64, i64)> {
        let tables = connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        Ok((number("application_id")?, number("user_version")?, tables))
    };
    let (application, format, tables) = read().map_err(|error| StoreError::of_sqlite(path, error))?;
    match (application, format) {
        (0, 0) if tables == 0 => Ok(0),
        (APPLICATION_ID, found) if found > FORMAT => {
            Err(StoreError::TooNew { path: path.to_owned(), found, known: FORMAT })
        }
        (APPLICATION_ID, found) if found >= 1 => Ok(found),
        _ => Err(StoreError::NotOurs { path: path.to_owned() }),
    }
}

/// Takes the steps that are missing. Each is a transaction of its own with the format it leads to, but a new ledger is
/// made in one: a power cut while it is made must not leave what looks like an older version's. A ledger without seals gets
/// them by today's tables, so what has come with and since them is taken in one too.
fn migrate(connection: &mut Connection, path: &Path, found: i64) -> Result<(), StoreError> {
    let mut take = |steps: &[&str], to: i64| -> rusqlite::Result<()> {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        steps.iter().try_for_each(|step| transaction.execute_batch(step))?;
        if to - (steps.len() as i64) < SEALED_FROM && SEALED_FROM <= to {
            open_seal::write_all(&transaction)?;
        }
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", to)?;
        transaction.commit()
    };
    let sqlite = |error| StoreError::of_sqlite(path, error);
    if found == 0 {
        return take(STEPS, FORMAT).map_err(sqlite);
    }
    let mut at = found;
    while let Some(step) = STEPS.get(at as usize) {
        let steps = if at + 1 == SEALED_FROM { &STEPS[at as usize..] } else { std::slice::from_ref(step) };
        at += steps.len() as i64;
        take(steps, at).map_err(sqlite)?;
    }
    Ok(())
}
