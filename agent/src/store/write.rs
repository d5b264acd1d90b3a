//! The one writer: everything that follows from some samples goes into the ledger in one transaction, with the state
//! the recorder goes on from.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use tallyhook_analysis::account::{DayRecord, HourSums, State};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::period::Ledger;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::sample::Flag;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;

use super::ahead::Ahead;
use super::alarm::{self, Alarm};
use super::care::{self, Recovered};
use super::chain::{self, EntryKind, Reckoning};
use super::days;
use super::drives;
use super::error::StoreError;
use super::gap_seal;
use super::lifts;
use super::lock::{WriterLock, lock};
use super::message::Message;
use super::open_seal;
use super::outbox;
use super::query;
use super::schema;
use super::service::{self, StoredService};
use super::thin;
use super::trim::{self, Bound, Dropped};
use crate::drive::DriveFigures;

/// SQLite's own bound on a file's pages.
const MOST_PAGES: i64 = 0xffff_fffe;

/// How many messages a destination may get twice after a crash, because its cursor waited for a commit.
const MOST_NOTED: u64 = 16;

/// A lift and the day it is booked to.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct BookedLift {
    /// The lift.
    pub lift: Lift,
    /// The day in whose sums it is; `None` where that is not known.
    pub day: Option<i32>,
}

impl From<Lift> for BookedLift {
    fn from(lift: Lift) -> Self {
        BookedLift { lift, day: None }
    }
}

/// A day that is over.
#[derive(Clone, PartialEq, Debug)]
pub struct Closing {
    /// All that is kept of it.
    pub record: DayRecord,
    /// The sample with which it was over: gaps and flags from before are held by its entry.
    pub over: Timestamp,
    /// S as the sum of its parts when it closed.
    pub ledger: Ledger,
}

/// What follows from the samples of one mechanism since its last commit.
///
/// After any error nothing of it stands, so the caller may simply try again. Even where it stood already, lifts, gaps,
/// flags, entries and messages would be left and days and state replaced; only hours are added to.
///
/// What is skipped when one is serialized is what no commit of the redo log has (`ahead.rs`).
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct MechanismCommit {
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// The instant of the last sample that is in `state`.
    pub at: Timestamp,
    /// What the account goes on from: the cursor.
    pub state: State,
    /// Levels crossed at present, by the name of the watched value.
    pub warn_crossed: BTreeMap<String, usize>,
    /// Lifts ended.
    pub lifts: Vec<BookedLift>,
    /// Gaps closed.
    pub gaps: Vec<Gap>,
    /// The sums so far of each day that was added to; they replace that day's row.
    pub days: Vec<(i32, Totals)>,
    /// Days that are over, with all that is kept of them; they replace that day's row.
    #[serde(skip)]
    pub closed: Vec<Closing>,
    /// What touches the reckoning, compared with what stands in the chain; `None` leaves the chain's as it is.
    #[serde(skip)]
    pub reckoning: Option<Arc<Reckoning>>,
    /// What is to be said in the chain of the site's clock.
    #[serde(skip)]
    pub clock: Vec<serde_json::Value>,
    /// Hours that are over.
    pub hours: Vec<HourSums>,
    /// Numbers of the services that `state` has taken.
    #[serde(skip)]
    pub services: Vec<u64>,
    /// Numbers of the alarms that `messages` remind of.
    #[serde(skip)]
    pub reminded: Vec<u64>,
    /// What is to be told.
    pub messages: Vec<Message>,
    /// Two-state signals that went from off to on, and when.
    pub flags: Vec<(Flag, Timestamp)>,
}

/// What a commit did.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Committed {
    /// The highest number of any message stored so far; 0 without messages.
    pub last_seq: u64,
    /// Lifts that were not written because *another* lift of that mechanism with the same beginning stands. Only a
    /// clock that was set back can bring this about.
    pub lifts_refused: u64,
    /// The last hash of each mechanism whose chain has grown.
    pub anchors: BTreeMap<String, String>,
}

/// What an account goes on from: its state, and the levels crossed by the name of the watched value.
pub type Resumed = (State, BTreeMap<String, usize>);

/// The ledger, open for writing. Only one process can hold it.
#[derive(Debug)]
pub struct Store {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    /// Cursors that go into the ledger with its next commit.
    pub(super) noted: BTreeMap<String, u64>,
    /// Its structure is still to be proved before anything is written.
    pub(super) unproved: bool,
    /// Commits that are safe and not in the ledger yet.
    pub(super) ahead: Ahead,
    /// What is wrong with the redo log of the last run.
    left: Option<String>,
    /// After the connection, so that the ledger is closed before the lock is given up.
    _lock: WriterLock,
}

impl Store {
    /// Opens the store in `dir`; makes directory and store where there are none, and brings an older format up.
    ///
    /// # Errors
    /// [`StoreError::Busy`] when another process writes to it, [`StoreError::TooNew`] when a newer version made it,
    /// the others as their names say.
    pub fn open(dir: &Path) -> Result<Self, StoreError> {
        std::fs::create_dir_all(dir).map_err(|error| StoreError::of_io(dir, error))?;
        Self::on(schema::ledger_path(dir), lock(dir, false)?, false, true)
    }

    /// As [`Store::open`], only to take in what a crash left in the redo log, all of it: who else wants to write waits.
    pub(super) fn open_in_passing(dir: &Path) -> Result<Self, StoreError> {
        Self::on(schema::ledger_path(dir), lock(dir, true)?, false, false)
    }

    /// The ledger at `path`, with what a crash left in its redo log in an open transaction.
    fn on(path: PathBuf, lock: WriterLock, unproved: bool, may_put_aside: bool) -> Result<Self, StoreError> {
        let connection = schema::open_writer(&path)?;
        let (noted, ahead) = (BTreeMap::new(), Ahead::default());
        let mut store = Store { connection, path, noted, unproved, ahead, left: None, _lock: lock };
        store.left = store.take_up(may_put_aside)?;
        Ok(store)
    }

    /// What is wrong with the redo log that the last run left, once.
    pub fn take_left(&mut self) -> Option<String> {
        self.left.take()
    }

    /// As [`Store::open`], after a look at the ledger: a damaged one is put aside, and the newest copy of the directory
    /// `copies` that adds up takes its place.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when there is no such copy; everything is left as it is then.
    pub fn open_sound(
        dir: &Path,
        copies: Option<&Path>,
        now: Timestamp,
    ) -> Result<(Self, Option<Recovered>), StoreError> {
        std::fs::create_dir_all(dir).map_err(|error| StoreError::of_io(dir, error))?;
        let lock = lock(dir, false)?;
        let recovered = care::look(dir, copies, now)?;
        let path = schema::ledger_path(dir);
        Ok((Self::on(path, lock, false, true)?, recovered))
    }

    /// As [`Store::open_sound`], but a ledger of at least `large` bytes is not read to its end: [`Store::into_handle`]
    /// proves its structure before it writes anything, and says by [`super::StoreHandle::fault`] what is wrong. Whatever else
    /// is wrong with one `open_sound` finds and mends, now or when it is called after that.
    ///
    /// # Errors
    /// As [`Store::open_sound`].
    pub fn open_soon(
        dir: &Path,
        copies: Option<&Path>,
        now: Timestamp,
        large: u64,
    ) -> Result<(Self, Option<Recovered>), StoreError> {
        let path = schema::ledger_path(dir);
        if std::fs::metadata(&path).is_ok_and(|file| file.len() >= large) {
            let lock = lock(dir, false)?;
            // An older format is brought up, which writes; anything that cannot be made out is mended.
            if schema::look_at(&path, false).is_ok_and(|format| format == schema::FORMAT) {
                return Ok((Self::on(path, lock, true, true)?, None));
            }
        }
        Self::open_sound(dir, copies, now)
    }

    /// Whether the structure of the ledger is still to be proved.
    pub fn is_unproved(&self) -> bool {
        self.unproved
    }

    /// Proves the structure of a ledger that [`Store::open_soon`] opened without.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] with the first fault; nothing may be written then.
    pub(super) fn prove(&mut self) -> Result<(), StoreError> {
        if self.unproved {
            schema::prove_structure(&self.connection, &self.path)?;
            self.unproved = false;
        }
        Ok(())
    }

    /// Writes all of `commits` in one transaction: after a crash either all of it stands or nothing. After
    /// [`Store::write_ahead`] it may be in the redo log, and in the ledger only later.
    ///
    /// # Errors
    /// On any error nothing of it stands, and the same call may be made again.
    pub fn commit(&mut self, commits: &[MechanismCommit]) -> Result<Committed, StoreError> {
        if let Some(done) = self.commit_ahead(commits)? {
            return Ok(done);
        }
        self.settle()?;
        let written = || -> Result<Committed, WriteFault> {
            // Dropped on an early return, which rolls everything back.
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = write_all(&transaction, commits, &self.noted)?;
            transaction.commit()?;
            Ok(done)
        }();
        let done = written.map_err(|fault| fault.at(&self.path))?;
        self.noted.clear();
        self.compared(commits);
        Ok(done)
    }

    /// What the account of `mechanism` goes on from: its state and the levels crossed; `None` for a new mechanism.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when the stored state cannot be read.
    pub fn resume(&self, mechanism: &str) -> Result<Option<Resumed>, StoreError> {
        let snapshot = query::snapshot(&self.connection, &self.path, mechanism)?;
        Ok(snapshot.map(|s| (s.state, s.warn_crossed)))
    }

    /// The messages after number `seq`, at most `limit`, with their numbers, in their order.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, StoreError> {
        outbox::messages_after(&self.connection, &self.path, seq, limit)
    }

    /// The warnings and findings after number `seq` and up to `to`, at most `limit`, in their order.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn urgent_between(&self, seq: u64, to: u64, limit: usize) -> Result<Vec<(u64, Message)>, StoreError> {
        outbox::urgent_between(&self.connection, &self.path, (seq, to), limit)
    }

    /// The number of the last message that `destination` has got; `None` for one that the store does not know.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn cursor(&self, destination: &str) -> Result<Option<u64>, StoreError> {
        let stands = outbox::cursor(&self.connection, &self.path, destination)?;
        Ok(stands.max(self.noted.get(destination).copied()))
    }

    /// Notes that `destination` has got everything up to `seq`. A cursor never goes back.
    ///
    /// # Errors
    /// When it cannot be written; the destination will then get some messages twice.
    pub fn set_cursor(&mut self, destination: &str, seq: u64) -> Result<(), StoreError> {
        let cursor = self.noted.entry(destination.to_owned()).or_default();
        *cursor = seq.max(*cursor);
        self.write_noted()
    }

    /// As [`Store::set_cursor`], but kept in memory until the next commit, or until `MOST_NOTED` messages more have
    /// been got: a crash meanwhile has the destination get those again. A commit of its own would cost a memory card
    /// about as much as the lift that is told of.
    ///
    /// # Errors
    /// As [`Store::set_cursor`].
    pub fn note_cursor(&mut self, destination: &str, seq: u64) -> Result<(), StoreError> {
        let stands = outbox::cursor(&self.connection, &self.path, destination)?;
        if stands.is_none_or(|stands| seq > stands.saturating_add(MOST_NOTED)) {
            return self.set_cursor(destination, seq);
        }
        let cursor = self.noted.entry(destination.to_owned()).or_default();
        *cursor = seq.max(*cursor);
        Ok(())
    }

    /// Keeps a number under a name beside the cursors. Unlike a cursor it may go back: what it is of may have been wrong.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn set_mark(&mut self, name: &str, number: u64) -> Result<(), StoreError> {
        self.write_noted()?;
        outbox::set_mark(&self.connection, name, number).map_err(|error| StoreError::of_sqlite(&self.path, error))
    }

    /// Writes the cursors that wait, all at once.
    fn write_noted(&mut self) -> Result<(), StoreError> {
        self.settle()?;
        if !self.noted.is_empty() {
            outbox::set_cursors(&mut self.connection, &self.noted)
                .map_err(|error| StoreError::of_sqlite(&self.path, error))?;
            self.noted.clear();
        }
        Ok(())
    }

    /// The number of the last message stored; 0 without messages.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_seq(&self) -> Result<u64, StoreError> {
        outbox::last_seq(&self.connection).map_err(|error| StoreError::of_sqlite(&self.path, error))
    }

    /// Drops the oldest messages of lifts and days that have to go, a bounded number of them.
    ///
    /// # Errors
    /// When it cannot be written; nothing is dropped then.
    pub fn drop_oldest(&mut self, bound: &Bound) -> Result<Dropped, StoreError> {
        // Nothing is written where nothing goes, which is asked every ten minutes.
        if trim::is_within(&self.connection, &self.path, bound)? {
            return Ok(Dropped { last: bound.after, ..Dropped::default() });
        }
        self.settle()?;
        let dropped = trim::drop_oldest(&mut self.connection, &self.path, bound, &self.noted)?;
        if dropped.messages > 0 {
            self.noted.clear();
        }
        Ok(dropped)
    }

    /// Services that no book has taken yet, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn open_services(&self) -> Result<Vec<StoredService>, StoreError> {
        service::list(&self.connection, &self.path, None, true)
    }

    /// Keeps the drives' states as they are at an instant.
    ///
    /// # Errors
    /// When it cannot be written; the states of before stand.
    pub fn keep_drives(&mut self, drives: &[DriveFigures], at: Timestamp) -> Result<(), StoreError> {
        self.settle()?;
        drives::keep(&mut self.connection, &self.path, drives, at)
    }

    /// Alarms that are not over, newest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn open_alarms(&self) -> Result<Vec<Alarm>, StoreError> {
        alarm::list(&self.connection, &self.path, None, true)
    }

    /// Bounds the ledger's file to what it has now and `pages` more; a commit beyond that finds the disk full. `None`
    /// takes the bound away. Not kept: it ends with this opening.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn bound(&self, pages: Option<u32>) -> Result<(), StoreError> {
        let sqlite = |error| StoreError::of_sqlite(&self.path, error);
        let now: i64 = self.connection.pragma_query_value(None, "page_count", |row| row.get(0)).map_err(sqlite)?;
        let most = pages.map_or(MOST_PAGES, |pages| now.saturating_add(i64::from(pages)));
        self.connection.query_row(&format!("PRAGMA max_page_count = {most}"), [], |_| Ok(())).map_err(sqlite)
    }

    /// One step towards the budget; to be repeated while it says [`thin::Step::Done`].
    ///
    /// # Errors
    /// When it cannot be written; nothing was given up then.
    pub fn thin(&mut self, bounds: &thin::Bounds) -> Result<thin::Step, StoreError> {
        self.write_noted()?;
        thin::step(&mut self.connection, &self.path, bounds)
    }

    /// Lets SQLite prove its own structure.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] with the first fault it finds.
    pub fn check_structure(&self) -> Result<(), StoreError> {
        query::check_structure(&self.connection, &self.path)
    }

    #[cfg(test)]
    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        if self.unproved {
            return;
        }
        // Should it fail, the destinations get again what they got since the last commit.
        let _ = self.write_noted();
    }
}

/// A state as it is stored: JSON, so that a later version can read it, deflated, so that a memory card lives.
fn packed(state: &State) -> Result<Vec<u8>, serde_json::Error> {
    // In one piece: the packer clears its room for what it gives at each write, and JSON is written word by word.
    let text = serde_json::to_vec(state)?;
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(&text).and_then(|()| packer.finish()).map_err(serde_json::Error::io)
}

/// Why a transaction could not be written.
pub(super) enum WriteFault {
    Sqlite(rusqlite::Error),
    Json(serde_json::Error),
}

impl WriteFault {
    /// Of the ledger at `path`.
    pub(super) fn at(self, path: &Path) -> StoreError {
        match self {
            WriteFault::Sqlite(error) => StoreError::of_sqlite(path, error),
            WriteFault::Json(error) => StoreError::damaged(path, format!("a state cannot be written: {error}")),
        }
    }
}

impl From<rusqlite::Error> for WriteFault {
    fn from(error: rusqlite::Error) -> Self {
        WriteFault::Sqlite(error)
    }
}

impl From<serde_json::Error> for WriteFault {
    fn from(error: serde_json::Error) -> Self {
        WriteFault::Json(error)
    }
}

/// Writes commits and cursors, in the caller's transaction.
pub(super) fn write_all(
    transaction: &Connection,
    commits: &[MechanismCommit],
    cursors: &BTreeMap<String, u64>,
) -> Result<Committed, WriteFault> {
    let mut done = Committed::default();
    for commit in commits {
        let key = mechanism_key(transaction, &commit.mechanism)?;
        let mechanism = (key, commit.mechanism.as_str());
        let mut broken = open_seal::broken(transaction, key)?.map(|(_, what)| what);
        let open_day = days::open_day(transaction, key)?;
        if let Some(reckoning) = &commit.reckoning {
            chain::note_configuration(transaction, mechanism, commit.at, open_day, reckoning)?;
        }
        for booked in &commit.lifts {
            if !write_lift(transaction, key, booked)? {
                done.lifts_refused += 1;
                let body = serde_json::json!({ "day": booked.day, "lift": booked.lift });
                chain::append_once(transaction, mechanism, EntryKind::Lift, None, commit.at, &body)?;
            }
        }
        for (day, totals) in &commit.days {
            write_day(transaction, key, *day, totals, None)?;
        }
        write_hours(transaction, key, &commit.hours)?;
        // Before the days are closed, whose entries hold them.
        write_gaps(transaction, mechanism, commit)?;
        write_flags(transaction, mechanism, commit)?;
        let mut day_anchors = BTreeMap::new();
        for closing in &commit.closed {
            let record = &closing.record;
            write_day(transaction, key, record.day, &record.totals, Some(record))?;
            let fingerprint = commit.reckoning.as_ref().map(|r| r.fingerprint());
            let of = (closing, broken.as_deref());
            let hash = chain::close_day(transaction, mechanism, of, commit.at, fingerprint.as_deref())?;
            if hash.is_some() {
                broken = None;
            }
            day_anchors.extend(hash.map(|hash| (format!("{}:day:{}", commit.mechanism, record.day), hash)));
        }
        for seq in &commit.services {
            if let Some(body) = service::mark_taken(transaction, *seq, commit.at)? {
                let body = serde_json::json!({ "number": seq, "service": body });
                chain::append(transaction, mechanism, EntryKind::Service, None, commit.at, &body)?;
            }
        }
        for body in &commit.clock {
            chain::append_once(transaction, mechanism, EntryKind::Clock, None, commit.at, body)?;
        }
        done.anchors.extend(chain::last_hash(transaction, key)?.map(|hash| (commit.mechanism.clone(), hash)));
        write_snapshot(transaction, key, commit)?;
        open_seal::write(transaction, key, broken)?;
        for message in &commit.messages {
            match day_anchors.get(&message.id) {
                // The day's message carries the hash of its entry out of the house.
                Some(anchor) => {
                    let mut message = message.clone();
                    if let serde_json::Value::Object(fields) = &mut message.body {
                        fields.insert("anchor".to_owned(), anchor.clone().into());
                    }
                    outbox::append(transaction, &message)?;
                }
                None => {
                    if outbox::append(transaction, message)? {
                        alarm::follow(transaction, message)?;
                    }
                }
            }
        }
        for seq in &commit.reminded {
            alarm::mark_reminded(transaction, *seq, commit.at)?;
        }
    }
    outbox::write_cursors(transaction, cursors)?;
    done.last_seq = outbox::last_seq(transaction)?;
    Ok(done)
}

fn mechanism_key(transaction: &Connection, id: &str) -> rusqlite::Result<i64> {
    let known = transaction
        .prepare_cached("SELECT key FROM mechanism WHERE id = ?1")?
        .query_row([id], |row| row.get(0))
        .optional()?;
    match known {
        Some(key) => Ok(key),
        None => {
            transaction.prepare_cached("INSERT INTO mechanism (id) VALUES (?1)")?.execute([id])?;
            Ok(transaction.last_insert_rowid())
        }
    }
}

/// `false` when another lift with that beginning stands in its place.
fn write_lift(transaction: &Connection, key: i64, booked: &BookedLift) -> rusqlite::Result<bool> {
    let lift = &booked.lift;
    let begin = lift.begin.as_ms();
    let written = transaction
        .prepare_cached(
            "INSERT INTO lift (mechanism, begin_ms, length_ms, load_g, peak_over_g, running_ms, starts, marks, day,
                               uncertainty_g)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            key,
            begin,
            lift.end.as_ms().wrapping_sub(begin),
            lift.load.get(),
            lift.peak.get() - lift.load.get(),
            lift.running_ms as i64,
            lift.starts,
            lifts::marks_of(lift),
            booked.day,
            lift.uncertainty.map(|uncertainty| uncertainty.get()),
        ])?;
    if written == 1 {
        return Ok(true);
    }
    Ok(lifts::lift_at(transaction, key, lift.begin)?.is_some_and(|standing| standing == *lift))
}

fn write_day(
    transaction: &Connection,
    key: i64,
    day: i32,
    t: &Totals,
    record: Option<&DayRecord>,
) -> Result<(), WriteFault> {
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO day (mechanism, day, observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms,
                                         cube_ms, starts, lifts, overload_lifts, band_lifts, lift_cubes,
                                         duty, running_by_load, lifts_by_load,
                                         used_full_load_hours)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
        )?
        .execute(params![
            key,
            day,
            // Milliseconds and counts stay far below 2^63; `as` keeps the bits of any that would not.
            t.observed_ms as i64,
            t.gap_ms as i64,
            t.running_ms as i64,
            t.load_unknown_ms as i64,
            serde_json::to_string(&t.band_ms)?,
            t.cube_ms.to_string(),
            t.starts as i64,
            t.lifts as i64,
            t.overload_lifts as i64,
            serde_json::to_string(&t.band_lifts)?,
            t.lift_cubes.to_string(),
            record.map(|r| serde_json::to_string(&r.duty)).transpose()?,
            record.map(|r| r.running.to_bytes()),
            record.map(|r| r.lifts.to_bytes()),
            record.map(|r| r.used_full_load_hours),
        ])?;
    Ok(())
}

fn write_hours(transaction: &Connection, key: i64, hours: &[HourSums]) -> rusqlite::Result<()> {
    let mut insert = transaction.prepare_cached(
        "INSERT OR REPLACE INTO hour (mechanism, begin_ms, length_ms, running_ms, gap_ms, cube_ms, starts, lifts, day)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?;
    for h in hours {
        let h = &joined(transaction, key, h)?;
        insert.execute(params![
            key,
            h.begin.as_ms(),
            h.end.as_ms().wrapping_sub(h.begin.as_ms()),
            h.running_ms as i64,
            h.gap_ms as i64,
            h.cube_ms.to_string(),
            h.starts as i64,
            h.lifts as i64,
            h.day,
        ])?;
    }
    Ok(())
}

/// An hour that a clock set back entered twice holds both stays, where both are booked to the same day. A day that is
/// over keeps its rows as it was closed with them: a stay of another day stands behind them, a millisecond later.
fn joined(transaction: &Connection, key: i64, hour: &HourSums) -> rusqlite::Result<HourSums> {
    let mut select = transaction.prepare_cached(
        "SELECT begin_ms, day, running_ms, gap_ms, cube_ms, starts, lifts FROM hour
         WHERE mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3 ORDER BY begin_ms",
    )?;
    let mut rows = select.query(params![key, hour.begin.as_ms(), hour.end.as_ms()])?;
    let mut joined = hour.clone();
    while let Some(row) = rows.next()? {
        let begin: i64 = row.get(0)?;
        if row.get::<_, Option<i32>>(1)? != hour.day {
            joined.begin = Timestamp::from_ms(begin.saturating_add(1));
            continue;
        }
        let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64);
        joined.begin = Timestamp::from_ms(begin);
        joined.running_ms += count(2)?;
        joined.gap_ms += count(3)?;
        joined.cube_ms = joined.cube_ms.saturating_add(row.get_ref(4)?.as_str()?.parse().unwrap_or(0_u128));
        joined.starts += count(5)?;
        joined.lifts += count(6)?;
        break;
    }
    Ok(joined)
}

fn write_gaps(transaction: &Connection, mechanism: (i64, &str), commit: &MechanismCommit) -> rusqlite::Result<()> {
    for gap in &commit.gaps {
        let (begin, length) = (gap.begin.as_ms(), gap.end.as_ms().wrapping_sub(gap.begin.as_ms()));
        let was: Option<i64> = transaction
            .prepare_cached("SELECT length_ms FROM gap WHERE mechanism = ?1 AND begin_ms = ?2")?
            .query_row(params![mechanism.0, begin], |row| row.get(0))
            .optional()?;
        // A gap with the beginning of another can only come from a clock set back: the longer one says more.
        if was.is_some_and(|was| was >= length) {
            continue;
        }
        transaction
            .prepare_cached("INSERT OR REPLACE INTO gap (mechanism, begin_ms, length_ms) VALUES (?1, ?2, ?3)")?
            .execute(params![mechanism.0, begin, length])?;
        gap_seal::written(transaction, mechanism, commit.at, (begin, None, length), was)?;
    }
    Ok(())
}

fn write_flags(transaction: &Connection, mechanism: (i64, &str), commit: &MechanismCommit) -> rusqlite::Result<()> {
    for (flag, at) in &commit.flags {
        let (at, flag) = (at.as_ms(), *flag as u8);
        let written = transaction
            .prepare_cached(
                "INSERT INTO flag_rise (mechanism, at_ms, flag) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
            )?
            .execute(params![mechanism.0, at, flag])?;
        if written == 1 {
            gap_seal::written(transaction, mechanism, commit.at, (at, Some(flag.into()), 0), None)?;
        }
    }
    Ok(())
}

fn write_snapshot(transaction: &Connection, key: i64, commit: &MechanismCommit) -> Result<(), WriteFault> {
    let mut state = packed(&commit.state)?;
    let crossed = serde_json::to_string(&commit.warn_crossed)?;
    let stands: Option<i64> = transaction
        .prepare_cached("SELECT length(state) FROM book WHERE mechanism = ?1")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    state.resize(room_for(state.len(), stands.and_then(|bytes| usize::try_from(bytes).ok())), 0);
    // Replaced, the row would give its pages back and take others, with the lists of both.
    let sql = if stands.is_some() {
        "UPDATE book SET at_ms = ?2, state = ?3, warn_crossed = ?4 WHERE mechanism = ?1"
    } else {
        "INSERT INTO book (mechanism, at_ms, state, warn_crossed) VALUES (?1, ?2, ?3, ?4)"
    };
    transaction.prepare_cached(sql)?.execute(params![key, commit.at.as_ms(), state, crossed])?;
    Ok(())
}

/// Bytes that a state of `length` takes in the row, behind which there are zeros: those of the one that `stands` wherever
/// that will do, so that the row is written over in its place.
fn room_for(length: usize, stands: Option<usize>) -> usize {
    const STEP: usize = 256;
    match stands {
        Some(stands) if (length..length + 2 * STEP).contains(&stands) => stands,
        _ => length.next_multiple_of(STEP),
    }
}
