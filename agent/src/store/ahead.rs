//! Commits ahead of the ledger: what a lift brings is written to the redo log (`redo.rs`), and to the ledger with what
//! comes after it, in one go.
//!
//! The ledger's writer carries each commit out at once, in a transaction that it leaves open: its own questions are
//! answered from it, all others see the ledger as it was. [`Store::settle`] commits that transaction and empties the
//! redo log. After a crash SQLite has forgotten the transaction, and it is done again from the redo log
//! ([`Store::take_up`]) by the code that did it first.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use ring::digest::{Context, SHA256};
use rusqlite::Connection;
use tallyhook_analysis::units::{Span, Timestamp};

use super::backup::{free_name, sync_directory};
use super::chain::Reckoning;
use super::error::StoreError;
use super::message::MessageKind;
use super::redo::{self, Found, Mark, Record, Redo};
use super::write::{Committed, MechanismCommit, Store, WriteFault, write_all};

/// How long the ledger may be behind, by the time of the samples.
const LONGEST_BEHIND: Span = Span::from_ms(3_600_000);

/// Bytes that a payload may unfold to.
const MOST_UNFOLDED: u64 = 16 * 1024 * 1024;

/// What a record of the redo log has, as JSON: commits, and the cursors that went with them. Its payload is that text,
/// deflated behind the text of the record before it, of which it repeats the most part.
type Text = (Vec<MechanismCommit>, BTreeMap<String, u64>);

/// What the writer shares with those who want to know how far the ledger is.
#[derive(Clone, Debug, Default)]
pub(super) struct Behind {
    /// How many want every commit to be in the ledger at once.
    pub(super) holds: Arc<AtomicUsize>,
    /// There is something that the ledger does not have yet.
    pub(super) is_behind: Arc<AtomicBool>,
}

/// The writer's part of it.
#[derive(Debug, Default)]
pub(super) struct Ahead {
    /// The redo log is to be opened with the next commit.
    is_wanted: bool,
    /// The file of a crash is still there, and what it holds is in hand or in the ledger.
    is_taken_up: bool,
    /// `None`: every commit goes to the ledger at once.
    redo: Option<Redo>,
    waiting: Waiting,
    /// The text of its last record.
    text: Vec<u8>,
    /// What was last compared with the chain's configuration, by mechanism, since this opening.
    reckonings: BTreeMap<String, Arc<Reckoning>>,
    pub(super) behind: Behind,
}

/// What the redo log has and the ledger has not.
#[derive(Clone, Copy, Debug, Default)]
enum Waiting {
    #[default]
    Nothing,
    /// All of it is in the transaction that is open.
    InHand {
        /// What the ledger says with it.
        makes: Mark,
        /// The instant of its first commit.
        since: Timestamp,
    },
    /// SQLite gave that transaction up, as it may where the disk is full: it has to be done again.
    Dropped,
}

impl Store {
    /// From now on small commits may go to the redo log first. Whoever reads the ledger must be able to ask this process
    /// to settle (`asking.rs`).
    pub fn write_ahead(&mut self) {
        self.ahead.is_wanted = self.ahead.redo.is_none();
    }

    /// Brings into the ledger what is only in the redo log.
    ///
    /// # Errors
    /// When it cannot be written: it stays in the redo log.
    pub fn settle(&mut self) -> Result<(), StoreError> {
        self.do_again()?;
        self.put_into_the_ledger()?;
        let is_empty = match &mut self.ahead.redo {
            Some(redo) => redo.clear().is_ok(),
            None => !self.ahead.is_taken_up,
        };
        if !is_empty {
            // All of it is in the ledger: a file that cannot be emptied goes, and the next commit makes another.
            redo::remove(self.directory())?;
            self.ahead.is_wanted |= self.ahead.redo.take().is_some();
        }
        self.ahead.is_taken_up = false;
        self.ahead.text.clear();
        Ok(())
    }

    /// Takes up what a crash left in the redo log, in a transaction that is still to be settled. One that is not on what
    /// this ledger says is put aside; the answer is where, and why.
    ///
    /// # Errors
    /// When it cannot be read; [`StoreError::Redo`] where something would have to be put aside and may not.
    pub(super) fn take_up(&mut self, may_put_aside: bool) -> Result<Option<String>, StoreError> {
        let read = || match redo::holds_something(self.directory())? {
            true => redo::read(self.directory()).map(Some),
            false => Ok(None),
        };
        let found = match read() {
            Ok(Some(found)) => found,
            Ok(None) => return Ok(None),
            // Counting goes on without it; whoever can read it finds it there.
            Err(error) if may_put_aside => return self.put_aside(&error.to_string()).map(Some),
            Err(error) => return Err(error),
        };
        if !may_put_aside && (found.is_broken || self.first_to_take(&found)?.is_none()) {
            return Err(StoreError::Redo { path: redo::path(self.directory()) });
        }
        let Some(first) = self.first_to_take(&found)? else {
            return self.put_aside("it does not go on from what the ledger says").map(Some);
        };
        let carried_out = self.carry_out(&found.records, first);
        self.ahead.is_taken_up = carried_out.is_ok();
        match carried_out {
            Ok(()) if found.is_broken => Ok(Some(self.keep_a_copy())),
            Ok(()) => Ok(None),
            Err(StoreError::Damaged { .. }) if !may_put_aside => {
                Err(StoreError::Redo { path: redo::path(self.directory()) })
            }
            Err(StoreError::Damaged { what, .. }) => {
                self.now_waits(Waiting::Nothing);
                self.put_aside(&what).map(Some)
            }
            Err(error) => Err(error),
        }
    }

    /// From which of its records on the ledger does not have them; `None` where it is of another one.
    fn first_to_take(&self, found: &Found) -> Result<Option<usize>, StoreError> {
        let now = self.mark()?;
        if found.records.last().is_none_or(|last| last.makes == now) {
            // It could not be emptied any more.
            return Ok(Some(found.records.len()));
        }
        Ok(found.records.iter().position(|record| record.on == now))
    }

    /// Whether there is something that the ledger does not have yet.
    pub fn is_behind(&self) -> bool {
        !matches!(self.ahead.waiting, Waiting::Nothing)
    }

    /// Writes `commits` to the redo log, if they are of the kind that may wait; `None` where the ledger itself has to be
    /// written to.
    ///
    /// # Errors
    /// On any error nothing of it stands, and the same call may be made again.
    pub(super) fn commit_ahead(&mut self, commits: &[MechanismCommit]) -> Result<Option<Committed>, StoreError> {
        if self.ahead.is_wanted && !self.unproved {
            self.settle()?;
            self.ahead.is_wanted = false;
            match Redo::open(self.directory()) {
                Ok(redo) => self.ahead.redo = Some(redo),
                Err(error) => {
                    tracing::warn!("until the next start every commit goes to the ledger itself: {error}");
                    // The ledger needs what room it has taken.
                    let _ = redo::remove(self.directory());
                }
            }
        }
        if !self.may_wait(commits) {
            return Ok(None);
        }
        self.do_again()?;
        let at = commits.iter().map(|commit| commit.at).max().unwrap_or_default();
        let (before, since) = match self.ahead.waiting {
            Waiting::InHand { makes, since } => (makes, since),
            _ => {
                self.begin()?;
                let mark = self.mark().inspect_err(|_| self.let_go())?;
                (mark, at)
            }
        };
        self.now_waits(Waiting::InHand { makes: before, since });
        match self.add(commits, before) {
            Ok(Some((done, makes, stands))) => {
                self.noted.clear();
                self.now_waits(if stands { Waiting::InHand { makes, since } } else { Waiting::Dropped });
                if !stands {
                    self.let_go();
                }
                Ok(Some(done))
            }
            Ok(None) => Ok(None),
            Err(fault) => {
                self.look_whether_it_stands();
                Err(fault)
            }
        }
    }

    /// One commit within the transaction that is open, and safe in the redo log: what it did, what the ledger says with it,
    /// and whether the transaction has it. `None` where nothing has changed by which a record could be told from the one
    /// before it, or where it is too long; then nothing of it stands.
    fn add(&mut self, commits: &[MechanismCommit], on: Mark) -> Result<Option<(Committed, Mark, bool)>, StoreError> {
        let path = self.path.clone();
        let sqlite = |error| StoreError::of_sqlite(&path, error);
        let Some(redo) = &mut self.ahead.redo else { return Ok(None) };
        // Dropped on an early return, which takes this commit back and leaves those before it.
        let savepoint = self.connection.savepoint().map_err(sqlite)?;
        let done = write_all(&savepoint, commits, &self.noted).map_err(|fault| fault.at(&path))?;
        let makes = mark_of(&savepoint).map_err(sqlite)?;
        let text = serde_json::to_vec(&(commits, &self.noted)).map_err(|error| WriteFault::Json(error).at(&path))?;
        let payload = packed(&text, &self.ahead.text).map_err(|error| StoreError::of_io(&path, error))?;
        let unfolded = (text.len() + self.ahead.text.len()) as u64;
        if makes == on || payload.len() > redo::LONGEST || unfolded > MOST_UNFOLDED {
            return Ok(None);
        }
        redo.append(&Record { on, makes, payload })?;
        self.ahead.text = text;
        // Whatever comes now: after a crash it is carried out.
        let stands = savepoint.commit().is_ok();
        Ok(Some((done, makes, stands)))
    }

    /// Whether `commits` need not be in the ledger at once: they close no day, tell of nothing but lifts, and say nothing
    /// of the configuration that was not compared before.
    fn may_wait(&mut self, commits: &[MechanismCommit]) -> bool {
        let Some(redo) = &self.ahead.redo else { return false };
        if self.unproved || self.ahead.behind.holds.load(Ordering::SeqCst) > 0 || redo.is_full() {
            return false;
        }
        if let Waiting::InHand { since, .. } = self.ahead.waiting {
            let behind = |commit: &MechanismCommit| commit.at.since(since).as_ms().abs() >= LONGEST_BEHIND.as_ms();
            if commits.iter().any(behind) {
                return false;
            }
        }
        commits.iter().all(|commit| {
            let MechanismCommit { closed, clock, services, reminded, messages, reckoning, .. } = commit;
            let compared = self.ahead.reckonings.get(&commit.mechanism);
            closed.is_empty()
                && clock.is_empty()
                && services.is_empty()
                && reminded.is_empty()
                && messages.iter().all(|message| message.kind == MessageKind::Lift)
                && reckoning.as_ref().is_none_or(|now| compared.is_some_and(|compared| compared == now))
        })
    }

    /// The ledger itself has taken `commits`.
    pub(super) fn compared(&mut self, commits: &[MechanismCommit]) {
        for commit in commits {
            if let Some(reckoning) = &commit.reckoning {
                self.ahead.reckonings.insert(commit.mechanism.clone(), reckoning.clone());
            }
        }
    }

    /// Does again what SQLite let go of.
    fn do_again(&mut self) -> Result<(), StoreError> {
        if matches!(self.ahead.waiting, Waiting::InHand { .. }) && self.connection.is_autocommit() {
            self.now_waits(Waiting::Dropped);
        }
        if matches!(self.ahead.waiting, Waiting::Dropped) {
            let mut found = redo::read(self.directory())?;
            let damaged = |what| StoreError::damaged(&redo::path(self.directory()), what);
            if let Some(redo) = &self.ahead.redo {
                // One behind these is of a commit that was refused.
                found.records.truncate(redo.count());
                if found.records.len() < redo.count() {
                    return Err(damaged("a record that was written cannot be read"));
                }
            }
            let first = self.first_to_take(&found)?;
            let first = first.ok_or_else(|| damaged("it does not go on from what the ledger says"))?;
            self.carry_out(&found.records, first)?;
        }
        Ok(())
    }

    /// Carries out the records from `first` on in a transaction that stays open; without any there is none.
    fn carry_out(&mut self, records: &[Record], first: usize) -> Result<(), StoreError> {
        let Some(last) = records.last().filter(|_| first < records.len()) else {
            self.now_waits(Waiting::Nothing);
            return Ok(());
        };
        self.begin()?;
        let path = redo::path(self.directory());
        let (mut text, mut since) = (Vec::new(), None);
        let done = records.iter().enumerate().try_for_each(|(n, record)| {
            text = unpacked(&record.payload, &text).map_err(|error| StoreError::damaged(&path, error.to_string()))?;
            if n < first {
                return Ok(());
            }
            let (commits, cursors): Text =
                serde_json::from_slice(&text).map_err(|error| StoreError::damaged(&path, error.to_string()))?;
            since = since.or(commits.iter().map(|commit| commit.at).max());
            write_all(&self.connection, &commits, &cursors).map(|_| ()).map_err(|fault| fault.at(&self.path))
        });
        match done {
            Ok(()) => {
                self.ahead.text = text;
                self.now_waits(Waiting::InHand { makes: last.makes, since: since.unwrap_or_default() });
            }
            Err(_) => {
                self.let_go();
                self.now_waits(Waiting::Dropped);
            }
        }
        done
    }

    fn begin(&self) -> Result<(), StoreError> {
        // What is not settled stays in memory, half a MiB of records at most: SQLite would write it to the log otherwise.
        self.connection
            .execute_batch("PRAGMA cache_spill = OFF; BEGIN IMMEDIATE")
            .map_err(|error| StoreError::of_sqlite(&self.path, error))
    }

    fn let_go(&self) {
        if !self.connection.is_autocommit() {
            // Should it fail, SQLite has let go of it itself.
            let _ = self.connection.execute_batch("ROLLBACK");
        }
    }

    /// After a failure: SQLite may have given up the whole transaction, or it is still open.
    fn look_whether_it_stands(&mut self) {
        let is_empty = self.ahead.redo.as_ref().is_none_or(Redo::is_empty);
        if is_empty && self.ahead.redo.is_some() {
            self.let_go();
            self.now_waits(Waiting::Nothing);
        } else if self.connection.is_autocommit() {
            self.now_waits(Waiting::Dropped);
            // Should it fail too, it is tried again before anything else is written.
            let _ = self.do_again();
        }
    }

    fn put_into_the_ledger(&mut self) -> Result<(), StoreError> {
        if matches!(self.ahead.waiting, Waiting::InHand { .. }) {
            if let Err(error) = self.connection.execute_batch("COMMIT") {
                self.look_whether_it_stands();
                return Err(StoreError::of_sqlite(&self.path, error));
            }
            self.now_waits(Waiting::Nothing);
        }
        Ok(())
    }

    /// Of one that is damaged within: what is behind that place does not follow from what is before it.
    fn keep_a_copy(&self) -> String {
        let (from, to) = (redo::path(self.directory()), free_name(self.directory(), "left", ".redo"));
        let copied = std::fs::copy(&from, &to).and_then(|_| File::open(&to)?.sync_all());
        match copied.map_err(|error| StoreError::of_io(&to, error)).and_then(|()| sync_directory(self.directory())) {
            Ok(()) => left("a place in it is damaged", &to),
            // Half a copy is of no use, and its room may be needed.
            Err(error) => {
                let _ = std::fs::remove_file(&to);
                format!("a place in the redo log that the last run left is damaged, and it could not be kept: {error}")
            }
        }
    }

    fn put_aside(&self, why: &str) -> Result<String, StoreError> {
        let (from, to) = (redo::path(self.directory()), free_name(self.directory(), "left", ".redo"));
        std::fs::rename(&from, &to).map_err(|error| StoreError::of_io(&from, error))?;
        sync_directory(self.directory())?;
        Ok(left(why, &to))
    }

    fn now_waits(&mut self, waiting: Waiting) {
        self.ahead.waiting = waiting;
        if !matches!(waiting, Waiting::InHand { .. }) {
            // Should it fail, a large transaction takes more memory.
            let _ = self.connection.execute_batch("PRAGMA cache_spill = ON");
        }
        self.ahead.behind.is_behind.store(self.is_behind(), Ordering::SeqCst);
    }

    /// As a disk that does not sync what the redo log writes.
    #[cfg(test)]
    pub(super) fn let_syncs_fail(&mut self, fails: bool) {
        self.ahead.redo.as_mut().unwrap().fails = fails;
    }

    fn directory(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new("."))
    }

    pub(super) fn mark(&self) -> Result<Mark, StoreError> {
        mark_of(&self.connection).map_err(|error| StoreError::of_sqlite(&self.path, error))
    }
}

fn left(why: &str, kept_as: &Path) -> String {
    format!(
        "the redo log that the last run left was not taken into the ledger to its end, because {why}: up to an hour of what \
         was counted may be missing and counts as a gap; it is kept as {}",
        kept_as.display()
    )
}

/// What a ledger says, in short: where each book stands, and its seal, which holds all that is open.
fn mark_of(connection: &Connection) -> rusqlite::Result<Mark> {
    let mut select = connection.prepare_cached("SELECT mechanism, at_ms, seal FROM book ORDER BY mechanism")?;
    let mut rows = select.query([])?;
    let mut context = Context::new(&SHA256);
    while let Some(row) = rows.next()? {
        let (key, at): (i64, i64) = (row.get(0)?, row.get(1)?);
        let seal = row.get_ref(2)?.as_str_or_null()?.unwrap_or_default();
        context.update(format!("{key}\n{at}\n{}\n{seal}\n", seal.len()).as_bytes());
    }
    let mut mark = Mark::default();
    mark.iter_mut().zip(context.finish().as_ref()).for_each(|(to, from)| *to = *from);
    Ok(mark)
}

/// A payload of `text`: deflated as what comes after `before`, which is most of it again.
fn packed(text: &[u8], before: &[u8]) -> io::Result<Vec<u8>> {
    let mut packer = packer_after(before)?;
    let from = packer.get_ref().len();
    packer.write_all(text)?;
    Ok(packer.finish()?.split_off(from))
}

/// The text of a payload that comes after `before`.
fn unpacked(payload: &[u8], before: &[u8]) -> io::Result<Vec<u8>> {
    let packed_before = packer_after(before)?.get_ref().clone();
    let all = packed_before.chain(payload);
    let mut text = Vec::new();
    flate2::read::DeflateDecoder::new(all).take(MOST_UNFOLDED).read_to_end(&mut text)?;
    if text.len() < before.len() {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    Ok(text.split_off(before.len()))
}

/// One that has packed `before` up to a whole byte: what it gives from here on refers to that text, not to its packing.
fn packer_after(before: &[u8]) -> io::Result<flate2::write::DeflateEncoder<Vec<u8>>> {
    let mut packer = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(before)?;
    packer.flush()?;
    Ok(packer)
}
