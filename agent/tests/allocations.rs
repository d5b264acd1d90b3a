//! Once warm a poll takes no memory from the allocator: from the socket through frame, decoding, dating and sample to
//! the account, while the crane stands and while it runs. What is recorded beside it takes one list for many samples.
//!
//! Counted is what the daemon's one thread allocates. The drives answer from threads of their own.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod bench;

use std::hint::black_box;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, Ordering};

use allocation_counter::measure;
use bench::Bench;
use tallyhook::clock::Clock;
use tallyhook::daemon::site::Site;
use tallyhook::daemon::supervision::Progress;
use tallyhook::drive::{LinkState, Repeats};
use tallyhook::store::Store;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::RecordingRing;
use tokio::runtime::Runtime;

/// Polls that are counted.
const POLLS: usize = 1_000;

/// Before them the mechanism stands or runs for so long: the load's watch keeps the last fifteen readings from a second
/// and a half on (`load/health.rs`), and lists that fill for the first time take their room.
const WARM: Span = Span::from_ms(2_500);

const DRIVES: [&str; 8] = ["a", "b", "c", "d", "e", "f", "g", "h"];

const SIGNALS: &str = r#"load_kg = { address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }
raising = { address = 2, type = "bit", bit = 0 }
lowering = { address = 2, type = "bit", bit = 1 }
fault = { address = 3, type = "bit", bit = 0 }
speed_pct = { address = 4, type = "i16", scale = 0.1, unit = "%" }
height_m = { address = 6, type = "i32", word_order = "high-first", scale = 0.001, unit = "m" }"#;

/// Drives that answer at once for ever: 5 t on the hook, and in register 2 what `status` says.
fn drive(status: Arc<AtomicU16>) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let status = status.clone();
            std::thread::spawn(move || serve(stream, &status));
        }
    });
    port
}

fn serve(mut stream: TcpStream, status: &AtomicU16) {
    let mut request = [0; 12];
    while stream.read_exact(&mut request).is_ok() {
        let count = u16::from_be_bytes([request[10], request[11]]);
        let mut registers = [0_u16; 125];
        registers[1] = 50_000;
        registers[2] = status.load(Ordering::Relaxed);
        registers[4] = if registers[2] == 0 { 0 } else { 1000 };
        let first = usize::from(u16::from_be_bytes([request[8], request[9]]));
        let mut answer = request[..4].to_vec();
        answer.extend((3 + 2 * count).to_be_bytes());
        answer.extend([request[6], request[7], 2 * count as u8]);
        answer.extend(registers[first..][..usize::from(count)].iter().flat_map(|r| r.to_be_bytes()));
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}

/// The daemon's way of a reading.
struct Counting {
    bench: Bench,
    site: Site,
    progress: Progress,
    clock: Clock,
}

impl Counting {
    /// Drives that read `status`, polled through real sockets, and a site that counts; `recorded`: raw samples are kept.
    async fn start(place: &Path, status: &Arc<AtomicU16>, recorded: bool) -> Self {
        let drives = DRIVES.map(|name| {
            let port = drive(status.clone());
            format!("[drive.{name}]\naddress = \"127.0.0.1:{port}\"\npoll = \"10ms\"\ntimeout = \"60s\"\n")
        });
        let mut config = bench::config(&drives.concat(), &DRIVES.map(|name| (name, SIGNALS)));
        config.store.directory = place.to_owned();
        config.store.recording = recorded.then_some(RecordingRing { days: 2, megabytes: 50 });
        let config = Arc::new(config);
        // A calendar of its own: no hour and no day ends meanwhile.
        let clock = Clock::time_lapse(1.0, Timestamp::from_ms(1_790_000_600_000));
        let store = Store::open(place).unwrap();
        let site = Site::open(config.clone(), &store, clock.now()).unwrap();
        let progress = Progress::new(&config, clock.now().mono, 1.0);
        Counting { bench: Bench::start_as(Repeats::HeldBack, &config, &clock), site, progress, clock }
    }

    async fn warm_up(&mut self) {
        let end = self.clock.now().mono.plus(WARM);
        while self.clock.now().mono < end {
            self.polls(DRIVES.len()).await;
        }
    }

    async fn polls(&mut self, count: usize) {
        let mut answered = 0;
        while answered < count {
            let reading = self.bench.readings.recv().await.expect("a poller");
            answered += if reading.link == LinkState::Online { reading.times().count() } else { 0 };
            let now = self.clock.now();
            self.progress.polled(&reading.drive, now.mono);
            self.site.take(reading);
            self.site.commit_is_due(now);
            self.progress.feeds(now.mono);
        }
    }

    fn running_hours(&mut self) -> Vec<f64> {
        self.site.figures(self.clock.now()).mechanisms.iter().map(|m| m.running_hours).collect()
    }
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

#[test]
fn a_poll_allocates_nothing_once_warm_standing_and_running() {
    assert_eq!(measure(|| drop(black_box(vec![0_u8; 8]))).count_total, 1, "it counts");
    let (place, status, runtime) = (tempfile::tempdir().unwrap(), Arc::new(AtomicU16::new(0)), runtime());
    let mut counting = runtime.block_on(Counting::start(place.path(), &status, false));
    for (what, word) in [("standing", 0), ("running", 1)] {
        status.store(word, Ordering::Relaxed);
        runtime.block_on(counting.warm_up());
        let used = measure(|| runtime.block_on(counting.polls(POLLS)));
        assert_eq!(used.count_total, 0, "{what}: {used:?} in {POLLS} polls");
    }
    let ran = counting.running_hours();
    assert!(ran.iter().all(|hours| *hours > 0.0), "what was polled was counted: {ran:?}");
    runtime.block_on(counting.bench.end());
}

#[test]
fn what_is_recorded_takes_one_list_for_many_samples() {
    let (place, status, runtime) = (tempfile::tempdir().unwrap(), Arc::new(AtomicU16::new(1)), runtime());
    let mut counting = runtime.block_on(Counting::start(place.path(), &status, true));
    runtime.block_on(counting.warm_up());
    let began = counting.clock.now().mono;
    let used = measure(|| runtime.block_on(counting.polls(POLLS)));
    // By number, or after five seconds.
    let seconds = (counting.clock.now().mono.as_ms() - began.as_ms()) as u64 / 1000;
    let lists = POLLS as u64 / 100 + DRIVES.len() as u64 * (1 + seconds / 5);
    assert!((1..=lists).contains(&used.count_total), "{used:?} in {POLLS} polls, {lists} lists at most");
    assert!(counting.running_hours().iter().all(|hours| *hours > 0.0), "what was polled was counted");
    runtime.block_on(counting.bench.end());
}
