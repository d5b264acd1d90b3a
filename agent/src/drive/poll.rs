//! When a drive is read: a steady cadence over a link that may come and go.
//!
//! Ticks lie at origin + n · period on the clock. A tick that comes while an answer is still awaited is skipped, not
//! made up for. Connecting runs beside the ticks, so that a drive that is off still gives a reading a tick, with
//! nothing read. After a time-out, a transport error or an answer of the wrong length the connection is dropped: an
//! answer that comes late then finds nobody, and can never be taken for the answer to a later question.

use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Drive;
use tokio::sync::{mpsc, watch};
use tokio_modbus::client::Context;

use super::decode::{self, Answer, Decoded};
use super::link::{self, Outcome};
use super::plan::ReadPlan;
use super::{DriveReading, LinkState, Value};
use crate::clock::Clock;

/// The shortest real time between two ticks, milliseconds. Under a time-lapse the cadence is lowered to keep it.
pub const LEAST_REAL_PERIOD_MS: f64 = 2.0;

/// The shortest real time-out: the loopback does not get faster under a time-lapse.
const LEAST_REAL_TIMEOUT: Duration = Duration::from_millis(200);

/// The shortest real wait before a repeated attempt to connect, milliseconds.
const LEAST_REAL_BACK_OFF_MS: f64 = 50.0;

/// The first and the longest wait between attempts to connect, milliseconds of the clock.
const BACK_OFF_MS: (i64, i64) = (500, 10_000);

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

/// The wait before the next attempt after `failures` failed ones in a row: none, then 0.5 s doubling to 10 s.
fn back_off(failures: u32, speed: f64) -> Span {
    let Some(doublings) = failures.checked_sub(2) else { return Span::ZERO };
    let (first, longest) = BACK_OFF_MS;
    let asked = first.saturating_mul(1 << doublings.min(10)).min(longest);
    Span::from_ms(asked.max((LEAST_REAL_BACK_OFF_MS * speed) as i64))
}

/// The first tick after `now`.
fn next_tick(origin: Span, period: Span, now: Span) -> Span {
    let since = now.as_ms().saturating_sub(origin.as_ms()).max(0);
    let n = since / period.as_ms() + 1;
    Span::from_ms(origin.as_ms().saturating_add(n.saturating_mul(period.as_ms())))
}

type Opening = Pin<Box<dyn Future<Output = Result<Context, LinkState>> + Send>>;

/// The link of a poller.
enum Line {
    Down { retry_at: Span },
    Opening(Opening),
    Up(Box<Context>),
}

/// Polls one drive until told to stop; see [`super::spawn`].
pub async fn run(
    drive: Drive,
    plan: ReadPlan,
    clock: Clock,
    readings: mpsc::Sender<DriveReading>,
    mut stop: watch::Receiver<bool>,
) {
    let limit = clock.real(drive.timeout).max(LEAST_REAL_TIMEOUT);
    let mut poller = Poller {
        drive,
        plan,
        limit,
        clock,
        line: Line::Down { retry_at: Span::ZERO },
        failures: 0,
        link: LinkState::Connecting,
    };
    tokio::select! {
        biased;
        // An error means that nobody is left who could say "stop".
        _ = stop.wait_for(|stop| *stop) => {}
        () = poller.poll(readings) => {}
    }
}

struct Poller {
    drive: Drive,
    plan: ReadPlan,
    /// Longest real wait for a connection or an answer.
    limit: Duration,
    clock: Clock,
    line: Line,
    /// Failures in a row, of connecting or of reading, since the last good answer.
    failures: u32,
    /// What is said of the link while it is down.
    link: LinkState,
}

impl Poller {
    /// Ticks for ever; ends when nobody takes the readings.
    async fn poll(&mut self, readings: mpsc::Sender<DriveReading>) {
        let period = effective_period(self.drive.poll, self.clock.speed());
        let origin = self.clock.now().mono;
        loop {
            let tick = next_tick(origin, period, self.clock.now().mono);
            self.connect_until(tick).await;
            let reading = self.tick().await;
            // A full queue holds the poller up: readings are never thrown away behind the recorder's back.
            if readings.send(reading).await.is_err() {
                return;
            }
        }
    }

    /// Waits for the tick, and brings the link up beside it where it is down.
    async fn connect_until(&mut self, tick: Span) {
        loop {
            match &mut self.line {
                Line::Up(_) => return self.clock.sleep_until(tick).await,
                Line::Down { retry_at } => {
                    let retry_at = *retry_at;
                    if retry_at > tick {
                        return self.clock.sleep_until(tick).await;
                    }
                    self.clock.sleep_until(retry_at).await;
                    let (drive, limit) = (self.drive.clone(), self.limit);
                    self.line = Line::Opening(Box::pin(async move { link::open(&drive, limit).await }));
                }
                Line::Opening(opening) => {
                    let opened = tokio::select! {
                        biased;
                        opened = opening => opened,
                        () = self.clock.sleep_until(tick) => return,
                    };
                    match opened {
                        Ok(context) => self.line = Line::Up(Box::new(context)),
                        Err(state) => self.lost(state),
                    }
                }
            }
        }
    }

    /// The link is of no use any more: it is dropped, with whatever may still come over it.
    fn lost(&mut self, state: LinkState) {
        self.failures = self.failures.saturating_add(1);
        if self.link != state {
            tracing::debug!(drive = %self.drive.name, "{state}");
        }
        let wait = back_off(self.failures, self.clock.speed());
        self.line = Line::Down { retry_at: self.clock.now().mono.plus(wait) };
        self.link = state;
    }

    /// One reading, whatever happens.
    async fn tick(&mut self) -> DriveReading {
        let mut at = self.clock.now();
        let mut link = LinkState::Online;
        let mut answers = Vec::with_capacity(self.plan.requests.len());
        if let Line::Up(context) = &mut self.line {
            let mut lost = None;
            for &request in &self.plan.requests {
                let outcome = link::read(context, request, self.limit).await;
                if let Outcome::Lost(state) = outcome {
                    lost = Some(state);
                    break;
                }
                if answers.is_empty() {
                    at = self.clock.now();
                }
                answers.push(match outcome {
                    Outcome::Answered(answer) => answer,
                    Outcome::Refused(code) => {
                        link = LinkState::Exception { function: request.function(), code, address: request.address };
                        Answer::Refused
                    }
                    Outcome::Lost(_) => break,
                });
            }
            match lost {
                Some(state) => {
                    answers.clear();
                    self.lost(state.clone());
                    link = state;
                }
                None => {
                    self.failures = 0;
                    self.link = link.clone();
                }
            }
        } else {
            link = self.link.clone();
        }
        DriveReading { drive: self.drive.name.clone(), at, link, values: values(&self.plan, &answers) }
    }
}

/// Every signal of the plan, from the answers of one tick; without answers all are "not read".
fn values(plan: &ReadPlan, answers: &[Answer]) -> Vec<Value> {
    plan.places
        .iter()
        .map(|place| {
            let value = answers.get(place.request).map_or(Decoded::NotRead, |answer| {
                decode::signal(&place.signal, answer.raw(place.signal.register, place.offset))
            });
            Value { mechanism: place.mechanism, target: place.signal.target, value }
        })
        .collect()
}

#[cfg(test)]
#[path = "poll_tests.rs"]
mod tests;
