//! One seed: a site with one drive and its hoists, counted by the product's own poller, link, decoder, books, store and
//! teller, while everything around them fails as the seed has it. After each commit, and after each start, the books
//! are held against [`crate::tally`].

macro_rules! holds {
    ($what:expr, $($said:tt)*) => {
        if !$what {
            return Err(format!($($said)*));
        }
    };
}

mod configuration;
mod fate;
mod invariants;

use std::collections::{BTreeMap, HashSet};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tallyhook::clock::{Clock, Hands};
use tallyhook::daemon::site::Site;
use tallyhook::drive::plan::ReadPlan;
use tallyhook::drive::poll::{self, Queue};
use tallyhook::drive::{Decoded, DriveReading, LinkState, QUEUE, Repeats};
use tallyhook::figures::{self, Record};
use tallyhook::publish::Wiring;
use tallyhook::publish::chat;
use tallyhook::publish::health::Board;
use tallyhook::store::{MechanismCommit, Store, StoreError};
use tallyhook_analysis::account::State;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Config, QuietHolds, Target};
use tokio::sync::{mpsc, watch};

use crate::device::{Device, Shown, Wires};
use crate::disk::Disk;
use crate::network::{Receiver, Shelf, Way};
use crate::tally::{Counts, Standing, Tally};
use crate::tasks::Tasks;
use configuration::configuration;
use fate::Ends;

/// 2026-03-02, a Monday.
const BEGIN_MS: i64 = 1_772_409_600_000;
/// Before it a clock has not been set: 2020-01-01.
const EARLIEST_MS: i64 = 1_577_836_800_000;
const DAY_MS: i64 = 86_400_000;
/// So many readings are held for a date.
const HELD: usize = 6_000;

/// What a seed's run came to.
#[derive(Clone, Debug, Default)]
pub struct Report {
    pub counts: Counts,
    pub readings: u64,
    pub lifts: u64,
    pub commits: u64,
    pub messages: u64,
    /// Time played, all hoists together.
    pub hoist_ms: i64,
    pub site_ms: i64,
}

type Found = Result<(), String>;

/// What one hoist's book must hold.
#[derive(Default)]
struct Kept {
    tally: Tally,
    /// As it was at the last commit that stands.
    committed: Tally,
    state: Option<State>,
    used: f64,
    lifts: BTreeMap<i64, Lift>,
    /// Its record goes back to before this run.
    before: bool,
}

/// Readings that wait for a date.
type Held = Vec<(i64, i64, Vec<Option<Shown>>)>;

pub struct World {
    rng: fastrand::Rng,
    repeats: Repeats,
    clock: Clock,
    hands: Hands,
    config: Arc<Config>,
    about: chat::About,
    grain_ms: i64,
    stale_ms: i64,
    /// The wall clock is moved in this seed, so dates cannot be held against the plan.
    jumps: bool,
    device: Arc<Mutex<Device>>,
    disk: Arc<Mutex<Disk>>,
    receivers: Vec<Arc<Mutex<Receiver>>>,
    kept: Vec<Kept>,
    messages: Vec<String>,
    known: HashSet<String>,
    /// What was being committed when the power went.
    in_doubt: Vec<MechanismCommit>,
    run: u32,
    held: Option<Held>,
    dated: bool,
    /// The reading by which those before it were dated.
    dated_by: (i64, i64),
    /// When the first that was dated was read, on the monotonic clock, and how far ahead of that the wall clock was when it
    /// was last believed.
    line: Option<(i64, i64)>,
    /// Stretches of the monotonic clock in which a lift may be cut or lost.
    disturbed: Vec<(i64, i64)>,
    /// What ends by itself: when, and what.
    pending: Vec<(i64, Ends)>,
    report: Report,
    _dir: tempfile::TempDir,
}

/// A run of the program, from a start to its end.
struct Running {
    site: Site,
    tasks: Tasks,
    readings: mpsc::Receiver<DriveReading>,
    stored: watch::Sender<u64>,
    _stop: watch::Sender<bool>,
    polling: watch::Sender<bool>,
}

/// Why a run of the program ended.
#[derive(PartialEq, Eq)]
enum End {
    Fell,
    Stopped,
}

impl World {
    /// `repeats`: what the pollers do with readings that say nothing new.
    pub fn new(seed: u64, repeats: Repeats) -> Self {
        fastrand::seed(seed);
        let mut rng = fastrand::Rng::with_seed(seed);
        let grains = [100, 1_000, 5_000, 60_000, 300_000, 600_000];
        let grain_ms = grains[rng.usize(0..grains.len())];
        let (hoists, rtu) = (rng.usize(1..=4), rng.bool());
        let timeout_ms = (grain_ms * 3 / 5).clamp(60, 2_000);
        let stale_ms = grain_ms * rng.i64(2..=5) + grain_ms / 2;
        let dir = match std::path::Path::new("/dev/shm").is_dir() {
            true => tempfile::tempdir_in("/dev/shm"),
            false => tempfile::tempdir(),
        }
        .unwrap();
        let mut config = configuration(dir.path(), grain_ms, timeout_ms, stale_ms, hoists, rtu);
        config.alarms.group_from = [0, 2, 3, 10][seed as usize % 4];
        // An hour of the day in which nobody is told, in one seed of five.
        config.alarms.quiet = seed.is_multiple_of(5).then(|| ((seed % 24) as f64, (seed % 24 + 1) as f64));
        config.alarms.quiet_holds = QuietHolds::Everything;
        let config = Arc::new(config);
        let figures = watch::channel(Arc::new(figures::of_site(&config, |_| Record::default()))).1;
        let about = chat::About { config: config.clone(), figures };
        let (clock, hands) = Clock::simulated(Timestamp::from_ms(BEGIN_MS));
        let limit = Duration::from_millis(timeout_ms as u64);
        let device = Device::new(hands.clone(), seed, hoists, rtu, grain_ms, limit);
        World {
            jumps: rng.u8(0..3) == 0,
            rng,
            repeats,
            clock,
            hands,
            config,
            about,
            grain_ms,
            stale_ms,
            device: Arc::new(Mutex::new(device)),
            disk: Arc::new(Mutex::new(Disk::new(dir.path(), seed))),
            receivers: (0..2).map(|n| Arc::new(Mutex::new(Receiver::new(seed ^ (n + 7))))).collect(),
            kept: (0..hoists).map(|_| Kept::default()).collect(),
            messages: Vec::new(),
            known: HashSet::new(),
            in_doubt: Vec::new(),
            run: 0,
            held: None,
            dated: false,
            dated_by: (0, 0),
            line: None,
            disturbed: Vec::new(),
            pending: Vec::new(),
            report: Report::default(),
            _dir: dir,
        }
    }

    /// Plays `readings` readings, then lets everything come to rest and looks at the whole.
    pub fn play(mut self, readings: u64) -> Result<Report, String> {
        let at = |world: &World, what: String| {
            let now = world.hands.now();
            format!(
                "{what} (run {}, {} ms after the start, reading {})",
                world.run,
                now.mono.as_ms(),
                world.report.readings
            )
        };
        let last = loop {
            let mut running = self.start().map_err(|what| at(&self, what))?;
            let end = self.go(&mut running, readings).map_err(|what| at(&self, what))?;
            if end == End::Stopped && self.report.readings >= readings {
                break running;
            }
            drop(running);
            match end {
                End::Fell => self.disk.lock().unwrap().fall(),
                End::Stopped => self.disk.lock().unwrap().close(),
            }
        };
        self.finish(last).map_err(|what| at(&self, what))?;
        for receiver in &self.receivers {
            self.report.counts.add_all(&receiver.lock().unwrap().counts);
        }
        self.report.counts.add_all(&self.device.lock().unwrap().counts);
        self.report.site_ms = self.hands.now().mono.as_ms();
        self.report.hoist_ms = self.report.site_ms * self.kept.len() as i64;
        self.report.lifts = self.kept.iter().map(|kept| kept.lifts.len() as u64).sum();
        self.report.messages = self.messages.len() as u64;
        Ok(self.report)
    }

    /// Starts the program on what the disk holds, after a look at whether that is what was committed.
    fn start(&mut self) -> Result<Running, String> {
        self.run += 1;
        let directory = self.config.store.directory.clone();
        let now = self.clock.now();
        let (store, recovered) = Store::open_sound(&directory, None, now.wall).map_err(|e| format!("no start: {e}"))?;
        holds!(recovered.is_none(), "the ledger was taken for damaged: {recovered:?}");
        self.compare()?;
        let site = Site::open(self.config.clone(), &store, now).map_err(|e| format!("no start: {e}"))?;
        let end = store.last_seq().map_err(|e| e.to_string())?;
        self.disk.lock().unwrap().insert(store);
        (self.held, self.dated, self.line) = (Some(Vec::new()), false, None);
        self.kept.iter_mut().for_each(|kept| kept.before = kept.tally.standing.is_some());

        let mut tasks = Tasks::default();
        let (sender, readings) = mpsc::channel(QUEUE);
        let (polling, stop) = watch::channel(false);
        for drive in self.config.drives.values() {
            let drives = vec![(drive.clone(), ReadPlan::of(&self.config, drive))];
            let (origin, alarm) = (self.clock.now().mono, self.clock.alarm());
            let repeats = self.repeats;
            let queue = Queue { route: drive.link.clone(), drives, origin, alarm, repeats };
            let ports = Arc::new(Wires(self.device.clone()));
            tasks.spawn(poll::run(queue, ports, self.clock.clone(), sender.clone(), stop.clone()));
        }
        let (stored, seen) = watch::channel(end);
        let (telling, stop) = watch::channel(false);
        let board = Board::default();
        for (n, receiver) in self.receivers.iter().enumerate() {
            let wiring = Wiring {
                outbox: Shelf(self.disk.clone()),
                stored: seen.clone(),
                end,
                clock: self.clock.clone(),
                health: board.line(&format!("receiver-{n}"), &self.clock),
                stop: stop.clone(),
            };
            tasks.spawn(chat::run(Way(receiver.clone(), self.clock.clone()), self.about.clone(), wiring));
        }
        Ok(Running { site, tasks, readings, stored, _stop: telling, polling })
    }

    /// The pollers end in order: what they held back is taken.
    fn end_polling(&mut self, running: &mut Running) -> Found {
        running.polling.send_replace(true);
        running.tasks.run_to_their_end();
        while let Ok(reading) = running.readings.try_recv() {
            self.take(running, reading)?;
        }
        Ok(())
    }

    /// Runs until the program ends.
    fn go(&mut self, running: &mut Running, most: u64) -> Result<End, String> {
        loop {
            running.tasks.run_until_stalled();
            if self.disk.lock().unwrap().is_dead() {
                self.report.counts.add("power cut while a cursor was written");
                return Ok(End::Fell);
            }
            while let Ok(reading) = running.readings.try_recv() {
                let times = reading.times().count();
                self.take(running, reading)?;
                if self.is_due(running) && self.commit(running, false)? {
                    return Ok(End::Fell);
                }
                // A fate for each time that was read.
                for _ in 0..times {
                    if let Some(end) = self.fate(running, most)? {
                        return Ok(end);
                    }
                }
            }
            if self.repeats == Repeats::HeldBack && self.rng.u32(0..8_000) == 0 && self.report.readings < most {
                self.report.counts.add("killed between two tellings");
                return Ok(End::Fell);
            }
            for receiver in &self.receivers {
                if let Some(what) = receiver.lock().unwrap().broken.take() {
                    return Err(what);
                }
            }
            running.tasks.run_until_stalled();
            match self.hands.next() {
                Some(next) => self.hands.move_to(next),
                None => return Err("nobody waits for anything any more".into()),
            }
            self.end_what_ends();
        }
    }

    fn is_due(&self, running: &mut Running) -> bool {
        running.site.commit_is_due(self.clock.now())
    }

    /// A reading: its values are those that the device gave to this very question, or none.
    fn take(&mut self, running: &mut Running, reading: DriveReading) -> Found {
        self.report.readings += 1 + reading.before.len() as u64;
        let number = |index, target| {
            let value = reading.values.iter().find(|v| v.mechanism == index && v.target == target).map(|v| v.value);
            value.unwrap_or(Decoded::NotRead)
        };
        let mut shown = Vec::new();
        for index in 0..self.kept.len() {
            let load = number(index, Target::Quantity(Quantity::Load));
            let (up, down) = (number(index, Target::Flag(Flag::Raising)), number(index, Target::Flag(Flag::Lowering)));
            shown.push(match (load, up, down) {
                (Decoded::Number(load), Decoded::Flag(raising), Decoded::Flag(lowering)) => {
                    Some(Shown { load_kg: load / 1000, raising, lowering })
                }
                (Decoded::NotRead, Decoded::NotRead, Decoded::NotRead) => None,
                other => return Err(format!("a hoist was read in part: {other:?}")),
            });
        }
        for at in reading.times() {
            let mono = at.mono.as_ms();
            let answered = {
                let device = self.device.lock().unwrap();
                let mut sent = device.sent.iter().rev();
                sent.find(|sent| sent.at_ms == mono && sent.in_time).map(|sent| sent.shown.clone())
            };
            if shown.iter().any(Option::is_some) {
                let given: Option<Vec<_>> = answered.map(|all| all.into_iter().map(Some).collect());
                holds!(
                    given.as_ref() == Some(&shown),
                    "{shown:?} was read at {mono} ms, but the device gave {given:?} in time then"
                );
            }
            if reading.link == LinkState::Online {
                holds!(shown.iter().all(Option::is_some), "the link is well, but a value is missing");
            } else {
                let margin = 2 * self.grain_ms + self.stale_ms;
                self.disturbed.push((mono - margin, mono + margin));
            }
            self.tally((mono, at.wall.as_ms(), shown.clone()));
        }
        running.site.take(reading);
        Ok(())
    }

    /// The tally's own dating: as soon as a clock can be right, what was held is dated by it.
    fn tally(&mut self, (mono, wall, shown): (i64, i64, Vec<Option<Shown>>)) {
        let Some(held) = &mut self.held else { return self.count(mono, wall, &shown) };
        held.push((mono, wall, shown));
        let recorded = self.kept.iter().filter_map(|k| k.tally.standing).map(|s| s.date_ms).max();
        let off = recorded.map(|to| wall - to);
        let right = wall >= EARLIEST_MS && off.is_none_or(|off| (-600_000..=400 * DAY_MS).contains(&off));
        let known = match right {
            true => (mono, wall),
            false if held.len() >= HELD => (held[0].0, recorded.map_or(held[0].1, |to| to + 1)),
            false => return,
        };
        self.date_held(known);
    }

    fn date_held(&mut self, known: (i64, i64)) {
        self.dated_by = known;
        for (mono, _, shown) in self.held.take().unwrap_or_default() {
            self.count_dated(mono, known.1 + mono - known.0, &shown);
        }
        self.dated = true;
    }

    fn count(&mut self, mono: i64, wall: i64, shown: &[Option<Shown>]) {
        let (known_mono, known_wall) = self.dated_by;
        let date = if mono < known_mono { known_wall + mono - known_mono } else { wall };
        self.count_dated(mono, date, shown);
    }

    fn count_dated(&mut self, mono_ms: i64, date_ms: i64, shown: &[Option<Shown>]) {
        let off_ms = self.was_off(mono_ms, date_ms);
        for (kept, shown) in self.kept.iter_mut().zip(shown) {
            let off_ms = if kept.before { off_ms } else { 0 };
            kept.tally.take(Standing { run: self.run, mono_ms, date_ms, shown: *shown }, off_ms, self.stale_ms);
        }
    }

    /// A clock that is put forward in the first hour of a run by more than it can drift had stopped before it: by how much.
    fn was_off(&mut self, mono: i64, wall: i64) -> i64 {
        let (began, ahead) = self.line.get_or_insert((mono, wall - mono));
        let off = wall - mono - *ahead;
        let forward = off > 600_000 && off <= 400 * DAY_MS && wall >= EARLIEST_MS;
        if mono - *began > 3_600_000 || off.abs() <= 500 || off.abs() > 600_000 && !forward {
            return 0;
        }
        *ahead += off;
        if forward { off } else { 0 }
    }

    /// Commits what the books hold and holds it against the tally first; `true` when the power went.
    fn commit(&mut self, running: &mut Running, all: bool) -> Result<bool, String> {
        let now = self.clock.now();
        let commits = running.site.commits(now, all);
        for commit in &commits {
            self.check(commit)?;
        }
        let mut disk = self.disk.lock().unwrap();
        let done = disk.write(|store| store.commit(&commits));
        let dead = disk.is_dead();
        drop(disk);
        if dead {
            self.report.counts.add("power cut in mid-commit");
            self.in_doubt = commits;
            return Ok(true);
        }
        match done {
            Ok(done) => {
                self.report.commits += 1;
                let last = done.last_seq;
                self.note_committed(commits);
                running.site.stored(done, now);
                holds!(last == self.messages.len() as u64, "{last} messages stand, not {}", self.messages.len());
                running.stored.send_if_modified(|seen| std::mem::replace(seen, last) != last);
            }
            Err(error @ StoreError::Full { .. }) => {
                self.report.counts.add("commit on a full disk");
                running.site.not_stored(&error, now);
            }
            Err(error) => return Err(format!("a commit failed: {error}")),
        }
        Ok(false)
    }
}
