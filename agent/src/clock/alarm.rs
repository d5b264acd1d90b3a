//! A timer of the kernel's for who ticks for years.
//!
//! The runtime's own timers are kept by full milliseconds, in rings: one that is further off than 64 ms first wakes the
//! process only to be moved to a finer ring. That is a wake-up more a tick, and up to a millisecond late.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use futures_util::FutureExt;
use rustix::fd::OwnedFd;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tallyhook_analysis::units::Span;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use super::{Clock, Source};

/// Waits for one instant after another. Clones share the timer: who waits for the same instant is woken together, and the
/// kernel is asked once.
#[derive(Clone, Debug)]
pub struct Alarm {
    clock: Clock,
    /// None on a clock that is not the machine's, and where the kernel gives none.
    bell: Option<Arc<Bell>>,
}

#[derive(Debug)]
struct Bell {
    timer: AsyncFd<OwnedFd>,
    /// What it was set for last.
    set: Mutex<Option<Span>>,
}

impl Alarm {
    pub(super) fn new(clock: Clock) -> Self {
        let timer = matches!(clock.source, Source::System { .. }).then(timer).flatten();
        Alarm { clock, bell: timer.map(|timer| Arc::new(Bell { timer, set: Mutex::new(None) })) }
    }

    /// As [`Clock::sleep_until`]. May be dropped and called anew at any time.
    pub async fn until(&self, mono: Span) {
        let Some(bell) = &self.bell else { return self.clock.sleep_until(mono).await };
        while let Some(left) = self.clock.left_until(mono) {
            if !self.is_set(bell, mono, left) {
                return self.clock.sleep_until(mono).await;
            }
            match bell.timer.readable().await {
                // Where it has been set for a later instant meanwhile, what it rang for is over.
                Ok(mut rung) if self.is_ahead(*bell.set()) => rung.clear_ready(),
                Ok(_) => {}
                Err(_) => return self.clock.sleep_until(mono).await,
            }
        }
    }

    /// Sees to it that it rings at `mono` or before; false where the kernel will not have it.
    fn is_set(&self, bell: &Bell, mono: Span, left: Duration) -> bool {
        let mut set = bell.set();
        if set.is_some_and(|set| set <= mono) && self.is_ahead(*set) {
            return true;
        }
        if let Some(Ok(mut rung)) = bell.timer.readable().now_or_never() {
            rung.clear_ready();
        }
        let once = Itimerspec {
            it_interval: Timespec::default(),
            it_value: Timespec { tv_sec: left.as_secs().cast_signed(), tv_nsec: left.subsec_nanos().into() },
        };
        *set = Some(mono);
        // Setting it anew takes back what it has rung for before.
        timerfd_settime(&bell.timer, TimerfdTimerFlags::empty(), &once).is_ok()
    }

    fn is_ahead(&self, set: Option<Span>) -> bool {
        set.is_some_and(|set| self.clock.left_until(set).is_some())
    }
}

impl Bell {
    fn set(&self) -> MutexGuard<'_, Option<Span>> {
        self.set.lock().unwrap_or_else(PoisonError::into_inner)
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
    use super::*;

    #[tokio::test]
    async fn it_rings_at_its_instant_and_not_for_one_that_was_given_up() {
        let clock = Clock::system();
        let alarm = clock.alarm();
        assert!(alarm.bell.is_some(), "a Linux has them");
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

    #[tokio::test]
    async fn who_shares_one_is_woken_at_his_own_instant_whoever_asked_first() {
        let clock = Clock::system();
        let alarm = clock.alarm();
        let mut waiting = tokio::task::JoinSet::new();
        for lane in 0..8_i64 {
            let (clock, alarm) = (clock.clone(), alarm.clone());
            waiting.spawn(async move {
                for n in 1..=20_i64 {
                    // Some alike, some before what was set, some given up half-way.
                    let due = clock.now().mono.plus(Span::from_ms((lane % 3 * 7 + n % 4 * 5) % 23 + 1));
                    if (lane + n) % 5 == 0 {
                        assert!(alarm.until(due.plus(Span::from_ms(-1000))).now_or_never().is_some());
                        let _ = alarm.until(due.plus(Span::from_ms(-1))).now_or_never();
                    }
                    alarm.until(due).await;
                    assert!(clock.now().mono >= due);
                }
            });
        }
        let all = async {
            while let Some(done) = waiting.join_next().await {
                done.unwrap()
            }
        };
        tokio::time::timeout(Duration::from_secs(50), all).await.expect("nobody is forgotten");
    }
}
