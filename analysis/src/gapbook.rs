//! What ran while nobody watched: hours and starts of the gaps in the record.
//!
//! A gap in the record is time, not running time. How much of it ran comes from the drive's counters where they can
//! say: between two readings the counter advanced by C and our own record by O, so C − O ran in the gaps between them,
//! at least nothing and at most their length. What a coarse counter cannot say yet is carried to the next gap, so its
//! steps never add up to an error of more than one step. Where no counter can say, hours are estimated: the length of
//! the gaps times the share of time that the mechanism runs on the same day of the week.
//!
//! The counter may be read far less often than the flags: a gap stays pending (and is estimated) until a reading comes.
//!
//! Feed it with [`GapBook::day`] for every `DayClosed` and for the open day, then [`GapBook::hours`] and
//! [`GapBook::starts`] with the counters' readings. All sums are integers.

use crate::counter::{Counter, Note, Reading, advance};
use crate::period::{FactorScale, Part, PartKind, Recording};
use crate::spectrum::Totals;
use crate::units::MS_PER_HOUR;

/// Our own record less the counter's, from reading to reading.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
struct Balance {
    last: Option<Reading>,
    /// What our own record counted since `last`.
    own: i64,
    /// Counter less record, not yet given to a gap: within one step either way after each reading.
    owed: i64,
}

impl Balance {
    /// Takes a reading; what ran in gaps since the last one, at most `room`. `None` when it cannot be told.
    fn read(&mut self, counter: &Counter, reading: Reading, room: i64, notes: &mut Vec<Note>) -> Option<i64> {
        let own = std::mem::take(&mut self.own);
        let before = self.last.replace(reading)?;
        let (counted, note) = advance(counter, before, reading);
        notes.extend(note);
        let Some(counted) = counted else {
            // Another drive's steps begin anywhere.
            self.owed = 0;
            return None;
        };
        if counted == 0 && own > counter.step.saturating_mul(2) {
            notes.push(Note::Stuck { since: before.at, at: reading.at, own });
            return None;
        }
        self.owed = self.owed.saturating_add(counted - own);
        let given = self.owed.clamp(0, room);
        self.owed -= given;
        let kept = self.owed.clamp(-counter.step, counter.step);
        if kept != self.owed {
            notes.push(Note::Disagrees { at: reading.at, by: self.owed - kept });
            self.owed = kept;
        }
        Some(given)
    }
}

/// The book of gaps of one mechanism.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct GapBook {
    /// The day that is being taken, and what of it has been taken.
    day: Option<(i32, Totals)>,
    /// By day of the week, Monday first: time watched, and time that ran in it, milliseconds.
    watched_ms: [u64; 7],
    ran_ms: [u64; 7],
    /// Gaps that wait for a reading of the hour counter, by day of the week, milliseconds.
    pending_ms: [u64; 7],
    /// Gaps of which no counter can say anything.
    unknown_ms: [u64; 7],
    /// Gaps of which the counter said how much ran, and how much did.
    counted_gap_ms: u64,
    counted_ran_ms: u64,
    counted_starts: u64,
    hours: Balance,
    starts: Balance,
}

/// How gaps enter the ledger.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct GapTerms {
    /// Which scale the factors are from.
    pub scale: FactorScale,
    /// km measured so far, `None` without any.
    pub measured: Option<f64>,
    /// The limit of the design's load spectrum class.
    pub design: f64,
    /// km that the owner wants gaps to have, instead of the worse of the two.
    pub fixed: Option<f64>,
}

impl GapBook {
    /// Takes the sums of a day: of a closed day, or of the open one so far. The same day may come many times with
    /// growing sums; days come in order. `number`: days since 1970-01-01.
    pub fn day(&mut self, number: i32, totals: &Totals) {
        let taken = match self.day.take() {
            Some((day, taken)) if day == number => taken,
            _ => Totals::default(),
        };
        // 1970-01-01 was a Thursday.
        let weekday = (i64::from(number) + 3).rem_euclid(7) as usize;
        let ran = totals.running_ms.saturating_sub(taken.running_ms);
        self.watched_ms[weekday] += totals.observed_ms.saturating_sub(taken.observed_ms);
        self.ran_ms[weekday] += ran;
        self.pending_ms[weekday] += totals.gap_ms.saturating_sub(taken.gap_ms);
        self.hours.own = self.hours.own.saturating_add(ran as i64);
        self.starts.own = self.starts.own.saturating_add(totals.starts.saturating_sub(taken.starts) as i64);
        self.day = Some((number, totals.clone()));
    }

    /// Takes a reading of the hour counter, after [`GapBook::day`] has been given everything up to it.
    pub fn hours(&mut self, counter: &Counter, reading: Reading) -> Vec<Note> {
        let mut notes = Vec::new();
        let room: u64 = self.pending_ms.iter().sum();
        let ran = self.hours.read(counter, reading, room as i64, &mut notes);
        let gaps = std::mem::take(&mut self.pending_ms);
        match ran {
            Some(ran) => {
                self.counted_gap_ms += room;
                self.counted_ran_ms += ran as u64;
            }
            None => self.unknown_ms.iter_mut().zip(gaps).for_each(|(sum, ms)| *sum += ms),
        }
        notes
    }

    /// Takes a reading of the start counter, before the reading of the hour counter of the same instant.
    pub fn starts(&mut self, counter: &Counter, reading: Reading) -> Vec<Note> {
        let mut notes = Vec::new();
        let gap = self.pending_ms.iter().any(|&ms| ms > 0);
        let room = if gap { i64::MAX } else { 0 };
        self.counted_starts += self.starts.read(counter, reading, room, &mut notes).unwrap_or(0) as u64;
        notes
    }

    /// Begins a new working period: the gaps so far stay with the old one, whose parts must have been read off before.
    /// What the record knows of the week, and where the counters stand, goes on.
    pub fn begin_period(&mut self) {
        self.pending_ms = [0; 7];
        self.unknown_ms = [0; 7];
        (self.counted_gap_ms, self.counted_ran_ms, self.counted_starts) = (0, 0, 0);
    }

    /// Running hours in gaps that the counter told.
    pub fn counted_hours(&self) -> f64 {
        self.counted_ran_ms as f64 / MS_PER_HOUR as f64
    }

    /// Starts in gaps that the counter told.
    pub fn counted_starts(&self) -> u64 {
        self.counted_starts
    }

    /// Running hours in the other gaps, by the share of time that the same day of the week runs; a day of the week
    /// that was never watched takes the share of all days. Zero before anything was watched.
    pub fn estimated_hours(&self) -> f64 {
        let share = |ran: u64, watched: u64| (watched > 0).then(|| ran as f64 / watched as f64);
        let all = share(self.ran_ms.iter().sum(), self.watched_ms.iter().sum()).unwrap_or(0.0);
        let ms: f64 = (0..7)
            .map(|d| {
                let gap = (self.pending_ms[d] + self.unknown_ms[d]) as f64;
                gap * share(self.ran_ms[d], self.watched_ms[d]).unwrap_or(all)
            })
            .sum();
        ms / MS_PER_HOUR as f64
    }

    /// The gaps as parts of the ledger: one for hours that the counter told, one for estimated hours; none of nothing.
    ///
    /// Counted hours: category `counter` on the FEM scale (1.1). ISO 12482:2014 4.2 b asks for loads written down
    /// beside the counter, which a gap has not, so there they are `documented-process` (4.2 c, 1.1), our reading.
    /// Estimated hours: `estimated` (FEM, 1.2), `undocumented` (ISO 4.2 e, 1.3).
    pub fn parts(&self, terms: &GapTerms) -> Vec<Part> {
        let worse = terms.measured.map_or(terms.design, |km| km.max(terms.design));
        let km = terms.fixed.unwrap_or(worse);
        let (counted, estimated) = match terms.scale {
            FactorScale::Fem => (Recording::Counter, Recording::Estimated),
            FactorScale::Iso => (Recording::DocumentedProcess, Recording::Undocumented),
        };
        let part = |hours: f64, recording: Recording, note: &str| {
            let factor = recording.factor(terms.scale)?;
            (hours > 0.0).then(|| Part {
                kind: PartKind::Gap,
                running_hours: hours,
                spectrum_factor: km,
                recording,
                scale: terms.scale,
                factor,
                note: note.to_owned(),
            })
        };
        [
            part(self.counted_hours(), counted, "hours by the drive's counter, loads not recorded"),
            part(
                self.estimated_hours(),
                estimated,
                "hours estimated from the same days of the week, loads not recorded",
            ),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Timestamp;
    use proptest::prelude::*;

    const HOUR: i64 = MS_PER_HOUR;

    /// Hours of a day: watched at rest, watched running, in a gap at rest, in a gap running.
    #[derive(Clone, Copy, Debug)]
    struct Stretch {
        hours: [u64; 4],
        read: bool,
    }

    fn stretches() -> impl Strategy<Value = Vec<Stretch>> {
        let one = ([0_u64..6, 0_u64..6, 0_u64..6, 0_u64..6], any::<bool>());
        proptest::collection::vec(one.prop_map(|(hours, read)| Stretch { hours, read }), 1..80)
    }

    /// Lives the days with a counter of `step` and reads it where the stretch says; returns true hours in gaps too.
    fn live(days: &[Stretch], step: i64, cuts: u64) -> (GapBook, Vec<Note>, f64) {
        let counter = Counter::hours(32, step);
        let (mut book, mut notes) = (GapBook::default(), Vec::new());
        let (mut true_ms, mut in_gaps) = (0_i64, 0);
        let last = days.len() - 1;
        book.hours(&counter, Reading { at: Timestamp::from_ms(0), value: 0 });
        for (i, day) in days.iter().enumerate() {
            let [rest, ran, gap, gap_ran] = day.hours.map(|h| h * HOUR as u64);
            for part in 1..=cuts {
                let share = |ms: u64| ms * part / cuts;
                book.day(
                    i as i32,
                    &Totals {
                        observed_ms: share(rest + ran),
                        running_ms: share(ran),
                        gap_ms: share(gap + gap_ran),
                        ..Totals::default()
                    },
                );
            }
            true_ms += (ran + gap_ran) as i64;
            in_gaps += gap_ran;
            if day.read || i == last {
                let at = Timestamp::from_ms((i as i64 + 1) * 24 * HOUR);
                notes.extend(book.hours(&counter, Reading { at, value: true_ms / step * step }));
            }
        }
        (book, notes, in_gaps as f64 / HOUR as f64)
    }

    proptest! {
        #[test]
        fn the_counter_gives_the_hours_of_the_gaps_however_seldom_it_is_read(days in stretches()) {
            let (book, notes, true_hours) = live(&days, 1000, 1);
            // A stuck counter is told apart only by our own running: a true counter is never stuck.
            prop_assert!(notes.is_empty(), "{notes:?}");
            prop_assert!((book.counted_hours() - true_hours).abs() < 1e-3, "{} {true_hours}", book.counted_hours());
            prop_assert_eq!(book.estimated_hours(), 0.0);
        }

        #[test]
        fn a_coarse_counter_never_adds_up_to_more_than_a_step_of_error_unsaid(days in stretches()) {
            let step = 5 * HOUR;
            let (book, notes, true_hours) = live(&days, step, 1);
            let said: f64 = notes.iter().map(|n| match n {
                Note::Disagrees { by, .. } => (*by as f64 / HOUR as f64).abs(),
                // Gaps up to a stuck reading go to the estimate.
                _ => f64::INFINITY,
            }).sum();
            let error = (book.counted_hours() - true_hours).abs();
            prop_assert!(error <= 5.0 + said + 1e-9, "{error} h, {said} h said");
        }

        #[test]
        fn feeding_a_day_in_pieces_or_whole_is_the_same(days in stretches(), cuts in 2_u64..6) {
            prop_assert_eq!(live(&days, 1000, 1), live(&days, 1000, cuts));
        }
    }

    #[test]
    fn without_a_counter_the_same_days_of_the_week_say_it() {
        let mut book = GapBook::default();
        let day = |observed: i64, running: i64, gap: i64| Totals {
            observed_ms: (observed * HOUR) as u64,
            running_ms: (running * HOUR) as u64,
            gap_ms: (gap * HOUR) as u64,
            ..Totals::default()
        };
        // Four weeks: Thursday (day 0) runs 6 h of 24, the rest nothing; then a Thursday of which 12 h are not seen.
        (0..28).for_each(|d| book.day(d, &day(24, if d % 7 == 0 { 6 } else { 0 }, 0)));
        book.day(28, &day(12, 3, 12));
        assert_eq!(book.estimated_hours(), 3.0);
        let terms = GapTerms { scale: FactorScale::Fem, measured: Some(0.1), design: 0.25, fixed: None };
        let parts = book.parts(&terms);
        assert_eq!((parts.len(), parts[0].recording, parts[0].factor), (1, Recording::Estimated, 1.2));
        assert_eq!(parts[0].full_load_hours(), 3.0 * 0.25 * 1.2);
        assert_eq!(book.parts(&GapTerms { measured: Some(0.6), ..terms })[0].spectrum_factor, 0.6);
        assert_eq!(book.parts(&GapTerms { fixed: Some(0.05), scale: FactorScale::Iso, ..terms })[0].factor, 1.3);
    }
}
