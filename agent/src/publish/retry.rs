//! How long to wait before trying again. The pauses follow from the number of failures alone, so that a run can be
//! played again; with one box a site there is no herd that jitter would have to break up.

use std::time::Duration;

use tallyhook_analysis::units::Span;

use crate::clock::Clock;

/// Pauses that double from a first one up to a longest one.
#[derive(Clone, Copy, Debug)]
pub struct Backoff {
    first: Duration,
    longest: Duration,
    failures: u32,
}

impl Backoff {
    /// Pauses of `first`, twice that, and so on, none over `longest`.
    pub const fn new(first: Duration, longest: Duration) -> Self {
        Backoff { first, longest, failures: 0 }
    }

    /// The pause after one more failure.
    pub fn failed(&mut self) -> Duration {
        let pause = self.first.saturating_mul(2u32.saturating_pow(self.failures)).min(self.longest);
        self.failures = self.failures.saturating_add(1);
        pause
    }

    /// Starts again from the first pause.
    pub fn succeeded(&mut self) {
        self.failures = 0;
    }
}

/// Waits for real time to pass, whatever the time-lapse: other people's servers do not run on our clock.
pub async fn pause(clock: &Clock, real: Duration) {
    clock.sleep(span_of(clock, real)).await;
}

/// The span of `clock` that passes in `real` time.
pub fn span_of(clock: &Clock, real: Duration) -> Span {
    Span::from_seconds(real.as_secs_f64() * clock.speed())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_the_longest_and_start_again_after_a_success() {
        let mut backoff = Backoff::new(Duration::from_secs(1), Duration::from_secs(5));
        let pauses: Vec<u64> = (0..40).map(|_| backoff.failed().as_secs()).collect();
        assert_eq!(pauses[..4], [1, 2, 4, 5]);
        assert_eq!(pauses[39], 5);
        backoff.succeeded();
        assert_eq!(backoff.failed().as_secs(), 1);
    }
}
