//! A hoist that moves when it is told to, and the terminal at which somebody sits beside it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::cabinet::{Cabinet, Running, binary};
use crate::peers::{free_port, on_a_terminal, python_script, wait_for_port};

/// The crane of a hoist of 10 t whose drive `main` shows torque, speed and which way it runs, as a configuration has it.
/// `load`: what else it says of the hoist.
pub fn crane(stale_after: &str, load: &str) -> String {
    format!(
        r#"
[[crane]]
id = "bay-1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
group = "M5"
rated_load_kg = 10000
stale_after = "{stale_after}"
[crane.mechanism.signals]
torque_pct = {{ address = 0, type = "i16", scale = 0.1 }}
speed_pct = {{ address = 1, type = "i16", scale = 0.1 }}
raising = {{ address = 2, bit = 0 }}
lowering = {{ address = 2, bit = 1 }}
{load}
"#
    )
}

/// `tests/peers/hoist.py`: a drive that knows torque, speed and which way it runs.
pub struct Hoist {
    /// Its Modbus port.
    pub port: u16,
    orders: BufReader<TcpStream>,
    _process: Running,
}

impl Default for Hoist {
    fn default() -> Self {
        Self::start()
    }
}

impl Hoist {
    /// Starts it; it stands with an empty hook.
    pub fn start() -> Self {
        let (port, orders) = (free_port(), free_port());
        let process = python_script("hoist.py", &[&port.to_string(), &orders.to_string()]);
        wait_for_port("the hoist", port);
        let orders = TcpStream::connect(("127.0.0.1", orders)).unwrap();
        Hoist { port, orders: BufReader::new(orders), _process: process }
    }

    /// Plays runs to their end; they are explained in the script.
    pub fn play(&mut self, runs: &[Value]) {
        writeln!(self.orders.get_mut(), "{}", json!(runs)).unwrap();
        let mut done = String::new();
        self.orders.read_line(&mut done).unwrap();
        assert_eq!(done, "done\n");
    }

    /// A hanging weight up or down for some seconds, and a rest.
    pub fn run(&mut self, way: i8, kg: f64, seconds: f64) {
        self.play(&[json!([seconds, way, kg, kg, 0, false, false]), json!([0.6, 0, kg, kg, 0, false, false])]);
    }
}

/// The product on a terminal (`tests/peers/terminal.py`).
pub struct Terminal {
    child: Child,
    keys: Option<ChildStdin>,
    shown: mpsc::Receiver<u8>,
    /// All that was shown, and up to where it has been waited for.
    screen: Vec<u8>,
    seen: usize,
}

impl Terminal {
    /// Starts the binary in a cabinet.
    pub fn start(cabinet: &Cabinet, arguments: &[&str]) -> Self {
        let mut command = on_a_terminal(&binary());
        command.args(arguments).current_dir(cabinet.path());
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (sender, shown) = mpsc::channel();
        let mut out = child.stdout.take().unwrap();
        std::thread::spawn(move || {
            let mut chunk = [0; 4096];
            while let Ok(n @ 1..) = out.read(&mut chunk) {
                if chunk[..n].iter().any(|&byte| sender.send(byte).is_err()) {
                    return;
                }
            }
        });
        let keys = child.stdin.take();
        Terminal { child, keys, shown, screen: Vec::new(), seen: 0 }
    }

    /// Types something.
    pub fn keys(&mut self, keys: &str) {
        let to = self.keys.as_mut().unwrap();
        to.write_all(keys.as_bytes()).and_then(|()| to.flush()).unwrap();
    }

    /// All that has been shown so far, with line breaks as blanks.
    pub fn text(&self) -> String {
        flat(&self.screen)
    }

    /// Waits until a text is shown after the last one that was waited for; gives what was shown up to it.
    pub fn wait_for(&mut self, text: &str) -> String {
        let end = Instant::now() + Duration::from_secs(60);
        loop {
            let shown = flat(&self.screen[self.seen..]);
            if shown.contains(text) {
                self.seen = self.screen.len();
                return shown;
            }
            let left = end.saturating_duration_since(Instant::now());
            match self.shown.recv_timeout(left) {
                Ok(byte) => self.screen.extend(std::iter::once(byte).chain(self.shown.try_iter())),
                Err(_) => panic!("`{text}` was not shown:\n{}", tail(&self.text())),
            }
        }
    }

    /// Closes the terminal under the program: it is gone for reading and writing, and the program is told.
    pub fn close(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for the program's end; its exit status and all that was shown.
    pub fn end(mut self) -> (Option<i32>, String) {
        let end = Instant::now() + Duration::from_secs(60);
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < end, "it does not end:\n{}", tail(&self.text()));
            std::thread::sleep(Duration::from_millis(20));
        };
        while let Ok(byte) = self.shown.recv_timeout(Duration::from_secs(10)) {
            self.screen.push(byte);
        }
        (status.code(), String::from_utf8_lossy(&self.screen).replace("\r\n", "\n"))
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // The program goes with its terminal.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Text with line breaks and the blanks that follow them as one blank, so that no wrapping hides it.
fn flat(screen: &[u8]) -> String {
    String::from_utf8_lossy(screen).split_whitespace().collect::<Vec<_>>().join(" ")
}

fn tail(text: &str) -> String {
    text.chars().skip(text.chars().count().saturating_sub(2_000)).collect()
}
