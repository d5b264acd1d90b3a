//! The product in a temporary directory, met through its binary.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

/// The binary under test. `tests/run` builds it and names it in `TALLYHOOK_TEST_BINARY`.
pub fn binary() -> PathBuf {
    match std::env::var_os("TALLYHOOK_TEST_BINARY") {
        Some(path) => path.into(),
        None => {
            let built = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/debug/tallyhook");
            assert!(built.is_file(), "no binary at {}: run `cargo build` first, or start tests/run", built.display());
            built
        }
    }
}

/// What stories write where a secret belongs. Nothing that is started in a cabinet may ever print it.
pub const SECRET: &str = "kestrel-4711-under-the-bridge";

fn keeps_the_secret(of: &str, text: &str) {
    assert!(!text.contains(SECRET), "{of} told a secret:\n{text}");
}

/// A cabinet: a directory of its own, gone when the test is.
pub struct Cabinet {
    directory: tempfile::TempDir,
}

impl Default for Cabinet {
    fn default() -> Self {
        Self::new()
    }
}

impl Cabinet {
    /// An empty cabinet.
    pub fn new() -> Self {
        Cabinet { directory: tempfile::tempdir().unwrap() }
    }

    /// Its directory.
    pub fn path(&self) -> &Path {
        self.directory.path()
    }

    /// Writes a file into it and gives its path.
    pub fn write(&self, name: &str, content: &str) -> PathBuf {
        let path = self.path().join(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    /// Runs the binary to its end.
    pub fn run(&self, arguments: &[&str]) -> Answer {
        let output = Command::new(binary()).args(arguments).current_dir(self.path()).output().unwrap();
        let answer = Answer {
            status: output.status,
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
        };
        keeps_the_secret("standard output", &answer.stdout);
        keeps_the_secret("standard error", &answer.stderr);
        answer
    }

    /// Starts the binary with more in its environment.
    pub fn start_with(&self, environment: &[(&str, &std::ffi::OsStr)], arguments: &[&str]) -> Running {
        let mut command = Command::new(binary());
        command.args(arguments).current_dir(self.path()).envs(environment.iter().copied());
        Running::watched(command)
    }

    /// Starts the binary and lets it run.
    pub fn start(&self, arguments: &[&str]) -> Running {
        let mut command = Command::new(binary());
        command.args(arguments).current_dir(self.path());
        Running::watched(command)
    }
}

/// What a command that has ended said.
#[derive(Debug)]
pub struct Answer {
    /// Exit status.
    pub status: ExitStatus,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Answer {
    /// Standard output, of a command that must have succeeded.
    pub fn ok(self) -> String {
        assert!(self.status.success(), "status {:?}\n{}\n{}", self.status.code(), self.stdout, self.stderr);
        self.stdout
    }

    /// Standard output as JSON, of a command that must have succeeded.
    pub fn json(self) -> serde_json::Value {
        let text = self.ok();
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("not JSON ({e}): {text}"))
    }
}

/// A program that runs beside the test; killed when it goes out of scope.
pub struct Running {
    child: Child,
    lines: mpsc::Receiver<String>,
    told: std::sync::Arc<std::sync::Mutex<Option<String>>>,
    /// It is the product, and must tell no secret; a peer may.
    watched: bool,
    errors: std::sync::Arc<std::sync::Mutex<String>>,
}

impl Running {
    fn watched(command: Command) -> Self {
        let mut running = Self::start(command);
        running.watched = true;
        running
    }

    /// Starts a program with its output caught.
    pub fn start(mut command: Command) -> Self {
        let mut child =
            command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap_or_else(|e| {
                panic!("cannot start {:?}: {e}; tests/run installs the peers", command.get_program())
            });
        let (sender, lines) = mpsc::channel();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        let told = std::sync::Arc::new(std::sync::Mutex::new(None));
        std::thread::spawn({
            let told = told.clone();
            move || {
                for line in stdout.lines().map_while(Result::ok) {
                    if line.contains(SECRET) {
                        *told.lock().unwrap() = Some(line.clone());
                    }
                    let _ = sender.send(line);
                }
            }
        });
        let errors = std::sync::Arc::new(std::sync::Mutex::new(String::new()));
        let mut stderr = child.stderr.take().unwrap();
        std::thread::spawn({
            let errors = errors.clone();
            move || {
                let mut chunk = [0; 4096];
                while let Ok(n) = stderr.read(&mut chunk) {
                    if n == 0 {
                        break;
                    }
                    errors.lock().unwrap().push_str(&String::from_utf8_lossy(&chunk[..n]));
                }
            }
        });
        Running { child, lines, told, watched: false, errors }
    }

    /// Waits for a line of standard output that `pick` likes.
    pub fn line<T>(&mut self, within: Duration, mut pick: impl FnMut(&str) -> Option<T>) -> T {
        let end = Instant::now() + within;
        let mut seen = Vec::new();
        loop {
            match self.lines.recv_timeout(end.saturating_duration_since(Instant::now())) {
                Ok(line) => {
                    if let Some(found) = pick(&line) {
                        return found;
                    }
                    seen.push(line);
                }
                Err(_) => panic!("the awaited line did not come; seen: {seen:#?}\nstderr: {}", self.stderr()),
            }
        }
    }

    /// The lines of standard output that have come since the last call.
    pub fn lines_so_far(&mut self) -> Vec<String> {
        self.lines.try_iter().collect()
    }

    /// What it has written to standard error so far.
    pub fn stderr(&self) -> String {
        self.errors.lock().unwrap().clone()
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }

    /// Its process number.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Sends it a signal by name, as `kill -NAME` does.
    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").arg(format!("-{name}")).arg(self.child.id().to_string()).status().unwrap();
        assert!(status.success());
    }

    /// Presses Ctrl-C and waits for the end.
    pub fn interrupt(mut self, within: Duration) -> ExitStatus {
        self.signal("INT");
        self.wait(within)
    }

    /// Kills it without a warning, as a power cut does.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for the end.
    pub fn wait(&mut self, within: Duration) -> ExitStatus {
        let end = Instant::now() + within;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(Instant::now() < end, "it did not end within {within:?}; stderr: {}", self.stderr());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if self.watched && !std::thread::panicking() {
            keeps_the_secret("standard error", &self.stderr());
            keeps_the_secret("standard output", self.told.lock().unwrap().as_deref().unwrap_or_default());
        }
    }
}

/// Waits until `ready` gives something, asking every 50 ms.
pub fn wait_for<T>(what: &str, within: Duration, mut ready: impl FnMut() -> Option<T>) -> T {
    let end = Instant::now() + within;
    loop {
        if let Some(found) = ready() {
            return found;
        }
        assert!(Instant::now() < end, "{what} did not come within {within:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Lets programs that are not ours run for a while.
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}
