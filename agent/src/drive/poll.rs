//! When a line's devices are read: a steady cadence over a link that may come and go.
//!
//! A line has one queue, with one question at a time; a device with a socket of its own is a line of one. Ticks of a
//! drive lie at origin + n · period on the clock, and the drive whose tick is oldest is served first, so a slow one
//! gets its turn and no more. A tick that comes while an answer is still awaited is late; a second one is skipped, not
//! made up for. The counters are read one block at a time, where the line has room before the next tick.
//!
//! Connecting runs beside the ticks, so that a drive that is off still gives a reading a tick, with nothing read.
//! After a failure all of a tick is "not read": no old value fills in for it.
//!
//! What a drive says again, some seconds after its last change and while nothing moves, may be held back for about a second
//! ([`Repeats`]): to hand a reading over costs more than to poll. Nothing is left out by it, and what is new is told at
//! once, behind what was held.

use std::collections::VecDeque;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use tallyhook_analysis::sample::Flag;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{self, Drive, Target};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, watch};

use super::decode::{self, Answer, Decoded, RawWords};
use super::link::{Link, ReadError};
use super::plan::ReadPlan;
use super::port::{Port, Ports};
use super::{DriveReading, LinkState, MOST_HELD, Repeats, Times, Value};
use crate::clock::{Alarm, Clock, Reading};

/// The shortest real time between two ticks, milliseconds. Under a time-lapse the cadence is lowered to keep it.
pub const LEAST_REAL_PERIOD_MS: f64 = 2.0;

/// The shortest real time-out under a time-lapse: the loopback does not get faster by it.
const LEAST_REAL_TIMEOUT: Duration = Duration::from_millis(200);

/// The shortest real wait before a repeated attempt to connect, milliseconds.
const LEAST_REAL_BACK_OFF_MS: f64 = 50.0;

/// The longest wait between attempts to connect, milliseconds of the clock.
const LONGEST_BACK_OFF_MS: i64 = 1_000;

/// A device that keeps silent on a shared line is left alone for so many times the time that waiting for it took: its
/// neighbours lose a tenth of the line to it at most.
const SPARED: i64 = 9;

/// For so long what a drive says again is held back, real time in milliseconds: a second, and what ticks may be late. So a
/// daemon that looks at its figures once a second has one turn for both, at ten ticks a second. On a shared line
/// neighbours that keep silent can make it longer.
const HELD_MS: f64 = 1_050.0;

/// Only after so much real time without a change is anything held back, milliseconds: what follows from a change a little
/// later, as the end of a lift from the empty hook, is not made late by it.
const SETTLED_MS: f64 = 3_000.0;

/// For so long real time the end waits until what is left is taken.
const LONGEST_END: Duration = Duration::from_secs(2);

/// Exception code of a gateway that got no answer from the device (Modbus Application Protocol 1.1b3, section 7).
const NO_ANSWER_BEHIND_GATEWAY: u8 = 11;

/// The polling period in the clock's time that can be held at a speed: never less than [`LEAST_REAL_PERIOD_MS`] of
/// real time. Where it differs from `poll` the cadence has been lowered, and people should be told; it must stay
/// below the mechanism's stale limit.
///
/// ```
/// use tallyhook::drive::effective_period;
/// use tallyhook_analysis::units::Span;
/// let poll = Span::from_ms(100);
/// assert_eq!(effective_period(poll, 1.0), poll);
/// assert_eq!(effective_period(poll, 50.0), poll);
/// assert_eq!(effective_period(poll, 600.0), Span::from_ms(1200));
/// ```
pub fn effective_period(poll: Span, speed: f64) -> Span {
    let least = (LEAST_REAL_PERIOD_MS * speed).ceil() as i64;
    Span::from_ms(poll.as_ms().max(least).max(1))
}

/// The wait before the next call after `failures` in a row that reached nobody: one polling period, doubling to 1 s.
fn back_off(failures: u32, period: Span, speed: f64) -> Span {
    let Some(doublings) = failures.checked_sub(1) else { return Span::ZERO };
    let asked = period.as_ms().saturating_mul(1 << doublings.min(20)).min(LONGEST_BACK_OFF_MS);
    Span::from_ms(asked.max((LEAST_REAL_BACK_OFF_MS * speed) as i64))
}

/// The first tick after `now`.
fn next_tick(origin: Span, period: Span, now: Span) -> Span {
    let since = now.as_ms().saturating_sub(origin.as_ms());
    let n = since.div_euclid(period.as_ms()) + 1;
    Span::from_ms(origin.as_ms().saturating_add(n.saturating_mul(period.as_ms())))
}

type Opening = Pin<Box<dyn Future<Output = Result<Box<dyn Port>, LinkState>> + Send>>;

/// What becomes of a link that is not open.
enum Calling {
    /// It is called again at this time.
    Later(Span),
    /// It is being called.
    Now(Opening),
}

/// The drives of one line, and how the line is reached.
pub struct Queue {
    /// How it is reached.
    pub route: model::Link,
    /// Its drives.
    pub drives: Vec<(Drive, ReadPlan)>,
    /// When its ticks began; lines that do not tick all at once disturb each other less.
    pub origin: Span,
    /// Rings at the ticks; that of all lines which tick together.
    pub alarm: Alarm,
    /// What becomes of readings that say nothing new.
    pub repeats: Repeats,
}

/// Polls the drives of one line until told to stop; see [`super::spawn`].
pub async fn run(
    queue: Queue,
    ports: Arc<dyn Ports>,
    clock: Clock,
    readings: mpsc::Sender<DriveReading>,
    mut stop: watch::Receiver<bool>,
) {
    let speed = clock.speed();
    let origin = queue.origin;
    let shared = queue.drives.len() as i64;
    let members = queue.drives.into_iter().zip(0..).map(|((drive, plan), n)| {
        let period = effective_period(drive.poll, speed);
        let limit = clock.real(drive.timeout);
        Member {
            limit: if speed == 1.0 { limit } else { limit.max(LEAST_REAL_TIMEOUT) },
            origin: origin.plus(Span::from_ms(period.as_ms() * n / shared)),
            period,
            tick: Span::ZERO,
            served: 0,
            counters_due: Span::ZERO,
            counters_read: 0,
            failures: 0,
            spared_until: Span::ZERO,
            state: LinkState::Connecting,
            answers: Vec::new(),
            room: Vec::new(),
            held: Times::new(),
            holds: queue.repeats == Repeats::HeldBack && !plan.shares,
            hold: Span::from_ms((HELD_MS * speed) as i64),
            settles: Span::from_ms((SETTLED_MS * speed) as i64),
            changed: Span::ZERO,
            at_rest: false,
            name: drive.name.as_str().into(),
            drive,
            plan,
        }
    });
    let mut poller = Poller {
        members: members.collect(),
        link: Link::new(queue.route, ports, clock.clone()),
        calling: Calling::Later(Span::ZERO),
        calls: 0,
        asked: false,
        down: LinkState::Connecting,
        served: 0,
        alarm: queue.alarm,
        told: VecDeque::with_capacity(2),
        clock,
    };
    tokio::select! {
        biased;
        // An error means that nobody is left who could say "stop".
        _ = stop.wait_for(|stop| *stop) => {}
        () = poller.poll(&readings) => {}
    }
    let left = poller.told.into_iter().chain(poller.members.iter_mut().filter_map(Member::release));
    let tell = async {
        for left in left {
            if readings.send(left).await.is_err() {
                return;
            }
        }
    };
    // Who said "stop" takes it; one who takes nothing any more must not keep it from ending.
    if poller.clock.within(LONGEST_END, tell).await.is_none() {
        tracing::warn!("what was read last was not taken");
    }
}

struct Poller {
    members: Vec<Member>,
    link: Link,
    calling: Calling,
    /// Calls in a row that reached nobody, or nobody who answered.
    calls: u32,
    /// Whether anything was asked since the link was opened.
    asked: bool,
    /// What is said of the link while it is not open.
    down: LinkState,
    /// Counts the turns.
    served: u64,
    clock: Clock,
    /// Rings at the ticks.
    alarm: Alarm,
    /// What is on its way to the queue, the oldest first: what was held back until a tick, and what the tick found.
    told: VecDeque<DriveReading>,
}

/// One drive of the line.
struct Member {
    name: Arc<str>,
    drive: Drive,
    plan: ReadPlan,
    /// Longest real wait for an answer.
    limit: Duration,
    origin: Span,
    period: Span,
    /// Its next tick.
    tick: Span,
    /// The turn at which it was served last.
    served: u64,
    counters_due: Span,
    /// How many blocks of counters have been read since they were due.
    counters_read: usize,
    /// Ticks in a row without an answer.
    failures: u32,
    /// Until then its neighbours are spared.
    spared_until: Span,
    state: LinkState,
    /// The answers of the last tick, none where it had none.
    answers: Vec<Option<Answer>>,
    /// Room for those of the next.
    room: Vec<Option<Answer>>,
    /// When the last answers came again, after they were told.
    held: Times,
    /// Whether it may hold back what comes again, for how long, and how long after a change.
    holds: bool,
    hold: Span,
    settles: Span,
    /// When what is read at every tick last changed.
    changed: Span,
    /// The last answers have been told, all is well with them, and nothing moves by them.
    at_rest: bool,
}

impl Poller {
    /// Ticks for ever; ends when nobody takes the readings.
    async fn poll(&mut self, readings: &mpsc::Sender<DriveReading>) {
        let now = self.clock.now().mono;
        for member in &mut self.members {
            member.tick = next_tick(member.origin, member.period, now);
        }
        while let Some(index) = self.next() {
            self.connect_until(self.members[index].tick).await;
            self.served += 1;
            let begun = self.clock.now();
            let member = &mut self.members[index];
            member.served = self.served;
            // After the tick that this turn stands for, not after its end: a turn that takes a little too long makes
            // the next one late, and only whole missed periods are skipped.
            member.tick = next_tick(member.origin, member.period, begun.mono);
            self.tick(index, begun).await;
            while !self.told.is_empty() {
                // A full queue holds the poller up: readings are never thrown away behind the recorder's back. One that
                // waits for a place when the end comes goes with what is held.
                let place = match readings.try_reserve() {
                    Err(TrySendError::Full(())) => readings.reserve().await.ok(),
                    place => place.ok(),
                };
                let Some(place) = place else { return };
                if let Some(reading) = self.told.pop_front() {
                    place.send(reading);
                }
            }
        }
    }

    /// Whose turn it is: the oldest tick, and of two the one that has waited for longer.
    fn next(&self) -> Option<usize> {
        let order = |member: &Member| (member.tick.as_ms(), member.served);
        (0..self.members.len()).min_by_key(|&i| order(&self.members[i]))
    }

    /// Waits for the tick, and brings the link up beside it where it is not.
    async fn connect_until(&mut self, tick: Span) {
        loop {
            if self.link.is_open() {
                tokio::select! {
                    biased;
                    lost = self.link.idle() => {
                        // Who takes a call and hangs up before he was asked is called like one who is away.
                        if self.asked { self.lost(lost) } else { self.unreachable(lost) }
                    }
                    () = self.alarm.until(tick) => return,
                }
                continue;
            }
            match &mut self.calling {
                Calling::Later(at) => {
                    let at = *at;
                    if at > tick {
                        return self.alarm.until(tick).await;
                    }
                    self.alarm.until(at).await;
                    let limit = self.members.iter().map(|m| m.limit).max().unwrap_or_default();
                    self.calling = Calling::Now(Box::pin(self.link.opening(limit)));
                }
                Calling::Now(opening) => {
                    let opened = tokio::select! {
                        biased;
                        opened = opening => opened,
                        () = self.alarm.until(tick) => return,
                    };
                    match opened {
                        Ok(port) => {
                            self.link.attach(port);
                            self.asked = false;
                        }
                        Err(state) => self.unreachable(state),
                    }
                }
            }
        }
    }

    /// The link was lost in use: it is opened anew at once, which happens once a tick at most.
    fn lost(&mut self, state: LinkState) {
        tracing::debug!(place = %self.link.place(), "{state}");
        self.down = state;
        self.calling = Calling::Later(self.clock.now().mono);
    }

    /// Nobody was reached, and the next call has to wait.
    fn unreachable(&mut self, state: LinkState) {
        if self.down != state {
            tracing::debug!(place = %self.link.place(), "{state}");
        }
        self.calls = self.calls.saturating_add(1);
        let period = self.members.iter().map(|m| m.period).min().unwrap_or_default();
        let wait = back_off(self.calls, period, self.clock.speed());
        self.calling = Calling::Later(self.clock.now().mono.plus(wait));
        self.down = state;
    }

    /// One reading, told or held back, whatever happens.
    async fn tick(&mut self, index: usize, begun: Reading) {
        let room = self.members.iter().enumerate().filter(|(i, _)| *i != index).map(|(_, m)| m.tick).min();
        let shared = self.members.len() > 1;
        let member = &mut self.members[index];
        if !self.link.is_open() {
            return member.without_answer(begun, self.down.clone(), &mut self.told);
        }
        // Alone on its line, a device that must be left in peace for less than a period is waited for.
        let quiet = self.link.rests(member.drive.unit);
        let patience = if shared { Duration::ZERO } else { self.clock.real(member.period) };
        if member.spared_until > begun.mono || quiet > patience {
            return member.without_answer(begun, member.state.clone(), &mut self.told);
        }
        let room = room.unwrap_or(member.tick);
        self.asked = true;
        let answers = std::mem::take(&mut member.room);
        let mut round = Round { at: None, state: LinkState::Online, answers, too_wide: Vec::new() };
        round.answers.clear();
        round.answers.resize(member.plan.requests.len(), None);
        let mut lost = None;
        for i in 0..member.plan.fast {
            lost = round.ask(&mut self.link, member, i, &self.clock).await;
            if lost.is_some() {
                break;
            }
        }
        if lost.is_none()
            && member.plan.fast < member.plan.requests.len()
            && let Some(i) = member.counters_to_read(self.clock.now().mono, room)
        {
            lost = round.ask(&mut self.link, member, i, &self.clock).await;
        }
        let at = round.at.unwrap_or(begun);
        if let Some(state) = lost {
            member.failures = member.failures.saturating_add(1);
            let now = self.clock.now().mono;
            let waited = now.as_ms().saturating_sub(begun.mono.as_ms());
            if shared && state == LinkState::Silent && member.failures > 1 {
                member.spared_until = now.plus(Span::from_ms(waited.saturating_mul(SPARED)));
            }
            member.room = round.answers;
            member.without_answer(at, state.clone(), &mut self.told);
            if !self.link.is_open() {
                self.lost(state);
            }
            return;
        }
        self.calls = 0;
        member.failures = 0;
        member.answered(at, round.state, round.answers, &mut self.told);
        for request in round.too_wide {
            if member.plan.split(request) {
                tracing::info!(
                    drive = %member.drive.name,
                    "the drive refuses to read {} {} to {} at once; they are read apart from now on",
                    request.table.name(), request.address, u32::from(request.address) + u32::from(request.count) - 1,
                );
            }
        }
    }
}

/// The answers of one tick.
struct Round {
    /// When the first answer came.
    at: Option<Reading>,
    state: LinkState,
    answers: Vec<Option<Answer>>,
    /// Reads that the device refused for their addresses.
    too_wide: Vec<super::plan::Request>,
}

impl Round {
    /// Puts one read of the plan; gives the state of the link where no answer came.
    async fn ask(&mut self, link: &mut Link, member: &Member, index: usize, clock: &Clock) -> Option<LinkState> {
        let request = member.plan.requests[index];
        let answer = match link.read(member.drive.unit, request, member.limit).await {
            Ok(answer) => answer,
            Err(ReadError::Lost(state)) => return Some(state),
            Err(ReadError::Refused(NO_ANSWER_BEHIND_GATEWAY)) => return Some(LinkState::Silent),
            Err(ReadError::Refused(code)) => {
                self.state = LinkState::Exception { function: request.function(), code, address: request.address };
                // Illegal address, or an illegal number of registers.
                if matches!(code, 2 | 3) {
                    self.too_wide.push(request);
                }
                Answer::Refused
            }
        };
        self.at.get_or_insert(clock.now());
        self.answers[index] = Some(answer);
        None
    }
}

impl Member {
    /// The block of counters that is due, if one is and the line has room for it before `room`. A block that has
    /// waited for a whole period gets its turn in any case.
    fn counters_to_read(&mut self, now: Span, room: Span) -> Option<usize> {
        let blocks = self.plan.requests.len() - self.plan.fast;
        if blocks == 0 || now < self.counters_due {
            return None;
        }
        let index = self.plan.fast + self.counters_read % blocks;
        let takes_ms = (self.plan.cost_ns(self.plan.requests[index]) / 1_000_000) as i64;
        let fits = now.as_ms().saturating_add(takes_ms) < room.as_ms();
        let period = self.drive.poll_counters;
        if !fits && now < self.counters_due.plus(period) {
            return None;
        }
        self.counters_read += 1;
        if self.counters_read >= blocks {
            self.counters_read = 0;
            self.counters_due = now.plus(period);
        }
        Some(index)
    }

    /// Takes the answers of a tick.
    fn answered(
        &mut self,
        at: Reading,
        link: LinkState,
        answers: Vec<Option<Answer>>,
        told: &mut VecDeque<DriveReading>,
    ) {
        let fast = self.plan.fast;
        let before = std::mem::replace(&mut self.answers, answers);
        if before.get(..fast) != self.answers.get(..fast) {
            self.changed = at.mono;
        }
        if self.at_rest && link == LinkState::Online && before == self.answers {
            self.room = before;
            let is_settled = at.mono.as_ms() - self.changed.as_ms() >= self.settles.as_ms();
            let since = self.held.first().map_or(at, |first| *first);
            let next_ms = at.mono.plus(self.period).as_ms() - since.mono.as_ms();
            if is_settled && self.held.len() < MOST_HELD && next_ms <= self.hold.as_ms() {
                self.held.push(at);
                return;
            }
            let before = std::mem::take(&mut self.held);
            told.push_back(DriveReading { before, ..self.reading(at, link) });
            return;
        }
        // What was held goes by the answers that it was held with.
        let now = std::mem::replace(&mut self.answers, before);
        told.extend(self.release());
        self.room = std::mem::replace(&mut self.answers, now);
        let reading = self.reading(at, link);
        let moves = |value: &Value| {
            let moving = [Flag::Raising, Flag::Lowering, Flag::BrakeOpen].map(Target::Flag);
            value.value == Decoded::Flag(true) && moving.contains(&value.target)
        };
        // A power cut takes what is held. While something moves no more than before may be lost.
        self.at_rest = self.holds && reading.link == LinkState::Online && !reading.values.iter().any(moves);
        told.push_back(reading);
    }

    /// A tick that brought no answer.
    fn without_answer(&mut self, at: Reading, link: LinkState, told: &mut VecDeque<DriveReading>) {
        told.extend(self.release());
        self.answers.clear();
        self.at_rest = false;
        told.push_back(self.reading(at, link));
    }

    /// What is held back.
    fn release(&mut self) -> Option<DriveReading> {
        let at = self.held.pop()?;
        let before = std::mem::take(&mut self.held);
        Some(DriveReading { before, ..self.reading(at, LinkState::Online) })
    }

    /// Every signal of the plan, from the last answers; without answers all are "not read".
    fn reading(&mut self, at: Reading, link: LinkState) -> DriveReading {
        let mut link = link;
        let mut fault = None;
        let values = self.plan.places.iter().map(|place| {
            let Some(Some(answer)) = self.answers.get(place.request) else {
                return Value {
                    mechanism: place.mechanism,
                    target: place.signal.target,
                    value: Decoded::NotRead,
                    raw: RawWords::default(),
                };
            };
            let raw = answer.raw(place.signal.register, place.offset);
            let value = decode::signal(&place.signal, raw);
            let odd = value == Decoded::NotRead && !decode::says_no_value(&place.signal, raw);
            if odd && *answer != Answer::Refused && link == LinkState::Online {
                link = LinkState::Implausible { signal: place.signal.target.name() };
            }
            fault = fault.take().or_else(|| decode::fault_words(&place.signal, raw));
            let words = answer.words(place.signal.register, place.offset);
            Value { mechanism: place.mechanism, target: place.signal.target, value, raw: words }
        });
        let values = values.collect();
        self.state = link.clone();
        DriveReading { drive: self.name.clone(), before: Times::new(), at, link, fault, values }
    }
}

#[cfg(test)]
#[path = "poll_tests.rs"]
mod tests;
