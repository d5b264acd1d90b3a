//! The site that is soaked: four drives, the daemon with a clock that is told to it, broker and server behind gates.

use std::io::Write as _;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, Running, binary, pause, wait_for};
use tallyhook_tests::gate::Gate;
use tallyhook_tests::peers::{Broker, free_port};
use tallyhook_tests::series::TimeSeries;

use crate::drives::{Drives, SIGNALS};
use crate::work::{HOUR_MS, Work};

pub const HOISTS: usize = 4;
/// So many readings may wait for the daemon's loop (`agent/src/drive/mod.rs`).
const QUEUE: i64 = 64;
pub const RATED_KG: i64 = 12_500;
/// The first morning, 2026-03-02 06:00 UTC, a Monday.
pub const BEGIN_MS: i64 = 1_772_431_200_000;
/// Longest time between two commits while something runs.
pub const COMMIT_EVERY_MS: i64 = 60_000;

/// What a process holds in memory, bytes: in sum, and of that what is its own and no page of a file.
#[derive(Clone, Copy, Debug, Default)]
pub struct Memory {
    pub resident: i64,
    pub own: i64,
}

/// What a daemon held an hour after it had begun to ask the drives, at each full hour since then, and at its end.
#[derive(Clone, Debug, Default)]
pub struct Held {
    pub first: Option<Memory>,
    pub hours: Vec<Memory>,
    pub end: Memory,
}

pub struct Site {
    pub cabinet: Cabinet,
    pub drives: Drives,
    pub broker: Gate,
    pub server: Gate,
    pub series: TimeSeries,
    pub grain_ms: i64,
    /// How long a sample stands.
    pub stale_ms: i64,
    pub now_ms: i64,
    /// By how much the wall clock is beside the time that has passed.
    pub wall_off_ms: i64,
    /// From when on dates of the ledger are off, and by how much.
    pub set_back: Option<(i64, i64)>,
    /// Stretches in which a daemon died and the next one took over.
    pub cut: Vec<(i64, i64)>,
    /// What the daemons have said.
    pub said: String,
    /// By daemon.
    pub held: Vec<Held>,
    asks_since: Option<i64>,
    _broker: Broker,
    listener: Running,
    heard: Vec<String>,
    page: u16,
    clocks: TcpListener,
    daemon: Option<(Running, TcpStream, i64)>,
}

/// What the service manager puts into the daemon's environment.
fn environment_of_the_unit() -> Vec<(String, String)> {
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/tallyhook.service");
    let unit = std::fs::read_to_string(unit).unwrap();
    let settings = unit.lines().filter_map(|line| line.strip_prefix("Environment="));
    settings.map(|set| set.split_once('=').map(|(name, value)| (name.to_owned(), value.to_owned())).unwrap()).collect()
}

impl Site {
    pub fn new(days: i64, grain_ms: i64) -> Self {
        let (cabinet, clocks) = (Cabinet::new(), TcpListener::bind("127.0.0.1:0").unwrap());
        let drives = Drives::start((0..HOISTS).map(|n| Work::of(n as u64 + 1, days, grain_ms)).collect());
        let (broker, series, page) = (Broker::forgetful(), TimeSeries::start(), free_port());
        let mut listener = broker.subscribe("tallyhook/#");
        wait_for("the listener at the broker", Duration::from_secs(20), || {
            broker.publish("tallyhook/ready", "");
            listener.lines_so_far().iter().any(|line| line.starts_with("tallyhook/ready")).then_some(())
        });
        let (stale_ms, gates) = (grain_ms * 5 / 2, (Gate::before(broker.port), Gate::before(series.port)));
        let mut text = format!(
            "[site]\nname = \"Eastfield precast yard\"\ntime_zone = \"UTC\"\n\
             [store]\ndirectory = \"data\"\ncommit_every = \"{COMMIT_EVERY_MS}ms\"\n\
             [page]\nlisten = \"127.0.0.1:{page}\"\n[mqtt]\nhost = \"127.0.0.1\"\nport = {}\n\
             [influx]\nurl = \"http://127.0.0.1:{}\"\norg = \"plant\"\nbucket = \"cranes\"\n\
             [[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n",
            gates.0.port, gates.1.port
        );
        for (n, port) in drives.ports.iter().enumerate() {
            text.push_str(&format!(
                "[[crane.mechanism]]\nid = \"hoist-{n}\"\ngroup = \"M5\"\nrated_load_kg = {RATED_KG}\ndrive = \"d{n}\"\n\
                 stale_after = \"{stale_ms}ms\"\n[crane.mechanism.signals]\n{SIGNALS}\n[drive.d{n}]\n\
                 address = \"127.0.0.1:{port}\"\npoll = \"{grain_ms}ms\"\npoll_counters = \"{grain_ms}ms\"\n\
                 timeout = \"1min\"\n"
            ));
        }
        cabinet.write("site.toml", &text);
        Site {
            cabinet,
            drives,
            broker: gates.0,
            server: gates.1,
            series,
            grain_ms,
            stale_ms,
            now_ms: 0,
            wall_off_ms: 0,
            set_back: None,
            cut: Vec::new(),
            said: String::new(),
            held: Vec::new(),
            asks_since: None,
            _broker: broker,
            listener,
            heard: Vec::new(),
            page,
            clocks,
            daemon: None,
        }
    }

    /// Starts the daemon and lets time go on until it asks all drives that are on.
    pub fn start(&mut self) {
        let mut command = Command::new(binary().with_file_name("examples").join("told_time"));
        command.args(["site.toml", &self.clocks.local_addr().unwrap().to_string()]).current_dir(self.cabinet.path());
        command.envs(environment_of_the_unit());
        let running = Running::start(command);
        let (clock, _) = self.clocks.accept().unwrap();
        clock.set_nodelay(true).unwrap();
        self.daemon = Some((running, clock, self.now_ms));
        self.asks_since = None;
        self.held.push(Held::default());
        self.tell_time();
        let daemon = &mut self.daemon.as_mut().unwrap().0;
        daemon.line(Duration::from_secs(60), |line| line.starts_with("page: ").then_some(()));
        if self.drives.are_on() {
            self.until_asked();
        }
    }

    /// Lets time go on until the daemon asks all drives, which are on.
    pub fn until_asked(&mut self) {
        wait_for("questions to all drives", Duration::from_secs(120), || {
            self.step(self.grain_ms);
            self.drives.all_asked().then_some(())
        });
    }

    fn tell_time(&mut self) {
        let wall = BEGIN_MS + self.now_ms + self.wall_off_ms;
        let (daemon, clock, begun) = self.daemon.as_mut().unwrap();
        let told = writeln!(clock, "{} {wall}", self.now_ms - *begun);
        assert!(told.is_ok() && daemon.runs(), "the daemon ended unasked: {}", daemon.stderr());
    }

    /// Time goes on, for the drives and for the daemon, and stands until each drive that was asked before is asked again.
    pub fn step(&mut self, by_ms: i64) {
        self.now_ms += by_ms;
        self.drives.set(self.now_ms);
        if self.daemon.is_none() {
            return;
        }
        self.tell_time();
        let asked = self.drives.wait_until_asked();
        assert!(asked, "a drive was not asked for a minute: {}", self.daemon.as_ref().unwrap().0.stderr());
        if self.asks_since.is_none() && self.drives.all_asked() {
            self.asks_since = Some(self.now_ms);
        }
        let asks_for_an_hour = self.asks_since.is_some_and(|since| self.now_ms - since >= HOUR_MS);
        if asks_for_an_hour && (self.held.last().unwrap().first.is_none() || self.now_ms % HOUR_MS == 0) {
            let memory = self.memory();
            let held = self.held.last_mut().unwrap();
            held.first.get_or_insert(memory);
            held.hours.push(memory);
        }
    }

    /// Notes what the daemon holds that is to end now.
    fn note_held(&mut self) {
        let memory = self.memory();
        self.held.last_mut().unwrap().end = memory;
    }

    /// Kills the daemon without a warning; time goes on for a while, then the next one starts.
    pub fn kill(&mut self, away_ms: i64) {
        let killed_ms = self.now_ms;
        self.note_held();
        let (daemon, ..) = self.daemon.take().unwrap();
        self.said += &daemon.stderr();
        daemon.kill();
        self.drives.hang_up();
        self.step(away_ms);
        self.start();
        // In time-lapse up to [`QUEUE`] readings may still wait for the daemon's loop, which have been seen by nobody.
        let before = COMMIT_EVERY_MS + self.stale_ms + (2 + QUEUE / HOISTS as i64) * self.grain_ms;
        self.cut.push((killed_ms - before, self.now_ms + 2 * self.grain_ms));
    }

    /// Ends the daemon in good order.
    pub fn stop(&mut self) {
        self.note_held();
        self.daemon.as_ref().unwrap().0.signal("TERM");
        wait_for("the end of the daemon", Duration::from_secs(60), || {
            self.now_ms += 100;
            let wall = BEGIN_MS + self.now_ms + self.wall_off_ms;
            let (daemon, clock, begun) = self.daemon.as_mut().unwrap();
            let _ = writeln!(clock, "{} {wall}", self.now_ms - *begun);
            (!daemon.runs()).then_some(())
        });
        let (mut daemon, ..) = self.daemon.take().unwrap();
        let code = daemon.wait(Duration::from_secs(1)).code();
        self.said += &daemon.stderr();
        assert_eq!(code, Some(0), "{}", daemon.stderr());
    }

    /// What the daemon's process holds in memory.
    fn memory(&self) -> Memory {
        let (daemon, ..) = self.daemon.as_ref().unwrap();
        let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
        let bytes = |name: &str| {
            let line = status.lines().find(|line| line.starts_with(name)).unwrap();
            line.split_whitespace().nth(1).unwrap().parse::<i64>().unwrap() * 1024
        };
        Memory { resident: bytes("VmRSS:"), own: bytes("RssAnon:") }
    }

    /// What the page answers.
    pub fn page(&self, path: &str) -> Value {
        let body = tallyhook_tests::page::body(&format!("127.0.0.1:{}", self.page), path);
        serde_json::from_str(&body).unwrap()
    }

    /// Notes what has come to the listener at the broker, without the states.
    pub fn hear(&mut self) {
        let state = |line: &String| line.split(' ').next().is_some_and(|topic| topic.ends_with("/state"));
        let lines = self.listener.lines_so_far();
        self.heard.extend(lines.into_iter().filter(|line| !state(line)));
    }

    /// Everything that the listener has heard.
    pub fn heard(&mut self) -> &[String] {
        self.hear();
        &self.heard
    }

    /// Waits until nothing is lacking any more, with time going on slowly; ends with what lacks and the daemon's words.
    pub fn wait(&mut self, mut lacks: impl FnMut(&mut Site) -> Option<String>) {
        let end = Instant::now() + Duration::from_secs(300);
        loop {
            self.step(self.grain_ms);
            pause(Duration::from_millis(70));
            let Some(lack) = lacks(self) else { return };
            let (daemon, ..) = self.daemon.as_ref().unwrap();
            assert!(Instant::now() < end, "{lack} for five minutes; the daemon says: {}", daemon.stderr());
        }
    }

    /// The date in the ledger of a time, as milliseconds since the first morning.
    pub fn dated(&self, ms: i64) -> i64 {
        ms + self.set_back.filter(|(from, _)| *from <= ms).map_or(0, |(_, off)| off)
    }

    /// Whether a lift may be cut or lost in this stretch.
    pub fn is_cut(&self, from_ms: i64, to_ms: i64) -> bool {
        self.cut.iter().any(|(a, b)| *a <= to_ms && from_ms <= *b)
    }
}
