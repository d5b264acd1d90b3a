//! Four drives that work on whoever asks them: Modbus TCP on the loopback address, each on a time that is set from
//! outside. They say when they have been asked, so that time can wait for whoever asks.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex};
use std::time::Duration;

use crate::work::Work;

/// The counters stand apart, so they are a request of their own: when it comes, the answer before it has been taken.
const COUNTERS: usize = 100;

pub const SIGNALS: &str = r#"load_kg = { address = 0, type = "i32" }
raising = { address = 2, type = "bit", bit = 0 }
lowering = { address = 2, type = "bit", bit = 1 }
run_hours = { address = 100, type = "u32", unit = "s" }
starts = { address = 102, type = "u32" }"#;

#[derive(Default)]
struct Line {
    /// The connection that is served, if any.
    stream: Option<TcpStream>,
    connection: u64,
    /// It has been asked for everything, at this time of the drive.
    asked_ms: Option<i64>,
}

struct State {
    now_ms: i64,
    on: bool,
    lines: Vec<Line>,
}

struct Shared {
    state: Mutex<State>,
    asked: Condvar,
    works: Vec<Work>,
}

pub struct Drives {
    pub ports: Vec<u16>,
    shared: Arc<Shared>,
}

impl Drives {
    pub fn start(works: Vec<Work>) -> Self {
        let lines = works.iter().map(|_| Line::default()).collect();
        let state = Mutex::new(State { now_ms: 0, on: true, lines });
        let shared = Arc::new(Shared { state, asked: Condvar::new(), works });
        let start = |index| {
            let listener = TcpListener::bind("127.0.0.1:0").unwrap();
            let port = listener.local_addr().unwrap().port();
            let shared = shared.clone();
            // Ends with the test's process.
            std::thread::spawn(move || {
                listener.incoming().map_while(Result::ok).for_each(|stream| shared.take(index, stream));
            });
            port
        };
        let ports = (0..shared.works.len()).map(start).collect();
        Drives { ports, shared }
    }

    pub fn work(&self, index: usize) -> &Work {
        &self.shared.works[index]
    }

    pub fn set(&self, now_ms: i64) {
        self.shared.state.lock().unwrap().now_ms = now_ms;
    }

    /// Switches all of them on or off. Without its drive nobody answers: a caller is hung up on.
    pub fn switch(&self, on: bool) {
        let mut state = self.shared.state.lock().unwrap();
        state.on = on;
        if !on {
            state.lines.iter_mut().for_each(Line::end);
        }
    }

    pub fn are_on(&self) -> bool {
        self.shared.state.lock().unwrap().on
    }

    /// Whoever asked them is gone.
    pub fn hang_up(&self) {
        self.shared.state.lock().unwrap().lines.iter_mut().for_each(Line::end);
    }

    /// Whether all of them are being asked.
    pub fn all_asked(&self) -> bool {
        self.shared.state.lock().unwrap().lines.iter().all(|line| line.asked_ms.is_some())
    }

    /// Waits until each that is being asked has been asked at the present time; false after a minute.
    pub fn wait_until_asked(&self) -> bool {
        let state = self.shared.state.lock().unwrap();
        let waits =
            |state: &mut State| state.lines.iter().any(|line| line.asked_ms.is_some_and(|ms| ms != state.now_ms));
        let waited = self.shared.asked.wait_timeout_while(state, Duration::from_secs(60), waits).unwrap();
        !waited.1.timed_out()
    }
}

impl Line {
    fn end(&mut self) {
        if let Some(stream) = self.stream.take() {
            let _ = stream.shutdown(Shutdown::Both);
        }
        self.asked_ms = None;
        self.connection += 1;
    }
}

impl Shared {
    fn take(self: &Arc<Self>, index: usize, stream: TcpStream) {
        let mut state = self.state.lock().unwrap();
        if !state.on {
            return;
        }
        let line = &mut state.lines[index];
        line.end();
        line.stream = stream.try_clone().ok();
        let (shared, connection) = (self.clone(), line.connection);
        std::thread::spawn(move || {
            shared.serve(index, connection, stream);
            let mut state = shared.state.lock().unwrap();
            if state.lines[index].connection == connection {
                state.lines[index].end();
            }
            shared.asked.notify_all();
        });
    }

    fn serve(&self, index: usize, connection: u64, mut stream: TcpStream) {
        let _ = stream.set_nodelay(true);
        let mut asked = [0_u8; 12];
        while stream.read_exact(&mut asked).is_ok() {
            let word = |at: usize| usize::from(u16::from_be_bytes([asked[at], asked[at + 1]]));
            let (function, first, count) = (asked[7], word(8), word(10));
            let now_ms = self.state.lock().unwrap().now_ms;
            let shown = self.works[index].at(now_ms);
            let (load, ran, starts) = (shown.load_kg as i32, (shown.ran_ms / 1000) as u32, shown.starts as u32);
            let status = [0, u8::from(shown.up) | u8::from(shown.down) << 1];
            let (base, block) = match first >= COUNTERS {
                true => (COUNTERS, [ran.to_be_bytes(), starts.to_be_bytes()].concat()),
                false => (0, [&load.to_be_bytes()[..], &status].concat()),
            };
            let body = match block.get((first - base) * 2..(first - base + count) * 2) {
                Some(registers) if function == 3 => [&[3, registers.len() as u8], registers].concat(),
                _ => vec![function | 0x80, 2],
            };
            let mut answer = asked[..4].to_vec();
            answer.extend((body.len() as u16 + 1).to_be_bytes());
            answer.push(asked[6]);
            answer.extend(body);
            if stream.write_all(&answer).is_err() {
                return;
            }
            if first >= COUNTERS {
                let mut state = self.state.lock().unwrap();
                let line = &mut state.lines[index];
                if line.connection == connection {
                    line.asked_ms = Some(now_ms);
                    self.asked.notify_all();
                }
            }
        }
    }
}
