//! A cabinet with a daemon that may die, a drive that goes on, and what must hold after each death.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, Running, pause, wait_for};
use tallyhook_tests::counting_drive::{Answered, CountingDrive, brisk_plan};
use tallyhook_tests::peers::free_port;
use tallyhook_tests::yard::RATED_KG;

/// The shortest `commit_every` that the configuration takes, seconds.
pub const COMMIT_EVERY: f64 = 1.0;

/// A step of the drive's hour counter, seconds.
const HOUR_STEP: f64 = 0.1;

/// How long a sample stands, seconds.
const STALE_AFTER: f64 = 0.15;

/// A cabinet and its drive.
pub struct Bench {
    pub cabinet: Cabinet,
    pub drive: CountingDrive,
    page_port: u16,
    /// Every lift that the store was seen to hold, by its beginning.
    committed: BTreeMap<String, Value>,
    /// Lifts that the page gave out, by their beginning.
    shown: Arc<Mutex<BTreeSet<String>>>,
    /// The store was seen to hold something.
    filled: bool,
    /// The drive at the first answer that the ledger has counted from.
    first: Option<Answered>,
    /// Answers of the drive when the present daemon was started.
    answered_before: Vec<usize>,
}

/// Asks the page for its lifts until it is told to stop.
pub struct Watch {
    ends: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.ends.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Bench {
    pub fn new() -> Self {
        let (cabinet, drive, page_port) = (Cabinet::new(), CountingDrive::start(brisk_plan(RATED_KG)), free_port());
        let text = format!(
            r#"
[site]
name = "Eastfield precast yard"
time_zone = "UTC"
[store]
directory = "{}"
commit_every = "{COMMIT_EVERY}s"
samples = {{ days = 2, megabytes = 50 }}
[page]
listen = "127.0.0.1:{page_port}"
[drive.panel]
address = "127.0.0.1:{}"
unit = 1
poll = "20ms"
poll_counters = "20ms"
timeout = "1s"
[[crane]]
id = "yard-1"
name = "Yard 1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
kind = "hoist"
group = "M5"
rated_load_kg = {RATED_KG}
drive = "panel"
stale_after = "{STALE_AFTER}s"
[crane.mechanism.signals]
{}
[crane.mechanism.lift]
confirm_load = "60ms"
confirm_empty = "150ms"
settle = "120ms"
"#,
            cabinet.path().join("data").display(),
            drive.port,
            CountingDrive::signals()
        );
        cabinet.write("site.toml", &text);
        Bench {
            cabinet,
            drive,
            page_port,
            committed: BTreeMap::new(),
            shown: Arc::default(),
            filled: false,
            first: None,
            answered_before: Vec::new(),
        }
    }

    /// Starts the daemon, with more in its environment.
    pub fn start(&mut self, environment: &[(&str, &std::ffi::OsStr)]) -> Running {
        self.answered_before.push(self.drive.answers().len());
        self.cabinet.start_with(environment, &["run", "--config", "site.toml"])
    }

    /// Looks at the page's lifts from now on: what it shows has been committed.
    pub fn watch(&self) -> Watch {
        let ends = Arc::new(AtomicBool::new(false));
        let (shown, port, end) = (self.shown.clone(), self.page_port, ends.clone());
        let thread = std::thread::spawn(move || {
            while !end.load(Ordering::Relaxed) {
                let lifts = on_page(port, "/api/v1/mechanisms/main-hoist/lifts?limit=20");
                for lift in lifts.iter().filter_map(Value::as_array).flatten() {
                    shown.lock().unwrap().insert(lift["begin"].as_str().unwrap().to_owned());
                }
                pause(Duration::from_millis(60));
            }
        });
        Watch { ends, thread: Some(thread) }
    }

    /// What the page answers, if it does.
    pub fn page(&self, path: &str) -> Option<Value> {
        on_page(self.page_port, path)
    }

    /// Whether there are commits that only the redo log has. Who looks at the page has them brought into the ledger.
    pub fn is_ahead(&self) -> bool {
        let redo = std::fs::read(self.cabinet.path().join("data/ledger.redo"));
        redo.is_ok_and(|bytes| bytes.starts_with(b"THredo01"))
    }

    /// How many lifts the page has ever shown.
    pub fn shown(&self) -> usize {
        self.shown.lock().unwrap().len()
    }

    /// What must hold after the daemon has died: the ledger adds up, no lift stands twice, none that was committed is
    /// missing or another. Gives what is owed of the present daemon's time, seconds of running.
    pub fn examine(&mut self, what: &str) -> f64 {
        let proof = self.cabinet.run(&["verify", "--data", "data"]);
        let not_yet = match proof.status.code() {
            Some(2) => proof.stderr.contains("no store"),
            Some(3) => proof.stderr.contains("cut off while it was being made"),
            _ => !self.cabinet.path().join("data/configuration.toml").exists(),
        };
        if not_yet {
            // It died before the first commit: then nothing was shown, and the next daemon makes the store.
            assert!(!self.filled, "{what}: {}{}", proof.stdout, proof.stderr);
            assert_eq!(self.shown(), 0, "{what}");
            return 0.0;
        }
        assert!(proof.status.success(), "{what}: {}\n{}", proof.stdout, proof.stderr);
        let lifts = self.cabinet.run(&["lifts", "--data", "data", "--json"]).json();
        let lifts: Vec<Value> = lifts.as_array().unwrap().clone();
        let text = |lift: &Value, field: &str| lift[field].as_str().unwrap().to_owned();
        let mut spans: Vec<(f64, f64)> =
            lifts.iter().map(|l| (unix(&text(l, "begin")), unix(&text(l, "end")))).collect();
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        for pair in spans.windows(2) {
            assert!(pair[0].1 <= pair[1].0, "{what}: two lifts at the same time: {pair:?}");
        }
        let standing: BTreeMap<String, Value> = lifts.iter().map(|l| (text(l, "begin"), l.clone())).collect();
        for (begin, lift) in &self.committed {
            assert_eq!(standing.get(begin), Some(lift), "{what}: a lift that was committed is missing or another");
        }
        for begin in self.shown.lock().unwrap().iter() {
            assert!(standing.contains_key(begin), "{what}: the lift of {begin} was shown and is missing");
        }
        self.committed = standing;
        let status = self.cabinet.run(&["status", "--data", "data", "--json"]).json();
        let hoist = &status["mechanisms"][0];
        assert_eq!(hoist["lifts"].as_u64(), Some(lifts.len() as u64), "{what}: the sums are those of the lifts");
        let Some(to) = hoist["record_to"].as_str().map(unix) else { return 0.0 };
        let answers = self.drive.answers();
        if !std::mem::replace(&mut self.filled, true) {
            // Daemons that died before they committed counted for nothing: the record begins with this one's answers.
            self.first = answers.get(*self.answered_before.last().unwrap()).copied();
        }
        let mine = &answers[*self.answered_before.last().unwrap()..];
        let (Some(begun), Some(last)) = (mine.first(), mine.last()) else { return 0.0 };
        last.ran - self.drive.at(to.max(begun.at)).ran.min(last.ran)
    }

    /// After a daemon that ended in good order: record and gaps together are what the drive counted.
    pub fn account(&self, what: &str) -> String {
        let status = self.cabinet.run(&["status", "--data", "data", "--json"]).json();
        let hoist = &status["mechanisms"][0];
        let (answers, first) = (self.drive.answers(), self.first.expect("something was counted"));
        let last = answers.last().unwrap();
        // What can be seen of the drive through its answers: of two starts between two answers only one is seen, and
        // running time is that of each answer until the next, which at an edge is not the drive's own.
        let (mut unseen, mut edges) = (0_u64, 0.0);
        for pair in answers.windows(2).filter(|pair| pair[0].at >= first.at) {
            let (passed, ran) = (pair[1].at - pair[0].at, pair[1].ran - pair[0].ran);
            let stands = if pair[0].running { passed.min(STALE_AFTER) } else { 0.0 };
            if passed > STALE_AFTER {
                // A gap: the counter tells what ran beyond what the last answer stands for.
                edges += (stands - ran).max(0.0);
            } else {
                let starts = pair[1].starts - pair[0].starts;
                unseen += starts - u64::from(starts > 0 && !pair[0].running && pair[1].running);
                edges += (stands - ran).abs();
            }
        }
        let count = |field: &str| hoist[field].as_u64().unwrap();
        let (seen, told, drive) = (count("starts"), count("gap_starts"), last.starts - first.starts);
        assert!(
            (seen + told).abs_diff(drive) <= 1 + unseen,
            "{what}: {seen} starts in the record, {told} in gaps, {drive} by the drive, {unseen} between two polls\n{hoist:#}"
        );
        let parts = hoist["periods"].as_array().unwrap();
        let hours = |kind: &str| -> f64 {
            parts.iter().filter(|p| p["kind"] == kind).map(|p| p["running_hours"].as_f64().unwrap() * 3600.0).sum()
        };
        let (seen, told, drive) =
            (hoist["running_hours"].as_f64().unwrap() * 3600.0, hours("gap"), last.ran - first.ran);
        // A gap that has just ended may still wait for the counter's next step.
        let waiting = hoist["gap_waiting_hours"].as_f64().unwrap() * 3600.0;
        assert!(waiting <= 2.0, "{what}: {waiting:.3} s of gaps still wait for the counter");
        let allowed = edges + waiting + 2.0 * HOUR_STEP;
        assert!(
            (seen + told - drive).abs() <= allowed,
            "{what}: ran {seen:.3} s in the record, {told:.3} s in gaps, {drive:.3} s by the drive; {allowed:.3} s allowed"
        );
        format!(
            "{starts} starts and {drive:.2} s by the drive; {} starts and {seen:.2} s in the record, {} starts and \
             {told:.2} s told of gaps; {edges:.2} s lie in the edges that polling leaves open",
            count("starts"),
            count("gap_starts"),
            starts = last.starts - first.starts,
        )
    }

    /// Waits until the drive has answered so many times since the daemon was started.
    pub fn answered(&self, count: usize) {
        let before = *self.answered_before.last().unwrap();
        wait_for("answers of the drive", Duration::from_secs(60), || {
            (self.drive.answers().len() >= before + count).then_some(())
        });
    }
}

fn on_page(port: u16, path: &str) -> Option<Value> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
    write!(stream, "GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n").ok()?;
    let mut text = String::new();
    stream.read_to_string(&mut text).ok()?;
    // Torn by the kill: no answer.
    serde_json::from_str(text.split_once("\r\n\r\n")?.1).ok()
}

/// Unix time of an instant in UTC, as the product prints it.
fn unix(text: &str) -> f64 {
    let at: jiff::Timestamp = text.parse().unwrap();
    at.as_millisecond() as f64 / 1000.0
}
