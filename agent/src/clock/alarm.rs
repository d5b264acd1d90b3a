//! A timer of the kernel's for who ticks for years.
//!
//! The runtime's own timers are kept by full milliseconds, in rings: one that is further off than 64 ms first wakes the
//! process only to be moved to a finer ring. That is a wake-up more a tick, and up to a millisecond late.

use rustix::fd::OwnedFd;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tallyhook_analysis::units::Span;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use super::{Clock, Source};

/// Waits for one instant after another.
#[derive(Debug)]
pub struct Alarm {
    clock: Clock,
    /// None on a clock that is not the machine's, and where the kernel gives none.
    timer: Option<AsyncFd<OwnedFd>>,
}

impl Alarm {
    pub(super) fn new(clock: Clock) -> Self {
        let timer = matches!(clock.source, Source::System { .. }).then(timer).flatten();
        Alarm { clock, timer }
    }

    /// As [`Clock::sleep_until`]. May be dropped and called anew at any time.
    pub async fn until(&mut self, mono: Span) {
        let Some(timer) = &self.timer else { return self.clock.sleep_until(mono).await };
        while let Some(left) = self.clock.left_until(mono) {
            let once = Itimerspec {
                it_interval: Timespec::default(),
                it_value: Timespec { tv_sec: left.as_secs().cast_signed(), tv_nsec: left.subsec_nanos().into() },
            };
            // Setting it anew takes back what it has rung for before.
            if timerfd_settime(timer, TimerfdTimerFlags::empty(), &once).is_err() {
                return self.clock.sleep_until(mono).await;
            }
            match timer.readable().await {
                Ok(mut rung) => rung.clear_ready(),
                Err(_) => return self.clock.sleep_until(mono).await,
            }
        }
    }
}

fn timer() -> Option<AsyncFd<OwnedFd>> {
    let timer = timerfd_create(TimerfdClockId::Monotonic, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC).ok()?;
    #[expect(
        deprecated,
        reason = "what takes its place is `unsafe`, for descriptors that are not owned as this one is"
    )]
    AsyncFd::with_interest(timer, Interest::READABLE).ok()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use futures_util::FutureExt as _;

    use super::*;

    #[tokio::test]
    async fn it_rings_at_its_instant_and_not_for_one_that_was_given_up() {
        let clock = Clock::system();
        let mut alarm = clock.alarm();
        assert!(alarm.timer.is_some(), "a Linux has them");
        assert!(alarm.until(clock.now().mono.plus(Span::from_ms(20))).now_or_never().is_none());
        // What was given up rings meanwhile.
        clock.sleep(Span::from_ms(50)).await;
        for n in 1..=5 {
            let due = clock.now().mono.plus(Span::from_ms(n * 30));
            alarm.until(due).await;
            let now = clock.now().mono;
            assert!(now >= due, "{now:?} is before {due:?}");
        }
        // Less than the rounding of a reading.
        let past = clock.now().mono.plus(Span::from_ms(-1));
        assert!(alarm.until(past).now_or_never().is_some());
    }

    #[tokio::test]
    async fn a_time_lapse_shortens_it() {
        let clock = Clock::system_at_speed(1000.0);
        let due = clock.now().mono.plus(Span::from_ms(100_000));
        tokio::time::timeout(Duration::from_secs(50), clock.alarm().until(due)).await.expect("100 s last 100 ms");
        assert!(clock.now().mono >= due);
    }
}
