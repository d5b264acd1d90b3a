//! Questions to the ledger: a [`Reader`] reads beside the daemon, also from another process.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use tallyhook_analysis::account::State;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::sample::Flag;
use tallyhook_analysis::units::Timestamp;

use super::alarm::{self, Alarm, Done};
use super::asking;
use super::chain::{self, ChainEntry};
use super::drives;
use super::error::StoreError;
use super::message::{Message, MessageKind};
use super::outbox::{self, clamped};
use super::schema;
use super::service::{self, StoredService};
use super::thin::{self, Thinned};
use super::trim;
use crate::drive::DriveFigures;

/// Which messages are asked for. The default is all of them, in the order of their instants.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct MessageFilter<'a> {
    /// Of this kind only.
    pub kind: Option<MessageKind>,
    /// Of this mechanism only.
    pub mechanism: Option<&'a str>,
    /// From this instant on.
    pub from: Option<Timestamp>,
    /// Before this instant.
    pub to: Option<Timestamp>,
    /// At most so many.
    pub limit: Option<u64>,
    /// The newest first.
    pub newest_first: bool,
}

/// What an account goes on from.
#[derive(Clone, PartialEq, Debug)]
pub struct Snapshot {
    /// The instant of the last sample in it.
    pub at: Timestamp,
    /// The account's state.
    pub state: State,
    /// Levels crossed, by the name of the watched value.
    pub warn_crossed: BTreeMap<String, usize>,
}

/// The ledger, open for reading. Sees everything that stands in the ledger's file at each call: that is all that was
/// committed before it was opened, and what has been brought into the ledger since.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    path: PathBuf,
    is_behind: bool,
}

impl Reader {
    /// Opens the store in `dir` for reading, after everything that was committed has been brought into the ledger, by the
    /// daemon or, after a crash, by this call. It must not be called where the daemon waits for it.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no store, [`StoreError::NotClosed`] when something has to be brought in and
    /// cannot be.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        let mut reader = Self::open_as_it_lies(dir)?;
        reader.is_behind = asking::settled(dir)?;
        Ok(reader)
    }

    /// Whether something was committed before this was opened and could not be brought into the ledger: up to an hour of
    /// lifts and running time.
    pub fn is_behind(&self) -> bool {
        self.is_behind
    }

    /// As [`Reader::open`], but the newest commits may be missing.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no store.
    pub fn open_as_it_lies(dir: &Path) -> Result<Self, StoreError> {
        let (connection, path) = schema::open_reader(dir)?;
        Ok(Reader { connection, path, is_behind: false })
    }

    /// Opens a ledger's file by its name: a copy, say.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn open_file(path: &Path) -> Result<Self, StoreError> {
        Ok(Reader { connection: schema::open_file(path)?, path: path.to_owned(), is_behind: false })
    }

    /// Identifiers of all mechanisms that were ever committed, in the order of their first commit.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn mechanisms(&self) -> Result<Vec<String>, StoreError> {
        Ok(self.keys(None)?.into_iter().map(|(_, id)| id.to_string()).collect())
    }

    /// What the account of `mechanism` stood at when it was last committed.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when it cannot be made out.
    pub fn state(&self, mechanism: &str) -> Result<Option<Snapshot>, StoreError> {
        snapshot(&self.connection, &self.path, mechanism)
    }

    /// The services of `mechanism`, of all with `None`, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn services(&self, mechanism: Option<&str>) -> Result<Vec<StoredService>, StoreError> {
        service::list(&self.connection, &self.path, mechanism, false)
    }

    /// The drives' states as they last changed, by name.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when one cannot be made out.
    pub fn drives(&self) -> Result<Vec<DriveFigures>, StoreError> {
        drives::list(&self.connection, &self.path)
    }

    /// The alarms of `mechanism` (of all with `None`), newest first; without those that are over with `open`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn alarms(&self, mechanism: Option<&str>, open: bool) -> Result<Vec<Alarm>, StoreError> {
        alarm::list(&self.connection, &self.path, mechanism, open)
    }

    /// What people did to an alarm, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn alarm_acts(&self, seq: u64) -> Result<Vec<Done>, StoreError> {
        alarm::acts(&self.connection, &self.path, seq)
    }

    /// The gaps of `mechanism` that began in `[from, to)`, by their beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn gaps(
        &self,
        mechanism: &str,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Vec<Gap>, StoreError> {
        let sql = "SELECT begin_ms, length_ms FROM gap
                   WHERE mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3 ORDER BY begin_ms";
        self.of_mechanism(sql, mechanism, from, to, |row| {
            let begin: i64 = row.get(0)?;
            let end = begin.wrapping_add(row.get(1)?);
            Ok(Gap { begin: Timestamp::from_ms(begin), end: Timestamp::from_ms(end) })
        })
    }

    /// The two-state signals of `mechanism` that went from off to on in `[from, to)`, by their instant.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn flags(
        &self,
        mechanism: &str,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Vec<(Flag, Timestamp)>, StoreError> {
        let sql = "SELECT flag, at_ms FROM flag_rise
                   WHERE mechanism = ?1 AND at_ms >= ?2 AND at_ms < ?3 ORDER BY at_ms, flag";
        let rows = self.of_mechanism(sql, mechanism, from, to, |row| Ok((row.get::<_, u8>(0)?, row.get(1)?)))?;
        rows.into_iter()
            .map(|(number, at)| match Flag::ALL.get(usize::from(number)) {
                Some(flag) => Ok((*flag, Timestamp::from_ms(at))),
                None => Err(StoreError::damaged(&self.path, format!("there is no signal number {number}"))),
            })
            .collect()
    }

    /// The messages that `filter` asks for, with their numbers, by their instant.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn messages(&self, filter: &MessageFilter<'_>) -> Result<Vec<(u64, Message)>, StoreError> {
        let order = if filter.newest_first { "DESC" } else { "ASC" };
        // Without a kind the table is read in the order of its numbers, which is that of the instants unless a clock
        // was set back; with one, the index is used.
        let (kind, order_by) = match filter.kind {
            Some(kind) => (Some(kind.name()), format!("at_ms {order}, seq {order}")),
            None => (None, format!("seq {order}")),
        };
        let by_kind = if kind.is_some() { "kind = ?1" } else { "?1 IS NULL" };
        let sql = format!(
            "SELECT {} FROM message WHERE {by_kind} AND (?2 IS NULL OR mechanism = ?2) AND at_ms >= ?3 AND at_ms < ?4
             ORDER BY {order_by} LIMIT ?5",
            outbox::COLUMNS
        );
        let (from, to) = bounds(filter.from, filter.to);
        let limit = clamped(filter.limit.unwrap_or(u64::MAX));
        let mut select = self.connection.prepare_cached(&sql).map_err(|error| self.sqlite(error))?;
        let mut rows =
            select.query(params![kind, filter.mechanism, from, to, limit]).map_err(|error| self.sqlite(error))?;
        let mut found = Vec::new();
        while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
            found.push(outbox::read(row, &self.path)?);
        }
        Ok(found)
    }

    /// The messages after number `seq`, at most `limit`, in the order they were stored.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, StoreError> {
        outbox::messages_after(&self.connection, &self.path, seq, limit)
    }

    /// The last number and the room on the disk, bytes, of the messages after `after` that may be dropped one day.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn droppable_room(&self, after: u64) -> Result<(u64, u64), StoreError> {
        trim::room(&self.connection, &self.path, after)
    }

    /// The instant of the newest message that may be dropped one day.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn newest_droppable(&self) -> Result<Option<Timestamp>, StoreError> {
        trim::newest(&self.connection, &self.path)
    }

    /// How many messages were dropped before a destination had got them, by its name.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lost_messages(&self) -> Result<BTreeMap<String, u64>, StoreError> {
        trim::lost(&self.connection, &self.path)
    }

    /// The number of the last message that `destination` has got; `None` for one that the store does not know.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn cursor(&self, destination: &str) -> Result<Option<u64>, StoreError> {
        outbox::cursor(&self.connection, &self.path, destination)
    }

    /// Lets SQLite prove its own structure; reads the whole file.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] with the first fault it finds.
    pub fn check_structure(&self) -> Result<(), StoreError> {
        check_structure(&self.connection, &self.path)
    }

    /// The chain of a mechanism, in its order; empty for one that was never committed.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when an entry cannot be made out.
    pub fn entries(&self, mechanism: &str) -> Result<Vec<ChainEntry>, StoreError> {
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            found.extend(chain::entries(&self.connection, &self.path, key)?);
        }
        Ok(found)
    }

    /// What `mechanism` has given up for room.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn thinned(&self, mechanism: &str) -> Result<Thinned, StoreError> {
        let mut all = Thinned::default();
        for (key, _) in self.keys(Some(mechanism))? {
            all = thin::thinned(&self.connection, key).map_err(|error| self.sqlite(error))?;
        }
        Ok(all)
    }

    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn sqlite(&self, error: rusqlite::Error) -> StoreError {
        StoreError::of_sqlite(&self.path, error)
    }

    /// Keys and identifiers of all mechanisms, or of the one asked for; none when it was never committed.
    pub(super) fn keys(&self, only: Option<&str>) -> Result<Vec<(i64, Arc<str>)>, StoreError> {
        let read = || -> rusqlite::Result<Vec<(i64, Arc<str>)>> {
            let mut select = self
                .connection
                .prepare_cached("SELECT key, id FROM mechanism WHERE ?1 IS NULL OR id = ?1 ORDER BY key")?;
            let rows = select.query_map([only], |row| Ok((row.get(0)?, Arc::from(row.get::<_, String>(1)?))))?;
            rows.collect()
        };
        read().map_err(|error| self.sqlite(error))
    }

    pub(super) fn of_mechanism<T>(
        &self,
        sql: &str,
        mechanism: &str,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
        read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let (from, to) = bounds(from, to);
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut run = || -> rusqlite::Result<()> {
                let mut select = self.connection.prepare_cached(sql)?;
                for row in select.query_map(params![key, from, to], &read)? {
                    found.push(row?);
                }
                Ok(())
            };
            run().map_err(|error| self.sqlite(error))?;
        }
        Ok(found)
    }
}

/// An open end is the end of time; an event in its very last millisecond is beyond any clock.
pub(super) fn bounds(from: Option<Timestamp>, to: Option<Timestamp>) -> (i64, i64) {
    (from.map_or(i64::MIN, Timestamp::as_ms), to.map_or(i64::MAX, Timestamp::as_ms))
}

pub(super) fn snapshot(connection: &Connection, path: &Path, mechanism: &str) -> Result<Option<Snapshot>, StoreError> {
    let read = || -> rusqlite::Result<Option<(i64, Vec<u8>, String)>> {
        connection
            .prepare_cached(
                "SELECT at_ms, state, warn_crossed FROM book
                 WHERE mechanism = (SELECT key FROM mechanism WHERE id = ?1)",
            )?
            .query_row([mechanism], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .optional()
    };
    let Some((at, state, crossed)) = read().map_err(|error| StoreError::of_sqlite(path, error))? else {
        return Ok(None);
    };
    let damaged = |error: serde_json::Error| StoreError::damaged(path, format!("the state of {mechanism}: {error}"));
    Ok(Some(Snapshot {
        at: Timestamp::from_ms(at),
        state: unpacked(&state).map_err(damaged)?,
        warn_crossed: serde_json::from_str(&crossed).map_err(damaged)?,
    }))
}

/// A state as it was stored: deflated JSON, or plain JSON that an older format left.
fn unpacked(bytes: &[u8]) -> Result<State, serde_json::Error> {
    match bytes.first() {
        Some(b'{') => serde_json::from_slice(bytes),
        _ => serde_json::from_reader(std::io::BufReader::new(flate2::read::ZlibDecoder::new(bytes))),
    }
}

pub(super) fn check_structure(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let first: String = connection
        .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
        .map_err(|error| StoreError::of_sqlite(path, error))?;
    if first == "ok" { Ok(()) } else { Err(StoreError::damaged(path, first)) }
}
