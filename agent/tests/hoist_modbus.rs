//! A hoist over Modbus, known by nothing but torque, speed and run bits: five hundred lifts through the product's own
//! poller, link, decoder and books, and once through the daemon's site and store as well. The hoist and its frames are
//! written for this test and share nothing with the product; time is played, so that six hours take seconds. A shorter
//! run in real time, over a socket, by the whole daemon and with a Modbus server that is not ours, is in
//! `tests/tests/stories/calibration.rs`.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::collections::VecDeque;
use std::f64::consts::PI;
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll, Waker};

use tallyhook::clock::{Clock, Hands, Reading};
use tallyhook::daemon::site::Site;
use tallyhook::drive::assemble::Assembler;
use tallyhook::drive::port::{Opening, Port, Ports};
use tallyhook::drive::{self, DriveReading, MOST_HELD, QUEUE, Repeats};
use tallyhook::store::verify::verify;
use tallyhook::store::{LiftFilter, Reader, Store};
use tallyhook_analysis::account::{Account, Entry, State};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::load::{Runs, Steadiness, sets};
use tallyhook_analysis::recorder::Utc;
use tallyhook_analysis::units::{Grams, Span, Timestamp};
use tallyhook_config::model::Link;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{mpsc, watch};

const RATED_KG: f64 = 10_000.0;
const LIFTS: usize = 500;
const BEGIN: Timestamp = Timestamp::from_ms(1_790_000_000_000);

// Drum of 0.25 m radius, four falls, gearbox 1:40 that keeps more for itself under way up than down, motor of 300 Nm at
// 1450 rpm with a rotor of 0.9 kg m².
const MOTOR_NM: f64 = 300.0;
const MOTOR_RAD_S: f64 = 1450.0 * 2.0 * PI / 60.0;
const UP: f64 = 0.88;
const DOWN: f64 = 0.80;

/// A run, or a rest (`way` 0): the load goes from one to another within 0.4 s from a second on.
#[derive(Clone, Copy)]
struct Move {
    seconds: f64,
    way: f64,
    from_kg: f64,
    to_kg: f64,
    changes_s: f64,
    creep: (bool, bool),
}

/// Speed after `t` seconds: S-shaped to full speed within a second, or by way of a quarter of it for three seconds.
fn ramp(t: f64, creep: bool) -> f64 {
    let shape = |x: f64| 0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos();
    if creep { 0.25 * shape(t / 0.4) + 0.75 * shape((t - 3.0) / 0.8) } else { shape(t) }
}

impl Move {
    fn load_kg(&self, t: f64) -> f64 {
        self.from_kg + (self.to_kg - self.from_kg) * ((t - self.changes_s) / 0.4).clamp(0.0, 1.0)
    }

    fn speed(&self, t: f64) -> f64 {
        ramp(t, self.creep.0).min(ramp(self.seconds - t, self.creep.1))
    }
}

/// The drive: what it plays, and the registers that it shows of it.
struct Hoist {
    hands: Hands,
    ahead: VecDeque<Move>,
    begun_s: f64,
    rng: fastrand::Rng,
}

impl Hoist {
    fn registers(&mut self) -> [u16; 4] {
        let now = self.hands.elapsed().as_secs_f64();
        while let Some(first) = self.ahead.front().filter(|first| now >= self.begun_s + first.seconds) {
            self.begun_s += first.seconds;
            self.ahead.pop_front();
        }
        let Some(m) = self.ahead.front() else { return [0; 4] };
        let t = now - self.begun_s;
        let noise = (0..12).map(|_| self.rng.f64()).sum::<f64>() - 6.0;
        // A load cell of 0.1 % of noise and 0.1 % of span, in steps of 5 kg.
        let cell = m.load_kg(t) * 1.001 + noise * 0.001 * RATED_KG;
        let cell = (cell / 5.0).round() as i16 as u16;
        if m.way == 0.0 {
            return [0, 0, 0, cell];
        }
        let speed = m.speed(t);
        let change = m.way * (m.speed(t + 0.01) - m.speed(t - 0.01)) / 0.02;
        let weight_nm = (m.load_kg(t) + 150.0) * 9.81 * 0.25 / 4.0 / 40.0;
        let gear = if m.way > 0.0 { weight_nm / UP } else { weight_nm * DOWN };
        let friction = (0.02 + 0.005 * (now / 3600.0 * 2.0 * PI / 8.0).sin()) * MOTOR_NM * m.way;
        let noise = (0..12).map(|_| self.rng.f64()).sum::<f64>() - 6.0;
        let torque = (gear + friction + 0.9 * change * MOTOR_RAD_S) / MOTOR_NM * 100.0 + noise * 0.5;
        let tenth = |percent: f64| (percent * 10.0).round() as i16 as u16;
        [tenth(torque), tenth(m.way * speed * 100.0), if m.way > 0.0 { 1 } else { 2 }, cell]
    }
}

/// Modbus TCP, function 3, by the letter of the protocol.
fn answer(request: &[u8], hoist: &Mutex<Hoist>) -> Vec<u8> {
    let word = |i: usize| usize::from(u16::from_be_bytes([request[i], request[i + 1]]));
    assert_eq!((request.len(), word(2), word(4), request[7]), (12, 0, 6, 3), "a read of holding registers");
    let (address, count) = (word(8), word(10));
    let words = hoist.lock().unwrap().registers();
    let asked: Vec<u8> = words[address..address + count].iter().flat_map(|word| word.to_be_bytes()).collect();
    let length = (3 + asked.len() as u16).to_be_bytes();
    [&request[..4], &length, &[request[6], 3, asked.len() as u8], &asked].concat()
}

#[derive(Clone)]
struct Wires(Arc<Mutex<Hoist>>);

impl Ports for Wires {
    fn open(&self, _: &Link) -> Opening {
        let wire = Wire { hoist: self.0.clone(), inbox: Vec::new(), waits: None };
        Box::pin(async move { Ok(Box::new(wire) as Box<dyn Port>) })
    }
}

struct Wire {
    hoist: Arc<Mutex<Hoist>>,
    inbox: Vec<u8>,
    waits: Option<Waker>,
}

impl AsyncRead for Wire {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        if self.inbox.is_empty() {
            self.waits = Some(context.waker().clone());
            return Poll::Pending;
        }
        let count = into.remaining().min(self.inbox.len());
        into.put_slice(&self.inbox.drain(..count).collect::<Vec<_>>());
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Wire {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let answer = answer(bytes, &self.hoist);
        self.inbox.extend(answer);
        self.waits.take().into_iter().for_each(Waker::wake);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

fn site(load: &str) -> tallyhook_config::model::Config {
    let text = format!(
        r#"
[site]
time_zone = "UTC"
[drive.main]
address = "192.0.2.10:502"
poll = "100ms"
{}"#,
        tallyhook_tests::hoist::crane("1s", load)
    );
    tallyhook_config::load(&text, "site.toml").unwrap_or_else(|faults| panic!("{}", faults.report()))
}

/// Plays moves to their end; `each` gets everything that the product read, as the daemon does.
fn play(config: &tallyhook_config::model::Config, moves: &[Move], seed: u64, each: impl FnMut(DriveReading)) {
    play_as(Repeats::HeldBack, config, moves, seed, each);
}

fn play_as(
    repeats: Repeats,
    config: &tallyhook_config::model::Config,
    moves: &[Move],
    seed: u64,
    mut each: impl FnMut(DriveReading),
) {
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(async {
        let (clock, hands) = Clock::simulated(BEGIN);
        let rng = fastrand::Rng::with_seed(seed);
        let hoist = Hoist { hands: hands.clone(), ahead: moves.iter().copied().collect(), begun_s: 0.0, rng };
        let wires = Wires(Arc::new(Mutex::new(hoist)));
        let (sender, mut readings) = mpsc::channel(QUEUE);
        let (_stop, stopped) = watch::channel(false);
        let _pollers = drive::spawn_through(Arc::new(wires), config, clock, repeats, sender, stopped);
        let seconds: f64 = moves.iter().map(|m| m.seconds).sum();
        let mut idle = 0;
        while hands.elapsed().as_secs_f64() < seconds {
            tokio::task::yield_now().await;
            idle += 1;
            while let Ok(reading) = readings.try_recv() {
                idle = 0;
                assert!(reading.link.is_up(), "{}", reading.link);
                each(reading);
            }
            // Nobody has had anything to do for some rounds: time goes on.
            if idle > 3 {
                idle = 0;
                hands.move_to(hands.next().unwrap());
            }
        }
    });
}

/// A reading as if nothing had been held back.
fn one_by_one(reading: &DriveReading) -> Vec<DriveReading> {
    reading.times().map(|at| DriveReading { at, before: Default::default(), ..reading.clone() }).collect()
}

fn run(seconds: f64, way: f64, kg: f64) -> Move {
    Move { seconds, way, from_kg: kg, to_kg: kg, changes_s: 0.0, creep: (false, false) }
}

/// A lift: taken up and set down at creep speed, or, without care, within the ramps.
fn lift(load_kg: f64, careful: bool) -> [Move; 6] {
    let (tight_s, seconds) = if careful { (1.7, 14.0) } else { (0.3, 10.0) };
    let up = Move { from_kg: 0.0, changes_s: tight_s, creep: (careful, false), ..run(seconds, 1.0, load_kg) };
    let down_at = seconds - tight_s - 0.4;
    let down = Move { to_kg: 0.0, changes_s: down_at, creep: (false, careful), ..run(seconds, -1.0, load_kg) };
    [up, run(3.0, 0.0, load_kg), down, run(3.0, 0.0, 0.0), run(4.0, 1.0, 0.0), run(2.0, 0.0, 0.0)]
}

/// Σ load³ · s over Σ s of running, from the plan.
fn truth(moves: &[Move]) -> f64 {
    let (mut cubes, mut running) = (0.0, 0.0);
    for m in moves.iter().filter(|m| m.way != 0.0) {
        for i in 0..(m.seconds * 100.0) as i64 {
            cubes += (m.load_kg(i as f64 / 100.0) / RATED_KG).powi(3) * 0.01;
            running += 0.01;
        }
    }
    cubes / running
}

/// Three weights up and down, as `calibrate` takes them; the lines that it prints.
fn calibration() -> String {
    let weights = [0.0, 5_000.0, 10_000.0];
    let one = |kg: &f64| [run(2.0, 0.0, *kg), run(6.0, 1.0, *kg), run(2.0, 0.0, *kg), run(6.0, -1.0, *kg)];
    let moves: Vec<Move> = weights.iter().flat_map(one).chain([run(2.0, 0.0, 0.0)]).collect();
    let mut runs = Runs::new(Steadiness::usual(true));
    let config = site("[crane.mechanism.load]");
    let mut assembler = Assembler::new(&config);
    play_as(Repeats::Told, &config, &moves, 1, |reading| {
        assembler.take(&reading).iter().for_each(|(_, sample)| runs.push(sample));
    });
    let (runs, unsteady) = runs.end();
    assert_eq!((runs.len(), unsteady), (6, 0));
    let pct = |reading: Option<i64>| reading.unwrap() as f64 / 1000.0;
    let lines = weights.iter().zip(sets(&runs)).map(|(kg, set)| {
        let (raising, lowering) = (pct(set.reading(true)), pct(set.reading(false)));
        format!("{{ load_kg = {kg}, raising_pct = {raising:.2}, lowering_pct = {lowering:.2} }},")
    });
    format!("[crane.mechanism.load]\nleads = \"torque_pct\"\npoint = [\n{}\n]", lines.collect::<Vec<_>>().join("\n"))
}

/// The daemon's site and store.
struct Daemon {
    site: Site,
    store: Store,
    last: Reading,
}

impl Daemon {
    fn begin(config: &tallyhook_config::model::Config, directory: &Path) -> Self {
        let mut config = config.clone();
        config.store.directory = directory.to_owned();
        let store = Store::open(directory).unwrap();
        let last = Reading { wall: BEGIN, mono: Span::ZERO };
        Daemon { site: Site::open(Arc::new(config), &store, last).unwrap(), store, last }
    }

    fn take(&mut self, reading: DriveReading) {
        self.last = reading.at;
        self.site.take(reading);
        if self.site.commit_is_due(self.last) {
            self.commit(false);
        }
    }

    fn commit(&mut self, all: bool) {
        let done = self.store.commit(&self.site.commits(self.last, all)).unwrap();
        self.site.stored(done, self.last);
    }
}

/// The account's own lifts and sums are what the daemon stores of the same readings, to the last bit.
fn stored_as(account: &Account, lifts: &[Lift], mut daemon: Daemon, directory: &Path) {
    daemon.commit(true);
    let (state, _) = daemon.store.resume("main-hoist").unwrap().unwrap();
    let resumed = Account::resume(account.recorder().spec().clone(), account.terms().clone(), state);
    assert_eq!(resumed.recorder().totals(), account.recorder().totals());
    drop(daemon);
    let reader = Reader::open(directory).unwrap();
    let stored: Vec<Lift> = reader.lifts(&LiftFilter::default()).unwrap().iter().map(|row| row.lift).collect();
    assert_eq!(stored, lifts);
    assert!(stored.iter().all(|lift| lift.uncertainty > Some(Grams::ZERO)));
    let found = verify(&reader).unwrap();
    assert!(found.ok, "{:#?}", found.faults);
}

fn book(config: &tallyhook_config::model::Config, moves: &[Move], stores: bool) -> (Account, Vec<Lift>) {
    let directory = tempfile::tempdir().unwrap();
    let mut daemon = stores.then(|| Daemon::begin(config, directory.path()));
    let mut assembler = Assembler::new(config);
    let mechanism = &config.cranes[0].mechanisms[0];
    let mut account = Account::resume(mechanism.spec.clone(), mechanism.terms(), State::default());
    let mut lifts = Vec::new();
    play(config, moves, 2, |reading| {
        for (_, sample) in one_by_one(&reading).iter().flat_map(|reading| assembler.take(reading)) {
            account.step(&sample, &Utc, &mut |entry| match entry {
                Entry::Lift { lift, .. } => lifts.push(lift),
                Entry::Health(note) => panic!("a healthy signal: {note:?}"),
                _ => {}
            });
        }
        if let Some(daemon) = &mut daemon {
            daemon.take(reading);
        }
    });
    if let Some(daemon) = daemon {
        stored_as(&account, &lifts, daemon, directory.path());
    }
    (account, lifts)
}

/// Five hundred lifts, many light, some heavy, none above rated; the first run tells that the hook is empty.
fn work(careful: bool) -> (Vec<f64>, Vec<Move>) {
    let mut rng = fastrand::Rng::with_seed(3);
    let loads: Vec<f64> = (0..LIFTS).map(|_| RATED_KG * (0.1 + 0.9 * rng.f64().powi(2))).collect();
    let begin = [run(3.0, 0.0, 0.0), run(4.0, 1.0, 0.0), run(2.0, 0.0, 0.0)];
    let moves = begin.into_iter().chain(loads.iter().flat_map(|kg| lift(*kg, careful))).chain([run(5.0, 0.0, 0.0)]);
    let moves = moves.collect();
    (loads, moves)
}

fn holds(name: &str, config: &tallyhook_config::model::Config, careful: bool, of_load: f64, of_km: f64) {
    let (loads, moves) = work(careful);
    // By torque and with care: what is held back for a lift goes through commits too.
    let (account, lifts) = book(config, &moves, name == "with care");
    let totals = account.recorder().totals();
    let starts = moves.iter().filter(|m| m.way != 0.0).count();
    assert_eq!((totals.lifts as usize, totals.starts as usize), (LIFTS, starts), "{name}: lifts and starts are exact");
    let off = |(lift, kg): (&Lift, &f64)| (lift.load.as_kg() - kg).abs() / RATED_KG;
    let within = lifts.iter().zip(&loads).map(off).filter(|off| *off <= of_load).count();
    let (km, truth) = (totals.load_spectrum_factor(Grams::from_kg(RATED_KG)).unwrap(), truth(&moves));
    let off = km / truth - 1.0;
    println!("{name}: km {km:.5} of {truth:.5} ({:+.2} %), {within} of {LIFTS} lifts within {of_load}", off * 100.0);
    assert!(within * 100 >= LIFTS * 95, "{name}: {within} of {LIFTS}");
    assert!(off.abs() <= of_km, "{name}: km {km} of {truth}");
}

#[test]
fn five_hundred_lifts_over_modbus_by_torque_alone() {
    let config = site(&calibration());
    holds("with care", &config, true, 0.03, 0.03);
    holds("within the ramps", &config, false, 0.03, 0.03);
}

#[test]
fn five_hundred_lifts_over_modbus_by_a_load_cell() {
    let cell = "load_kg = { address = 3, type = \"i16\", scale = 5 }";
    holds("with a cell", &site(cell), true, 0.01, 0.005);
}

#[test]
fn what_is_held_back_at_rest_is_what_would_have_been_told() {
    let lifts = || lift(4_000.0, true).into_iter().chain([run(20.0, 0.0, 0.0)]);
    let moves: Vec<Move> = [run(60.0, 0.0, 0.0)].into_iter().chain((0..20).flat_map(|_| lifts())).collect();
    for signals in ["[crane.mechanism.load]", "load_kg = { address = 3, type = \"i16\", scale = 5 }"] {
        let config = site(signals);
        let (mut told, mut bunches, mut opened) = (Vec::new(), 0, Vec::new());
        play_as(Repeats::Told, &config, &moves, 4, |reading| told.push(reading));
        play(&config, &moves, 4, |reading| {
            bunches += 1;
            opened.extend(one_by_one(&reading));
        });
        // The last of it was held back when the play ended.
        assert!(told.len() - opened.len() <= MOST_HELD, "{} of {}", opened.len(), told.len());
        assert!(told.starts_with(&opened), "{signals}");
        println!("{bunches} tellings for {} readings", opened.len());
        // A torque that is nothing at rest says the same again; a cell that trembles does not.
        assert!(signals.starts_with("load_kg") || bunches * 4 < opened.len() * 3, "{bunches} of {}", opened.len());
    }
}
