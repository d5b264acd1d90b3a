//! Time that is played: it stands while anybody has something to do, and is then moved to whatever is waited for next.

use std::collections::BTreeMap;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, Waker};
use std::time::Duration;

use tallyhook_analysis::units::{Span, Timestamp};

use super::Reading;

/// What moves a simulated clock. Clones move the same one.
#[derive(Clone, Debug)]
pub struct Hands(Arc<Mutex<Played>>);

#[derive(Debug)]
struct Played {
    elapsed: Duration,
    /// What the wall clock shows less what has elapsed.
    wall_at_start: Timestamp,
    /// Who waits, by the instant and the order in which they came.
    sleepers: BTreeMap<(Duration, u64), Waker>,
    came: u64,
}

impl Hands {
    pub(super) fn at(wall: Timestamp) -> Self {
        Hands(Arc::new(Mutex::new(Played {
            elapsed: Duration::ZERO,
            wall_at_start: wall,
            sleepers: BTreeMap::new(),
            came: 0,
        })))
    }

    /// Both clocks, now.
    pub fn now(&self) -> Reading {
        let played = self.played();
        let mono = Span::from_ms(i64::try_from(played.elapsed.as_millis()).unwrap_or(i64::MAX));
        Reading { wall: played.wall_at_start.plus(mono), mono }
    }

    /// Time played so far.
    pub fn elapsed(&self) -> Duration {
        self.played().elapsed
    }

    /// Sets the wall clock; the monotonic one goes on as it was.
    pub fn set_wall(&self, wall: Timestamp) {
        let mono = self.now().mono;
        self.played().wall_at_start = wall.plus(Span::from_ms(-mono.as_ms()));
    }

    /// The next instant that somebody waits for.
    pub fn next(&self) -> Option<Duration> {
        self.played().sleepers.keys().next().map(|(at, _)| *at)
    }

    /// Plays time up to `elapsed` and wakes whose instant has come; never goes back.
    pub fn move_to(&self, elapsed: Duration) {
        let mut played = self.played();
        played.elapsed = played.elapsed.max(elapsed);
        let now = played.elapsed;
        while let Some(first) = played.sleepers.first_entry().filter(|first| first.key().0 <= now) {
            first.remove().wake();
        }
    }

    /// Waits until so much has elapsed.
    pub fn reach(&self, elapsed: Duration) -> impl Future<Output = ()> + Send + use<> {
        Sleep { hands: self.clone(), at: elapsed, place: None }
    }

    // What a panic left half-way is a number or a waker too many.
    fn played(&self) -> MutexGuard<'_, Played> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

struct Sleep {
    hands: Hands,
    at: Duration,
    place: Option<u64>,
}

impl Future for Sleep {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<()> {
        let hands = self.hands.clone();
        let mut played = hands.played();
        if played.elapsed >= self.at {
            return Poll::Ready(());
        }
        let place = self.place.unwrap_or_else(|| {
            played.came += 1;
            played.came
        });
        self.place = Some(place);
        played.sleepers.insert((self.at, place), context.waker().clone());
        Poll::Pending
    }
}

impl Drop for Sleep {
    fn drop(&mut self) {
        if let Some(place) = self.place {
            self.hands.played().sleepers.remove(&(self.at, place));
        }
    }
}

#[cfg(test)]
mod tests {
    use futures_util::FutureExt;

    use super::super::Clock;
    use super::*;

    #[test]
    fn time_stands_until_it_is_moved_and_a_time_out_is_of_that_time() {
        let (clock, hands) = Clock::simulated(Timestamp::from_ms(1_000));
        let mut late = Box::pin(clock.within(Duration::from_millis(20), std::future::pending::<()>()));
        assert!(late.as_mut().now_or_never().is_none());
        assert_eq!(hands.next(), Some(Duration::from_millis(20)));
        hands.move_to(Duration::from_millis(20));
        assert_eq!(late.as_mut().now_or_never(), Some(None));
        drop(late);
        assert_eq!(hands.next(), None, "who no longer waits is not waited for");
        hands.set_wall(Timestamp::from_ms(5));
        hands.move_to(Duration::from_millis(30));
        assert_eq!(clock.now(), Reading { wall: Timestamp::from_ms(15), mono: Span::from_ms(30) });
    }
}
