//! A service manager's side of `sd_notify(3)`: a datagram socket that notes what it is told, and when.

use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Instant;

use crate::cabinet::Cabinet;

/// Plays the manager until the test ends.
pub struct Manager {
    /// What `NOTIFY_SOCKET` is to be set to.
    pub socket: PathBuf,
    heard: Arc<Mutex<Vec<(Instant, String)>>>,
    _home: Cabinet,
}

impl Default for Manager {
    fn default() -> Self {
        Self::start()
    }
}

impl Manager {
    /// Opens the socket.
    pub fn start() -> Self {
        let home = Cabinet::new();
        let socket = home.path().join("notify");
        let listener = UnixDatagram::bind(&socket).unwrap();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let noted = heard.clone();
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n) = listener.recv(&mut buffer) {
                let text = String::from_utf8_lossy(&buffer[..n]).into_owned();
                noted.lock().unwrap().push((Instant::now(), text));
            }
        });
        Manager { socket, heard, _home: home }
    }

    /// How many datagrams since `from` fed the watchdog.
    pub fn fed_since(&self, from: Instant) -> usize {
        self.heard.lock().unwrap().iter().filter(|(at, text)| *at >= from && text.contains("WATCHDOG=1")).count()
    }

    /// Whether it was ever told this line.
    pub fn was_told(&self, line: &str) -> bool {
        self.heard.lock().unwrap().iter().any(|(_, text)| text.lines().any(|told| told == line))
    }
}
