//! The drive that is read, and the wire to it: hoists that work by a plan drawn from the seed, answers in the bytes of
//! Modbus TCP or RTU made here by hand, and the faults of a wire.

use std::collections::VecDeque;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll, Waker};
use std::time::Duration;

use tallyhook::clock::Hands;
use tallyhook::drive::port::{Opening, Port, Ports};
use tallyhook_config::model::Link;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use super::tally::Counts;

/// What a hoist's drive shows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Shown {
    pub load_kg: i64,
    pub raising: bool,
    pub lowering: bool,
}

/// A lift as it is done, on the monotonic clock.
#[derive(Clone, Copy, Debug)]
pub struct Planned {
    pub begin_ms: i64,
    pub end_ms: i64,
    pub load_kg: i64,
}

/// A hoist at work.
struct Hoist {
    /// Until when, and what is shown till then.
    ahead: VecDeque<(i64, Shown)>,
    planned: Vec<Planned>,
    until_ms: i64,
}

impl Hoist {
    fn shown(&mut self, now_ms: i64, grain_ms: i64, rng: &mut fastrand::Rng) -> Shown {
        loop {
            match self.ahead.front() {
                Some((until, shown)) if now_ms < *until => return *shown,
                Some(_) => drop(self.ahead.pop_front()),
                None => self.plan(grain_ms, rng),
            }
        }
    }

    /// One cycle: up with a load, across, down, back without, and a rest.
    fn plan(&mut self, grain: i64, rng: &mut fastrand::Rng) {
        let load_kg = rng.i64(1_000..=11_500);
        let mut add = |grains: i64, load_kg, raising, lowering, rng: &mut fastrand::Rng| {
            self.until_ms += grains * grain + rng.i64(0..=grain);
            self.ahead.push_back((self.until_ms, Shown { load_kg, raising, lowering }));
            self.until_ms
        };
        // With what came before it, longer than the books need to see that the hook is empty, by more than a poll.
        let begin_ms = add(rng.i64(6..40).max(8), 0, false, false, rng);
        add(rng.i64(4..14), load_kg, true, false, rng);
        add(rng.i64(2..9), load_kg, false, false, rng);
        let end_ms = add(rng.i64(4..14), load_kg, false, true, rng);
        add(rng.i64(4..9), 0, false, false, rng);
        if rng.bool() {
            add(rng.i64(3..9), 0, true, false, rng);
        }
        self.planned.push(Planned { begin_ms, end_ms, load_kg });
    }
}

/// An answer that was sent, and when it arrives.
pub struct Sent {
    pub at_ms: i64,
    pub in_time: bool,
    pub shown: Vec<Shown>,
}

/// The drive, and all that its wire does.
pub struct Device {
    hands: Hands,
    rng: fastrand::Rng,
    rtu: bool,
    grain_ms: i64,
    limit: Duration,
    hoists: Vec<Hoist>,
    pub sent: VecDeque<Sent>,
    /// Switched off: calls are refused and open connections end.
    pub off: bool,
    /// Calls are not answered.
    pub hangs: bool,
    /// One in so many answers is disturbed.
    pub fault_every: u32,
    pub counts: Counts,
    connection: u64,
    waiting: Vec<Waker>,
    /// What a serial line still carries, whoever listens.
    line: Arc<Mutex<Inbox>>,
    /// A device on a line answers in order.
    last_due: Duration,
}

type Inbox = VecDeque<(Duration, Vec<u8>)>;

impl Device {
    pub fn new(hands: Hands, seed: u64, hoists: usize, rtu: bool, grain_ms: i64, limit: Duration) -> Self {
        let hoist = || Hoist { ahead: VecDeque::new(), planned: Vec::new(), until_ms: 0 };
        Device {
            hands,
            rng: fastrand::Rng::with_seed(seed ^ 0xd5),
            rtu,
            grain_ms,
            limit,
            hoists: (0..hoists).map(|_| hoist()).collect(),
            sent: VecDeque::new(),
            off: false,
            hangs: false,
            fault_every: 120,
            counts: Counts::default(),
            connection: 0,
            waiting: Vec::new(),
            line: Arc::default(),
            last_due: Duration::ZERO,
        }
    }

    pub fn planned(&self, hoist: usize) -> &[Planned] {
        &self.hoists[hoist].planned
    }

    /// Every connection ends.
    pub fn hang_up(&mut self) {
        self.connection += 1;
        self.waiting.drain(..).for_each(Waker::wake);
    }

    /// Takes a whole request and sends what it is answered with.
    fn ask(&mut self, bytes: &[u8], inbox: &Mutex<Inbox>) {
        let pdu = if self.rtu { &bytes[1..bytes.len() - 2] } else { &bytes[7..] };
        assert_eq!(pdu[0], 3, "only holding registers are asked for");
        let word = |i: usize| usize::from(u16::from_be_bytes([pdu[i], pdu[i + 1]]));
        let (address, count) = (word(1), word(3));
        let now = self.hands.elapsed();
        let now_ms = now.as_micros().div_ceil(1000) as i64;
        let (grain, rng) = (self.grain_ms, &mut self.rng);
        let shown: Vec<Shown> = self.hoists.iter_mut().map(|hoist| hoist.shown(now_ms, grain, rng)).collect();
        let mut words: Vec<u16> = Vec::new();
        for s in &shown {
            words.extend([
                (s.load_kg >> 16) as u16,
                s.load_kg as u16,
                u16::from(s.raising) | u16::from(s.lowering) << 1,
            ]);
        }
        let mut answer = vec![3, (count * 2) as u8];
        let mut good = true;
        match words.get(address..address + count) {
            Some(asked) => answer.extend(asked.iter().flat_map(|w| w.to_be_bytes())),
            None => (answer, good) = (vec![0x83, 2], false),
        }
        let limit_ms = self.limit.as_millis() as u64;
        let mut delay_ms = self.rng.u64(1..=limit_ms / 4);
        let fault = if self.rng.u32(0..self.fault_every) == 0 { self.rng.u8(0..6) } else { u8::MAX };
        match fault {
            0 => return self.counts.add("answer lost"),
            1 => {
                self.counts.add("answer late");
                delay_ms = self.rng.u64(limit_ms * 5 / 4..limit_ms * 4);
            }
            2 => {
                self.counts.add("connection cut");
                return self.hang_up();
            }
            3 => {
                self.counts.add("read refused");
                (answer, good) = (vec![0x83, 6], false);
            }
            _ => {}
        }
        let mut frame = if self.rtu {
            [&bytes[..1], &answer].concat()
        } else {
            [&bytes[..4], &(answer.len() as u16 + 1).to_be_bytes(), &bytes[6..7], &answer].concat()
        };
        if self.rtu {
            frame.extend(checksum(&frame).to_le_bytes());
        }
        if fault == 4 {
            self.counts.add("answer garbled");
            good = false;
            // TCP bears no checksum of its own in Modbus: what can be known there is the header.
            let last = if self.rtu { frame.len() } else { 4 };
            let at = self.rng.usize(0..last);
            frame[at] ^= 1 << self.rng.u8(0..8);
        }
        if fault == 5 {
            self.counts.add("answer broken off");
            good = false;
            frame.truncate(self.rng.usize(1..frame.len()));
        }
        let mut due = Duration::from_millis(now_ms as u64 + delay_ms);
        if self.rtu {
            due = due.max(self.last_due + Duration::from_millis(20));
            self.last_due = due;
        }
        if due == now + self.limit {
            due += Duration::from_millis(1);
        }
        if good {
            let sent = Sent { at_ms: due.as_millis() as i64, in_time: due <= now + self.limit, shown };
            self.sent.push_back(sent);
            if self.sent.len() > 64 {
                self.sent.pop_front();
            }
        }
        inbox.lock().unwrap().push_back((due, frame));
    }
}

/// CRC of Modbus over Serial Line 1.02, section 6.2.2: polynomial 0xA001, from 0xFFFF.
fn checksum(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 })
    })
}

/// Opens wires to the device.
pub struct Wires(pub Arc<Mutex<Device>>);

impl Ports for Wires {
    fn open(&self, _: &Link) -> Opening {
        let device = self.0.clone();
        Box::pin(async move {
            let (off, hangs) = {
                let device = device.lock().unwrap();
                (device.off, device.hangs)
            };
            if hangs {
                std::future::pending::<()>().await;
            }
            if off {
                return Err(io::Error::from(io::ErrorKind::ConnectionRefused));
            }
            let (hands, connection, inbox) = {
                let mut known = device.lock().unwrap();
                known.connection += 1;
                let inbox = if known.rtu { known.line.clone() } else { Arc::default() };
                (known.hands.clone(), known.connection, inbox)
            };
            Ok(Box::new(Wire { device, hands, connection, inbox, waits: None }) as Box<dyn Port>)
        })
    }
}

struct Wire {
    device: Arc<Mutex<Device>>,
    hands: Hands,
    connection: u64,
    inbox: Arc<Mutex<Inbox>>,
    waits: Option<Pin<Box<dyn Future<Output = ()> + Send>>>,
}

impl AsyncRead for Wire {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        loop {
            let mut device = self.device.lock().unwrap();
            if device.connection != self.connection {
                return Poll::Ready(Ok(()));
            }
            let next = {
                let mut inbox = self.inbox.lock().unwrap();
                match inbox.front() {
                    Some((due, _)) if *due <= self.hands.elapsed() => {
                        let bytes = inbox.pop_front().map(|(_, bytes)| bytes).unwrap_or_default();
                        into.put_slice(&bytes);
                        return Poll::Ready(Ok(()));
                    }
                    other => other.map(|(due, _)| *due),
                }
            };
            device.waiting.retain(|known| !known.will_wake(context.waker()));
            device.waiting.push(context.waker().clone());
            drop(device);
            let Some(due) = next else { return Poll::Pending };
            let mut sleep = Box::pin(self.hands.reach(due));
            let slept = sleep.as_mut().poll(context);
            self.waits = Some(sleep);
            if slept.is_pending() {
                return Poll::Pending;
            }
        }
    }
}

impl AsyncWrite for Wire {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let mut device = self.device.lock().unwrap();
        if device.connection != self.connection {
            return Poll::Ready(Err(io::Error::from(io::ErrorKind::BrokenPipe)));
        }
        device.ask(bytes, &self.inbox);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
