//! Modbus peers that are not ours, and the lines between: pty pairs, a line that is as slow as its baud rate, and a
//! proxy that notes every function code.

use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::Command;
use std::sync::mpsc;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::cabinet::{Cabinet, Running, wait_for};
use crate::peers::{free_port, python_script, wait_for_port};

/// A libmodbus server, compiled for the occasion.
pub struct Libmodbus {
    /// The program.
    pub process: Running,
    _home: Cabinet,
}

impl Libmodbus {
    /// Compiles `tests/peers/modbus_peer.c` and starts it; the arguments are explained there.
    pub fn start(arguments: &[&str]) -> Self {
        let home = Cabinet::new();
        let source = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/modbus_peer.c");
        let program = home.path().join("modbus_peer");
        let built = Command::new("cc").args(["-O1", "-o"]).arg(&program).arg(source).arg("-lmodbus").output();
        let built = built.expect("tests/run installs the compiler");
        let said = String::from_utf8_lossy(&built.stderr);
        assert!(built.status.success(), "is libmodbus-dev there? tests/run installs it\n{said}");
        let mut command = Command::new(program);
        command.args(arguments);
        let mut process = Running::start(command);
        process.line(Duration::from_secs(20), |line| (line == "ready").then_some(()));
        Libmodbus { process, _home: home }
    }

    /// Serves one unit on a port of the loopback address; the port.
    pub fn tcp(unit: u8, more: &[&str]) -> (Self, u16) {
        let port = free_port();
        let words = ["tcp".to_owned(), port.to_string(), unit.to_string()];
        let words: Vec<&str> = words.iter().map(String::as_str).chain(more.iter().copied()).collect();
        (Self::start(&words), port)
    }
}

/// A pymodbus server, `tests/peers/modbus_server.py`, on a port of the loopback address; `kind` is `tcp` or
/// `rtu-over-tcp`, `units` the words from the first `unit` on.
pub fn pymodbus_tcp(kind: &str, units: &[&str]) -> (Running, u16) {
    let port = free_port();
    let place = port.to_string();
    let words: Vec<&str> = [kind, &place].into_iter().chain(units.iter().copied()).collect();
    let process = python_script("modbus_server.py", &words);
    wait_for_port("pymodbus", port);
    (process, port)
}

/// A pymodbus server on a serial device.
pub fn pymodbus_rtu(device: &str, baud: u32, units: &[&str]) -> Running {
    let baud = baud.to_string();
    let words: Vec<&str> = ["rtu", device, &baud].into_iter().chain(units.iter().copied()).collect();
    let mut process = python_script("modbus_server.py", &words);
    process.line(Duration::from_secs(20), |line| (line == "ready").then_some(()));
    // It says so just before it opens the port.
    std::thread::sleep(Duration::from_millis(500));
    process
}

/// Two pseudo terminals joined to each other: a serial line without a speed of its own.
pub struct PtyPair {
    /// One end.
    pub near: PathBuf,
    /// The other end.
    pub far: PathBuf,
    _socat: Running,
    _home: Cabinet,
}

impl Default for PtyPair {
    fn default() -> Self {
        Self::new()
    }
}

impl PtyPair {
    /// A new pair: bytes of an earlier test must not wait in it.
    pub fn new() -> Self {
        let home = Cabinet::new();
        let (near, far) = (home.path().join("near"), home.path().join("far"));
        let end = |path: &PathBuf| format!("pty,raw,echo=0,link={}", path.display());
        let mut command = Command::new("socat");
        command.arg(end(&near)).arg(end(&far));
        let socat = Running::start(command);
        wait_for("the pty pair", Duration::from_secs(10), || (near.exists() && far.exists()).then_some(()));
        PtyPair { near, far, _socat: socat, _home: home }
    }
}

/// A serial line as slow as its baud rate: a byte comes out one character's time after the one before it, both ways.
pub struct PacedLine {
    near: PtyPair,
    far: PtyPair,
}

impl PacedLine {
    /// A line on which a character takes `character` long.
    pub fn new(character: Duration) -> Self {
        let (near, far) = (PtyPair::new(), PtyPair::new());
        let open = |path: &PathBuf| OpenOptions::new().read(true).write(true).open(path).unwrap();
        let (a, b) = (open(&near.far), open(&far.near));
        let (a_back, b_back) = (a.try_clone().unwrap(), b.try_clone().unwrap());
        std::thread::spawn(move || pace(a, b, character));
        std::thread::spawn(move || pace(b_back, a_back, character));
        PacedLine { near, far }
    }

    /// The master's end.
    pub fn near(&self) -> String {
        self.near.near.display().to_string()
    }

    /// The device's end.
    pub fn far(&self) -> String {
        self.far.far.display().to_string()
    }
}

/// Passes bytes on, each when its last bit would be through; ends with the line.
fn pace(mut from: File, mut to: File, character: Duration) {
    let (sender, bytes) = mpsc::channel::<(Instant, u8)>();
    std::thread::spawn(move || {
        let mut chunk = [0; 512];
        while let Ok(n @ 1..) = from.read(&mut chunk) {
            let now = Instant::now();
            if chunk[..n].iter().any(|&byte| sender.send((now, byte)).is_err()) {
                return;
            }
        }
    });
    let mut free_at = Instant::now();
    for (came, byte) in bytes {
        free_at = free_at.max(came) + character;
        std::thread::sleep(free_at.saturating_duration_since(Instant::now()));
        if to.write_all(&[byte]).is_err() {
            return;
        }
    }
}

/// Stands between a master and a Modbus TCP device and notes the function code of every request. Only reads may pass:
/// what else it saw fails the test when the proxy goes out of scope.
pub struct FunctionProxy {
    /// Where the master connects.
    pub port: u16,
    seen: Arc<Mutex<Seen>>,
}

/// What a proxy has noted.
#[derive(Default)]
struct Seen {
    functions: BTreeSet<u8>,
    times: Vec<Instant>,
}

impl FunctionProxy {
    /// A proxy before the device at a port of the loopback address.
    pub fn before(device: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        Self::on(listener, device)
    }

    /// As [`FunctionProxy::before`], on a port that is given.
    pub fn at(port: u16, device: u16) -> Self {
        Self::on(TcpListener::bind(("127.0.0.1", port)).unwrap(), device)
    }

    fn on(listener: TcpListener, device: u16) -> Self {
        let port = listener.local_addr().unwrap().port();
        let seen = Arc::new(Mutex::new(Seen::default()));
        let noted = seen.clone();
        std::thread::spawn(move || {
            for master in listener.incoming().map_while(Result::ok) {
                let noted = noted.clone();
                std::thread::spawn(move || pass(master, device, &noted));
            }
        });
        FunctionProxy { port, seen }
    }

    /// The function codes so far.
    pub fn functions(&self) -> Vec<u8> {
        self.seen.lock().unwrap().functions.iter().copied().collect()
    }

    /// When each request came, in order.
    pub fn times(&self) -> Vec<Instant> {
        self.seen.lock().unwrap().times.clone()
    }
}

impl Drop for FunctionProxy {
    fn drop(&mut self) {
        if std::thread::panicking() {
            return;
        }
        let functions = self.functions();
        assert!(functions.iter().all(|f| (1..=4).contains(f)), "function codes {functions:?} were sent to a drive");
        println!("function codes seen by the proxy: {functions:?}");
    }
}

/// Passes one connection on. A device that is away closes the connection, as without the proxy.
fn pass(mut master: TcpStream, device: u16, seen: &Mutex<Seen>) {
    let Ok(mut device) = TcpStream::connect(("127.0.0.1", device)) else { return };
    for stream in [&master, &device] {
        stream.set_nodelay(true).unwrap();
    }
    let (Ok(mut answers), Ok(mut back)) = (device.try_clone(), master.try_clone()) else { return };
    std::thread::spawn(move || {
        let _ = std::io::copy(&mut answers, &mut back);
        let _ = back.shutdown(Shutdown::Both);
    });
    let mut head = [0; 7];
    while master.read_exact(&mut head).is_ok() {
        let mut rest = vec![0; usize::from(u16::from_be_bytes([head[4], head[5]])).saturating_sub(1)];
        if master.read_exact(&mut rest).is_err() {
            break;
        }
        {
            let mut seen = seen.lock().unwrap();
            seen.functions.extend(rest.first());
            seen.times.push(Instant::now());
        }
        if device.write_all(&[&head[..], &rest].concat()).is_err() {
            break;
        }
    }
    let _ = device.shutdown(Shutdown::Both);
}
