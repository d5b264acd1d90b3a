//! One seed: a site with one drive and its hoists, counted by the product's own poller, link, decoder, books, store and
//! teller, while everything around them fails as the seed has it. After each commit, and after each start, the books
//! are held against [`super::tally`].

use std::collections::{BTreeMap, HashSet};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tallyhook::clock::{Clock, Hands};
use tallyhook::daemon::site::Site;
use tallyhook::drive::plan::ReadPlan;
use tallyhook::drive::poll::{self, Queue};
use tallyhook::drive::{Decoded, DriveReading, LinkState, QUEUE};
use tallyhook::figures::{self, Record};
use tallyhook::publish::Wiring;
use tallyhook::publish::chat;
use tallyhook::publish::health::Board;
use tallyhook::store::message::MessageKind;
use tallyhook::store::service::{self, Service, Work};
use tallyhook::store::verify::verify;
use tallyhook::store::{LiftFilter, MechanismCommit, Reader, Store, StoreError};
use tallyhook_analysis::account::{Account, State};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Mechanism, QuietHolds, Target};
use tokio::sync::{mpsc, watch};

use super::device::{Device, Shown, Wires};
use super::disk::Disk;
use super::network::{Receiver, Shelf, Way};
use super::tally::{Counts, Standing, Sums, Tally};
use super::tasks::Tasks;

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

macro_rules! holds {
    ($what:expr, $($said:tt)*) => {
        if !$what {
            return Err(format!($($said)*));
        }
    };
}

/// What one hoist's book must hold.
#[derive(Default)]
struct Kept {
    tally: Tally,
    /// As it was at the last commit that stands.
    committed: Tally,
    state: Option<State>,
    used: f64,
    lifts: BTreeMap<i64, Lift>,
}

/// Readings that wait for a date.
type Held = Vec<(i64, i64, Vec<Option<Shown>>)>;

pub struct World {
    rng: fastrand::Rng,
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
    /// Stretches of the monotonic clock in which a lift may be cut or lost.
    disturbed: Vec<(i64, i64)>,
    /// What ends by itself: when, and what.
    pending: Vec<(i64, Ends)>,
    report: Report,
    _dir: tempfile::TempDir,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Ends {
    Off,
    Hang,
    FullDisk,
    Down(usize),
    Wall(i64),
}

/// A run of the program, from a start to its end.
struct Running {
    site: Site,
    tasks: Tasks,
    readings: mpsc::Receiver<DriveReading>,
    stored: watch::Sender<u64>,
    _stop: watch::Sender<bool>,
    _polling: watch::Sender<bool>,
}

/// Why a run of the program ended.
#[derive(PartialEq, Eq)]
enum End {
    Fell,
    Stopped,
}

impl World {
    pub fn new(seed: u64) -> Self {
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
        (self.held, self.dated) = (Some(Vec::new()), false);

        let mut tasks = Tasks::default();
        let (sender, readings) = mpsc::channel(QUEUE);
        let (polling, stop) = watch::channel(false);
        for drive in self.config.drives.values() {
            let drives = vec![(drive.clone(), ReadPlan::of(&self.config, drive))];
            let queue = Queue { route: drive.link.clone(), drives, lag: Span::ZERO };
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
        Ok(Running { site, tasks, readings, stored, _stop: telling, _polling: polling })
    }

    /// What the store holds is what was committed: no lift lost, none twice, no message, no state; a commit that the
    /// power was lost in stands as a whole or not at all.
    fn compare(&mut self) -> Found {
        let reader = Reader::open(&self.config.store.directory).map_err(|e| e.to_string())?;
        let in_doubt = std::mem::take(&mut self.in_doubt);
        if !in_doubt.is_empty() {
            let state = |id: &str| reader.state(id).map(|s| s.map(|s| s.state)).map_err(|e| e.to_string());
            let mut stand = 0;
            for commit in &in_doubt {
                stand += usize::from(state(&commit.mechanism)?.as_ref() == Some(&commit.state));
            }
            holds!(stand == 0 || stand == in_doubt.len(), "{stand} of {} books of one commit stand", in_doubt.len());
            if stand > 0 {
                self.report.counts.add("cut commit stands");
                self.note_committed(in_doubt);
            } else {
                self.report.counts.add("cut commit is gone");
            }
        }
        let now = self.hands.now().mono.as_ms();
        for (kept, (_, mechanism)) in self.kept.iter_mut().zip(self.config.mechanisms()) {
            let found = reader.state(&mechanism.id).map_err(|e| e.to_string())?.map(|s| s.state);
            holds!(found == kept.state, "the state of {} is not the committed one", mechanism.id);
            let filter = LiftFilter { mechanism: Some(&mechanism.id), ..LiftFilter::default() };
            let found = reader.lifts(&filter).map_err(|e| e.to_string())?;
            holds!(
                found.iter().map(|l| &l.lift).eq(kept.lifts.values()),
                "{} holds {} lifts, {} were committed, or they are others",
                mechanism.id,
                found.len(),
                kept.lifts.len()
            );
            kept.tally = kept.committed.clone();
            let from = kept.tally.standing.map_or(0, |s| s.mono_ms);
            self.disturbed.push((from, now));
        }
        let stored = reader.messages_after(0, usize::MAX).map_err(|e| e.to_string())?;
        holds!(stored.iter().map(|(_, m)| &m.id).eq(&self.messages), "the outbox is not what was committed");
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
                self.take(running, reading)?;
                if self.is_due(running) && self.commit(running, false)? {
                    return Ok(End::Fell);
                }
                if let Some(end) = self.fate(running, most)? {
                    return Ok(end);
                }
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

    fn is_due(&self, running: &Running) -> bool {
        running.site.commit_is_due(self.clock.now())
    }

    /// A reading: its values are those that the device gave to this very question, or none.
    fn take(&mut self, running: &mut Running, reading: DriveReading) -> Found {
        self.report.readings += 1;
        let (mono, wall) = (reading.at.mono.as_ms(), reading.at.wall.as_ms());
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
        self.tally((mono, wall, shown));
        running.site.take(reading);
        Ok(())
    }

    /// The tally's own dating: as soon as a clock can be right, what was held is dated by it.
    fn tally(&mut self, (mono, wall, shown): (i64, i64, Vec<Option<Shown>>)) {
        let Some(held) = &mut self.held else { return self.count(mono, 0, &shown) };
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

    fn date_held(&mut self, (known_mono, known_wall): (i64, i64)) {
        for (mono, _, shown) in self.held.take().unwrap_or_default() {
            self.count(mono, known_wall + mono - known_mono, &shown);
        }
        self.dated = true;
    }

    fn count(&mut self, mono_ms: i64, date_ms: i64, shown: &[Option<Shown>]) {
        for (kept, shown) in self.kept.iter_mut().zip(shown) {
            kept.tally.take(Standing { run: self.run, mono_ms, date_ms, shown: *shown }, self.stale_ms);
        }
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

    /// The invariants of a book, on what is about to be committed.
    fn check(&self, commit: &MechanismCommit) -> Found {
        let (index, mechanism) = self.mechanism(&commit.mechanism);
        let kept = &self.kept[index];
        let account = Account::resume(mechanism.spec.clone(), mechanism.terms(), commit.state.clone());
        let totals = account.recorder().totals();
        let found = Sums {
            observed_ms: totals.observed_ms,
            gap_ms: totals.gap_ms,
            running_ms: totals.running_ms,
            cube_ms: totals.cube_ms,
            starts: totals.starts,
        };
        let id = &commit.mechanism;
        holds!(found == kept.tally.sums, "{id} is booked {found:?}, but {:?} was seen", kept.tally.sums);
        let bands: u64 = totals.band_ms.iter().sum();
        holds!(
            bands + totals.load_unknown_ms == totals.running_ms,
            "{id}: the bands hold {bands} ms of {} ms running",
            totals.running_ms
        );
        let known = kept.lifts.len() as u64
            + commit.lifts.iter().filter(|l| !kept.lifts.contains_key(&l.lift.begin.as_ms())).count() as u64;
        holds!(self.jumps || totals.lifts == known, "{id} counts {} lifts, but {known} are listed", totals.lifts);
        let used = account.used_full_load_hours();
        let served = !commit.services.is_empty();
        holds!(served || used >= kept.used * (1.0 - 1e-12), "S of {id} fell from {} to {used}", kept.used);
        Ok(())
    }

    fn mechanism(&self, id: &str) -> (usize, &Mechanism) {
        let found = self.config.mechanisms().enumerate().find(|(_, (_, m))| m.id == id);
        found.map(|(index, (_, mechanism))| (index, mechanism)).unwrap()
    }

    fn note_committed(&mut self, commits: Vec<MechanismCommit>) {
        for commit in commits {
            let (index, mechanism) = self.mechanism(&commit.mechanism);
            let account = Account::resume(mechanism.spec.clone(), mechanism.terms(), commit.state.clone());
            let used = account.used_full_load_hours();
            let kept = &mut self.kept[index];
            kept.used = used;
            kept.state = Some(commit.state);
            kept.committed = kept.tally.clone();
            if let Some(standing) = &mut kept.committed.standing {
                standing.date_ms = commit.at.as_ms();
            }
            for booked in commit.lifts {
                kept.lifts.entry(booked.lift.begin.as_ms()).or_insert(booked.lift);
            }
            for message in commit.messages {
                if !self.known.insert(message.id.clone()) {
                    continue;
                }
                if matches!(message.kind, MessageKind::Warning | MessageKind::Finding) {
                    self.receivers.iter().for_each(|r| r.lock().unwrap().owed.push(message.id.clone()));
                }
                self.messages.push(message.id);
            }
        }
    }

    /// What the seed has next: most often nothing.
    fn fate(&mut self, running: &mut Running, most: u64) -> Result<Option<End>, String> {
        let now = self.hands.now();
        let mono = now.mono.as_ms();
        if self.report.readings >= most {
            // No more faults; those that last come to their ends.
            let over = self.held.is_none() && self.pending.is_empty();
            return Ok(over.then_some(End::Stopped));
        }
        let draw = self.rng.u32(0..4_000);
        let lasts = |world: &mut World, grains: i64| mono + world.grain_ms * world.rng.i64(3..grains);
        match draw {
            0..8 | 66..74 if draw < 8 || self.jumps => {
                self.report.counts.add("killed");
                if self.jumps && self.rng.bool() {
                    self.report.counts.add("clock unset at a start");
                    let off = now.wall.as_ms();
                    self.hands.set_wall(Timestamp::from_ms(self.rng.i64(0..1_000_000)));
                    let until = lasts(self, 200);
                    self.pending.push((until, Ends::Wall(off - mono)));
                }
                return Ok(Some(End::Fell));
            }
            8..14 if self.held.is_none() => {
                self.report.counts.add("stopped in order");
                if self.commit(running, true)? {
                    return Ok(Some(End::Fell));
                }
                return Ok(Some(End::Stopped));
            }
            14..26 => self.disk.lock().unwrap().cut_in = Some(self.rng.u32(0..4)),
            26..32 if !self.pends(|e| e == Ends::FullDisk) => {
                self.report.counts.add("disk full");
                let bound = self.disk.lock().unwrap().store().bound(Some(0));
                bound.map_err(|e| e.to_string())?;
                let until = lasts(self, 60);
                self.pending.push((until, Ends::FullDisk));
            }
            32..38 if !self.pends(|e| e == Ends::Off) => {
                self.report.counts.add("drive switched off");
                let mut device = self.device.lock().unwrap();
                device.off = true;
                device.hang_up();
                drop(device);
                // A drive that is away is called once a second: a long time to play.
                let until = lasts(self, 60).min(mono + 7_200_000);
                self.pending.push((until, Ends::Off));
            }
            38..42 if !self.pends(|e| e == Ends::Hang) => {
                self.report.counts.add("call not answered");
                let mut device = self.device.lock().unwrap();
                device.hangs = true;
                device.hang_up();
                drop(device);
                let until = lasts(self, 30).min(mono + 7_200_000);
                self.pending.push((until, Ends::Hang));
            }
            42..54 => {
                let n = self.rng.usize(0..self.receivers.len());
                if !self.pends(|e| e == Ends::Down(n)) {
                    self.report.counts.add("receiver away");
                    self.receivers[n].lock().unwrap().down = true;
                    let until = lasts(self, if n == 0 { 40 } else { 600 });
                    self.pending.push((until, Ends::Down(n)));
                }
            }
            74..98 if self.jumps && !self.pends(|e| matches!(e, Ends::Wall(_))) => {
                let large = self.rng.bool();
                self.report.counts.add(if large { "clock far off" } else { "clock put right by a little" });
                let off = if large { self.rng.i64(3_600_000..3 * DAY_MS) } else { self.rng.i64(600..600_000) };
                let off = if self.rng.bool() { off } else { -off };
                if large && self.rng.u8(0..3) > 0 {
                    let until = lasts(self, 300);
                    self.pending.push((until, Ends::Wall(now.wall.as_ms() - mono)));
                }
                self.hands.set_wall(now.wall.plus(Span::from_ms(off)));
            }
            62..66 => {
                let (_, mechanism) = self.config.mechanisms().nth(self.rng.usize(0..self.kept.len())).unwrap();
                let work = Work::Period { by: ServiceKind::Overhaul, design_full_load_hours: None };
                let mechanism = mechanism.id.clone();
                let recorded = Service { mechanism, at: now.wall, work, by: "a fitter".into(), note: String::new() };
                // On a full disk it cannot be recorded, and the fitter is told so.
                if service::append(&self.config.store.directory, &recorded).is_ok() {
                    self.report.counts.add("service recorded");
                }
                let services = self.disk.lock().unwrap().store().open_services().map_err(|e| e.to_string())?;
                running.site.take_services(&services, now);
            }
            _ => {}
        }
        Ok(None)
    }

    fn pends(&self, what: impl Fn(Ends) -> bool) -> bool {
        self.pending.iter().any(|(_, ends)| what(*ends))
    }

    fn end_what_ends(&mut self) {
        let mono = self.hands.now().mono.as_ms();
        let (due, rest): (Vec<_>, Vec<_>) = self.pending.drain(..).partition(|(at, _)| *at <= mono);
        self.pending = rest;
        for (_, ends) in due {
            match ends {
                Ends::Off => self.device.lock().unwrap().off = false,
                Ends::Hang => self.device.lock().unwrap().hangs = false,
                // A start in between has taken the bound away already.
                Ends::FullDisk => drop(self.disk.lock().unwrap().store().bound(None)),
                Ends::Down(n) => self.receivers[n].lock().unwrap().down = false,
                Ends::Wall(ahead) => self.hands.set_wall(Timestamp::from_ms(ahead + mono)),
            }
        }
    }

    /// Everything comes to rest: all is committed, all is told, and the whole is looked at once more.
    fn finish(&mut self, mut last: Running) -> Found {
        self.disk.lock().unwrap().cut_in = None;
        let all = |world: &mut World, last: &mut Running| match world.commit(last, true) {
            Ok(true) => Err("the power went after the end".into()),
            other => other.map(|_| ()),
        };
        all(self, &mut last)?;
        for receiver in &self.receivers {
            receiver.lock().unwrap().lost_every = u32::MAX;
        }
        let until = self.hands.elapsed() + Duration::from_secs(7_200);
        let told = |world: &World| {
            world.receivers.iter().all(|r| {
                let r = r.lock().unwrap();
                r.got == r.owed.len()
            })
        };
        while !told(self) {
            last.tasks.run_until_stalled();
            while let Ok(reading) = last.readings.try_recv() {
                self.take(&mut last, reading)?;
            }
            let next = self.hands.next().ok_or("nobody waits for anything any more")?;
            holds!(next < until, "what is stored is not told, two hours after everything is well");
            self.hands.move_to(next);
        }
        all(self, &mut last)?;
        drop(last);
        self.disk.lock().unwrap().close();
        let reader = Reader::open(&self.config.store.directory).map_err(|e| e.to_string())?;
        let proof = verify(&reader).map_err(|e| e.to_string())?;
        let faults: Vec<String> = proof.faults.iter().map(ToString::to_string).collect();
        holds!(proof.ok, "the ledger does not verify: {faults:?}");
        if !self.jumps {
            self.check_lifts()?;
        }
        for receiver in &self.receivers {
            if let Some(what) = receiver.lock().unwrap().broken.take() {
                return Err(what);
            }
        }
        Ok(())
    }

    /// Lifts against the plan: none twice, none invented, and each that nothing disturbed is there with its load.
    fn check_lifts(&self) -> Found {
        let margin = 2 * self.grain_ms + self.stale_ms;
        let now = self.hands.now().mono.as_ms();
        let device = self.device.lock().unwrap();
        for (index, kept) in self.kept.iter().enumerate() {
            let lifts: Vec<(i64, i64, i64)> = kept
                .lifts
                .values()
                .map(|l| (l.begin.as_ms() - BEGIN_MS, l.end.as_ms() - BEGIN_MS, l.load.get() / 1000))
                .collect();
            for pair in lifts.windows(2) {
                holds!(pair[1].0 >= pair[0].1, "hoist {index}: one lift twice: {pair:?}");
            }
            let planned = device.planned(index);
            for (begin, end, load) in &lifts {
                let real = planned
                    .iter()
                    .any(|p| p.begin_ms <= *end && *begin <= p.end_ms + self.stale_ms && p.load_kg == *load);
                let near = planned.iter().filter(|p| p.begin_ms <= end + margin && begin - margin <= p.end_ms);
                let near: Vec<_> = near.collect();
                holds!(real, "hoist {index}: nobody lifted {load} kg from {begin} to {end} ms, but {near:?}");
            }
            for p in planned.iter().filter(|p| p.end_ms + 2 * margin < now) {
                let (from, to) = (p.begin_ms - margin, p.end_ms + margin);
                if self.disturbed.iter().any(|(a, b)| *a <= to && from <= *b) {
                    continue;
                }
                let seen = lifts.iter().filter(|(begin, end, _)| p.begin_ms <= *end && *begin <= p.end_ms);
                let seen: Vec<_> = seen.collect();
                holds!(
                    seen.len() == 1 && seen[0].2 == p.load_kg,
                    "hoist {index}: {p:?} was lifted undisturbed, booked is {seen:?}"
                );
            }
        }
        Ok(())
    }
}

fn configuration(
    directory: &std::path::Path,
    grain_ms: i64,
    timeout_ms: i64,
    stale_ms: i64,
    hoists: usize,
    rtu: bool,
) -> Config {
    let drive = match rtu {
        true => "[bus.b]\naddress = \"127.0.0.1:1\"\nframing = \"rtu\"\n[drive.d]\nbus = \"b\"\n",
        false => "[drive.d]\naddress = \"127.0.0.1:1\"\n",
    };
    let silent_s = (grain_ms * 20 / 1000).max(2);
    let mut text = format!(
        "{drive}poll = \"{grain_ms}ms\"\ntimeout = \"{timeout_ms}ms\"\nsilent_after = \"{silent_s}s\"\n\
         [[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n"
    );
    for n in 0..hoists {
        let at = n * 3;
        text.push_str(&format!(
            "[[crane.mechanism]]\nid = \"hoist-{n}\"\ngroup = \"M5\"\nrated_load_kg = 10000\ndrive = \"d\"\n\
             stale_after = \"{stale_ms}ms\"\n[crane.mechanism.signals]\nload_kg = {{ address = {at}, type = \"i32\" }}\n\
             raising = {{ address = {status}, bit = 0 }}\nlowering = {{ address = {status}, bit = 1 }}\n\
             [crane.mechanism.warn]\nused_share = [0.0001, 0.001, 0.01, 0.1]\nstarts_per_hour = [20]\n",
            status = at + 2,
        ));
    }
    let mut config =
        tallyhook_config::load(&text, "simulated.toml").unwrap_or_else(|faults| panic!("{}", faults.report()));
    config.store.directory = directory.to_owned();
    config.store.recording = None;
    config.store.backup = None;
    config
}
