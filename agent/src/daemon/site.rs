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
use super::timeline::{Jump, Timeline, had_stopped, is_plausible};
use crate::clock::Reading;
use crate::drive::assemble::Assembler;
use crate::drive::{Decoded, DriveFigures, DriveHealth, DriveReading, LinkState, RawWords, SignalFigures, Silence};
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

/// What is kept of one drive, found once a reading.
struct Polled {
    health: DriveHealth,
    /// From its first reading on.
    timeline: Option<Timeline>,
    /// Its signals: what was last read, and when there last was a value.
    seen: Vec<Seen>,
}

impl Polled {
    fn see(&mut self, reading: &DriveReading) {
        for (place, read) in reading.values.iter().enumerate() {
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
            let is_it = |seen: &&mut Seen| (seen.mechanism, seen.target) == (read.mechanism, read.target);
            // A poller gives them in the configuration's order too.
            let seen = match self.seen.get_mut(place).filter(is_it) {
                Some(seen) => Some(seen),
                None => self.seen.iter_mut().find(is_it),
            };
            if let Some(seen) = seen {
                let at = value.map_or(seen.last.at, |_| Some(reading.at.wall));
                seen.last = LastRead { value, raw: read.raw, at };
            }
        }
    }
}

/// The books of a site.
pub struct Site {
    config: Arc<Config>,
    assembler: Assembler,
    books: Vec<Book>,
    /// The identifiers of the books' mechanisms, for what is shown of their signals.
    ids: Vec<Arc<str>>,
    rings: Rings,
    drives: BTreeMap<String, Polled>,
    /// Of drives that the configuration no longer has; another one may have them again.
    other_timelines: Timelines,
    /// The samples of the reading that is being taken; kept for its room.
    samples: Vec<(usize, Sample)>,
    committed: Reading,
    /// Since when each book has something that waits for a commit, in their order.
    wait_since: Vec<Option<Span>>,
    /// The books whose state is in the commit that is on its way.
    committing: Vec<bool>,
    looked: Option<Reading>,
    shown: Shown,
    /// State, fault and clock jumps of each drive when they were last kept.
    drive_states: Vec<(&'static str, Option<String>, u64)>,
    /// The last commit failed; said once until one goes through.
    commit_fails: bool,
    /// What is wrong with the record as a whole.
    findings: BTreeMap<&'static str, FindingFigures>,
    /// Readings from before a clock could be believed, each drive's in their order; `None` once one was.
    undated: Option<Undated>,
    /// By which reading of both clocks they were dated, and what a poller held back from before it.
    dated_by: Option<Reading>,
}

#[derive(Default)]
struct Undated {
    readings: Vec<DriveReading>,
    /// How often something was read in all of them.
    times: usize,
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
        // What a crash left in the redo log closes no day and is no finding.
        let history = Reader::open_as_it_lies(&config.store.directory)?;
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
            (drive.name.clone(), Polled { health, timeline: None, seen: Vec::new() })
        });
        let mut drives: BTreeMap<String, Polled> = drives.collect();
        for (mechanism, (_, m)) in config.mechanisms().enumerate() {
            for signal in &m.signals {
                let Some(polled) = drives.get_mut(&signal.drive) else { continue };
                let (target, register, last) = (signal.target, signal.register, LastRead::default());
                polled.seen.push(Seen { mechanism, target, register, last });
            }
        }
        Ok(Site {
            assembler: Assembler::new(&config),
            drives,
            other_timelines: Timelines::new(),
            rings: Rings::open(&config),
            config,
            ids: books.iter().map(|book| book.id().into()).collect(),
            wait_since: vec![None; books.len()],
            committing: vec![false; books.len()],
            books,
            samples: Vec::new(),
            committed: now,
            looked: None,
            shown: Shown::default(),
            drive_states: Vec::new(),
            // The first commit that goes through tells its end.
            commit_fails: standing.site.contains_key("not_recorded"),
            findings: standing.site,
            undated: Some(Undated::default()),
            dated_by: None,
        })
    }

    /// Goes on dating as an earlier run in the same process did.
    pub fn set_timelines(&mut self, timelines: Timelines) {
        self.other_timelines = timelines;
        for (name, polled) in &mut self.drives {
            polled.timeline = self.other_timelines.remove(name);
        }
    }

    /// The time-lines, for the run that comes next.
    pub fn into_timelines(self) -> Timelines {
        let mut timelines = self.other_timelines;
        timelines.extend(self.drives.into_iter().filter_map(|(name, polled)| Some((name, polled.timeline?))));
        timelines
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
        let known = reading.times().find(|at| is_plausible(at.wall, recorded));
        held.times += 1 + reading.before.len();
        held.readings.push(reading);
        if let Some(known) = known {
            self.date_held(known);
        } else if held.times >= UNDATED {
            self.date_from_the_record();
        }
    }

    /// Dates what is held from the end of the record on: the earliest that it can be.
    fn date_from_the_record(&mut self) {
        let recorded = self.books.iter().filter_map(Book::counted_to).max();
        let first =
            self.undated.as_ref().and_then(|held| held.readings.first()).and_then(|reading| reading.times().next());
        let Some(first) = first else { return };
        let wall = recorded.map_or(first.wall, |to| to.plus(Span::from_ms(1)));
        tracing::warn!("the clock cannot be right; what is read is dated from the end of the record on");
        self.date_held(Reading { wall, mono: first.mono });
    }

    /// Dates what is held by a reading of both clocks, and takes it.
    fn date_held(&mut self, known: Reading) {
        self.dated_by = Some(known);
        for mut reading in self.undated.take().unwrap_or_default().readings {
            for at in reading.before.iter_mut().chain([&mut reading.at]) {
                at.wall = dated(*at, known);
            }
            self.take_dated(reading);
        }
    }

    /// Takes a reading as often as it was read.
    fn take_dated(&mut self, mut reading: DriveReading) {
        let before = std::mem::take(&mut reading.before);
        for mut at in before.into_iter().chain([reading.at]) {
            if let Some(known) = self.dated_by.filter(|known| at.mono < known.mono) {
                at.wall = dated(at, known);
            }
            reading.at = at;
            self.take_one(&mut reading);
        }
    }

    /// Takes a reading for one time that it was read.
    fn take_one(&mut self, reading: &mut DriveReading) {
        // A drive that the configuration does not have feeds nothing.
        let Some(polled) = self.drives.get_mut(&*reading.drive) else { return };
        let timeline = polled.timeline.get_or_insert_with(|| Timeline::new(reading.at));
        let (date, jump) = timeline.date(reading.at);
        let fresh_for = timeline.fresh_for(reading.at);
        reading.at.wall = date;
        if polled.health.take(reading) {
            tracing::info!(drive = %reading.drive, "{}", reading.link);
        }
        let silence = polled.health.silence(reading);
        polled.see(reading);
        if let Some(Jump::Moved(by)) = jump {
            polled.health.clock_jumped(date, by);
        }
        if let Some(silence) = silence {
            self.tell_silence(reading, silence);
        }
        let mut samples = std::mem::take(&mut self.samples);
        samples.clear();
        self.assembler.take_into(reading, &mut samples);
        if let Some(Jump::Doubted(off)) = jump {
            tracing::warn!(drive = %reading.drive, "the clock is off by {:.3} s and is not believed", off.as_seconds());
            samples.iter().for_each(|(index, _)| self.books[*index].note_clock(date, off, false));
        }
        if let Some(Jump::Moved(by)) = jump {
            tracing::warn!(drive = %reading.drive, "the clock was put right by {:.3} s", by.as_seconds());
            for (index, _) in &samples {
                let book = &mut self.books[*index];
                // The clock had stopped with the board and began again where it was: so much longer nobody looked.
                let was_off = had_stopped(by) && fresh_for.is_some_and(|age| book.is_older(age));
                if !was_off {
                    book.rebase(by);
                }
                book.note_clock(date, by, true);
            }
        }
        for (index, sample) in &samples {
            let book = &mut self.books[*index];
            book.doubt_dates(fresh_for.is_some_and(|age| book.is_older(age)));
            self.book(*index, sample);
        }
        self.samples = samples;
    }

    /// A silence that has lasted too long is told to every mechanism that the drive feeds, and so is its end.
    fn tell_silence(&mut self, reading: &DriveReading, silence: Silence) {
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
            .map(|(name, polled)| DriveFigures { signals: self.signals(polled), ..polled.health.figures(name) })
            .collect()
    }

    fn signals(&self, polled: &Polled) -> Vec<SignalFigures> {
        // Most of them were read together, so that one moment is written out once.
        let mut written: Option<(Timestamp, Arc<str>)> = None;
        let mut write = |at: Timestamp| match &written {
            Some((same, text)) if *same == at => text.clone(),
            _ => written.insert((at, figures::rfc3339(at).into())).1.clone(),
        };
        polled
            .seen
            .iter()
            .map(|Seen { mechanism, target, register, last }| SignalFigures {
                mechanism: self.ids.get(*mechanism).cloned().unwrap_or_default(),
                signal: target.name(),
                table: register.table.name(),
                address: register.address,
                raw: last.raw,
                value: last.value,
                read_at: last.at.map(&mut write),
            })
            .collect()
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
        let now = |Polled { health, .. }: &Polled| (health.state.name(), health.fault.clone(), health.clock_jumps);
        let same = self.drive_states.len() == self.drives.len()
            && self.drives.values().zip(&self.drive_states).all(|(Polled { health, .. }, kept)| {
                (health.state.name(), &health.fault, health.clock_jumps) == (kept.0, &kept.1, kept.2)
            });
        if same {
            return None;
        }
        self.drive_states = self.drives.values().map(now).collect();
        Some(self.drives())
    }

    /// When the last commit went through, or the daemon started.
    pub fn committed(&self) -> Reading {
        self.committed
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
        let (every, longest) = (self.config.store.commit_every, self.longest_wait());
        let mut due = false;
        for (book, since) in self.books.iter().zip(&mut self.wait_since) {
            if !book.has_news() {
                *since = None;
                continue;
            }
            let since = *since.get_or_insert(now.mono);
            due |= is_due(book, now.mono, since, every, longest);
        }
        due
    }

    /// How long something that moved may wait for its commit while the mechanism stands; the running time that a power
    /// cut can cost is bounded by `commit_every` all the same.
    fn longest_wait(&self) -> Span {
        Span::from_ms((5 * self.config.store.commit_every.as_ms()).min(MS_PER_HOUR))
    }

    /// What to store in one transaction: of the books that are due, and of those that will be before half as much time
    /// again has passed. Who has begun to run just now does not go along, for his state is written as a whole each time.
    /// With `all`, of every book.
    pub fn commits(&mut self, now: Reading, all: bool) -> Vec<MechanismCommit> {
        if all {
            // The end: what is still held will not be dated better.
            self.date_from_the_record();
        }
        self.committed = now;
        let half = |span: Span| Span::from_ms(span.as_ms() / 2);
        let (every, longest) = (half(self.config.store.commit_every), half(self.longest_wait()));
        let mut commits = Vec::new();
        for (index, book) in self.books.iter().enumerate() {
            let since = self.wait_since[index].unwrap_or(now.mono);
            let goes = all || book.has_news() && (self.commit_fails || is_due(book, now.mono, since, every, longest));
            let commit = Some(book).filter(|_| goes).and_then(Book::commit);
            // A book that has nothing to be committed with keeps what it has to tell.
            self.committing[index] = commit.is_some();
            commits.extend(commit);
        }
        commits
    }

    /// The commit went through: what it held leaves the books. Nothing may have been taken since
    /// [`Site::commits`].
    pub fn stored(&mut self, done: Committed, now: Reading) {
        for (index, book) in self.books.iter_mut().enumerate() {
            if std::mem::take(&mut self.committing[index]) {
                self.wait_since[index] = None;
                book.committed();
            }
        }
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

    /// Looks how it goes with the rings of raw samples.
    pub fn look_at_rings(&mut self, now: Reading) {
        match self.rings.health() {
            Some(Err(text)) if !self.findings.contains_key("raw_samples") => self.raise("raw_samples", now.wall, text),
            Some(Ok(())) => self.clear("raw_samples", now.wall, "raw samples are recorded as they should be again"),
            Some(Err(_)) | None => {}
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
        SiteFigures { drives: Arc::new(self.drives()), findings, ..figures }
    }
}

/// The date of a reading by another whose date is known.
fn dated(at: Reading, known: Reading) -> Timestamp {
    known.wall.plus(Span::from_ms(at.mono.as_ms() - known.mono.as_ms()))
}

/// Whether what a book holds, which has waited since then, is to be committed under these bounds.
fn is_due(book: &Book, now: Span, since: Span, every: Span, longest: Span) -> bool {
    book.ends_something() || book.owed() >= every || now.as_ms() - since.as_ms() >= longest.as_ms()
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
