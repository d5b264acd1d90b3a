//! A link to one device, or to a line of several: one question at a time, and no answer taken for another's.
//!
//! On TCP a link is dropped after whatever went wrong; an answer that comes late then finds nobody, and the number of
//! its transaction would give it away besides.
//!
//! RTU has no numbers, and a plain serial server passes a late answer into the next connection too. So it is kept what
//! each unit still owes, by function and length, and two things stand between a late answer and the next question:
//!
//! - *Silence.* A unit that owes an answer is left alone until the line has been silent for longer than its slowest
//!   answer. Bytes that nobody waits for are read away and tell how slow it can be.
//! - *A fence.* While an answer is owed, no question is put before another one, of another length, has been answered.
//!   A device answers in order, so what comes behind the fence is no older answer.
//!
//! What a process before this one has asked is not known, and its answers outlive it on the line. So a unit that has not
//! been heard yet is met as one that owes what such a process can have left behind, see `Unit::of_a_stranger`.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use futures_util::FutureExt;
use tallyhook_config::model::{self, Drive, Framing, Line, Table};
use tallyhook_config::wire::{ANSWER_BYTES, MAX_CONTACTS, MAX_REGISTERS, REQUEST_BYTES, Request, Speed};
use tokio::io::{AsyncReadExt, AsyncWriteExt};

use super::LinkState;
use super::decode::Answer;
use super::frame::{self, Heard, Question};
use super::port::{Port, Ports, SystemPorts};
use crate::clock::Clock;

/// So many time-outs in a row without a byte from anybody, and a shared line is opened anew: a half-open connection
/// shows itself in no other way.
const REOPEN_AFTER: u32 = 5;

/// Least silence before a frame where the line's rate is not known: 3.5 characters at 9600 baud.
const UNKNOWN_SILENCE: Duration = Duration::from_micros(4010);

/// Why a read brought no answer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ReadError {
    /// The device refused; its exception code. The link is healthy.
    Refused(u8),
    /// No answer; how the link stands now. Whoever holds the link need not drop it: it will not be misled.
    Lost(LinkState),
}

/// A link to one device or to a line of several.
pub struct Link {
    route: model::Link,
    framing: Framing,
    speed: Option<Speed>,
    ports: Arc<dyn Ports>,
    clock: Clock,
    port: Option<Box<dyn Port>>,
    transaction: u16,
    /// When the last byte passed, on [`Clock::wire`].
    last_byte: Duration,
    /// What each unit of an RTU line still owes, and how slow it can be.
    units: BTreeMap<u8, Unit>,
    silent_in_a_row: u32,
    /// What has come of the answer that is waited for; kept for its room.
    heard: Vec<u8>,
}

/// One device of an RTU line.
#[derive(Clone, Debug, Default)]
struct Unit {
    /// The slowest answer ever seen, late ones included.
    slowest: Duration,
    /// Answers that did not come and may still.
    lost: Vec<Lost>,
    /// The unit is left alone until here.
    quiet_until: Duration,
    /// The last time-out; what is assumed of a device that never answered.
    limit: Duration,
    /// Fences in a row that were not answered.
    fences_unheard: usize,
}

/// An answer that did not come and may still.
#[derive(Clone, Copy, Debug)]
struct Lost {
    function: u8,
    data_bytes: u32,
    sent: Duration,
}

impl Lost {
    fn is_like(&self, request: &Request) -> bool {
        (self.function, self.data_bytes) == (request.function(), request.data_bytes())
    }
}

/// Of answers alike so many are counted as owed; a device that is off for the night does not owe more.
const MOST_ALIKE: usize = 8;

/// What is owed for longer than this will not come.
const FORGOTTEN_AFTER: Duration = Duration::from_secs(60);

impl Unit {
    /// A unit that this process has not asked anything yet, before its first question. Whoever asked before may have
    /// been stopped while this was owed, in this order: the like of the question, a fence that took its answer's place,
    /// and the question behind that fence. Where no fence can be put nothing is kept, for nothing can be done about it.
    fn of_a_stranger(request: &Request, now: Duration) -> Self {
        let mut unit = Unit::default();
        if let Some(fence) = fence(*request) {
            [request, &fence, request].into_iter().for_each(|asked| unit.owe(asked, now));
        }
        unit
    }

    /// Silence that makes a late answer unlikely: longer than the slowest one seen.
    fn quiet(&self) -> Duration {
        if self.slowest.is_zero() { self.limit } else { self.slowest * 5 / 4 + Duration::from_millis(10) }
    }

    fn was_late(&mut self, by: Duration) {
        // Noise must not make a device look slower and slower.
        self.slowest = self.slowest.max(by.min(self.limit * 4));
    }

    fn owes(&self, request: &Request) -> bool {
        self.lost.iter().any(|lost| lost.is_like(request))
    }

    fn owe(&mut self, request: &Request, sent: Duration) {
        if self.lost.iter().filter(|lost| lost.is_like(request)).count() < MOST_ALIKE {
            self.lost.push(Lost { function: request.function(), data_bytes: request.data_bytes(), sent });
        }
    }

    /// An answer like `request`'s came to a question like it, put at `sent`. It may be that of an older question; then
    /// this one's is still owed. What was asked before the question that it belongs to will not be answered any more.
    fn answered(&mut self, request: &Request, sent: Duration) {
        match self.lost.iter().position(|lost| lost.is_like(request)) {
            Some(oldest) => {
                self.lost.drain(..=oldest);
                self.owe(request, sent);
            }
            None => self.lost.clear(),
        }
    }

    /// A refusal came to `request`, put at `sent`; it may be that of any question that is owed, at least of the oldest.
    fn refused(&mut self, request: &Request, sent: Duration) {
        if !self.lost.is_empty() {
            self.lost.remove(0);
            self.owe(request, sent);
        }
    }
}

impl Link {
    /// A link that is not open yet, through ports of the caller's.
    pub fn new(route: model::Link, ports: Arc<dyn Ports>, clock: Clock) -> Self {
        let framing = match &route {
            model::Link::Tcp { .. } => Framing::Tcp,
            model::Link::Bus(bus) => match bus.line {
                Line::Serial { .. } => Framing::Rtu,
                Line::Gateway { framing, .. } => framing,
            },
        };
        let speed = route.speed();
        Link {
            route,
            framing,
            speed,
            ports,
            // Not where a connection before this one began.
            transaction: fastrand::u16(..),
            last_byte: clock.wire(),
            clock,
            port: None,
            units: BTreeMap::new(),
            silent_in_a_row: 0,
            heard: Vec::with_capacity(260),
        }
    }

    /// Opens a link to a drive through the machine's own ports, for a look at it.
    ///
    /// # Errors
    /// The state that it leaves the link in.
    pub async fn open(drive: &Drive, clock: &Clock) -> Result<Self, LinkState> {
        let mut link = Link::new(drive.link.clone(), Arc::new(SystemPorts), clock.clone());
        let port = link.opening(clock.real(drive.timeout)).await?;
        link.attach(port);
        Ok(link)
    }

    /// Opens the port; hand what it gives to [`Link::attach`]. Runs on its own, so that a poller can wait for its tick
    /// beside it.
    pub fn opening(&self, limit: Duration) -> impl Future<Output = Result<Box<dyn Port>, LinkState>> + Send + use<> {
        let place = self.place();
        let opening = self.ports.open(&self.route);
        let clock = self.clock.clone();
        async move {
            match clock.within(limit, opening).await {
                Some(Ok(port)) => Ok(port),
                Some(Err(error)) => Err(LinkState::Unreachable(format!("{place}: {error}"))),
                None => Err(LinkState::Unreachable(format!("{place}: no answer to the call"))),
            }
        }
    }

    /// Takes a port that was opened.
    pub fn attach(&mut self, port: Box<dyn Port>) {
        self.port = Some(port);
        self.silent_in_a_row = 0;
        self.last_byte = self.clock.wire();
    }

    /// Whether there is a port to speak through.
    pub fn is_open(&self) -> bool {
        self.port.is_some()
    }

    /// Where it leads, for people.
    pub fn place(&self) -> String {
        match &self.route {
            model::Link::Tcp { address } => address.clone(),
            model::Link::Bus(bus) => match &bus.line {
                Line::Serial { device, .. } => device.clone(),
                Line::Gateway { address, .. } => address.clone(),
            },
        }
    }

    /// How much longer a unit is to be left alone, for an answer that it owes may still come.
    pub fn rests(&self, unit: u8) -> Duration {
        match self.units.get(&unit) {
            Some(known) if !known.lost.is_empty() => known.quiet_until.saturating_sub(self.clock.wire()),
            _ => Duration::ZERO,
        }
    }

    /// Listens while nobody is asked: hears late answers when they come, and returns when the link is lost. May be
    /// dropped at any time.
    pub async fn idle(&mut self) -> LinkState {
        let mut bytes = [0; 512];
        loop {
            let Some(port) = &mut self.port else { return std::future::pending().await };
            let state = match port.read(&mut bytes).await {
                Ok(n) if n > 0 && self.framing == Framing::Rtu => {
                    self.stray(None, &bytes[..n]);
                    continue;
                }
                Ok(0) => LinkState::Broken("the other end closed it".into()),
                Ok(_) => LinkState::Garbled("bytes came that nobody asked for".into()),
                Err(error) => LinkState::Broken(error.to_string()),
            };
            return self.failed(state);
        }
    }

    /// Puts one read to a unit and waits for its answer: `limit` beside the time that the bytes take on the line. On
    /// an RTU line it first keeps the silence that is due, see [`Link::rests`].
    ///
    /// # Errors
    /// [`ReadError::Refused`] with the device's exception code; [`ReadError::Lost`] when no answer to this question
    /// came. An answer to another question is never given.
    pub async fn read(&mut self, unit: u8, request: Request, limit: Duration) -> Result<Answer, ReadError> {
        if self.framing == Framing::Tcp {
            return self.exchange(unit, request, limit).await;
        }
        let now = self.clock.wire();
        let known = self.units.entry(unit).or_insert_with(|| Unit::of_a_stranger(&request, now));
        known.limit = limit;
        known.lost.retain(|lost| now.saturating_sub(lost.sent) < FORGOTTEN_AFTER);
        // Whatever is owed, for a late answer can be of a wrong length besides; then again while the like of this
        // question is owed: a refused fence settles one of the answers that are, an answered one most often all.
        for n in 0..=MOST_ALIKE {
            let known = self.units.entry(unit).or_default();
            // A device that passes over in silence what it does not have may never answer a fence. When all that is like
            // the question has been forgotten, it is asked without.
            let heeded = known.fences_unheard < MOST_ALIKE;
            let due = if n == 0 && heeded { !known.lost.is_empty() } else { known.owes(&request) };
            let Some(fence) = fence(request).filter(|_| due) else { break };
            self.settle(unit).await?;
            let sent = self.clock.wire();
            let heard = self.exchange(unit, fence, limit).await;
            let known = self.units.entry(unit).or_default();
            known.fences_unheard += 1;
            match heard {
                Ok(_) => known.answered(&fence, sent),
                Err(ReadError::Refused(_)) => known.refused(&fence, sent),
                Err(lost) => return Err(lost),
            }
            known.fences_unheard = 0;
        }
        self.settle(unit).await?;
        let answer = self.exchange(unit, request, limit).await?;
        // Nothing like it was owed, so it is this question's answer, and all older ones have been answered or never
        // will be.
        if let Some(known) = self.units.get_mut(&unit) {
            known.lost.clear();
        }
        Ok(answer)
    }

    /// Waits until the line has been silent for as long as it must before the next frame, and reads away what comes.
    async fn settle(&mut self, unit: u8) -> Result<(), ReadError> {
        let begun = self.clock.wire();
        let mut bytes = [0; 512];
        loop {
            let now = self.clock.wire();
            let known = self.units.entry(unit).or_default();
            let rest = if known.lost.is_empty() { Duration::ZERO } else { known.quiet_until };
            let longest = known.limit * 8;
            let until = rest.max(self.last_byte + self.silence());
            let Some(port) = &mut self.port else { return Err(not_open()) };
            // A time-out of nothing still waits for the timer's next tick, which is dear on a busy line.
            let read = match until.checked_sub(now) {
                Some(wait) => self.clock.within(wait, port.read(&mut bytes)).await,
                None => port.read(&mut bytes).now_or_never(),
            };
            match read {
                None => return Ok(()),
                Some(Ok(n)) if n > 0 => self.stray(Some(unit), &bytes[..n]),
                Some(Ok(_)) => return Err(self.closed("the other end closed it")),
                Some(Err(error)) => return Err(self.closed(&error.to_string())),
            }
            if self.clock.wire() > begun + longest {
                return Err(ReadError::Lost(LinkState::Garbled("the line is never silent".into())));
            }
        }
    }

    /// Bytes that nobody waits for: an answer that comes late, or noise.
    fn stray(&mut self, asked: Option<u8>, bytes: &[u8]) {
        let now = self.clock.wire();
        self.last_byte = now;
        self.silent_in_a_row = 0;
        for (unit, known) in self.units.iter_mut().filter(|(_, known)| !known.lost.is_empty()) {
            if bytes.first() == Some(unit) || Some(*unit) == asked {
                // Since the newest question: what is older may have been lost for good, and would make noise look like
                // a very slow device. That an older answer may be later still is what the fence is for.
                if let Some(newest) = known.lost.iter().map(|l| l.sent).max() {
                    known.was_late(now.saturating_sub(newest));
                }
                known.quiet_until = now + known.quiet();
            }
        }
    }

    /// The silence before a frame.
    fn silence(&self) -> Duration {
        self.speed.map_or(UNKNOWN_SILENCE, |speed| Duration::from_nanos(speed.silence_ns()))
    }

    /// Time of so many bytes on the line.
    fn wire_time(&self, bytes: u32) -> Duration {
        self.speed.map_or(Duration::ZERO, |speed| Duration::from_nanos(speed.characters_ns(bytes)))
    }

    async fn exchange(&mut self, unit: u8, request: Request, limit: Duration) -> Result<Answer, ReadError> {
        self.transaction = self.transaction.wrapping_add(1);
        let question = Question { framing: self.framing, transaction: self.transaction, unit, request };
        if self.framing == Framing::Tcp {
            self.nothing_waits()?;
        }
        let Some(port) = &mut self.port else { return Err(not_open()) };
        // Before the bytes leave, so that no pause of this process can lengthen the time-out. They are not flushed: on a
        // serial port that would hold the thread until the last bit is out.
        let sent = self.clock.wire();
        let bytes = question.bytes();
        // Most often it is taken at once, without a time-out's timer.
        let written = match port.write(&bytes).now_or_never() {
            Some(Ok(n)) if n == bytes.len() => Some(Ok(())),
            Some(Err(error)) => Some(Err(error)),
            taken => {
                let taken = taken.and_then(Result::ok).unwrap_or(0);
                self.clock.within(limit, port.write_all(bytes.get(taken..).unwrap_or_default())).await
            }
        };
        match written {
            Some(Ok(())) => {}
            Some(Err(error)) => return Err(self.closed(&error.to_string())),
            None => return Err(self.closed("it takes no more bytes")),
        }
        self.last_byte = sent + self.wire_time(REQUEST_BYTES);
        let on_the_line = self.wire_time(REQUEST_BYTES + ANSWER_BYTES + request.data_bytes());
        let deadline = sent + limit + on_the_line;
        match self.listen(&question, sent, deadline).await {
            Ok(heard) => {
                self.silent_in_a_row = 0;
                if self.framing == Framing::Rtu {
                    let took = self.clock.wire().saturating_sub(sent);
                    let known = self.units.entry(unit).or_default();
                    known.slowest = known.slowest.max(took);
                }
                match heard {
                    Heard::Data(answer) => Ok(answer),
                    Heard::Refused(code) => Err(ReadError::Refused(code)),
                    Heard::Part => Err(ReadError::Lost(LinkState::Silent)),
                }
            }
            Err(state) => {
                self.owed(unit, &request, sent);
                Err(ReadError::Lost(self.failed(state)))
            }
        }
    }

    /// Waits for the whole answer to what was just `sent`.
    async fn listen(&mut self, question: &Question, sent: Duration, deadline: Duration) -> Result<Heard, LinkState> {
        let mut heard = std::mem::take(&mut self.heard);
        heard.clear();
        let answer = self.listen_into(&mut heard, question, sent, deadline).await;
        self.heard = heard;
        answer
    }

    async fn listen_into(
        &mut self,
        heard: &mut Vec<u8>,
        question: &Question,
        mut now: Duration,
        deadline: Duration,
    ) -> Result<Heard, LinkState> {
        let mut bytes = [0; 512];
        loop {
            let Some(port) = &mut self.port else { return Err(LinkState::Silent) };
            let left = deadline.saturating_sub(now);
            match self.clock.within(left, port.read(&mut bytes)).await {
                None if heard.is_empty() => return Err(LinkState::Silent),
                None => return Err(LinkState::Garbled("an answer broke off".into())),
                Some(Ok(0)) => return Err(LinkState::Broken("the other end closed it".into())),
                Some(Err(error)) => return Err(LinkState::Broken(error.to_string())),
                Some(Ok(n)) => {
                    self.last_byte = self.clock.wire();
                    self.silent_in_a_row = 0;
                    heard.extend_from_slice(&bytes[..n]);
                }
            }
            // An answer that comes after the time-out is late even where this process slept through both.
            let is_late = self.last_byte > deadline;
            while self.take_late(question, heard) {}
            match question.hear(heard) {
                Ok(Heard::Data(_) | Heard::Refused(_)) if is_late => return Err(LinkState::Silent),
                Ok(Heard::Part) => {}
                Ok(whole) => return Ok(whole),
                Err(_) if self.may_become_late(question, heard) => {}
                Err(fault) => return Err(LinkState::Garbled(fault.to_string())),
            }
            // Bytes that trickle in without an end must not hold the line.
            now = self.clock.wire();
            if now >= deadline {
                return Err(LinkState::Garbled("an answer broke off".into()));
            }
        }
    }

    /// Takes a late answer, to another question than this, off the front, if there is one.
    fn take_late(&mut self, question: &Question, heard: &mut Vec<u8>) -> bool {
        if question.framing != Framing::Rtu {
            return false;
        }
        let now = self.clock.wire();
        for (unit, known) in &mut self.units {
            let other = |lost: &Lost| *unit != question.unit || !lost.is_like(&question.request);
            let found = known.lost.iter().enumerate().filter(|(_, lost)| other(lost)).find_map(|(i, lost)| {
                frame::late_frame(heard, *unit, lost.function, lost.data_bytes).map(|length| (i, length))
            });
            if let Some((i, length)) = found {
                let sent = known.lost[i].sent;
                known.lost.drain(..=i);
                known.was_late(now.saturating_sub(sent));
                known.quiet_until = now + known.quiet();
                heard.drain(..length);
                return true;
            }
        }
        false
    }

    /// Whether the bytes so far can still become a late answer.
    fn may_become_late(&self, question: &Question, heard: &[u8]) -> bool {
        let begins = |unit: u8, lost: &Lost| {
            let frame = [unit, lost.function, lost.data_bytes as u8];
            let there = heard.len().min(frame.len());
            heard[..there] == frame[..there] && heard.len() < (ANSWER_BYTES + lost.data_bytes) as usize
        };
        question.framing == Framing::Rtu
            && self.units.iter().any(|(unit, known)| known.lost.iter().any(|lost| begins(*unit, lost)))
    }

    /// The answer to this question may still come.
    fn owed(&mut self, unit: u8, request: &Request, sent: Duration) {
        if self.framing == Framing::Tcp {
            return;
        }
        let now = self.clock.wire();
        let known = self.units.entry(unit).or_default();
        known.owe(request, sent);
        known.quiet_until = now + known.quiet();
    }

    /// What follows from a failure for the port.
    fn failed(&mut self, state: LinkState) -> LinkState {
        let gone = match &state {
            LinkState::Broken(_) => true,
            LinkState::Silent => {
                self.silent_in_a_row += 1;
                self.silent_in_a_row >= REOPEN_AFTER
            }
            _ => false,
        };
        if gone || self.framing == Framing::Tcp {
            self.port = None;
        }
        state
    }

    fn closed(&mut self, why: &str) -> ReadError {
        ReadError::Lost(self.failed(LinkState::Broken(why.to_owned())))
    }

    /// On TCP nothing may lie there before a question is put: it would be an answer that nobody asked for.
    fn nothing_waits(&mut self) -> Result<(), ReadError> {
        let Some(port) = &mut self.port else { return Err(not_open()) };
        match port.read(&mut [0; 64]).now_or_never() {
            None => Ok(()),
            Some(Ok(0)) => Err(self.closed("the other end closed it")),
            Some(Ok(_)) => {
                Err(ReadError::Lost(self.failed(LinkState::Garbled("bytes came that nobody asked for".into()))))
            }
            Some(Err(error)) => Err(self.closed(&error.to_string())),
        }
    }
}

fn not_open() -> ReadError {
    ReadError::Lost(LinkState::Broken("it is not open".into()))
}

/// A question whose answer has another length than that of `request`: about a part of it, or where it has no part
/// about one register or eight contacts more, which may be refused and then does as well.
fn fence(request: Request) -> Option<Request> {
    let (step, most) = match request.table {
        Table::Coil | Table::Discrete => (8, MAX_CONTACTS),
        Table::Holding | Table::Input => (1, MAX_REGISTERS),
    };
    let count = if request.count > step { request.count - step } else { request.count + step };
    let inside = u32::from(request.address) + u32::from(count) <= 0x1_0000;
    (count <= most && inside).then_some(Request { count, ..request })
}

#[cfg(test)]
#[path = "link_tests.rs"]
mod tests;
