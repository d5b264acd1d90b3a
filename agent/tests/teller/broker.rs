//! A real Mosquitto for a test, which can be killed and comes again on its port.

use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// What a broker still knows after a kill.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Memory {
    /// Nothing: it keeps no file.
    None,
    /// What it knew at its last orderly end.
    AtEnd,
    /// Everything: it writes down each change at once.
    AtOnce,
}

impl Memory {
    fn settings(self, directory: &str) -> String {
        let kept = format!("persistence true\npersistence_location {directory}/\n");
        match self {
            Memory::None => String::new(),
            Memory::AtEnd => kept,
            Memory::AtOnce => kept + "autosave_interval 1\nautosave_on_changes true\n",
        }
    }
}

/// The broker; it ends with the value.
pub struct Broker {
    pub directory: tempfile::TempDir,
    pub port: u16,
    memory: Memory,
    child: Option<Child>,
}

impl Broker {
    pub fn start(memory: Memory) -> Self {
        let mut broker = Broker::stopped(memory);
        broker.again();
        broker
    }

    /// One that does not run yet.
    pub fn stopped(memory: Memory) -> Self {
        let directory = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        Broker { directory, port, memory, child: None }
    }

    /// Starts it on the same port with what it kept, and waits until it answers.
    pub fn again(&mut self) {
        let settings = format!(
            "user root\nlistener {} 127.0.0.1\nallow_anonymous true\n{}max_queued_messages 0\n",
            self.port,
            self.memory.settings(&self.directory.path().display().to_string())
        );
        let file = self.directory.path().join("broker.conf");
        // Written once: there may be no room for it later.
        if !file.exists() {
            std::fs::write(&file, settings).unwrap();
        }
        let mut child = command("mosquitto", "mosquitto").arg("-c").arg(&file).stderr(Stdio::null()).spawn().unwrap();
        for _ in 0..500 {
            assert!(child.try_wait().unwrap().is_none(), "mosquitto ended at once: is port {} taken?", self.port);
            if TcpStream::connect(("127.0.0.1", self.port)).is_ok() {
                self.child = Some(child);
                return;
            }
            std::thread::park_timeout(Duration::from_millis(10));
        }
        panic!("mosquitto does not answer on port {}", self.port);
    }

    /// `kill -9`.
    pub fn kill(&mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// A program of a Debian package; servers are often off a user's path.
pub fn command(program: &str, package: &str) -> Command {
    let on_path = |d: std::path::PathBuf| d.join(program).is_file();
    let sbin = std::path::Path::new("/usr/sbin").join(program);
    let found = std::env::var_os("PATH").is_some_and(|path| std::env::split_paths(&path).any(on_path));
    assert!(found || sbin.is_file(), "{program} is missing: apt-get install {package}");
    Command::new(if found { program.into() } else { sbin })
}
