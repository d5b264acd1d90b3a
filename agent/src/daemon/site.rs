//! The books of a whole site: who gets which sample, when they are committed, and what the views are shown.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use tallyhook_analysis::sample::Sample;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;

use super::book::{Book, SiteCalendar};
use super::reminders;
use super::timeline::Timeline;
use crate::clock::Reading;
use crate::drive::assemble::Assembler;
use crate::drive::{DriveFigures, DriveHealth, DriveReading};
use crate::figures::{self, SiteFigures};
use crate::samples::recording::RingWriter;
use crate::store::alarm::Alarm;
use crate::store::service::StoredService;
use crate::store::{MechanismCommit, Reader, Store, StoreError};

/// The copy of the configuration that is kept with the ledger, so that the store can be read without the daemon.
pub const CONFIGURATION_COPY: &str = "configuration.toml";

/// Figures are refreshed at most this often, real time; what a person can follow.
const FIGURES_EVERY: Span = Span::from_ms(500);

/// The time-line of each drive, by its name.
pub type Timelines = BTreeMap<String, Timeline>;

/// The books of a site.
pub struct Site {
    config: Arc<Config>,
    assembler: Assembler,
    books: Vec<Book>,
    rings: Vec<Option<RingWriter>>,
    timelines: Timelines,
    drives: BTreeMap<String, DriveHealth>,
    committed: Reading,
    shown: Option<Reading>,
    /// The last commit failed; said once until one goes through.
    commit_fails: bool,
}

impl Site {
    /// Opens every book where the store left it. `now` is when the daemon starts.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn open(config: Arc<Config>, store: &Store, now: Reading) -> Result<Self, StoreError> {
        let calendar = SiteCalendar(config.time_zone.clone());
        let history = Reader::open(&config.store.directory)?;
        let mut books = Vec::new();
        let mut rings = Vec::new();
        for (crane, mechanism) in config.mechanisms() {
            let mut book = Book::open(crane, mechanism, calendar.clone(), store.resume(&mechanism.id)?);
            book.set_history(history.days(&mechanism.id, i32::MIN, i32::MAX)?);
            books.push(book);
            rings.push(config.store.recording.and_then(|bounds| ring(&config.store.directory, &mechanism.id, bounds)));
        }
        Ok(Site {
            assembler: Assembler::new(&config),
            drives: config.drives.values().map(|d| (d.name.clone(), DriveHealth::new(now, d.silent_after))).collect(),
            config,
            books,
            rings,
            timelines: Timelines::new(),
            committed: now,
            shown: None,
            commit_fails: false,
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

    /// Takes what a drive answered, or that it did not.
    pub fn take(&mut self, mut reading: DriveReading) {
        let timeline = self.timelines.entry(reading.drive.clone()).or_insert_with(|| Timeline::new(reading.at));
        let (date, jump) = timeline.date(reading.at);
        reading.at.wall = date;
        if let Some(health) = self.drives.get_mut(&reading.drive)
            && health.take(&reading)
        {
            tracing::info!(drive = %reading.drive, "{}", reading.link);
        }
        self.watch_silence(&reading);
        let samples = self.assembler.take(&reading);
        if let Some(by) = jump {
            if let Some(health) = self.drives.get_mut(&reading.drive) {
                health.clock_jumped(date, by);
            }
            tracing::warn!(drive = %reading.drive, "the clock was put right by {:.3} s", by.as_seconds());
            samples.iter().for_each(|(index, _)| self.books[*index].rebase(by));
        }
        for (index, sample) in samples {
            self.book(index, &sample);
        }
    }

    /// A silence that has lasted too long is told to every mechanism that the drive feeds, and so is its end.
    fn watch_silence(&mut self, reading: &DriveReading) {
        let Some(health) = self.drives.get_mut(&reading.drive) else { return };
        let Some(silence) = health.silence(reading) else { return };
        for ((_, mechanism), book) in self.config.mechanisms().zip(&mut self.books) {
            if mechanism.signals.iter().any(|s| s.drive == reading.drive) {
                book.find_silence(reading, silence);
            }
        }
    }

    /// How each drive's link stands.
    pub fn drives(&self) -> Vec<DriveFigures> {
        self.drives.iter().map(|(name, health)| health.figures(name)).collect()
    }

    fn book(&mut self, index: usize, sample: &Sample) {
        self.books[index].take(sample);
        let Some(ring) = &mut self.rings[index] else { return };
        if let Err(error) = ring.append(sample) {
            tracing::error!("raw samples are no longer recorded: {error}");
            self.rings[index] = None;
        }
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

    /// Reminds people of alarms that nobody has acknowledged.
    pub fn remind(&mut self, open: &[Alarm], now: Reading) {
        for (seq, message) in reminders::due(open, &self.config.alarms, &self.config.time_zone, now.wall) {
            if let Some(book) = self.books.iter_mut().find(|book| book.id() == message.mechanism) {
                book.remind(seq, message);
            }
        }
    }

    /// Whether something has to be stored now: at the end of each lift, gap and day, and every `commit_every` while
    /// something moves. After a failure it is tried again every second.
    pub fn commit_is_due(&self, now: Reading) -> bool {
        let waited = now.mono.as_ms() - self.committed.mono.as_ms();
        if self.commit_fails {
            return waited >= 1000;
        }
        let ended = self.books.iter().any(Book::ends_something);
        let moved = self.books.iter().any(Book::has_news);
        ended || moved && waited >= self.config.store.commit_every.as_ms()
    }

    /// What to store in one transaction, for the books that have news; with `all`, for every book.
    pub fn commits(&mut self, now: Reading, all: bool) -> Vec<MechanismCommit> {
        self.committed = now;
        self.books.iter().filter(|book| all || book.has_news()).filter_map(Book::commit).collect()
    }

    /// The commit went through: what it held leaves the books. Nothing may have been taken since
    /// [`Site::commits`].
    pub fn stored(&mut self) {
        if std::mem::take(&mut self.commit_fails) {
            tracing::info!("the store takes commits again; nothing was lost");
        }
        self.books.iter_mut().for_each(Book::committed);
    }

    /// The commit did not go through; everything stays in the books.
    pub fn not_stored(&mut self, error: &StoreError) {
        if !std::mem::replace(&mut self.commit_fails, true) {
            tracing::error!("{error}; counting goes on in memory");
        }
    }

    /// Makes what is on its way to the ring of raw samples durable.
    pub fn flush(&mut self) {
        for ring in self.rings.iter_mut().flatten() {
            if let Err(error) = ring.flush() {
                tracing::error!("raw samples could not be written: {error}");
            }
        }
    }

    /// The figures, if the last ones shown are old enough; `speed` is that of the clock.
    pub fn figures_when_due(&mut self, now: Reading, speed: f64) -> Option<SiteFigures> {
        let least = (FIGURES_EVERY.as_ms() as f64 * speed) as i64;
        if self.shown.is_some_and(|shown| now.mono.as_ms() - shown.mono.as_ms() < least) {
            return None;
        }
        self.shown = Some(now);
        Some(self.figures())
    }

    /// The figures as they stand.
    pub fn figures(&self) -> SiteFigures {
        figures::of_site(&self.config, |mechanism| {
            self.books.iter().find(|book| book.id() == mechanism.id).map(Book::record).unwrap_or_default()
        })
    }
}

fn ring(directory: &Path, mechanism: &str, bounds: tallyhook_config::model::RecordingRing) -> Option<RingWriter> {
    RingWriter::open(directory, mechanism, bounds)
        .inspect_err(|error| tracing::error!("raw samples are not recorded: {error}"))
        .ok()
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
