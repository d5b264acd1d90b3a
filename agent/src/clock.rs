//! The only place that reads a clock or sleeps. Everything else is handed a [`Reading`], a `Timestamp` or this
//! [`Clock`], so that a simulator can play years of it in seconds.

#![allow(clippy::disallowed_methods, reason = "this is the one clock module")]

use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use futures_util::future::{Either, select};

use tallyhook_analysis::units::{Span, Timestamp};
use tokio::sync::watch;

mod alarm;
mod simulated;

pub use alarm::Alarm;
pub use simulated::Hands;

/// Wall clock and monotonic clock, read together.
///
/// Dates come from `wall`; durations only ever from `mono`, which no one can set.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Reading {
    /// The date, as good as the machine's clock.
    pub wall: Timestamp,
    /// Time since the program started; never goes back.
    pub mono: Span,
}

/// A source of time that can also be waited on.
#[derive(Clone, Debug)]
pub struct Clock {
    source: Source,
    /// From here on wire time is counted; the runtime's own clock, so that a test that pauses it pauses wires too.
    wire_origin: tokio::time::Instant,
}

#[derive(Clone, Debug)]
enum Source {
    /// The machine's clock; with a calendar of its own, wall time runs on from `started_wall` at that speed.
    System { speed: f64, started: Instant, started_wall: Timestamp, own_calendar: bool },
    /// A clock that is moved by hand.
    Manual(Arc<watch::Sender<Reading>>),
    /// Time that is played, wires and time-outs with it.
    Simulated(Hands),
}

impl Clock {
    /// The machine's own clock.
    pub fn system() -> Self {
        Self::system_at_speed(1.0)
    }

    /// The machine's clock run `speed` times as fast from now on; `speed` is brought into 0.001 to 100,000.
    pub fn system_at_speed(speed: f64) -> Self {
        Self::lapsed(speed, system_wall(), false)
    }

    /// A clock that shows `wall` now and runs `speed` times as fast as the machine's; for the demo, whose crane has a
    /// calendar of its own.
    pub fn time_lapse(speed: f64, wall: Timestamp) -> Self {
        Self::lapsed(speed, wall, true)
    }

    fn lapsed(speed: f64, started_wall: Timestamp, own_calendar: bool) -> Self {
        let speed = if speed.is_finite() { speed.clamp(0.001, 100_000.0) } else { 1.0 };
        let own_calendar = own_calendar || speed != 1.0;
        Clock {
            source: Source::System { speed, started: Instant::now(), started_wall, own_calendar },
            wire_origin: tokio::time::Instant::now(),
        }
    }

    /// A clock that stands at `wall` until it is moved with [`Clock::set`].
    pub fn manual(wall: Timestamp) -> Self {
        let (sender, _) = watch::channel(Reading { wall, mono: Span::ZERO });
        Clock { source: Source::Manual(Arc::new(sender)), wire_origin: tokio::time::Instant::now() }
    }

    /// A clock whose time is played, beginning at `wall`: it stands until its [`Hands`] are moved, and so do time on the
    /// wire and time-outs. Needs no runtime.
    pub fn simulated(wall: Timestamp) -> (Self, Hands) {
        let hands = Hands::at(wall);
        (Clock { source: Source::Simulated(hands.clone()), wire_origin: tokio::time::Instant::now() }, hands)
    }

    /// Moves a manual clock and wakes who waits for it; does nothing on the machine's clock.
    pub fn set(&self, reading: Reading) {
        if let Source::Manual(sender) = &self.source {
            sender.send_replace(reading);
        }
    }

    /// How many times as fast as the machine's clock this one runs.
    pub fn speed(&self) -> f64 {
        match &self.source {
            Source::System { speed, .. } => *speed,
            Source::Manual(_) | Source::Simulated(_) => 1.0,
        }
    }

    /// Both clocks, now.
    pub fn now(&self) -> Reading {
        match &self.source {
            Source::System { speed, started, started_wall, own_calendar } => {
                let real = started.elapsed();
                let mono = Span::from_seconds(real.as_secs_f64() * speed);
                let wall = if *own_calendar { started_wall.plus(mono) } else { system_wall() };
                Reading { wall, mono }
            }
            Source::Manual(sender) => *sender.borrow(),
            Source::Simulated(hands) => hands.now(),
        }
    }

    /// Waits until the monotonic clock shows `mono`.
    pub async fn sleep_until(&self, mono: Span) {
        match &self.source {
            Source::System { speed, started, .. } => {
                tokio::time::sleep_until(instant(*started, *speed, mono).into()).await;
            }
            Source::Manual(sender) => {
                let mut moved = sender.subscribe();
                // The sender lives as long as `self`; an error cannot come.
                let _ = moved.wait_for(|now| now.mono >= mono).await;
            }
            Source::Simulated(hands) => {
                hands.reach(Duration::from_millis(u64::try_from(mono.as_ms()).unwrap_or(0))).await;
            }
        }
    }

    /// A timer for who waits for one instant after another. Make it where the runtime is.
    pub fn alarm(&self) -> Alarm {
        Alarm::new(self.clone())
    }

    /// Real time until the machine's monotonic clock shows `mono`; `None` when it does, and on other clocks.
    fn left_until(&self, mono: Span) -> Option<Duration> {
        let Source::System { speed, started, .. } = &self.source else { return None };
        instant(*started, *speed, mono).checked_duration_since(Instant::now()).filter(|left| !left.is_zero())
    }

    /// Waits for `span` of this clock's time.
    pub async fn sleep(&self, span: Span) {
        self.sleep_until(self.now().mono.plus(span)).await;
    }

    /// Time on the wire since this clock was made, which no time-lapse shortens: for silences between frames and for
    /// how long an answer took.
    pub fn wire(&self) -> Duration {
        match &self.source {
            Source::Simulated(hands) => hands.elapsed(),
            Source::System { .. } | Source::Manual(_) => self.wire_origin.elapsed(),
        }
    }

    /// What `future` gives within `limit` of time on the wire, `None` where that takes longer.
    pub async fn within<F: Future>(&self, limit: Duration, future: F) -> Option<F::Output> {
        match &self.source {
            Source::Simulated(hands) => {
                let late = hands.reach(hands.elapsed().saturating_add(limit));
                match select(std::pin::pin!(future), std::pin::pin!(late)).await {
                    Either::Left((done, _)) => Some(done),
                    Either::Right(_) => None,
                }
            }
            Source::System { .. } | Source::Manual(_) => tokio::time::timeout(limit, future).await.ok(),
        }
    }

    /// Real time that `span` of this clock takes, for time-outs of I/O that pays no heed to the time-lapse.
    pub fn real(&self, span: Span) -> Duration {
        Duration::from_secs_f64((span.as_seconds() / self.speed()).clamp(0.0, 1e9))
    }
}

/// When a clock that was started at `started` shows `mono`.
fn instant(started: Instant, speed: f64, mono: Span) -> Instant {
    started + Duration::from_secs_f64((mono.as_seconds() / speed).clamp(0.0, 1e9))
}

fn system_wall() -> Timestamp {
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => Timestamp::from_ms(i64::try_from(since.as_millis()).unwrap_or(i64::MAX)),
        Err(before) => Timestamp::from_ms(-i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_manual_clock_wakes_sleepers_only_when_it_is_moved_far_enough() {
        let clock = Clock::manual(Timestamp::from_ms(5));
        let waiting = tokio::spawn({
            let clock = clock.clone();
            async move { clock.sleep_until(Span::from_ms(100)).await }
        });
        clock.set(Reading { wall: Timestamp::from_ms(104), mono: Span::from_ms(99) });
        tokio::task::yield_now().await;
        assert!(!waiting.is_finished());
        clock.set(Reading { wall: Timestamp::from_ms(105), mono: Span::from_ms(100) });
        waiting.await.unwrap();
    }

    #[test]
    fn a_fast_clock_shortens_real_time_outs() {
        assert_eq!(Clock::system_at_speed(100.0).real(Span::from_ms(1000)), Duration::from_millis(10));
    }
}
