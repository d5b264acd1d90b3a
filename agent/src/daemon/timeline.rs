//! One time-line out of two clocks: durations from the monotonic clock, dates from the wall clock.
//!
//! Boards without a battery clock boot in the past and are put right by the network minutes later. Between two
//! readings the time-line moves by what the monotonic clock says; when the wall clock disagrees by more than
//! half a second, the time-line is moved onto it, and the jump is told so that what stands is dated anew.

use tallyhook_analysis::units::{Span, Timestamp};

use crate::clock::Reading;

/// Disagreement that is left alone: slewing of a disciplined clock stays far below it.
const TOLERATED: Span = Span::from_ms(500);

/// The site's time-line.
#[derive(Debug)]
pub struct Timeline {
    wall: Timestamp,
    mono: Span,
}

impl Timeline {
    /// A time-line through a first reading of both clocks.
    pub fn new(first: Reading) -> Self {
        Timeline { wall: first.wall, mono: first.mono }
    }

    /// The date of a reading, and by how much the time-line was moved for it, if it was.
    pub fn date(&mut self, reading: Reading) -> (Timestamp, Option<Span>) {
        let expected = self.wall.plus(Span::from_ms(reading.mono.as_ms() - self.mono.as_ms()));
        let off = reading.wall.since(expected);
        if off.as_ms().saturating_abs() <= TOLERATED.as_ms() {
            return (expected, None);
        }
        *self = Timeline::new(reading);
        (reading.wall, Some(off))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(wall: i64, mono: i64) -> Reading {
        Reading { wall: Timestamp::from_ms(wall), mono: Span::from_ms(mono) }
    }

    #[test]
    fn small_corrections_never_shorten_or_stretch_a_duration() {
        let mut line = Timeline::new(reading(1_000_000, 0));
        for i in 1..100 {
            let slewed = 1_000_000 + i * 100 + i * 5;
            let (date, jump) = line.date(reading(slewed, i * 100));
            assert_eq!((date.as_ms(), jump), (1_000_000 + i * 100, None));
        }
    }

    #[test]
    fn a_jump_is_told_once_and_dates_follow_it() {
        let mut line = Timeline::new(reading(0, 0));
        let year = 31_557_600_000;
        assert_eq!(line.date(reading(year + 100, 100)), (Timestamp::from_ms(year + 100), Some(Span::from_ms(year))));
        assert_eq!(line.date(reading(year + 200, 200)), (Timestamp::from_ms(year + 200), None));
        assert_eq!(line.date(reading(300, 300)), (Timestamp::from_ms(300), Some(Span::from_ms(-year))));
    }
}
