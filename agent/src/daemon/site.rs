//! The books of a whole site: who gets which sample, when they are committed, and what the views are shown.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use tallyhook_analysis::sample::Sample;
use tallyhook_analysis::units::{MS_PER_HOUR, Span, Timestamp};
use tallyhook_config::model::{Config, Register, Target};

use super::book::{Book, SiteCalendar};
use super::reminders;
use super::rings::Rings;
use super::shown::Shown;
use super::standing;
use super::thinning::Looked;
use super::timeline::{Jump, Timeline, is_plausible};
use crate::clock::Reading;
use crate::drive::assemble::Assembler;
use crate::drive::{Decoded, DriveFigures, DriveHealth, DriveReading, LinkState, RawWords, SignalFigures};
use crate::figures::{self, FindingFigures, SiteFigures};
use crate::store::alarm::Alarm;
use crate::store::backup::Made;
use crate::store::service::StoredService;
use crate::store::{Committed, MechanismCommit, Reader, Store, StoreError};

/// The copy of the configuration that is kept with the ledger, so that the store can be read without the daemon.
pub use crate::store::backup::CONFIGURATION_COPY;

/// Figures are refreshed at most this often, real time; what a person can follow.
const FIGURES_EVERY: Span = Span::from_ms(1_000);

/// The time-line of each drive, by its name.
pub type Timelines = BTreeMap<String, Timeline>;

/// What a signal was read as and from at the last poll, and when it last had a value.
#[derive(Clone, Copy, Default)]
struct LastRead {
    value: Option<f64>,
    raw: RawWords,
    at: Option<Timestamp>,
}

/// A signal and what was last read of it.
struct Seen {
    mechanism: usize,
    target: Target,
    register: Register,
    last: LastRead,
}

/// The books of a site.
pub struct Site {
    config: Arc<Config>,
    assembler: Assembler,
    books: Vec<Book>,
    rings: Rings,
    timelines: Timelines,
    drives: BTreeMap<String, DriveHealth>,
    /// The signals of each drive: what was last read, and when there last was a value.
    seen: BTreeMap<String, Vec<Seen>>,
    /// The samples of the reading that is being taken; kept for its room.
    samples: Vec<(usize, Sample)>,
    committed: Reading,
    /// Since when something waits that is committed with what comes next.
    waits_since: Option<Reading>,
    looked: Option<Reading>,
    shown: Shown,
    /// State, fault and clock jumps of each drive when they were last kept.
    drive_states: Vec<(&'static str, Option<String>, u64)>,
    /// The last commit failed; said once until one goes through.
    commit_fails: bool,
    /// What is wrong with the record as a whole.
    findings: BTreeMap<&'static str, FindingFigures>,
    /// Readings from before a clock could be believed, in their order; `None` once one was.
    undated: Option<Vec<DriveReading>>,
}

/// Readings held until the time is known: some ten minutes of one drive at ten a second. Then they are dated from the
/// end of the record on.
const UNDATED: usize = 6_000;

impl Site {
    /// Opens every book where the store left it. `now` is when the daemon starts.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn open(config: Arc<Config>, store: &Store, now: Reading) -> Result<Self, StoreError> {
        let calendar = SiteCalendar(config.time_zone.clone());
        let history = Reader::open(&config.store.directory)?;
        let mut books = Vec::new();
        for (crane, mechanism) in config.mechanisms() {
            let mut book = Book::open(crane, mechanism, calendar.clone(), store.resume(&mechanism.id)?);
            book.set_history(history.day_sums(&mechanism.id)?);
            if let Some((_, hash)) = history.chain_head(&mechanism.id)? {
                book.set_anchor(hash);
            }
            book.set_thinned(history.thinned(&mechanism.id)?);
            books.push(book);
        }
        let standing = standing::read(&history)?;
        let drives = config.drives.values().map(|drive| {
            let mut health = DriveHealth::new(now, drive.silent_after);
            health.set_silence_told(standing.silent.contains(&drive.name));
            (drive.name.clone(), health)
        });
        let mut seen = BTreeMap::<String, Vec<Seen>>::new();
        for (mechanism, (_, m)) in config.mechanisms().enumerate() {
            for signal in &m.signals {
                let (target, register, last) = (signal.target, signal.register, LastRead::default());
                seen.entry(signal.drive.clone()).or_default().push(Seen { mechanism, target, register, last });
            }
        }
        Ok(Site {
            assembler: Assembler::new(&config),
            drives: drives.collect(),
            rings: Rings::open(&config),
            config,
            books,
            timelines: Timelines::new(),
            seen,
            samples: Vec::new(),
            committed: now,
            waits_since: None,
            looked: None,
            shown: Shown::default(),
            drive_states: Vec::new(),
            // The first commit that goes through tells its end.
            commit_fails: standing.site.contains_key("not_recorded"),
            findings: standing.site,
            undated: Some(Vec::new()),
        })
    }

    /// Goes on dating as an earlier run in the same process did.
    pub fn set_timelines(&mut self, timelines: Timelines) {
        self.timelines = timelines;
    }

    /// The time-lines, for the run that comes next.
    pub fn into_timelines(self) -> Timelines {
        self.timelines
    }

    /// Tells people that a new configuration was refused, and why.
    pub fn configuration_refused(&mut self, why: &str, now: Reading) {
        let text = format!("a new configuration was refused, the old one stays in force: {why}");
        self.find_configuration(true, &text, now);
    }

    /// Tells people that after one that was refused a configuration has been taken.
    pub fn configuration_taken(&mut self, now: Reading) {
        self.find_configuration(false, "a new configuration has been taken", now);
    }

    /// It concerns the whole site; the first mechanism speaks for it, so that people are told once.
    fn find_configuration(&mut self, raised: bool, text: &str, now: Reading) {
        if let Some(book) = self.books.first_mut() {
            book.find_configuration(raised, text, now.wall);
        }
    }

    /// Takes what a drive answered, or that it did not. Readings from before the first time that can be believed are
    /// held, and dated by the monotonic clock when it is known.
    pub fn take(&mut self, reading: DriveReading) {
        let Some(held) = &mut self.undated else { return self.take_dated(reading) };
        let recorded = self.books.iter().filter_map(Book::counted_to).max();
        let at = reading.at;
        let known = is_plausible(at.wall, recorded);
        held.push(reading);
        if known {
            self.date_held(at);
        } else if held.len() >= UNDATED {
            self.date_from_the_record();
        }
    }

    /// Dates what is held from the end of the record on: the earliest that it can be.
    fn date_from_the_record(&mut self) {
        let recorded = self.books.iter().filter_map(Book::counted_to).max();
        let Some(first) = self.undated.as_ref().and_then(|held| held.first()).map(|r| r.at) else { return };
        let wall = recorded.map_or(first.wall, |to| to.plus(Span::from_ms(1)));
        tracing::warn!("the clock cannot be right; what is read is dated from the end of the record on");
        self.date_held(Reading { wall, mono: first.mono });
    }

    /// Dates what is held by a reading of both clocks, and takes it.
    fn date_held(&mut self, known: Reading) {
        for mut reading in self.undated.take().unwrap_or_default() {
            reading.at.wall = known.wall.plus(Span::from_ms(reading.at.mono.as_ms() - known.mono.as_ms()));
            self.take_dated(reading);
        }
    }

    fn take_dated(&mut self, mut reading: DriveReading) {
        let (date, jump) = match self.timelines.get_mut(&*reading.drive) {
            Some(timeline) => timeline.date(reading.at),
            None => {
                self.timelines.insert(reading.drive.to_string(), Timeline::new(reading.at));
                (reading.at.wall, None)
            }
        };
        reading.at.wall = date;
        if let Some(health) = self.drives.get_mut(&*reading.drive)
            && health.take(&reading)
        {
            tracing::info!(drive = %reading.drive, "{}", reading.link);
        }
        self.watch_silence(&reading);
        self.see(&reading);
        let mut samples = std::mem::take(&mut self.samples);
        samples.clear();
        self.assembler.take_into(&reading, &mut samples);
        if let Some(Jump::Doubted(off)) = jump {
            tracing::warn!(drive = %reading.drive, "the clock is off by {:.3} s and is not believed", off.as_seconds());
            samples.iter().for_each(|(index, _)| self.books[*index].note_clock(date, off, false));
        }
        if let Some(Jump::Moved(by)) = jump {
            if let Some(health) = self.drives.get_mut(&*reading.drive) {
                health.clock_jumped(date, by);
            }
            tracing::warn!(drive = %reading.drive, "the clock was put right by {:.3} s", by.as_seconds());
            for (index, _) in &samples {
                self.books[*index].rebase(by);
                self.books[*index].note_clock(date, by, true);
            }
        }
        for (index, sample) in &samples {
            self.book(*index, sample);
        }
        self.samples = samples;
    }

    /// A silence that has lasted too long is told to every mechanism that the drive feeds, and so is its end.
    fn watch_silence(&mut self, reading: &DriveReading) {
        let Some(health) = self.drives.get_mut(&*reading.drive) else { return };
        let Some(silence) = health.silence(reading) else { return };
        for ((_, mechanism), book) in self.config.mechanisms().zip(&mut self.books) {
            if mechanism.signals.iter().any(|s| *s.drive == *reading.drive) {
                book.find_silence(reading, silence);
            }
        }
    }

    /// How each drive's link stands.
    pub fn drives(&self) -> Vec<DriveFigures> {
        self.drives
            .iter()
            .map(|(name, health)| DriveFigures { signals: self.signals(name), ..health.figures(name) })
            .collect()
    }

    fn signals(&self, drive: &str) -> Vec<SignalFigures> {
        // Most of them were read together, so that one moment is written out once.
        let mut written: Option<(Timestamp, String)> = None;
        let mut write = |at: Timestamp| match &written {
            Some((same, text)) if *same == at => text.clone(),
            _ => written.insert((at, figures::rfc3339(at))).1.clone(),
        };
        let signals = self.seen.get(drive).into_iter().flatten();
        signals
            .map(|Seen { mechanism, target, register, last }| SignalFigures {
                mechanism: self.books.get(*mechanism).map(|book| book.id().to_owned()).unwrap_or_default(),
                signal: target.name(),
                table: register.table.name(),
                address: register.address,
                raw: last.raw.as_slice().to_vec(),
                value: last.value,
                read_at: last.at.map(&mut write),
            })
            .collect()
    }

    fn see(&mut self, reading: &DriveReading) {
        let Some(signals) = self.seen.get_mut(&*reading.drive) else { return };
        for read in &reading.values {
            let value = match (read.target, read.value) {
                (Target::Quantity(quantity), Decoded::Number(n)) => Some(quantity.to_outside(n)),
                (_, Decoded::Flag(on)) => Some(f64::from(u8::from(on))),
                _ => None,
            };
            // Counters are asked for at a pace of their own: between two turns they stand as they were read.
            let not_asked = read.raw == RawWords::default() && reading.link == LinkState::Online;
            if value.is_none() && not_asked {
                continue;
            }
            if let Some(seen) = signals.iter_mut().find(|s| (s.mechanism, s.target) == (read.mechanism, read.target)) {
                let at = value.map_or(seen.last.at, |_| Some(reading.at.wall));
                seen.last = LastRead { value, raw: read.raw, at };
            }
        }
    }

    fn book(&mut self, index: usize, sample: &Sample) {
        self.books[index].take(sample);
        self.rings.take(index, sample);
    }

    /// Takes services that people have recorded; those of mechanisms that the configuration no longer has stay open.
    pub fn take_services(&mut self, services: &[StoredService], now: Reading) {
        for service in services {
            let wall = now.wall;
            if let Some(book) = self.books.iter_mut().find(|book| book.id() == service.service.mechanism)
                && !book.has_taken(service.seq)
            {
                tracing::info!(mechanism = book.id(), "service {} recorded by {}", service.seq, service.service.by);
                book.take_service(service, wall);
            }
        }
    }

    /// The drives' states, if one of them is another than when they were asked for last.
    pub fn changed_drives(&mut self) -> Option<Vec<DriveFigures>> {
        let now = |d: &DriveHealth| (d.state.name(), d.fault.clone(), d.clock_jumps);
        let same = self.drive_states.len() == self.drives.len()
            && self.drives.values().zip(&self.drive_states).all(|(drive, kept)| {
                (drive.state.name(), &drive.fault, drive.clock_jumps) == (kept.0, &kept.1, kept.2)
            });
        if same {
            return None;
        }
        self.drive_states = self.drives.values().map(now).collect();
        Some(self.drives())
    }

    /// Reminds people of alarms that nobody has acknowledged.
    pub fn remind(&mut self, open: &[Alarm], now: Reading) {
        for (seq, message) in reminders::due(open, &self.config.alarms, &self.config.time_zone, now.wall) {
            if let Some(book) = self.books.iter_mut().find(|book| book.id() == message.mechanism) {
                book.remind(seq, message);
            }
        }
    }

    /// Whether something has to be stored now: at the end of each lift, gap and day, and when a mechanism has run for
    /// `commit_every` since the last commit. What is less (the end of a lowering behind its lift) waits for the next of
    /// these, but not longer than five times `commit_every`: each commit costs the disk whole blocks. After a failure it is
    /// tried again every second.
    pub fn commit_is_due(&mut self, now: Reading) -> bool {
        if self.commit_fails {
            return now.mono.as_ms() - self.committed.mono.as_ms() >= 1000;
        }
        if !self.books.iter().any(Book::has_news) {
            self.waits_since = None;
            return false;
        }
        let since = *self.waits_since.get_or_insert(now);
        let every = self.config.store.commit_every;
        self.books.iter().any(|book| book.ends_something() || book.owed() >= every)
            || now.mono.as_ms() - since.mono.as_ms() >= self.longest_wait().as_ms()
    }

    /// How long something that moved may wait for its commit while the mechanism stands; the running time that a power
    /// cut can cost is bounded by `commit_every` all the same.
    fn longest_wait(&self) -> Span {
        Span::from_ms((5 * self.config.store.commit_every.as_ms()).min(MS_PER_HOUR))
    }

    /// What to store in one transaction, for the books that have news; with `all`, for every book.
    pub fn commits(&mut self, now: Reading, all: bool) -> Vec<MechanismCommit> {
        if all {
            // The end: what is still held will not be dated better.
            self.date_from_the_record();
        }
        self.committed = now;
        self.waits_since = None;
        self.books.iter().filter(|book| all || book.has_news()).filter_map(Book::commit).collect()
    }

    /// The commit went through: what it held leaves the books. Nothing may have been taken since
    /// [`Site::commits`].
    pub fn stored(&mut self, done: Committed, now: Reading) {
        self.books.iter_mut().for_each(Book::committed);
        if std::mem::take(&mut self.commit_fails) {
            self.clear("not_recorded", now.wall, "the store takes commits again; nothing was lost");
        }
        let mut anchors = done.anchors;
        for book in &mut self.books {
            if let Some(anchor) = anchors.remove(book.id()) {
                book.set_anchor(anchor);
            }
        }
    }

    /// Says what is wrong with the record as a whole: on the page, and to every destination.
    pub fn raise(&mut self, finding: &'static str, at: Timestamp, text: String) {
        tracing::error!("{text}");
        if let Some(book) = self.books.first_mut().filter(|_| !self.findings.contains_key(finding)) {
            book.find(finding, true, at, &text);
        }
        let since = self.findings.get(finding).map_or_else(|| figures::rfc3339(at), |standing| standing.since.clone());
        self.findings.insert(finding, FindingFigures { finding, since, text });
    }

    /// What was wrong no longer is; does nothing where nothing was said.
    pub fn clear(&mut self, finding: &'static str, at: Timestamp, text: &str) {
        if let Some(standing) = self.findings.remove(finding) {
            tracing::info!("{text}");
            if let Some(book) = self.books.first_mut() {
                book.find(finding, false, at, &format!("{text} (since {})", standing.since));
            }
        }
    }

    /// The day's copy of the ledger was made, or could not be.
    pub fn copied(&mut self, result: Result<Made, StoreError>, now: Reading) {
        match result {
            Ok(made) => {
                tracing::info!("the ledger was copied and verified: {}", made.copy.display());
                self.clear("backup", now.wall, "the ledger is copied again");
            }
            Err(error) => self.raise("backup", now.wall, format!("the day's copy of the ledger failed: {error}")),
        }
    }

    /// The store was looked at for its budget.
    pub fn looked_at_room(&mut self, result: Result<Looked, StoreError>, now: Reading) {
        match result {
            Ok(looked) => {
                for (id, thinned) in looked.thinned {
                    if let Some(book) = self.books.iter_mut().find(|book| book.id() == id) {
                        book.set_thinned(thinned);
                    }
                }
                match looked.above {
                    Some(bytes) => self.raise(
                        "budget",
                        now.wall,
                        format!(
                            "the store takes {} MB, more than its budget, and nothing is left that may be given up; raise \
                             `megabytes` of [store.budget] or lower `whole_days`",
                            bytes / 1_000_000
                        ),
                    ),
                    None => self.clear("budget", now.wall, "the store is within its budget again"),
                }
            }
            Err(error) => tracing::warn!("the store could not be held within its budget, it is tried again: {error}"),
        }
    }

    /// The commit did not go through; everything stays in the books.
    pub fn not_stored(&mut self, error: &StoreError, now: Reading) {
        if !std::mem::replace(&mut self.commit_fails, true) {
            let since = figures::rfc3339(now.wall);
            self.raise(
                "not_recorded",
                now.wall,
                format!("nothing is recorded since {since}: {error}. Counting goes on in memory"),
            );
        }
    }

    /// Makes what is on its way to the ring of raw samples durable.
    pub fn flush(&mut self) {
        self.rings.flush();
    }

    /// The figures, if the last ones shown are old enough; `speed` is that of the clock.
    pub fn figures_when_due(&mut self, now: Reading, speed: f64) -> Option<SiteFigures> {
        let least = (FIGURES_EVERY.as_ms() as f64 * speed) as i64;
        if self.looked.is_some_and(|looked| now.mono.as_ms() - looked.mono.as_ms() < least) {
            return None;
        }
        self.looked = Some(now);
        Some(self.figures(now))
    }

    /// The figures as they stand.
    pub fn figures(&mut self, now: Reading) -> SiteFigures {
        let findings = self.findings.values().cloned().collect();
        let figures = self.shown.figures(&self.config, &mut self.books, now.mono);
        SiteFigures { drives: self.drives(), findings, ..figures }
    }
}

/// Keeps a copy of the configuration's text with the ledger; a reader finds the old copy or the new one, never half.
///
/// # Errors
/// What the file system says.
pub fn keep_configuration(directory: &Path, text: &str) -> std::io::Result<()> {
    let path = directory.join(CONFIGURATION_COPY);
    if std::fs::read_to_string(&path).is_ok_and(|kept| kept == text) {
        return Ok(());
    }
    let new = directory.join("configuration.new");
    std::fs::write(&new, text)?;
    std::fs::rename(new, path)
}
