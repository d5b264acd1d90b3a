//! The drive side at work in a test: a configuration from text, its pollers, and what they say.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::collections::VecDeque;
use std::time::Duration;

use tallyhook::clock::Clock;
use tallyhook::drive::{self, Decoded, DriveReading, Repeats, Times};
use tallyhook_config::model::{Config, Target};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

/// Gives this process, and the peers that it starts from now on, precedence over whatever else the machine does, where
/// the system allows it; says so where it does not. What is measured is the program, not its neighbours.
pub fn claim_precedence() {
    let own = std::process::id().to_string();
    // Threads that run already have to be named one by one.
    let threads = std::fs::read_dir("/proc/self/task").unwrap().flatten();
    let threads = threads.map(|t| t.file_name().to_string_lossy().into_owned()).chain([own]);
    let claimed = std::process::Command::new("renice").args(["-n", "-15", "-p"]).args(threads).output();
    if !claimed.is_ok_and(|c| c.status.success()) {
        println!("no precedence could be claimed: what follows contains the machine's other work");
    }
}

/// Tests that measure time hold this, so that they do not disturb each other.
pub static ALONE: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());

/// Holds [`ALONE`].
pub async fn alone() -> tokio::sync::MutexGuard<'static, ()> {
    ALONE.lock().await
}

/// `short`, or `long` when TALLYHOOK_LONG=1 asks for the long form of the same test.
pub fn seconds(short: u64, long: u64) -> Duration {
    Duration::from_secs(if is_long() { long } else { short })
}

/// Whether the long form of a test is asked for.
pub fn is_long() -> bool {
    std::env::var_os("TALLYHOOK_LONG").is_some_and(|v| v == "1")
}

/// A site with these drives and buses and one mechanism a drive; `signals` are the lines of each one's signals.
pub fn config(drives: &str, mechanisms: &[(&str, &str)]) -> Config {
    let mut text = format!("[page]\nlisten = \"127.0.0.1:0\"\n{drives}\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n");
    for (drive, signals) in mechanisms {
        text.push_str(&format!(
            "[[crane.mechanism]]\nid = \"hoist-{drive}\"\ngroup = \"M5\"\nrated_load_kg = 16000\ndrive = \"{drive}\"\n\
             stale_after = \"10s\"\n[crane.mechanism.signals]\n{signals}\n"
        ));
    }
    tallyhook_config::load(&text, "bench.toml").unwrap_or_else(|faults| panic!("{}", faults.report()))
}

/// Load at holding 0 and 1, raising in bit 0 and lowering in bit 1 of holding 2.
pub const HOIST: &str = "load_kg = { address = 0, type = \"i32\" }\nraising = { address = 2, bit = 0 }\n\
                         lowering = { address = 2, bit = 1 }";

/// Longer than anything is held back.
const HELD: Duration = Duration::from_millis(1500);

/// Pollers at work.
pub struct Bench {
    pub readings: mpsc::Receiver<DriveReading>,
    /// Readings that were told as one and have not been given yet.
    waiting: VecDeque<DriveReading>,
    /// How often [`Bench::next`] was told something.
    pub told: usize,
    pub stop: watch::Sender<bool>,
    pub tasks: JoinSet<()>,
}

impl Bench {
    /// As the daemon has them.
    pub fn start(config: &Config, clock: &Clock) -> Self {
        Self::start_as(Repeats::HeldBack, config, clock)
    }

    pub fn start_as(repeats: Repeats, config: &Config, clock: &Clock) -> Self {
        let (sender, readings) = mpsc::channel(drive::QUEUE);
        let (stop, stopped) = watch::channel(false);
        let tasks = drive::spawn(config, clock.clone(), repeats, sender, stopped);
        Bench { readings, waiting: VecDeque::new(), told: 0, stop, tasks }
    }

    /// What one tick found; what was told as one comes one by one.
    pub async fn next(&mut self) -> DriveReading {
        loop {
            if let Some(reading) = self.waiting.pop_front() {
                return reading;
            }
            let told = tokio::time::timeout(Duration::from_secs(20), self.readings.recv()).await;
            let told = told.expect("a reading").expect("polling");
            self.told += 1;
            self.waiting.extend(told.times().map(|at| DriveReading { at, before: Times::new(), ..told.clone() }));
        }
    }

    /// All readings that come in the next `span`; it takes a little longer, for some are told later.
    pub async fn during(&mut self, clock: &Clock, span: Duration) -> Vec<DriveReading> {
        let begin = clock.now().mono.as_ms();
        let ends = clock.wire() + span + HELD;
        let mut all = Vec::new();
        while clock.wire() < ends {
            all.push(self.next().await);
        }
        let span_ms = i64::try_from(span.as_millis()).expect("a test's span");
        all.retain(|reading| (begin..begin + span_ms).contains(&reading.at.mono.as_ms()));
        all
    }

    pub async fn end(mut self) {
        self.stop.send_replace(true);
        while let Some(done) = self.tasks.join_next().await {
            done.expect("no poller panics");
        }
    }
}

/// A signal's value in a reading.
pub fn value(reading: &DriveReading, name: &str) -> Decoded {
    let named = |target: Target| target.name() == name;
    reading.values.iter().find(|v| named(v.target)).expect("every signal is in every reading").value
}

/// The value below which a share of the values lies.
pub fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let at = (values.len() as f64 * share).ceil() as usize;
    values[at.clamp(1, values.len()) - 1]
}

/// How late the clock's own sleepers wake on this machine now, p99 in ms: what a poller cannot be better than. Runs
/// beside a measurement, on the same grid.
pub async fn machine_lateness(clock: Clock, period: Duration, mut stop: watch::Receiver<bool>) -> f64 {
    let mut late = Vec::new();
    let mut at = clock.wire();
    while !*stop.borrow() {
        at += period;
        let wait = at.saturating_sub(clock.wire());
        if tokio::time::timeout(wait, stop.changed()).await.is_ok() {
            break;
        }
        late.push((clock.wire() - at).as_secs_f64() * 1000.0);
    }
    if late.is_empty() { 0.0 } else { quantile(&mut late, 0.99) }
}
