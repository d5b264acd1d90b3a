//! One time-line out of two clocks: durations from the monotonic clock, dates from the wall clock.
//!
//! Boards without a battery clock boot in the past and are put right by the network minutes later; worn ones jump in
//! the night and back. Between two readings the time-line moves by what the monotonic clock says. When the wall clock
//! disagrees by more than half a second, a small correction is taken at once and a large one only when it has stood for
//! hours: till then the time-line goes on by itself. Either way it is told, so that it can be written down.

use tallyhook_analysis::units::{Span, Timestamp};

use crate::clock::Reading;

/// Disagreement that is left alone: slewing of a disciplined clock stays far below it.
const TOLERATED: Span = Span::from_ms(500);

/// A correction up to this is taken at once: what a clock without discipline drifts in weeks.
const SMALL: Span = Span::from_ms(600_000);

/// How long a large correction must stand before it is believed: longer than a night's disturbance (common practice,
/// no source).
const PROOF: Span = Span::from_ms(6 * 3_600_000);

/// In the first hour the network may still put the clock forward, by as much as the cabinet was off.
const FRESH: Span = Span::from_ms(3_600_000);

/// Longest time off that is believed without proof.
const LONGEST_OFF: Span = Span::from_ms(400 * 86_400_000);

/// Earliest date that a clock can rightly show: 2020-01-01. Before it a clock has not been set.
const EARLIEST: Timestamp = Timestamp::from_ms(1_577_836_800_000);

/// Two disagreements this near to each other are the same one.
const SAME: Span = Span::from_ms(10_000);

/// What the time-line did about a clock that disagrees.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Jump {
    /// It was moved by this much.
    Moved(Span),
    /// The clock is off by this much and is not believed yet.
    Doubted(Span),
}

/// The site's time-line.
#[derive(Debug)]
pub struct Timeline {
    wall: Timestamp,
    mono: Span,
    began: Span,
    /// By how much the clock is off without being believed, and since when.
    doubt: Option<(Span, Span)>,
}

impl Timeline {
    /// A time-line through a first reading of both clocks.
    pub fn new(first: Reading) -> Self {
        Timeline { wall: first.wall, mono: first.mono, began: first.mono, doubt: None }
    }

    /// The date of a reading, and what was done about the clock when that is new.
    pub fn date(&mut self, reading: Reading) -> (Timestamp, Option<Jump>) {
        let expected = self.wall.plus(Span::from_ms(reading.mono.as_ms() - self.mono.as_ms()));
        let off = reading.wall.since(expected);
        if within(off, TOLERATED) {
            self.doubt = None;
            return (expected, None);
        }
        let set_forward = self.fresh_for(reading).is_some()
            && off.as_ms() > 0
            && within(off, LONGEST_OFF)
            && reading.wall >= EARLIEST;
        if within(off, SMALL) || set_forward || self.has_stood(off, reading) {
            (self.wall, self.mono, self.doubt) = (reading.wall, reading.mono, None);
            return (reading.wall, Some(Jump::Moved(off)));
        }
        let known = self.doubt.is_some_and(|(before, _)| within(minus(off, before), SAME));
        if known {
            return (expected, None);
        }
        self.doubt = Some((off, reading.mono));
        (expected, Some(Jump::Doubted(off)))
    }

    /// How long the time-line is, while a clock may still be put forward at once: in the first hour.
    pub fn fresh_for(&self, reading: Reading) -> Option<Span> {
        let age = reading.mono.as_ms() - self.began.as_ms();
        (age <= FRESH.as_ms()).then_some(Span::from_ms(age))
    }

    fn has_stood(&self, off: Span, reading: Reading) -> bool {
        reading.wall >= EARLIEST
            && self.doubt.is_some_and(|(before, since)| {
                within(minus(off, before), SAME) && reading.mono.as_ms() - since.as_ms() >= PROOF.as_ms()
            })
    }
}

fn within(off: Span, bound: Span) -> bool {
    off.as_ms().unsigned_abs() <= bound.as_ms().unsigned_abs()
}

fn minus(a: Span, b: Span) -> Span {
    Span::from_ms(a.as_ms().saturating_sub(b.as_ms()))
}

/// Whether a clock that was put forward by so much in its first hour had stood still before it: what drifts is less.
pub fn had_stopped(by: Span) -> bool {
    by > SMALL
}

/// Whether a clock can be right when the record ends at `recorded`: set at all, not before that, and not longer after it
/// than a cabinet is ever off.
pub fn is_plausible(wall: Timestamp, recorded: Option<Timestamp>) -> bool {
    wall >= EARLIEST
        && recorded.is_none_or(|to| {
            let off = wall.since(to);
            off.as_ms() >= -SMALL.as_ms() && off.as_ms() <= LONGEST_OFF.as_ms()
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: i64 = 1_790_000_000_000;
    const DAY: i64 = 86_400_000;

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
    fn a_clock_that_is_put_right_in_the_first_hour_is_followed_at_once() {
        let mut line = Timeline::new(reading(NOW, 0));
        let later = NOW + 3 * DAY;
        assert_eq!(
            line.date(reading(later + 100, 100)),
            (Timestamp::from_ms(later + 100), Some(Jump::Moved(Span::from_ms(3 * DAY))))
        );
        assert_eq!(line.date(reading(later + 200, 200)), (Timestamp::from_ms(later + 200), None));
    }

    #[test]
    fn a_disturbance_of_the_night_is_told_once_and_not_followed() {
        for wrong in [0, 2_147_483_648_000, NOW - DAY] {
            let mut line = Timeline::new(reading(NOW, 0));
            let hour = 3_600_000;
            assert_eq!(line.date(reading(NOW + 2 * hour, 2 * hour)).1, None);
            let mut told = Vec::new();
            for minute in 0..120 {
                let mono = 2 * hour + minute * 60_000;
                let (date, jump) = line.date(reading(wrong + minute * 60_000, mono));
                assert_eq!(date.as_ms(), NOW + mono, "dates go on");
                told.extend(jump);
            }
            assert_eq!(told.len(), 1, "{told:?}");
            assert_eq!(line.date(reading(NOW + 4 * hour, 4 * hour)), (Timestamp::from_ms(NOW + 4 * hour), None));
        }
    }

    #[test]
    fn what_stands_for_six_hours_is_believed_unless_it_cannot_be() {
        let hour = 3_600_000;
        let mut line = Timeline::new(reading(NOW, 0));
        let (mut moved, mut unset) = (Vec::new(), Timeline::new(reading(NOW, 0)));
        for h in 2..12 {
            moved.extend(line.date(reading(NOW - DAY + h * hour, h * hour)).1);
            let (date, jump) = unset.date(reading(h * hour, h * hour));
            assert_eq!(date.as_ms(), NOW + h * hour, "1970 is never believed");
            assert!(!matches!(jump, Some(Jump::Moved(_))));
        }
        let off = Span::from_ms(-DAY);
        assert_eq!(moved, [Jump::Doubted(off), Jump::Moved(off)]);
    }
}
