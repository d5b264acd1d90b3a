//! Questions to the ledger: a [`Reader`] reads beside the daemon, also from another process.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use tallyhook_analysis::account::{DayRecord, HourSums, State};
use tallyhook_analysis::histogram::Histogram;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::sample::Flag;
use tallyhook_analysis::spectrum::{BANDS, Totals};
use tallyhook_analysis::units::{Grams, Timestamp};

use super::alarm::{self, Alarm, Done};
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

/// Which lifts are asked for. The default is all of them, oldest first.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LiftFilter<'a> {
    /// Of this mechanism only.
    pub mechanism: Option<&'a str>,
    /// That began at this instant or later.
    pub from: Option<Timestamp>,
    /// That began before this instant.
    pub to: Option<Timestamp>,
    /// With this settled load or more.
    pub least: Option<Grams>,
    /// With this settled load or less.
    pub most: Option<Grams>,
    /// Only those above the rated load.
    pub overload: bool,
    /// At most so many.
    pub limit: Option<u64>,
    /// Without the first so many.
    pub offset: u64,
    /// The newest first.
    pub newest_first: bool,
}

impl LiftFilter<'_> {
    /// The condition in SQL: ?1 is the mechanism's key, ?2 and ?3 bound the beginning, ?4 and ?5 the load. What is not
    /// asked for costs nothing.
    fn condition(&self) -> String {
        let mut sql = "mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3".to_owned();
        // Named even when they bound nothing, so that the numbers after them stay.
        sql.push_str(if self.least.is_some() { " AND load_g >= ?4" } else { " AND ?4 IS NOT NULL" });
        sql.push_str(if self.most.is_some() { " AND load_g <= ?5" } else { " AND ?5 IS NOT NULL" });
        if self.overload {
            sql.push_str(&format!(" AND marks & {OVERLOAD}"));
        }
        sql
    }

    /// The table, with the index where SQLite would walk through all lifts to find the overloads among them.
    fn table(&self) -> &'static str {
        if self.overload { "lift INDEXED BY lift_overload" } else { "lift" }
    }

    fn loads(&self) -> (i64, i64) {
        (self.least.map_or(i64::MIN, Grams::get), self.most.map_or(i64::MAX, Grams::get))
    }
}

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

/// A lift and the mechanism it belongs to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StoredLift {
    /// Identifier of the mechanism.
    pub mechanism: Arc<str>,
    /// The lift.
    pub lift: Lift,
}

/// What lifts are put in order by: the beginning, the settled load, the running time with the load on the hook in ms.
pub type InShort = (Timestamp, Grams, u64);

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

/// The ledger, open for reading. Sees everything that was committed before each call.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    path: PathBuf,
}

impl Reader {
    /// Opens the store in `dir` for reading.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no store.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        let (connection, path) = schema::open_reader(dir)?;
        Ok(Reader { connection, path })
    }

    /// Opens a ledger's file by its name: a copy, say.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn open_file(path: &Path) -> Result<Self, StoreError> {
        Ok(Reader { connection: schema::open_file(path)?, path: path.to_owned() })
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

    /// The lifts that `filter` asks for, by their beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lifts(&self, filter: &LiftFilter<'_>) -> Result<Vec<StoredLift>, StoreError> {
        let keys = self.keys(filter.mechanism)?;
        let wanted = filter.limit.map(|limit| limit.saturating_add(filter.offset));
        let mut found = Vec::new();
        // The key of the table is (mechanism, begin): each mechanism's first few, then merged.
        for (key, id) in &keys {
            self.scan_lifts(*key, filter, wanted, &mut |lift| {
                found.push(StoredLift { mechanism: id.clone(), lift });
                Ok::<(), StoreError>(())
            })?;
        }
        if keys.len() > 1 {
            found.sort_by_key(|row| row.lift.begin);
            if filter.newest_first {
                found.reverse();
            }
        }
        let skipped = usize::try_from(filter.offset).unwrap_or(usize::MAX);
        let limit = filter.limit.map_or(usize::MAX, |limit| usize::try_from(limit).unwrap_or(usize::MAX));
        Ok(found.into_iter().skip(skipped).take(limit).collect())
    }

    /// Calls `each` for the lifts that `filter` asks for without holding them all: mechanism by mechanism, each by
    /// the beginning of its lifts. `limit` and `offset` are not heeded. Ends with the first error of `each`.
    ///
    /// # Errors
    /// When the file cannot be read, or what `each` gave.
    pub fn each_lift<E: From<StoreError>>(
        &self,
        filter: &LiftFilter<'_>,
        mut each: impl FnMut(&str, Lift) -> Result<(), E>,
    ) -> Result<(), E> {
        for (key, id) in self.keys(filter.mechanism)? {
            self.scan_lifts(key, filter, None, &mut |lift| each(&id, lift))?;
        }
        Ok(())
    }

    /// Calls `each` with the day that a lift is booked to, where that is known, and what it is put in order by, for the lifts
    /// that `filter` asks for: less work than reading them whole. `limit`, `offset` and `newest_first` are not heeded.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn each_lift_in_short(
        &self,
        filter: &LiftFilter<'_>,
        mut each: impl FnMut(Option<i32>, InShort),
    ) -> Result<(), StoreError> {
        let sql =
            format!("SELECT begin_ms, load_g, running_ms, day FROM {} WHERE {}", filter.table(), filter.condition());
        self.in_short(filter, &sql, None, |row| {
            each(row.get(3)?, in_short(row)?);
            Ok(())
        })
    }

    /// As [`Reader::each_lift_in_short`], of the lifts booked to a day after `day`, up to `to_day`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn each_lift_after(
        &self,
        filter: &LiftFilter<'_>,
        day: i32,
        to_day: i32,
        mut each: impl FnMut(InShort),
    ) -> Result<(), StoreError> {
        let sql = format!(
            "SELECT begin_ms, load_g, running_ms FROM lift INDEXED BY lift_by_day WHERE {} AND day > ?6 AND day <= ?7",
            filter.condition()
        );
        self.in_short(filter, &sql, Some((day, to_day)), |row| {
            each(in_short(row)?);
            Ok(())
        })
    }

    fn in_short(
        &self,
        filter: &LiftFilter<'_>,
        sql: &str,
        days: Option<(i32, i32)>,
        mut each: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), StoreError> {
        let ((from, to), (least, most)) = (bounds(filter.from, filter.to), filter.loads());
        for (key, _) in self.keys(filter.mechanism)? {
            let mut read = || -> rusqlite::Result<()> {
                let mut select = self.connection.prepare_cached(sql)?;
                let mut rows = match days {
                    Some((day, to_day)) => select.query(params![key, from, to, least, most, day, to_day])?,
                    None => select.query(params![key, from, to, least, most])?,
                };
                while let Some(row) = rows.next()? {
                    each(row)?;
                }
                Ok(())
            };
            read().map_err(|error| self.sqlite(error))?;
        }
        Ok(())
    }

    /// The lift of `mechanism` that began at that instant.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_at(&self, mechanism: &str, begin: Timestamp) -> Result<Option<Lift>, StoreError> {
        let Some((key, _)) = self.keys(Some(mechanism))?.into_iter().next() else { return Ok(None) };
        lift_at(&self.connection, key, begin).map_err(|error| self.sqlite(error))
    }

    /// How many lifts `filter` asks for, `limit` and `offset` left aside.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_count(&self, filter: &LiftFilter<'_>) -> Result<u64, StoreError> {
        let mut count = 0;
        let (from, to) = bounds(filter.from, filter.to);
        let (least, most) = filter.loads();
        for (key, _) in self.keys(filter.mechanism)? {
            count += self
                .connection
                .prepare_cached(&format!("SELECT count(*) FROM {} WHERE {}", filter.table(), filter.condition()))
                .and_then(|mut s| s.query_row(params![key, from, to, least, most], |row| row.get::<_, i64>(0)))
                .map_err(|error| self.sqlite(error))? as u64;
        }
        Ok(count)
    }

    /// The sums of the days `from_day ..= to_day` of `mechanism` that have any, with the day's number (days since
    /// 1970-01-01 in the site's calendar).
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn days(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<Vec<(i32, Totals)>, StoreError> {
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms, cube_ms, starts, lifts,
                            overload_lifts, band_lifts, lift_cubes
                     FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day",
                )
                .map_err(|error| self.sqlite(error))?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(|error| self.sqlite(error))?;
            while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
                found.push(read_day(row, &self.path)?);
            }
        }
        Ok(found)
    }

    /// All that is kept of the days `from_day ..= to_day` of `mechanism` that are over. Days from before motor duty and
    /// histograms were kept, and those that gave them up for room, have none and are left out.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn day_records(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<Vec<DayRecord>, StoreError> {
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms, cube_ms, starts, lifts,
                            overload_lifts, band_lifts, lift_cubes, duty, running_by_load, lifts_by_load,
                            used_full_load_hours
                     FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 AND duty IS NOT NULL
                       AND running_by_load IS NOT NULL AND lifts_by_load IS NOT NULL ORDER BY day",
                )
                .map_err(|error| self.sqlite(error))?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(|error| self.sqlite(error))?;
            while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
                let (day, totals) = read_day(row, &self.path)?;
                let damaged = |what: &str| StoreError::damaged(&self.path, format!("{what} of day {day}"));
                let sqlite = |error| StoreError::of_sqlite(&self.path, error);
                let duty = row.get_ref(12).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
                let histogram = |column: usize, what: &str| {
                    let bytes = row.get_ref(column).and_then(|v| Ok(v.as_blob()?)).map_err(sqlite)?;
                    Histogram::from_bytes(bytes).map_err(|error| damaged(&format!("{what} ({error})")))
                };
                found.push(DayRecord {
                    day,
                    totals,
                    duty: serde_json::from_str(duty).map_err(|_| damaged("the motor duty"))?,
                    running: histogram(13, "running time by load")?,
                    lifts: histogram(14, "lifts by load")?,
                    used_full_load_hours: row.get(15).map_err(sqlite)?,
                });
            }
        }
        Ok(found)
    }

    /// S at the end of each day of `mechanism` that is over, full-load hours, by the day's number.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn used(&self, mechanism: &str) -> Result<BTreeMap<i32, f64>, StoreError> {
        let mut found = BTreeMap::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut read = || -> rusqlite::Result<()> {
                let mut select = self.connection.prepare_cached(
                    "SELECT day, used_full_load_hours FROM day
                     WHERE mechanism = ?1 AND used_full_load_hours IS NOT NULL",
                )?;
                for row in select.query_map([key], |row| Ok((row.get(0)?, row.get(1)?)))? {
                    let (day, used) = row?;
                    found.insert(day, used);
                }
                Ok(())
            };
            read().map_err(|error| self.sqlite(error))?;
        }
        Ok(found)
    }

    /// The hours of `mechanism` that began in `[from, to)` and had something in them, by their beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn hours(
        &self,
        mechanism: &str,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Vec<HourSums>, StoreError> {
        let sql = "SELECT begin_ms, length_ms, running_ms, gap_ms, cube_ms, starts, lifts, day FROM hour
                   WHERE mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3 ORDER BY begin_ms";
        let rows = self.of_mechanism(sql, mechanism, from, to, |row| {
            let begin: i64 = row.get(0)?;
            let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64);
            let cubes = row.get_ref(4)?.as_str()?.parse::<u128>().ok();
            let numbers = (count(2), count(3), count(5), count(6));
            Ok(cubes.map(|cube_ms| (begin, row.get::<_, i64>(1), cube_ms, numbers, row.get::<_, Option<i32>>(7))))
        })?;
        rows.into_iter()
            .map(|row| {
                let damaged = || StoreError::damaged(&self.path, format!("an hour of {mechanism}"));
                let (begin, length, cube_ms, (running, gap, starts, lifts), day) = row.ok_or_else(damaged)?;
                let sqlite = |error| self.sqlite(error);
                Ok(HourSums {
                    begin: Timestamp::from_ms(begin),
                    end: Timestamp::from_ms(begin.wrapping_add(length.map_err(sqlite)?)),
                    running_ms: running.map_err(sqlite)?,
                    gap_ms: gap.map_err(sqlite)?,
                    cube_ms,
                    starts: starts.map_err(sqlite)?,
                    lifts: lifts.map_err(sqlite)?,
                    day: day.map_err(sqlite)?,
                })
            })
            .collect()
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

    fn sqlite(&self, error: rusqlite::Error) -> StoreError {
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

    fn scan_lifts<E: From<StoreError>>(
        &self,
        key: i64,
        filter: &LiftFilter<'_>,
        limit: Option<u64>,
        each: &mut impl FnMut(Lift) -> Result<(), E>,
    ) -> Result<(), E> {
        let order = if filter.newest_first { "DESC" } else { "ASC" };
        let (table, condition) = (filter.table(), filter.condition());
        let sql = format!("SELECT {LIFT_COLUMNS} FROM {table} WHERE {condition} ORDER BY begin_ms {order} LIMIT ?6");
        let (from, to) = bounds(filter.from, filter.to);
        let (least, most) = filter.loads();
        let mut select = self.connection.prepare_cached(&sql).map_err(|error| self.sqlite(error))?;
        let mut rows = select
            .query(params![key, from, to, least, most, clamped(limit.unwrap_or(u64::MAX))])
            .map_err(|error| self.sqlite(error))?;
        while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
            each(read_lift(row).map_err(|error| self.sqlite(error))?)?;
        }
        Ok(())
    }

    fn of_mechanism<T>(
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
fn bounds(from: Option<Timestamp>, to: Option<Timestamp>) -> (i64, i64) {
    (from.map_or(i64::MIN, Timestamp::as_ms), to.map_or(i64::MAX, Timestamp::as_ms))
}

const LIFT_COLUMNS: &str = "begin_ms, length_ms, load_g, peak_over_g, running_ms, starts, marks, uncertainty_g";
const OVERLOAD: i64 = 1 << 4;
const CUT: i64 = 1 << 5;

/// Band (bits 0 to 3), overload (bit 4) and cut (bit 5) in one byte.
pub(super) fn marks_of(lift: &Lift) -> i64 {
    let mark = |on: bool, bit: i64| if on { bit } else { 0 };
    i64::from(lift.band & 0x0f) | mark(lift.overload, OVERLOAD) | mark(lift.cut, CUT)
}

fn in_short(row: &Row<'_>) -> rusqlite::Result<InShort> {
    Ok((Timestamp::from_ms(row.get(0)?), Grams::new(row.get(1)?), row.get::<_, i64>(2)? as u64))
}

fn read_lift(row: &Row<'_>) -> rusqlite::Result<Lift> {
    let begin: i64 = row.get(0)?;
    let load: i64 = row.get(2)?;
    let marks: i64 = row.get(6)?;
    Ok(Lift {
        begin: Timestamp::from_ms(begin),
        end: Timestamp::from_ms(begin.wrapping_add(row.get(1)?)),
        load: Grams::new(load),
        peak: Grams::new(load.saturating_add(row.get(3)?)),
        running_ms: row.get::<_, i64>(4)? as u64,
        starts: row.get(5)?,
        band: (marks & 0x0f) as u8,
        overload: marks & OVERLOAD != 0,
        cut: marks & CUT != 0,
        uncertainty: row.get::<_, Option<i64>>(7)?.map(Grams::new),
    })
}

/// The newest day with sums: the open one, or the last that closed.
pub(super) fn open_day(connection: &Connection, key: i64) -> rusqlite::Result<Option<i32>> {
    connection.prepare_cached("SELECT max(day) FROM day WHERE mechanism = ?1")?.query_row([key], |row| row.get(0))
}

pub(super) fn lift_at(connection: &Connection, key: i64, begin: Timestamp) -> rusqlite::Result<Option<Lift>> {
    connection
        .prepare_cached(&format!("SELECT {LIFT_COLUMNS} FROM lift WHERE mechanism = ?1 AND begin_ms = ?2"))?
        .query_row(params![key, begin.as_ms()], read_lift)
        .optional()
}

fn read_day(row: &Row<'_>, path: &Path) -> Result<(i32, Totals), StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let day: i32 = row.get(0).map_err(sqlite)?;
    let damaged = |what: &str| StoreError::damaged(path, format!("{what} of day {day}"));
    let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64).map_err(sqlite);
    let text = |column: usize| row.get_ref(column).and_then(|v| Ok(v.as_str()?)).map_err(sqlite);
    let bands = |column, what| serde_json::from_str::<[u64; BANDS]>(text(column)?).map_err(|_| damaged(what));
    let cubes = |column, what| text(column)?.parse::<u128>().map_err(|_| damaged(what));
    let totals = Totals {
        observed_ms: count(1)?,
        gap_ms: count(2)?,
        running_ms: count(3)?,
        load_unknown_ms: count(4)?,
        band_ms: bands(5, "band_ms")?,
        cube_ms: cubes(6, "cube_ms")?,
        starts: count(7)?,
        lifts: count(8)?,
        overload_lifts: count(9)?,
        band_lifts: bands(10, "band_lifts")?,
        lift_cubes: cubes(11, "lift_cubes")?,
    };
    Ok((day, totals))
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
