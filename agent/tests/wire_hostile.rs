//! Peers that misbehave in every way we could think of, on TCP, RTU over TCP and RTU on a pseudo terminal.
//!
//! The peer numbers the requests, and a correct answer holds the number of its request as the load. So a booked load
//! says which request it answered: it must be one that was answered correctly and in time, and no later request may
//! have been put before the reading was taken. Everything else that the peer sends holds loads of other numbers.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::disallowed_methods, reason = "tests")]

mod bench;

use std::collections::{BTreeMap, VecDeque};
use std::fs::OpenOptions;
use std::io::{self, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use bench::{Bench, alone, claim_precedence, config, seconds, value};
use tallyhook::clock::Clock;
use tallyhook::drive::{Decoded, DriveReading, LinkState};
use tallyhook_tests::modbus::PtyPair;

/// What the peer does with a request.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Deed {
    Good,
    Dribble,
    Twice,
    GarbageBehind,
    WrongTransaction,
    OldTransaction,
    Late,
    SlowDribble,
    CutOff,
    CutOffAndClose,
    Reset,
    GarbageBefore,
    Garbage,
    WrongUnit,
    WrongFunction,
    OneShort,
    OneTooMany,
    WrongChecksum,
    Exception,
    Silence,
    Close,
}

impl Deed {
    const ALL: [Deed; 21] = {
        use Deed::*;
        [
            Good,
            Dribble,
            Twice,
            GarbageBehind,
            WrongTransaction,
            OldTransaction,
            Late,
            SlowDribble,
            CutOff,
            CutOffAndClose,
            Reset,
            GarbageBefore,
            Garbage,
            WrongUnit,
            WrongFunction,
            OneShort,
            OneTooMany,
            WrongChecksum,
            Exception,
            Silence,
            Close,
        ]
    };

    /// Whether the load in it is the device's answer to this request, whole and in time.
    fn is_genuine(self) -> bool {
        matches!(self, Deed::Good | Deed::Dribble | Deed::Twice | Deed::GarbageBehind)
    }

    fn fits(self, way: Way) -> bool {
        match self {
            Deed::WrongTransaction | Deed::OldTransaction => way == Way::Tcp,
            Deed::WrongChecksum => way != Way::Tcp,
            Deed::Close | Deed::CutOffAndClose | Deed::Reset => way != Way::Pty,
            _ => true,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Way {
    Tcp,
    RtuOverTcp,
    Pty,
}

/// A request as the peer took it.
#[derive(Clone, Copy, Debug)]
struct Taken {
    number: i64,
    at: Duration,
    deed: Deed,
    exception: Option<u8>,
}

/// What peer and test know of one line.
struct Line {
    way: Way,
    poll: Duration,
    timeout: Duration,
    /// How late a late answer can be, in time-outs.
    latest: f64,
    clock: Clock,
    rng: fastrand::Rng,
    number: i64,
    /// The last requests; enough for what may wait in the queue of readings.
    taken: VecDeque<Taken>,
    behaves: bool,
    /// When it began to behave, or ended its last misdeed, whichever is later.
    good_since: Duration,
    deeds: BTreeMap<Deed, u64>,
    exceptions: BTreeMap<u8, u64>,
}

type Shared = Arc<Mutex<Line>>;

const UNIT: u8 = 9;

/// 16 bits by the polynomial of the RTU checksum, worked out bit by bit from the far end: another way than the
/// product's.
fn checksum(bytes: &[u8]) -> [u8; 2] {
    let mut register = 0xFFFF_u32;
    for &byte in bytes {
        for bit in 0..8 {
            let feedback = (register ^ u32::from(byte) >> bit) & 1;
            register >>= 1;
            if feedback == 1 {
                register ^= 0xA001;
            }
        }
    }
    [register as u8, (register >> 8) as u8]
}

fn frame(way: Way, transaction: [u8; 2], body: &[u8]) -> Vec<u8> {
    match way {
        Way::Tcp => [&transaction[..], &[0, 0, 0, body.len() as u8], body].concat(),
        _ => [body, &checksum(body)].concat(),
    }
}

/// The body of an answer that holds a load, cut or filled to the number of registers.
fn body(unit: u8, function: u8, load: i64, registers: usize) -> Vec<u8> {
    let mut data = (load as i32).to_be_bytes().to_vec();
    data.resize(registers * 2, 0);
    [&[unit, function, data.len() as u8], data.as_slice()].concat()
}

/// Serves one connection until it ends.
fn serve(mut stream: impl Read + Write, line: &Shared) -> io::Result<()> {
    let (way, timeout, latest, clock) = {
        let line = line.lock().unwrap();
        (line.way, line.timeout, line.latest, line.clock.clone())
    };
    let length = if way == Way::Tcp { 12 } else { 8 };
    let mut request = vec![0; length];
    loop {
        // The last byte is left unread for a reset: a socket closed with unread bytes is reset, not closed.
        stream.read_exact(&mut request[..length - 1])?;
        let (taken, mut rng) = {
            let mut line = line.lock().unwrap();
            let line = &mut *line;
            line.number += 1;
            let fitting: Vec<Deed> = Deed::ALL.into_iter().filter(|d| d.fits(way)).collect();
            let deed = if line.behaves { Deed::Good } else { fitting[line.rng.usize(..fitting.len())] };
            let exception = (deed == Deed::Exception).then(|| line.rng.u8(1..=11));
            *line.deeds.entry(deed).or_default() += 1;
            if let Some(code) = exception {
                *line.exceptions.entry(code).or_default() += 1;
            }
            let taken = Taken { number: line.number, at: clock.wire(), deed, exception };
            line.taken.push_back(taken);
            if line.taken.len() > 400 {
                line.taken.pop_front();
            }
            (taken, line.rng.fork())
        };
        if taken.deed != Deed::Reset {
            stream.read_exact(&mut request[length - 1..])?;
        }
        let body_at = length - if way == Way::Tcp { 6 } else { 8 };
        let (unit, function) = (request[body_at], request[body_at + 1]);
        assert!((1..=4).contains(&function), "function {function} was sent to a device");
        if taken.deed != Deed::Reset && way != Way::Tcp {
            assert_eq!(checksum(&request[..6]), request[6..], "the request's checksum");
        }
        let registers = usize::from(request[body_at + 5]);
        let transaction = [request[0], request[1]];
        let result =
            do_it(&mut stream, way, taken, &mut rng, transaction, (unit, function, registers), (timeout, latest));
        if !taken.deed.is_genuine() {
            let mut line = line.lock().unwrap();
            line.good_since = line.good_since.max(clock.wire());
        }
        result?;
    }
}

fn do_it(
    stream: &mut (impl Read + Write),
    way: Way,
    taken: Taken,
    rng: &mut fastrand::Rng,
    transaction: [u8; 2],
    (unit, function, registers): (u8, u8, usize),
    (timeout, latest): (Duration, f64),
) -> io::Result<()> {
    let ended = || Err(io::Error::other("the connection is ended"));
    let good = frame(way, transaction, &body(unit, function, taken.number, registers));
    // A load that no request may have as its answer.
    let poison = body(unit, function, -taken.number - 1, registers);
    let wrong = |body: &[u8]| frame(way, transaction, body);
    let noise = |rng: &mut fastrand::Rng| (0..rng.usize(1..40)).map(|_| rng.u8(..)).collect::<Vec<u8>>();
    match taken.deed {
        Deed::Good => stream.write_all(&good),
        Deed::Dribble | Deed::SlowDribble => {
            let whole = if taken.deed == Deed::Dribble { timeout / 3 } else { timeout * 2 };
            for byte in &good {
                stream.write_all(&[*byte])?;
                stream.flush()?;
                thread::sleep(whole / good.len() as u32);
            }
            Ok(())
        }
        Deed::Twice => stream.write_all(&[good.as_slice(), &good].concat()),
        Deed::GarbageBehind => stream.write_all(&[good, noise(rng)].concat()),
        Deed::WrongTransaction => {
            stream.write_all(&frame(way, [transaction[0] ^ rng.u8(1..), transaction[1]], &poison))
        }
        Deed::OldTransaction => {
            let before = u16::from_be_bytes(transaction).wrapping_sub(rng.u16(1..4)).to_be_bytes();
            stream.write_all(&frame(way, before, &poison))
        }
        Deed::Late => {
            thread::sleep(timeout.mul_f64(1.25 + (latest - 1.25) * rng.f64()));
            stream.write_all(&good)
        }
        Deed::CutOff => stream.write_all(&good[..rng.usize(1..good.len())]),
        Deed::CutOffAndClose | Deed::Reset => {
            stream.write_all(&good[..rng.usize(1..good.len())])?;
            stream.flush()?;
            ended()
        }
        Deed::GarbageBefore => stream.write_all(&[noise(rng), good].concat()),
        Deed::Garbage => stream.write_all(&noise(rng)),
        Deed::WrongUnit => stream.write_all(&wrong(&[&[unit ^ rng.u8(1..)], &poison[1..]].concat())),
        Deed::WrongFunction => {
            let other = (1..=6).filter(|f| *f != function).nth(rng.usize(..5)).unwrap_or(16);
            stream.write_all(&wrong(&[&[unit, other], &poison[2..]].concat()))
        }
        Deed::OneShort => stream.write_all(&wrong(&body(unit, function, -taken.number - 1, registers - 1))),
        Deed::OneTooMany => stream.write_all(&wrong(&body(unit, function, -taken.number - 1, registers + 1))),
        Deed::WrongChecksum => {
            let mut bytes = frame(way, transaction, &poison);
            let at = rng.usize(..bytes.len());
            bytes[at] ^= rng.u8(1..);
            stream.write_all(&bytes)
        }
        Deed::Exception => stream.write_all(&wrong(&[unit, function | 0x80, taken.exception.unwrap_or(4)])),
        Deed::Silence => Ok(()),
        Deed::Close => ended(),
    }
}

/// Starts a line's peer; its bus or address in the configuration.
fn start(line: &Shared) -> (String, Option<PtyPair>) {
    let way = line.lock().unwrap().way;
    let line = line.clone();
    if way == Way::Pty {
        let pair = PtyPair::new();
        let device = OpenOptions::new().read(true).write(true).open(&pair.far).unwrap();
        thread::spawn(move || {
            let device = device;
            let both = Both(&device);
            let _ = serve(both, &line);
        });
        let near = pair.near.display().to_string();
        return (format!("device = \"{near}\"\nbaud = 115200\nparity = \"none\"\nstop_bits = 1"), Some(pair));
    }
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let line = line.clone();
            stream.set_nodelay(true).unwrap();
            thread::spawn(move || {
                let stream: TcpStream = stream;
                let _ = serve(&stream, &line);
            });
        }
    });
    match way {
        Way::Tcp => (format!("address = \"{address}\""), None),
        _ => (format!("address = \"{address}\"\nframing = \"rtu\""), None),
    }
}

/// A file that is read and written through a shared reference, as a socket can be.
struct Both<'f>(&'f std::fs::File);

impl Read for Both<'_> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.0.read(bytes)
    }
}

impl Write for Both<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Bytes of memory that this process holds.
fn resident() -> u64 {
    let pages = std::fs::read_to_string("/proc/self/statm").unwrap();
    pages.split(' ').nth(1).unwrap().parse::<u64>().unwrap() * 4096
}

/// What is kept of the readings of one line.
#[derive(Default)]
struct Account {
    last: i64,
    booked: u64,
    states: BTreeMap<&'static str, u64>,
    /// The last states with their times, for the message of a failure.
    recent: VecDeque<String>,
    /// Waits for the first good reading since the peer behaves.
    waits: bool,
    recoveries: Vec<Duration>,
}

/// Checks one reading against what the peer did.
fn check(name: &str, reading: &DriveReading, line: &Line, account: &mut Account) {
    *account.states.entry(reading.link.name()).or_default() += 1;
    account.recent.push_front(format!("{} ms: {}", reading.at.mono.as_ms(), reading.link));
    account.recent.truncate(24);
    let Decoded::Number(load) = value(reading, "load_kg") else { return };
    let at = Duration::from_millis(reading.at.mono.as_ms() as u64);
    let rounding = Duration::from_millis(2);
    // Another read of the same tick may have been refused.
    let answered = matches!(reading.link, LinkState::Online | LinkState::Exception { .. });
    assert!(answered, "{name}: a load with {}", reading.link);
    assert!(load > account.last, "{name}: the load of request {load} after that of {}", account.last);
    let taken = line.taken.iter().find(|t| t.number == load);
    let taken = taken.unwrap_or_else(|| panic!("{name}: the load {load} is none that the device gave"));
    assert!(taken.deed.is_genuine(), "{name}: booked from {taken:?}");
    assert!(taken.at <= at + rounding, "{name}: read before it was asked for: {taken:?}, {at:?}");
    let later = line.taken.iter().find(|t| t.number == load + 1);
    assert!(later.is_none_or(|l| l.at + rounding >= at), "{name}: {taken:?} was read at {at:?}, after {later:?}");
    account.last = load;
    account.booked += 1;
    if account.waits && line.behaves && reading.link == LinkState::Online && taken.at >= line.good_since {
        account.waits = false;
        let took = (at + rounding).saturating_sub(line.good_since);
        if line.latest <= 2.0 && took > line.poll * 2 {
            let since = line.taken.iter().rev().take(8).collect::<Vec<_>>();
            println!("{name} took {took:?} from {:?}: {:?}; {since:?}", line.good_since, account.recent);
        }
        account.recoveries.push(took);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_booked_that_the_device_did_not_give_for_that_request() {
    let _alone = alone().await;
    claim_precedence();
    let seed = fastrand::u64(..);
    println!("seed {seed}");
    let clock = Clock::system();
    // Way, lines, poll and time-out in ms, how many time-outs a late answer can be late. In the last two rows it is
    // later than two polls, so nothing is asked of their recovery but that it comes.
    let rows = [
        (Way::Tcp, 12, 100, 50, 2.0),
        (Way::RtuOverTcp, 4, 250, 60, 2.0),
        (Way::Pty, 4, 250, 60, 2.0),
        (Way::RtuOverTcp, 4, 80, 50, 6.0),
        (Way::Pty, 4, 80, 50, 6.0),
    ];
    let mut lines: BTreeMap<String, Shared> = BTreeMap::new();
    let (mut text, mut ptys) = (String::new(), Vec::new());
    for (row, (way, count, poll_ms, timeout_ms, latest)) in rows.into_iter().enumerate() {
        for n in 0..count {
            let name = format!("{way:?}-{row}-{n}");
            let line = Arc::new(Mutex::new(Line {
                way,
                poll: Duration::from_millis(poll_ms),
                timeout: Duration::from_millis(timeout_ms),
                latest,
                clock: clock.clone(),
                rng: fastrand::Rng::with_seed(seed.wrapping_add(lines.len() as u64)),
                number: 0,
                taken: VecDeque::new(),
                behaves: false,
                good_since: Duration::ZERO,
                deeds: BTreeMap::new(),
                exceptions: BTreeMap::new(),
            }));
            let (place, pty) = start(&line);
            ptys.extend(pty);
            let keys = format!("unit = {UNIT}\npoll = \"{poll_ms}ms\"\ntimeout = \"{timeout_ms}ms\"");
            text.push_str(&match way {
                Way::Tcp => format!("[drive.{name}]\n{place}\n{keys}\n"),
                _ => format!("[bus.{name}]\n{place}\n[drive.{name}]\nbus = \"{name}\"\n{keys}\n"),
            });
            lines.insert(name, line);
        }
    }
    let signals = "load_kg = { address = 0, type = \"i32\", scale = 0.001 }\nraising = { address = 2, bit = 0 }";
    let mechanisms: Vec<(&str, &str)> = lines.keys().map(|name| (name.as_str(), signals)).collect();
    let mut bench = Bench::start(&config(&text, &mechanisms), &clock);

    let span = seconds(30, 3600);
    let (begun, mut accounts) = (clock.wire(), BTreeMap::<String, Account>::new());
    let mut early = 0;
    // The sockets tick at once, just before this. Half-way between two of their ticks it is clear to which one the peer
    // was good; right behind one, two polls would last to a moment behind the second.
    let mut turn = begun + Duration::from_millis(50);
    let mut behaves = true;
    while clock.wire() - begun < span {
        // Hostile for three seconds, good for three.
        if clock.wire() >= turn {
            behaves = !behaves;
            turn += Duration::from_secs(3);
            for (name, line) in &lines {
                let mut line = line.lock().unwrap();
                let account = accounts.entry(name.clone()).or_default();
                assert!(
                    !account.waits || behaves,
                    "{name} did not recover in three good seconds: {:#?}; {:#?}",
                    account.recent,
                    line.taken.iter().rev().take(30).collect::<Vec<_>>()
                );
                line.behaves = behaves;
                line.good_since = clock.wire();
                account.waits = behaves;
            }
        }
        if early == 0 && clock.wire() - begun > span / 4 {
            early = resident();
        }
        let reading = bench.next().await;
        let line = lines[&*reading.drive].lock().unwrap();
        check(&reading.drive, &reading, &line, accounts.entry(reading.drive.to_string()).or_default());
    }
    let late = resident();
    bench.end().await;

    let mut deeds: BTreeMap<Deed, u64> = BTreeMap::new();
    let mut exceptions: BTreeMap<u8, u64> = BTreeMap::new();
    for (row, (way, _, _, _, latest)) in rows.into_iter().enumerate() {
        let (mut requests, mut booked, mut recoveries, mut poll) = (0, 0, Vec::new(), Duration::ZERO);
        let mut states: BTreeMap<&str, u64> = BTreeMap::new();
        for (name, line) in &lines {
            let line = line.lock().unwrap();
            if !name.starts_with(&format!("{way:?}-{row}-")) {
                continue;
            }
            line.deeds.iter().for_each(|(deed, n)| *deeds.entry(*deed).or_default() += n);
            line.exceptions.iter().for_each(|(code, n)| *exceptions.entry(*code).or_default() += n);
            requests += line.number;
            poll = line.poll;
            let account = &accounts[name];
            booked += account.booked;
            recoveries.extend(account.recoveries.iter().copied());
            account.states.iter().for_each(|(state, n)| *states.entry(state).or_default() += n);
        }
        recoveries.sort();
        let slowest = *recoveries.last().expect("it recovered");
        println!(
            "{way:?}, late by up to {latest} time-outs: {requests} requests, {booked} loads booked, each the answer to its request; {states:?}; {} \
             recoveries, the slowest after {slowest:?} of {:?}",
            recoveries.len(),
            poll * 2
        );
        assert!(latest > 2.0 || slowest <= poll * 2, "{way:?} recovered only after {slowest:?}");
    }
    println!("{deeds:?}, exceptions {exceptions:?}");
    println!("memory at a quarter {early} bytes, at the end {late}");
    for deed in Deed::ALL {
        assert!(deeds.get(&deed).is_some_and(|n| *n >= 10), "{deed:?} was hardly tried: {deeds:?}");
    }
    assert!((1..=11).all(|code| exceptions.contains_key(&code)), "{exceptions:?}");
    assert!(late < early + 4_000_000, "memory grew from {early} to {late} bytes");
}
