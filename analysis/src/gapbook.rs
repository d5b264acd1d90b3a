//! What ran while nobody watched: hours and starts of the gaps in the record.
//!
//! A gap in the record is time, not running time. How much of it ran comes from the drive's counters where they can
//! say: between two readings the counter advanced by C and our own record by O, so C − O ran in the gaps between them,
//! at least nothing and at most their length. What a coarse counter cannot say yet is carried to the next gap, so its
//! steps never add up to an error of more than one step. Where no counter can say, hours are estimated: the length of
//! the gaps times the share of time that the mechanism runs in the same two hours of the week.
//!
//! What is booked stays as it was booked: hours, and the km that they were booked at. So S never falls by a better
//! guess. Hence three waits: a gap that a counter can tell of waits for its next reading; no estimate is made before
//! four weeks were watched; and none of two hours of the week before those were watched, once over and no less than waits
//! of them. A crane that is switched off every night says nothing of its nights: they are not taken for its days, nor the
//! evening for the minutes in which somebody was late. What waits is in [`GapBook::waiting_hours`], not in S.
//!
//! When the working period ends nothing can wait any longer. Then two hours of the week that were watched once over are
//! estimated; the others are left out of S for good, and how much that is stands with the period
//! ([`GapBook::left_out_hours`]).
//!
//! Feed it with [`GapBook::watch`] for every stretch, then [`GapBook::starts`] and [`GapBook::hours`] with the
//! counters' readings, and [`GapBook::close_day`] at the end of each day. All sums are integers.

use crate::counter::{Counter, Note, Reading, advance};
use crate::period::{FactorScale, Part, PartKind, Recording};
use crate::units::MS_PER_HOUR;

/// Slots of two hours in a week, from Monday 00:00 at the site.
pub const SLOTS: usize = 84;

/// No estimate is made before this much was watched: four weeks, milliseconds.
const LEAST_WATCHED_MS: u64 = 28 * 24 * MS_PER_HOUR as u64;

/// Nor before this much of the same two hours was: all of them, once. Our judgement, no source.
const LEAST_OF_SLOT_MS: u64 = 2 * MS_PER_HOUR as u64;

/// A load spectrum factor in millionths, so that what is booked at it adds up in integers.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
pub struct Ppm(pub u64);

impl Ppm {
    /// The nearest to a factor of 0 or more.
    pub fn of(factor: f64) -> Self {
        Ppm((factor.max(0.0) * 1e6).round() as u64)
    }
}

/// Running time at the km it was booked at.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Assumed {
    /// Running time, milliseconds.
    pub ran_ms: u64,
    /// Σ km · time, millionths of milliseconds.
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    pub weight: u128,
}

impl Assumed {
    /// Books running time at a km.
    pub fn book(&mut self, ms: u64, km: Ppm) {
        self.ran_ms += ms;
        self.weight += u128::from(ms) * u128::from(km.0);
    }

    /// Running hours.
    pub fn hours(&self) -> f64 {
        self.ran_ms as f64 / MS_PER_HOUR as f64
    }

    /// Full-load hours, without a recording factor.
    pub fn full_load_hours(&self) -> f64 {
        self.weight as f64 / 1e6 / MS_PER_HOUR as f64
    }

    /// The part of a ledger that it makes, `None` when nothing ran or the scale lacks the recording.
    pub fn part(&self, kind: PartKind, recording: Recording, scale: FactorScale, note: &str) -> Option<Part> {
        if self.ran_ms == 0 {
            return None;
        }
        let spectrum_factor = self.weight as f64 / 1e6 / self.ran_ms as f64;
        let part = Part::new(kind, self.hours(), spectrum_factor, recording, scale).ok()?;
        Some(Part { note: note.to_owned(), ..part })
    }
}

/// How hours of a gap that the counter told are recorded, on a scale: FEM `counter` (1.1). ISO 12482:2014 4.2 b asks
/// for loads written down beside the counter, which a gap has not, so there `documented-process` (4.2 c, 1.1), our
/// reading.
pub const fn counted_recording(scale: FactorScale) -> Recording {
    match scale {
        FactorScale::Fem => Recording::Counter,
        FactorScale::Iso => Recording::DocumentedProcess,
    }
}

/// How estimated hours of a gap are recorded, on a scale: FEM `estimated` (1.2), ISO `undocumented` (4.2 e, 1.3).
pub const fn estimated_recording(scale: FactorScale) -> Recording {
    match scale {
        FactorScale::Fem => Recording::Estimated,
        FactorScale::Iso => Recording::Undocumented,
    }
}

/// Our own record less the counter's, from reading to reading.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
struct Balance {
    last: Option<Reading>,
    /// What our own record counted since `last`.
    own: i64,
    /// Counter less record, not yet given to a gap: within one step either way after each reading.
    owed: i64,
    /// It stood still while we ran: what it says next is not a matter of the last stretch alone.
    stuck: bool,
}

impl Balance {
    /// Takes a reading; what ran in gaps since the last one, at most `room`. `None` when it cannot be told.
    fn read(&mut self, counter: &Counter, reading: Reading, room: i64, notes: &mut Vec<Note>) -> Option<i64> {
        let Some(before) = self.last else {
            (self.last, self.own) = (Some(reading), 0);
            return None;
        };
        let (counted, note) = advance(counter, before, reading);
        if counted == Some(0) && self.own > counter.step.saturating_mul(2) {
            notes.push(Note::Stuck { since: before.at, at: reading.at, own: self.own });
            self.stuck = true;
            return None;
        }
        notes.extend(note);
        let own = std::mem::take(&mut self.own);
        let late = std::mem::take(&mut self.stuck);
        self.last = Some(reading);
        let Some(counted) = counted.filter(|_| !late) else {
            // Another drive's steps begin anywhere. One that was only late now shows what our own record has already and
            // what its gaps were estimated at: none of it belongs to the gap that waits.
            self.owed = 0;
            return None;
        };
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

/// Milliseconds by slot of the week.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
struct Week(Vec<u64>);

impl Default for Week {
    fn default() -> Self {
        Week(vec![0; SLOTS])
    }
}

impl Week {
    fn add(&mut self, slot: usize, ms: u64) {
        if let Some(sum) = self.0.get_mut(slot) {
            *sum += ms;
        }
    }

    fn total(&self) -> u64 {
        self.0.iter().sum()
    }

    /// What is in it, which leaves it empty.
    fn take(&mut self) -> Week {
        std::mem::take(self)
    }
}

/// The book of gaps of one mechanism.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct GapBook {
    /// Time watched, and time that ran in it.
    watched: Week,
    ran: Week,
    /// Gaps that wait for a reading of the hour counter.
    pending: Week,
    /// Gaps of which no counter can say anything, not yet estimated.
    unknown: Week,
    /// Gaps since the last reading of the start counter, milliseconds.
    starts_gap_ms: u64,
    /// Booked: what counters told, and what was estimated.
    counted: Assumed,
    estimated: Assumed,
    counted_starts: u64,
    hours: Balance,
    starts: Balance,
    /// Gaps that the end of the working period left out; never stored, the next period begins with the same step.
    #[cfg_attr(feature = "serde", serde(skip))]
    left_out_ms: u64,
}

/// The slot of the week of an instant: the day's number (days since 1970-01-01) and the time to the day's end.
///
/// ```
/// use tallyhook_analysis::gapbook::slot;
/// const H: i64 = 3_600_000;
/// assert_eq!(slot(4, 24 * H), 0); // Monday 1970-01-05, 00:00
/// assert_eq!(slot(3, 1), 83); // the last millisecond of a Sunday
/// ```
pub fn slot(day: i32, to_its_end_ms: i64) -> usize {
    // 1970-01-01 was a Thursday.
    let weekday = (i64::from(day) + 3).rem_euclid(7) as usize;
    let left = ((to_its_end_ms - 1).max(0) / (2 * MS_PER_HOUR)).min(11) as usize;
    weekday * 12 + 11 - left
}

/// Whether enough was watched of a slot to say what ran in the gaps that wait: with no more of them than was watched, no
/// estimate is above what was seen to run.
const fn is_known(waits: u64, watched: u64) -> bool {
    watched >= LEAST_OF_SLOT_MS && watched >= waits
}

impl GapBook {
    /// Takes a stretch within one slot of the week: running, at rest, or (`None`) not watched. `counter`: the drive has
    /// an hour counter.
    pub fn watch(&mut self, slot: usize, running: Option<bool>, ms: u64, counter: bool) {
        match running {
            Some(runs) => {
                self.watched.add(slot, ms);
                if runs {
                    self.ran.add(slot, ms);
                    self.hours.own = self.hours.own.saturating_add(ms as i64);
                }
            }
            // Of what lies before its first reading a counter can say nothing.
            None if counter && self.hours.last.is_some() => self.pending.add(slot, ms),
            None => self.unknown.add(slot, ms),
        }
        self.starts_gap_ms += if running.is_none() { ms } else { 0 };
    }

    /// Our own record counted a start.
    pub fn started(&mut self) {
        self.starts.own = self.starts.own.saturating_add(1);
    }

    /// Takes a reading of the hour counter, after [`GapBook::watch`] has been given everything up to it; what ran in
    /// gaps by it is booked at `km`. Comes back: milliseconds booked, and what was odd.
    pub fn hours(&mut self, counter: &Counter, reading: Reading, km: Ppm) -> (u64, Vec<Note>) {
        let mut notes = Vec::new();
        let gaps = self.pending.take();
        let room = gaps.total();
        match self.hours.read(counter, reading, room as i64, &mut notes) {
            Some(ran) => {
                self.counted.book(ran as u64, km);
                (ran as u64, notes)
            }
            None => {
                gaps.0.iter().enumerate().for_each(|(slot, &ms)| self.unknown.add(slot, ms));
                (0, notes)
            }
        }
    }

    /// Takes a reading of the start counter. Comes back: starts in gaps, and what was odd.
    pub fn starts(&mut self, counter: &Counter, reading: Reading) -> (u64, Vec<Note>) {
        let mut notes = Vec::new();
        // Without a gap there is nowhere that a start could have gone unseen, and in a short one not many.
        let seconds = std::mem::take(&mut self.starts_gap_ms).div_ceil(1000) as i64;
        let room = seconds.saturating_mul(counter.most_a_second);
        let starts = self.starts.read(counter, reading, room, &mut notes).unwrap_or(0) as u64;
        self.counted_starts += starts;
        (starts, notes)
    }

    /// A day has ended: gaps that no counter can tell of are estimated and booked at `km`, once four weeks were watched
    /// and the same hours of the week among them. Comes back: milliseconds booked.
    pub fn close_day(&mut self, km: Ppm) -> u64 {
        if self.watched.total() < LEAST_WATCHED_MS {
            return 0;
        }
        self.estimate(km, is_known)
    }

    /// Ends a working period: all that waits is estimated by what is known or left out, so that the period can be frozen.
    /// Read [`GapBook::parts`] and [`GapBook::left_out_hours`] after it, then call [`GapBook::begin_period`]. Comes back:
    /// milliseconds booked.
    pub fn settle(&mut self, km: Ppm) -> u64 {
        let gaps = self.pending.take();
        gaps.0.iter().enumerate().for_each(|(slot, &ms)| self.unknown.add(slot, ms));
        // What the counter counted in them is now estimated: it must not be booked again at its next reading.
        if gaps.total() > 0 {
            self.hours = Balance::default();
        }
        let booked = self.estimate(km, |_, watched| watched >= LEAST_OF_SLOT_MS);
        self.left_out_ms = self.unknown.take().total();
        booked
    }

    /// Books the gaps of the slots of which enough is known, by what waits of them and what was watched.
    fn estimate(&mut self, km: Ppm, enough: impl Fn(u64, u64) -> bool) -> u64 {
        let by_slot = self.unknown.0.iter_mut().zip(self.ran.0.iter().zip(&self.watched.0));
        let known = by_slot.filter(|(waits, (_, watched))| enough(**waits, **watched));
        let ms: f64 =
            known.map(|(waits, (&ran, &watched))| std::mem::take(waits) as f64 * ran as f64 / watched as f64).sum();
        let ms = ms.round() as u64;
        self.estimated.book(ms, km);
        ms
    }

    /// Begins a new working period: what was booked stays with the old one. What the record knows of the week, and
    /// where the counters stand, goes on.
    pub fn begin_period(&mut self) {
        (self.counted, self.estimated, self.counted_starts) = Default::default();
        self.left_out_ms = 0;
    }

    /// What the counters told of gaps.
    pub fn counted(&self) -> &Assumed {
        &self.counted
    }

    /// What was estimated for gaps.
    pub fn estimated(&self) -> &Assumed {
        &self.estimated
    }

    /// Starts in gaps that the counter told.
    pub fn counted_starts(&self) -> u64 {
        self.counted_starts
    }

    /// The hour counter's last reading.
    pub fn last_hours(&self) -> Option<Reading> {
        self.hours.last
    }

    /// The start counter's last reading.
    pub fn last_starts(&self) -> Option<Reading> {
        self.starts.last
    }

    /// Whether a gap waits for a reading of the hour counter.
    pub fn waits_for_hours(&self) -> bool {
        self.pending.total() > 0
    }

    /// Whether a gap waits for a reading of the start counter. A drive can have the one counter without the other, so
    /// neither waits for both.
    pub fn waits_for_starts(&self) -> bool {
        self.starts_gap_ms > 0
    }

    /// Length of the gaps that are not in S yet, hours: they wait for a counter's reading, for four weeks of record, or
    /// for a record of the same hours of the week.
    pub fn waiting_hours(&self) -> f64 {
        (self.pending.total() + self.unknown.total()) as f64 / MS_PER_HOUR as f64
    }

    /// Length of the gaps that will be in S when what they wait for has come, milliseconds: not those of hours of the
    /// week of which too little is known, which S may never hear of.
    pub fn owed_ms(&self) -> u64 {
        let slots = self.unknown.0.iter().zip(&self.watched.0);
        let known: u64 = slots.filter(|(waits, watched)| is_known(**waits, **watched)).map(|(waits, _)| waits).sum();
        self.pending.total() + known
    }

    /// Length of the gaps that the end of the working period has left out of S, hours; between [`GapBook::settle`] and
    /// [`GapBook::begin_period`].
    pub fn left_out_hours(&self) -> f64 {
        self.left_out_ms as f64 / MS_PER_HOUR as f64
    }

    /// Full-load hours of gaps with their recording factors: the sum of [`GapBook::parts`] without laying them out.
    pub fn full_load_hours(&self, scale: FactorScale) -> f64 {
        let of =
            |booked: &Assumed, recording: Recording| booked.full_load_hours() * recording.factor(scale).unwrap_or(1.0);
        of(&self.counted, counted_recording(scale)) + of(&self.estimated, estimated_recording(scale))
    }

    /// The gaps as parts of the ledger: one for hours that the counter told, one for estimated hours; none of nothing.
    pub fn parts(&self, scale: FactorScale) -> Vec<Part> {
        let counted = self.counted.part(
            PartKind::Gap,
            counted_recording(scale),
            scale,
            "hours by the drive's counter, loads not recorded",
        );
        let estimated = self.estimated.part(
            PartKind::Gap,
            estimated_recording(scale),
            scale,
            "hours estimated from the same hours of the week, loads not recorded",
        );
        counted.into_iter().chain(estimated).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Timestamp;
    use proptest::prelude::*;

    const HOUR: i64 = MS_PER_HOUR;
    const KM: Ppm = Ppm(250_000);

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
        book.hours(&counter, Reading { at: Timestamp::from_ms(0), value: 0 }, KM);
        for (i, day) in days.iter().enumerate() {
            let [rest, ran, gap, gap_ran] = day.hours.map(|h| h * HOUR as u64);
            for _ in 0..cuts {
                book.watch(i % SLOTS, Some(false), rest / cuts, true);
                book.watch(i % SLOTS, Some(true), ran / cuts, true);
                book.watch(i % SLOTS, None, (gap + gap_ran) / cuts, true);
            }
            true_ms += (ran + gap_ran) as i64;
            in_gaps += gap_ran;
            if day.read || i == last {
                let at = Timestamp::from_ms((i as i64 + 1) * 24 * HOUR);
                notes.extend(book.hours(&counter, Reading { at, value: true_ms / step * step }, KM).1);
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
            prop_assert!((book.counted().hours() - true_hours).abs() < 1e-3, "{} {true_hours}", book.counted().hours());
            prop_assert_eq!(book.waiting_hours(), 0.0);
        }

        #[test]
        fn a_coarse_counter_never_adds_up_to_more_than_a_step_of_error_unsaid(days in stretches()) {
            let step = 5 * HOUR;
            let (book, notes, true_hours) = live(&days, step, 1);
            let said: f64 = notes.iter().map(|n| match n {
                Note::Disagrees { by, .. } => (*by as f64 / HOUR as f64).abs(),
                // Gaps up to a stuck reading wait for the estimate.
                _ => f64::INFINITY,
            }).sum();
            let error = (book.counted().hours() - true_hours).abs();
            prop_assert!(error <= 5.0 + said + 1e-9, "{error} h, {said} h said");
        }

        #[test]
        fn feeding_a_day_in_pieces_or_whole_is_the_same(days in stretches(), cuts in 2_u64..6) {
            prop_assert_eq!(live(&days, 1000, 1), live(&days, 1000, cuts));
        }

        #[test]
        fn what_is_booked_for_gaps_never_falls(days in stretches(), km in proptest::collection::vec(0_u64..2_000_000, 80)) {
            let (mut book, mut before) = (GapBook::default(), 0.0);
            for (i, (day, km)) in days.iter().zip(km).enumerate() {
                let [rest, ran, gap, gap_ran] = day.hours.map(|h| h * HOUR as u64);
                book.watch(i % SLOTS, Some(false), 10 * rest, day.read);
                book.watch(i % SLOTS, Some(true), 10 * ran, day.read);
                book.watch(i % SLOTS, None, gap + gap_ran, day.read);
                book.close_day(Ppm(km));
                let now = book.full_load_hours(FactorScale::Fem);
                prop_assert!(now >= before);
                before = now;
            }
        }
    }

    #[test]
    fn without_a_counter_the_same_hours_of_the_week_say_it() {
        let mut book = GapBook::default();
        let hour = |day: i32, hour: i64| slot(day, (24 - hour) * HOUR);
        // Four weeks watched: Thursdays run from 06:00 to 12:00; then a Thursday that nobody saw, and a Friday.
        for day in 0..28 {
            for h in 0..24 {
                let runs = day % 7 == 0 && (6..12).contains(&h);
                book.watch(hour(day, h), Some(runs), HOUR as u64, false);
            }
            book.close_day(KM);
        }
        for h in 0..24 {
            book.watch(hour(28, h), None, HOUR as u64, false);
            book.watch(hour(29, h), None, HOUR as u64, false);
        }
        assert_eq!((book.waiting_hours(), book.estimated().hours()), (48.0, 0.0));
        assert_eq!(book.close_day(KM), 6 * HOUR as u64);
        let parts = book.parts(FactorScale::Fem);
        assert_eq!((parts.len(), parts[0].recording, parts[0].factor), (1, Recording::Estimated, 1.2));
        assert_eq!(parts[0].full_load_hours(), 6.0 * 0.25 * 1.2);
        assert_eq!(book.full_load_hours(FactorScale::Fem), 6.0 * 0.25 * 1.2);
        assert_eq!(book.parts(FactorScale::Iso)[0].factor, 1.3);
    }

    #[test]
    fn before_four_weeks_a_gap_waits_unless_the_period_ends() {
        let mut book = GapBook::default();
        book.watch(0, Some(true), HOUR as u64, false);
        book.watch(0, Some(false), HOUR as u64, false);
        book.watch(0, None, 4 * HOUR as u64, false);
        assert_eq!((book.close_day(KM), book.waiting_hours()), (0, 4.0));
        assert_eq!((book.settle(KM), book.waiting_hours()), (2 * HOUR as u64, 0.0));
    }

    #[test]
    fn starts_in_gaps_come_from_their_counter_whichever_counter_is_read_first() {
        let (hours, starts) = (Counter::hours(32, 1000), Counter::starts(16));
        let at = |h: i64| Timestamp::from_ms(h * HOUR);
        let mut book = GapBook::default();
        book.starts(&starts, Reading { at: at(0), value: 65_530 });
        book.hours(&hours, Reading { at: at(0), value: 0 }, KM);
        (0..3).for_each(|_| book.started());
        book.watch(0, Some(true), HOUR as u64, true);
        book.watch(0, None, 2 * HOUR as u64, true);
        assert!(book.waits_for_hours() && book.waits_for_starts());
        assert_eq!(book.hours(&hours, Reading { at: at(3), value: 2 * HOUR }, KM).0, HOUR as u64);
        assert!(!book.waits_for_hours());
        assert!(book.waits_for_starts(), "the start counter has not been read yet");
        let (counted, notes) = book.starts(&starts, Reading { at: at(3), value: 4 });
        assert_eq!((counted, book.counted_starts()), (7, 7), "ten counted over the end, three of them seen");
        assert!(matches!(notes[..], [Note::RolledOver { .. }]), "{notes:?}");
        assert!(!book.waits_for_hours() && !book.waits_for_starts());
    }
}
