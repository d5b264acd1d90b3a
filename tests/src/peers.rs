//! Real peers that are not ours, each on a free port of the loopback address.

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use crate::cabinet::{Cabinet, Running, wait_for};

/// A port of the loopback address that is free, and is given to nobody else: it lies below those that the kernel lends
/// to callers (from 32768 on), begins elsewhere in each process, and comes once in a process.
pub fn free_port() -> u16 {
    static GIVEN: AtomicU32 = AtomicU32::new(0);
    let begin = std::process::id().wrapping_mul(211);
    loop {
        let next = begin.wrapping_add(GIVEN.fetch_add(1, Ordering::Relaxed));
        let port = 10_000 + (next % 22_000) as u16;
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

/// The Python with the peers of `tests/peers/requirements.txt`; `tests/run` makes it and names it.
pub fn python() -> PathBuf {
    let path = std::env::var_os("TALLYHOOK_TEST_PYTHON")
        .expect("TALLYHOOK_TEST_PYTHON is not set: start the tests with tests/run, which installs the Python peers");
    path.into()
}

/// Starts a Python script of `tests/peers/`.
pub fn python_script(script: &str, arguments: &[&str]) -> Running {
    let mut command = Command::new(python());
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers").join(script);
    assert!(file.is_file(), "{} is missing", file.display());
    command.arg("-u").arg(file).args(arguments);
    Running::start(command)
}

/// A command that gives a program a terminal (`tests/peers/terminal.py`); its arguments follow.
pub fn on_a_terminal(program: &Path) -> Command {
    let mut command = Command::new(python());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/terminal.py");
    command.arg("-u").arg(script).arg(program);
    command
}

/// Waits until something listens on a port.
pub fn wait_for_port(what: &str, port: u16) {
    wait_for(what, Duration::from_secs(20), || TcpStream::connect(("127.0.0.1", port)).ok());
}

/// A Mosquitto of its own.
pub struct Broker {
    /// Where it listens.
    pub port: u16,
    process: Option<Running>,
    home: Cabinet,
    keeps: bool,
}

impl Default for Broker {
    fn default() -> Self {
        Self::start()
    }
}

impl Broker {
    /// Starts a broker that keeps its sessions across a restart.
    pub fn start() -> Self {
        Self::with(true)
    }

    /// Starts a broker that keeps nothing on disk: after a kill it has forgotten sessions, retained and queued messages.
    pub fn forgetful() -> Self {
        Self::with(false)
    }

    fn with(keeps: bool) -> Self {
        let mut broker = Broker { port: free_port(), process: None, home: Cabinet::new(), keeps };
        broker.up();
        broker
    }

    /// Starts the broker again after [`Broker::kill`].
    pub fn up(&mut self) {
        let home = self.home.path().display();
        let mut config = format!(
            "listener {} 127.0.0.1\nallow_anonymous true\nuser root\nmax_queued_messages 0\npersistence {}\n",
            self.port, self.keeps
        );
        if self.keeps {
            config += &format!("persistence_location {home}/\nautosave_interval 1\nautosave_on_changes true\n");
        }
        let file = self.home.write("broker.conf", &config);
        let mut command = Command::new("mosquitto");
        command.arg("-c").arg(file);
        self.process = Some(Running::start(command));
        wait_for_port("the broker", self.port);
    }

    /// Kills the broker without a warning.
    pub fn kill(&mut self) {
        if let Some(process) = self.process.take() {
            process.kill();
        }
    }

    /// Subscribes to a topic filter with a client that is not ours; each line is `topic payload`.
    pub fn subscribe(&self, filter: &str) -> Running {
        let mut command = line_by_line("mosquitto_sub");
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-t", filter, "-F", "%t %p"]);
        Running::start(command)
    }

    /// As [`Broker::subscribe`], in a session of that name, which a broker that keeps sessions goes on with.
    pub fn subscribe_as(&self, name: &str, filter: &str) -> Running {
        let mut command = line_by_line("mosquitto_sub");
        let port = self.port.to_string();
        command.args(["-h", "127.0.0.1", "-p", &port, "-i", name, "-c", "-q", "1", "-t", filter, "-F", "%t %p"]);
        Running::start(command)
    }

    /// Publishes a text with a client that is not ours; whether the broker took it.
    pub fn publish(&self, topic: &str, text: &str) -> bool {
        let port = self.port.to_string();
        let mut command = Command::new("mosquitto_pub");
        command.args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", topic, "-m", text]);
        command.stderr(std::process::Stdio::null()).status().is_ok_and(|status| status.success())
    }
}

/// A program whose output comes a line at a time: into a pipe it would hold back its last kilobytes until more comes.
fn line_by_line(program: &str) -> Command {
    let mut command = Command::new("stdbuf");
    command.args(["-oL", program]);
    command
}
