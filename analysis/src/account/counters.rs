//! The drive's counters: when each is read, what it tells of gaps, and what is odd about it.

use super::{Account, CounterKind, Entry};
use crate::counter::{Counter, Note, Reading, advance};
use crate::sample::{Quantity, Sample};
use crate::units::Timestamp;

/// A counter that differs from our own record by more than this share of a day's use is told of: one in twenty (common
/// practice, no source: two ways of seeing the same motor run differ by some percent).
pub const DISAGREES: f64 = 0.05;

/// What is kept about one counter from day to day.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Watched {
    pub last: Option<i64>,
    /// A day or a gap has ended since it was read.
    pub look: bool,
    /// It stands still, and that was said.
    stuck: bool,
    /// What it disagreed by today, and our own count.
    off: i64,
    pub own: i64,
}

impl Account {
    /// Whether the clock may be `behind` since a start, as one that stood still with its board. Until that is known a counter
    /// that has gone further than the time seems to allow is not read: what it says of a gap is told by the right time.
    pub const fn doubt_dates(&mut self, behind: bool) {
        self.behind = behind;
    }

    /// Whether a reading that follows on `last` waits for the right time.
    fn waits_for_time(&self, counter: &Counter, last: Option<Reading>, reading: Reading) -> bool {
        self.behind && last.is_some_and(|last| matches!(advance(counter, last, reading).1, Some(Note::TooFast { .. })))
    }

    /// Takes each counter's reading where it has moved, a gap waits for it, or a day or gap has ended.
    pub(super) fn read_counters(&mut self, sample: &Sample, out: &mut impl FnMut(Entry)) {
        let reading = |value| Reading { at: sample.at, value };
        if let (Some(counter), Some(value)) = (self.terms.start_counter, sample.get(Quantity::Starts))
            && !self.waits_for_time(&counter, self.books.gaps.last_starts(), reading(value))
            && self.books.starts.is_due(value, || self.books.gaps.waits_for_starts())
        {
            let (starts, notes) = self.books.gaps.starts(&counter, reading(value));
            self.books.wear.starts += starts;
            self.books.starts.hear(notes, &counter, |note| out(Entry::Counter { counter: CounterKind::Starts, note }));
        }
        if let (Some(counter), Some(value)) = (self.terms.hour_counter, sample.get(Quantity::RunHours))
            && !self.waits_for_time(&counter, self.books.gaps.last_hours(), reading(value))
            && self.books.hours.is_due(value, || self.books.gaps.waits_for_hours())
        {
            let km = self.assumed();
            let (ran, notes) = self.books.gaps.hours(&counter, reading(value), km);
            self.books.wear.ran(ran);
            self.books.hours.hear(notes, &counter, |note| out(Entry::Counter { counter: CounterKind::Hours, note }));
        }
    }
}

impl Watched {
    fn is_due(&mut self, value: i64, waits: impl FnOnce() -> bool) -> bool {
        let moved = self.last.replace(value) != Some(value);
        std::mem::take(&mut self.look) || moved || waits()
    }

    /// Sorts what was odd: small differences add up over the day, a counter that stands still is told of once.
    fn hear(&mut self, notes: Vec<Note>, counter: &Counter, mut tell: impl FnMut(Note)) {
        let mut stuck = false;
        for note in notes {
            match note {
                Note::Disagrees { by, .. } => self.off = self.off.saturating_add(by),
                Note::Stuck { .. } => {
                    stuck = true;
                    if !self.stuck {
                        tell(note);
                    }
                }
                other => tell(other),
            }
        }
        self.stuck = stuck || self.stuck && self.own < counter.step;
    }

    pub fn close_day(&mut self, step: Option<i64>, at: Timestamp, mut tell: impl FnMut(Note)) {
        let (off, own) = (std::mem::take(&mut self.off), std::mem::take(&mut self.own));
        self.look = true;
        let Some(step) = step else { return };
        if off.unsigned_abs() as f64 > DISAGREES * own as f64 && off.saturating_abs() > 2 * step {
            tell(Note::Disagrees { at, by: off });
        }
    }
}
